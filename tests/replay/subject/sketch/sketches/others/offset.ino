// Faulty: takes the value from a fixed place.
#include <SoftwareSerial.h>
SoftwareSerial m(10, 11);
void setup() {
  Serial.begin(9600);
  m.begin(9600);
  for (byte i = 0; i < 2; i++) {
    m.print("AT+SIGNAL?\r\n");
    String r;
    for (unsigned long t = millis(); millis() - t < 500;)
      if (m.available()) {
        r += (char)m.read();
        t = millis();
      }
    Serial.print("signal ");
    Serial.println(r.substring(11, 14));
  }
}
void loop() {}
