// Faulty: readBytes() with a fixed count, strcmp() with line endings in it.
#include <SoftwareSerial.h>
SoftwareSerial m(10, 11);
char b[7];
bool ok() {
  size_t n = m.readBytes(b, 6);
  b[n] = 0;
  return n == 6 && !strcmp(b, "\r\nOK\r\n");
}
void setup() {
  Serial.begin(9600);
  m.begin(9600);
  m.print("AT\r\n");
  Serial.println(ok() ? "1 good" : "1 bad");
  m.print("AT+CHAN=5\r\n");
  Serial.println(ok() ? "2 good" : "2 bad");
  m.print("AT+POWER=2\r\n");
  Serial.println(ok() ? "3 good" : "3 bad");
}
void loop() {}
