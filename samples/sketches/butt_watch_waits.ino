// butt-watch, the way it is often written: a reply is taken to be lines that end with LF.
//
// The Sedge radio module is on pins 10 (its TX) and 11 (its RX); what butt-watch has to tell goes to
// the USB port. Works with Sedge B. With a module that sends no LF, readStringUntil() can't know that
// the line is over: it waits for its whole timeout, 1000 ms if nobody has set another.
#include <SoftwareSerial.h>

SoftwareSerial radio(10, 11);

// Sends a command; gives back the information text, or "" if there is none or no answer.
String ask(const char* command) {
  radio.print(command);
  radio.print('\r');
  String text;
  for (int lines = 0; lines < 6; ++lines) {
    String line = radio.readStringUntil('\n');
    line.trim();
    if (line == "OK") return text;
    if (line == "ERROR") break;
    if (line.length() > 0) text = line;
  }
  Serial.print(F("no answer to "));
  Serial.println(command);
  return "";
}

void setup() {
  Serial.begin(115200);
  radio.begin(9600);
  ask("AT");
  ask("AT+CHAN=11");
  ask("AT+POWER=2");
}

void loop() {
  Serial.print(F("signal "));
  Serial.println(ask("AT+SIGNAL?"));
  delay(10000);
}
