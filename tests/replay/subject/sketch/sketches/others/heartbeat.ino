// Good: a state machine without delay(); prints a sign of life each second.
#include <SoftwareSerial.h>
SoftwareSerial module(10, 11);
const char* const commands[] = {"AT", "AT+FW?", "AT+SIGNAL?"};
byte step = 0, state = 0;
unsigned long beat = 0, since = 0, beats = 0;
String reply;
void setup() {
  Serial.begin(9600);
  module.begin(9600);
  Serial.println(F("start"));
}
void loop() {
  if (millis() - beat >= 1000) {
    beat += 1000;
    Serial.print(F("alive "));
    Serial.println(++beats);
  }
  switch (state) {
    case 0:
      if (step == 3) return;
      while (module.available()) module.read();
      module.print(commands[step]);
      module.print("\r\n");
      reply = "";
      since = millis();
      state = 1;
      break;
    case 1:
      while (module.available()) {
        reply += (char)module.read();
        since = millis();
      }
      if (millis() - since > (reply.length() ? 150UL : 1500UL)) state = 2;
      break;
    case 2:
      Serial.print(commands[step]);
      Serial.println(reply.indexOf("OK") >= 0 ? F(" done") : F(" failed"));
      ++step;
      state = 0;
      break;
  }
}
