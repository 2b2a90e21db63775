// Shows replies as they came, with whatever line endings they have.
#include <SoftwareSerial.h>
SoftwareSerial dbg(8, 9);
char k[128]; int n;
bool need(const char *c) {
  n = 0; k[0] = 0;
  Serial.print(c); Serial.print("\r\n");
  unsigned long t = millis();
  while (millis() - t < 700) {
    if (Serial.available()) {
      char x = Serial.read();
      if (n < 127) { k[n++] = x; k[n] = 0; }
    }
  }
  dbg.println(k);
  return strstr(k, "OK") != 0;
}
void setup() {
  Serial.begin(9600); dbg.begin(9600);
  dbg.println(need("AT+FW?") ? "<fw known>" : "<fw not known>");
  dbg.println(need("AT+SIGNAL?") ? "<signal known>" : "<signal not known>");
}
void loop() {}
