// Good: asks by the clock, readBytes() with a timeout of its own, tells its uptime in seconds.
#include <SoftwareSerial.h>
SoftwareSerial m(10, 11);
char buf[100];
void setup() {
  Serial.begin(9600);
  m.begin(9600);
}
unsigned long due = 500;
void loop() {
  static unsigned int asked;
  if (millis() < due || asked >= 3) return;
  due += 2000;
  asked++;
  m.print("AT+SIGNAL?\r\n");
  m.setTimeout(300);
  size_t n = m.readBytes(buf, 99);
  buf[n] = 0;
  char* p = strstr(buf, "SIGNAL:");
  Serial.print("t=");
  Serial.print(millis() / 1000);
  Serial.print("s sig=");
  Serial.println(p ? atoi(p + 7) : 0);
}
