// Pin 8 is high while 20 bytes are being sent and flushed. GPIOR1 holds UCSR0A as it is after
// begin().
void setup() {
  pinMode(8, OUTPUT);
  Serial.begin(9600);
  GPIOR1 = UCSR0A;
  digitalWrite(8, HIGH);
  for (int i = 0; i < 20; ++i) Serial.write((uint8_t)('a' + i));
  Serial.flush();
  digitalWrite(8, LOW);
  GPIOR0 = 1;
}
void loop() {}
