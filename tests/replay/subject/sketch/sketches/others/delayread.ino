// Faulty: takes what is there after 100 ms.
#include <SoftwareSerial.h>
SoftwareSerial m(10, 11);
String ask(const char* c) {
  m.print(c);
  m.print("\r\n");
  delay(100);
  String r;
  while (m.available()) r += (char)m.read();
  return r;
}
void setup() {
  Serial.begin(9600);
  m.begin(9600);
  for (byte i = 0; i < 3; i++) {
    Serial.print("AT: ");
    Serial.println(ask("AT").indexOf("OK") >= 0);
  }
}
void loop() {}
