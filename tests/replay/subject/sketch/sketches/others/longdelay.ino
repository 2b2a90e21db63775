// Faulty: looks after 600 ms, when the receive buffer may have been full for long.
#include <SoftwareSerial.h>
SoftwareSerial tell(8, 9);
void setup() {
  Serial.begin(9600);
  tell.begin(9600);
  for (byte i = 0; i < 2; i++) {
    Serial.print("AT+FW?\r\n");
    delay(600);
    String r;
    while (Serial.available()) r += (char)Serial.read();
    tell.println(r.indexOf("OK") >= 0 ? "complete" : "incomplete");
  }
}
void loop() {}
