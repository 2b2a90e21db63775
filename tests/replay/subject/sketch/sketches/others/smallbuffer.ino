// Faulty: writes past a buffer of 48 bytes.
#include <SoftwareSerial.h>
SoftwareSerial m(10, 11);
void ask() {
  char b[48];
  byte n = 0;
  m.print("AT+FW?\r\n");
  unsigned long t = millis();
  while (millis() - t < 500)
    if (m.available()) {
      b[n++] = m.read();
      b[n] = 0;
      t = millis();
    }
  Serial.println(strstr(b, "OK") ? "fw" : "no fw");
}
void setup() {
  Serial.begin(9600);
  m.begin(9600);
  ask();
  ask();
  Serial.println("end");
}
void loop() {}
