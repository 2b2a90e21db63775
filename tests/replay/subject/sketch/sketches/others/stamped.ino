// Good: stamps each line with millis().
#include <SoftwareSerial.h>
SoftwareSerial m(10, 11);
void log(const char* what) {
  Serial.print('[');
  Serial.print(millis());
  Serial.print("] ");
  Serial.println(what);
}
void setup() {
  Serial.begin(115200);
  m.begin(9600);
  log("boot");
}
void loop() {
  static byte n;
  if (n >= 3) return;
  n++;
  log("ask");
  m.print("AT+SIGNAL?\r\n");
  unsigned long t = millis(), first = 0;
  String s;
  while (millis() - t < 300 || (s.indexOf("OK") < 0 && millis() - t < 2500))
    if (m.available()) {
      if (!s.length()) first = millis() - t;
      s += (char)m.read();
      if (s.indexOf("OK") < 0) t = millis();
    }
  int at = s.indexOf('-');
  log(at >= 0 ? s.substring(at, at + 3).c_str() : "none");
  Serial.print("answered after ");
  Serial.print(first);
  Serial.println(" ms");
}
