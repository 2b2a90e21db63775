// Fault: sends-while-receiving. While it waits for the module at one software port it tells so at
// another: a software port is deaf meanwhile.
#include <SoftwareSerial.h>
SoftwareSerial radio(10, 11);
SoftwareSerial display(6, 7);

bool ask(const char* command) {
  while (radio.available()) radio.read();
  radio.print(command);
  radio.print('\r');
  String reply;
  unsigned long last = millis(), dot = last;
  while (millis() - last < (reply.indexOf("OK") >= 0 ? 100UL : 1500UL)) {
    if (radio.available()) {
      reply += (char)radio.read();
      last = millis();
    }
    if (millis() - dot >= 80) {
      display.print("waiting ");
      dot += 80;
    }
  }
  return reply.indexOf("OK") >= 0;
}

void tell(const char* command) {
  Serial.print(command);
  Serial.println(ask(command) ? " fine" : " bad");
}

void setup() {
  Serial.begin(9600);
  display.begin(4800);
  radio.begin(9600);
  tell("AT");
  tell("AT+CHAN?");
  tell("AT+POWER=2");
}

void loop() {}
