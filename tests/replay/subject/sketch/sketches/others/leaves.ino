// Fault: takes-leftover. Never clears what has come before it asks. Prints by a software port.
#include <SoftwareSerial.h>
SoftwareSerial console(2, 3);

String ask(const char* command) {
#ifdef CLEARS
  while (Serial.available()) Serial.read();
#endif
  Serial.println(command);
  String reply;
  const unsigned long asked = millis();
  while (millis() - asked < 2000 && reply.indexOf("OK") < 0 && reply.indexOf("ERROR") < 0)
    if (Serial.available()) reply += (char)Serial.read();
  return reply;
}

void show(const char* command) {
  const String reply = ask(command);
  const int at = reply.indexOf(": ");
  console.print(command);
  console.print(F(" = "));
  console.println(at < 0 ? String("none") : reply.substring(at + 2, reply.indexOf('\r', at)));
  delay(200);
}

void setup() {
  Serial.begin(9600);
  console.begin(9600);
  delay(100);
  show("AT+CHAN?");
  show("AT+SIGNAL?");
  show("AT+FW?");
}

void loop() {}
