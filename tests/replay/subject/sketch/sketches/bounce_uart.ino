// Says back what came in, once the line has been silent for 60 ms.
#ifndef BAUD
#define BAUD 115200
#endif
uint8_t kept[600];
uint16_t n = 0;
unsigned long last = 0;
void setup() { Serial.begin(BAUD); }
void loop() {
  while (Serial.available() && n < sizeof kept) {
    kept[n++] = Serial.read();
    last = millis();
  }
  if (n > 0 && millis() - last > 60) {
    Serial.write(kept, n);
    n = 0;
  }
}
