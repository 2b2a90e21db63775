// butt-watch, comparing what came with what it once saw: line endings and all.
//
// The Sedge radio module is on pins 10 (its TX) and 11 (its RX); what butt-watch has to tell goes to
// the USB port. Works with Sedge B as it is today. A reply with other line endings, or with one line
// more, says the same to a person and something else to strcmp().
#include <SoftwareSerial.h>

SoftwareSerial radio(10, 11);
char reply[48];

// Sends a command; keeps what comes within 250 ms.
void ask(const char* command) {
  radio.print(command);
  radio.print('\r');
  byte n = 0;
  for (unsigned long began = millis(); millis() - began < 250;)
    while (radio.available() && n < sizeof reply - 1) reply[n++] = radio.read();
  reply[n] = '\0';
}

void demand(const char* command) {
  ask(command);
  if (strcmp(reply, "\r\nOK\r\n") == 0) return;
  Serial.print(F("the module does not take "));
  Serial.println(command);
}

void setup() {
  Serial.begin(115200);
  radio.begin(9600);
  demand("AT");
  demand("AT+CHAN=11");
  demand("AT+POWER=2");
}

void loop() {
  ask("AT+SIGNAL?");
  Serial.print(F("signal "));
  if (strncmp(reply, "\r\n+SIGNAL: ", 11) == 0)
    Serial.println(atoi(reply + 11));
  else
    Serial.println(F("unknown"));
  delay(10000);
}
