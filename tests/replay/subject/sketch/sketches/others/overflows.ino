// Lets a reply settle for a second before it reads it: more than the receive buffer holds is lost.
#include <SoftwareSerial.h>
SoftwareSerial r(10, 11);
void setup() {
  Serial.begin(9600); r.begin(9600);
  const char *cmds[] = {"AT", "AT+FW?", "AT+CHAN?", "AT+SIGNAL?"};
  for (int k = 0; k < 4; k++) {
    r.print(cmds[k]); r.print("\r\n");
    String a;
#ifdef GOOD
    unsigned long t = millis();
    while (millis() - t < 500) if (r.available()) { a += char(r.read()); t = millis(); }
#else
    delay(500); delay(500);
    while (r.available()) a += char(r.read());
#endif
    a.replace("\r", " "); a.replace("\n", " "); a.trim();
    if (a.endsWith("OK")) Serial.println(String("[") + cmds[k] + "] fine");
    else Serial.println(String("[") + cmds[k] + "] bad");
  }
}
void loop() {}
