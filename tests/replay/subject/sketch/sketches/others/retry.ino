// Good: asks up to three times.
#include <SoftwareSerial.h>
SoftwareSerial m(10, 11);
bool ask(const char* c, const char* want) {
  for (byte tries = 0; tries < 3; ++tries) {
    while (m.available()) m.read();
    m.print(c);
    m.print("\r\n");
    char buf[90];
    byte n = 0;
    unsigned long t = millis();
    while (millis() - t < 1000) {
      if (m.available() && n < 89) {
        buf[n++] = m.read();
        buf[n] = 0;
      }
      if (n && strstr(buf, want) && millis() - t > 250) {
        delay(100);
        return true;
      }
    }
  }
  return false;
}
void setup() {
  Serial.begin(9600);
  m.begin(9600);
  Serial.println(ask("AT", "OK") && ask("AT+FW?", "sedge") && ask("AT+SIGNAL?", "-7") ? "all well"
                                                                                      : "trouble");
}
void loop() {}
