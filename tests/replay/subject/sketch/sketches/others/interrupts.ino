// Good: a timer's interrupt says when to ask; listens for a fixed time.
#include <SoftwareSerial.h>
SoftwareSerial m(10, 11);
volatile unsigned long ticks;
volatile bool flag;
ISR(TIMER1_COMPA_vect) {
  ticks++;
  if (ticks % 10 == 0) flag = true;
}
char b[80];
byte n;
void setup() {
  Serial.begin(9600);
  m.begin(9600);
  noInterrupts();
  TCCR1A = 0;
  TCCR1B = _BV(WGM12) | _BV(CS12);
  OCR1A = 6249;
  TIMSK1 = _BV(OCIE1A);
  interrupts();
}
void loop() {
  if (!flag) return;
  flag = false;
  m.print("AT+SIGNAL?\r\n");
  n = 0;
  unsigned long t = millis();
  while (millis() - t < 600)
    if (m.available()) {
      char c = m.read();
      if (n < 79) b[n++] = c;
    }
  b[n] = 0;
  char* p = strchr(b, '-');
  Serial.print("signal=");
  Serial.println(p ? atoi(p) : 0);
}
