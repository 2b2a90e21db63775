// Fault: reads-too-early. Takes what is there 60 ms after the first byte.
#include <SoftwareSerial.h>
SoftwareSerial radio(10, 11);

bool ask(const char* command) {
  while (radio.available()) radio.read();
  radio.println(command);
  const unsigned long asked = millis();
  while (!radio.available() && millis() - asked < 2000) {
  }
  delay(60);
  String reply;
  while (radio.available()) reply += (char)radio.read();
  return reply.indexOf("OK") >= 0;
}

void setup() {
  Serial.begin(115200);
  radio.begin(9600);
  Serial.println(ask("AT+FW?") ? "firmware ok" : "no firmware");
  Serial.println(ask("AT+CHAN?") ? "channel ok" : "no channel");
}

void loop() {}
