// butt-watch, written to cope: no reply is taken to end with any byte in particular.
//
// The Sedge radio module is on pins 10 (its TX) and 11 (its RX); what butt-watch has to tell goes to
// the USB port. A reply is over when the result is in it and the line has then been silent for a
// while, whatever stands between and behind: line endings, none, an echo, an event in the middle, a
// pause between two pieces. Works with Sedge A, B and C.
#include <SoftwareSerial.h>

const unsigned long kWait = 2000;   // ms, for a reply to begin
const unsigned long kQuiet = 120;   // ms: a reply with its result is over after so long a silence
const unsigned long kStuck = 600;   // ms: and one without, after so long

SoftwareSerial radio(10, 11);
char reply[96];

// Sends a command; the whole reply is then in `reply`. False if there was none or no OK in it.
bool ask(const char* command) {
  while (radio.available()) radio.read();  // what is left of before is no answer to this
  radio.print(command);
  radio.print('\r');
  byte n = 0;
  bool result = false;
  unsigned long last = millis();
  for (;;) {
    if (radio.available()) {
      const char c = radio.read();
      if (n < sizeof reply - 1) reply[n++] = c;
      reply[n] = '\0';
      result = strstr(reply, "OK") || strstr(reply, "ERROR");
      last = millis();
      continue;
    }
    const unsigned long silent = millis() - last;
    if (silent > (n == 0 ? kWait : result ? kQuiet : kStuck)) break;
  }
  reply[n] = '\0';
  if (strstr(reply, "OK")) return true;
  Serial.print(n == 0 ? F("no answer to ") : F("the module does not take "));
  Serial.println(command);
  return false;
}

void setup() {
  Serial.begin(115200);
  radio.begin(9600);
  ask("AT");
  ask("AT+CHAN=11");
  ask("AT+POWER=2");
}

void loop() {
  if (ask("AT+SIGNAL?")) {
    // The number: the first minus sign with a digit behind it.
    const char* at = reply;
    while (*at && !(at[0] == '-' && isdigit(at[1]))) ++at;
    Serial.print(F("signal "));
    Serial.println(*at ? atoi(at) : 0);
  }
  delay(10000);
}
