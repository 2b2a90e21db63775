// Faulty: waits for a byte for ever.
#include <SoftwareSerial.h>
SoftwareSerial m(10, 11);
char getReply() {
  char c = 0;
  do {
    while (!m.available())
      ;
    c = m.read();
  } while (c != 'K' && c != 'R');
  return c;
}
void setup() {
  Serial.begin(9600);
  m.begin(9600);
  m.print("AT\r\n");
  Serial.println(getReply());
  m.print("AT+CHAN=4\r\n");
  Serial.println(getReply());
}
void loop() {}
