// As bounce_uart, but has interrupts off for 1 ms after a byte 0x10.
uint8_t kept[600];
uint16_t n = 0;
unsigned long last = 0;
void setup() { Serial.begin(115200); }
void loop() {
  while (Serial.available()) {
    const uint8_t c = Serial.read();
    kept[n++] = c;
    last = millis();
    if (c == 0x10) {
      noInterrupts();
      delayMicroseconds(1000);
      interrupts();
    }
  }
  if (n > 0 && millis() - last > 60) {
    Serial.write(kept, n);
    n = 0;
  }
}
