// Good: serialEvent() on the hardware port, String with +=.
#include <SoftwareSerial.h>
SoftwareSerial tell(8, 9);
String in;
unsigned long last;
byte at;
bool sent;
const char* list[] = {"AT", "AT+FW?", "AT+SIGNAL?"};
void serialEvent() {
  while (Serial.available()) {
    in += (char)Serial.read();
    last = millis();
  }
}
void setup() {
  Serial.begin(9600);
  tell.begin(9600);
  in.reserve(200);
}
void loop() {
  if (at < 3 && !sent) {
    in = "";
    Serial.print(list[at]);
    Serial.print("\r\n");
    last = millis();
    sent = true;
  }
  if (sent && millis() - last > (in.length() ? 200 : 2000)) {
    tell.print(list[at]);
    tell.println(in.indexOf("OK") >= 0 ? ": yes" : ": no");
    at++;
    sent = false;
  }
}
