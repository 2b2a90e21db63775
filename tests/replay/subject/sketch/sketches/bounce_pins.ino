// Says back over UART0 what came in at the software port, once that has been silent for 60 ms; says
// all 256 values over the software port when 'A' comes at UART0. Pin 8, on the port of the receive
// pin, changes all the time.
#include <SoftwareSerial.h>
SoftwareSerial radio(10, 11);
uint8_t kept[600];
uint16_t n = 0;
unsigned long last = 0;
void setup() {
  pinMode(8, OUTPUT);
  Serial.begin(115200);
  radio.begin(BAUD);
}
void loop() {
  digitalWrite(8, !digitalRead(8));
  while (radio.available() && n < sizeof kept) {
    kept[n++] = radio.read();
    last = millis();
  }
  if (n > 0 && millis() - last > 60) {
    Serial.write(kept, n);
    n = 0;
  }
  if (Serial.read() == 'A')
    for (int i = 0; i < 256; ++i) radio.write((uint8_t)i);
}
