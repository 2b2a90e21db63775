// Good: Serial.find() and parseInt() on the hardware port; prints nothing, lights a LED.
void setup() {
  Serial.begin(9600);
  delay(100);
  Serial.print("AT\r\n");
  bool ok = Serial.find((char*)"OK");
  Serial.print("AT+SIGNAL?\r\n");
  long v = 0;
  if (Serial.find((char*)"SIGNAL: ")) {
    v = Serial.parseInt();
    ok = ok && Serial.find((char*)"OK");
  }
  pinMode(13, OUTPUT);
  digitalWrite(13, ok && v == -71);
  if (ok && v < -50) Serial.print("AT+FW?\r\n");
}
void loop() {}
