// Good: blinks without delay(), keeps a reply in a char buffer.
#include <SoftwareSerial.h>
SoftwareSerial radio(10, 11);
char line[64];
byte used;
bool led;
unsigned long blinked, last;
int asked;
bool waiting;
void take() {
  line[used] = 0;
  char* p = line;
  while (*p == '\r' || *p == '\n') p++;
  if (strstr(p, "OK")) {
    Serial.print("got it: ");
    Serial.println(asked);
  } else
    Serial.println("what?");
  used = 0;
  waiting = false;
}
void setup() {
  pinMode(13, OUTPUT);
  Serial.begin(57600);
  radio.begin(9600);
}
void loop() {
  unsigned long now = millis();
  if (now - blinked >= 250) {
    blinked = now;
    led = !led;
    digitalWrite(13, led);
  }
  if (!waiting && asked < 4) {
    used = 0;
    radio.println(asked % 2 ? "AT+SIGNAL?" : "AT");
    asked++;
    waiting = true;
    last = millis();
  }
  while (radio.available()) {
    char c = radio.read();
    if (used < sizeof line - 1) line[used++] = c;
    last = millis();
  }
  if (waiting && millis() - last > (used ? 200u : 2000u)) take();
}
