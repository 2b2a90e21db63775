// Good: prints nothing at all; only a LED tells.
#include <SoftwareSerial.h>
SoftwareSerial m(10, 11);
bool ask(const char* c) {
  m.print(c);
  m.print("\r\n");
  char w[3] = {0, 0, 0};
  unsigned long t = millis();
  bool ok = false;
  while (millis() - t < 700)
    if (m.available()) {
      w[0] = w[1];
      w[1] = m.read();
      if (w[0] == 'O' && w[1] == 'K') ok = true;
    }
  return ok;
}
void setup() {
  pinMode(13, OUTPUT);
  m.begin(9600);
  digitalWrite(13, ask("AT") && ask("AT+CHAN=3") && ask("AT+POWER=2"));
}
void loop() {}
