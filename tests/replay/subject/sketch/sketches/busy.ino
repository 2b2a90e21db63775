// Does not look at UART0 for 50 ms, then says back what the receive buffer has kept.
void setup() {
  Serial.begin(115200);
  delay(50);
  while (Serial.available()) Serial.write(Serial.read());
  Serial.flush();
  GPIOR0 = 1;
}
void loop() {}
