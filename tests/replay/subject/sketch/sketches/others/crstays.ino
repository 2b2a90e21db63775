// Faulty: readStringUntil(LF), compared with the CR still in it.
#include <SoftwareSerial.h>
SoftwareSerial m(10, 11);
void setup() {
  Serial.begin(9600);
  m.begin(9600);
  const char* c[] = {"AT\r\n", "AT+CHAN=5\r\n"};
  for (byte i = 0; i < 2; i++) {
    m.print(c[i]);
    m.readStringUntil('\n');
    String l = m.readStringUntil('\n');
    Serial.println(l == "OK\r" ? "taken" : "refused");
  }
}
void loop() {}
