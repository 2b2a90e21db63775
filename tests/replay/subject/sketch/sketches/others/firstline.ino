// Faulty: takes the first line for the reply.
#include <SoftwareSerial.h>
SoftwareSerial m(10, 11);
String line() {
  String s;
  for (unsigned long t = millis(); millis() - t < 1500;) {
    if (!m.available()) continue;
    char c = m.read();
    if (c == '\n' || c == '\r') {
      if (s.length()) return s;
    } else
      s += c;
    t = millis();
  }
  return s;
}
void setup() {
  Serial.begin(9600);
  m.begin(9600);
  for (byte i = 0; i < 2; i++) {
    m.print("AT+SIGNAL?\r\n");
    Serial.println(line());
    line();
  }
}
void loop() {}
