// Good: sleeps between looks (idle mode, woken by the clock).
#include <SoftwareSerial.h>
#include <avr/sleep.h>
SoftwareSerial m(10, 11);
void nap(unsigned long ms) {
  for (unsigned long t = millis(); millis() - t < ms;) {
    set_sleep_mode(SLEEP_MODE_IDLE);
    sleep_mode();
  }
}
void setup() {
  Serial.begin(9600);
  m.begin(9600);
  for (byte i = 0; i < 3; i++) {
    m.print("AT\r\n");
    nap(400);
    String s;
    while (m.available()) s += (char)m.read();
    Serial.println(s.indexOf("OK") >= 0 ? F("awake") : F("asleep"));
    nap(300);
  }
}
void loop() { nap(1000); }
