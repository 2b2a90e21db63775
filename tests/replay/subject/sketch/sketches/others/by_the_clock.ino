// Asks for the second thing after 60 ms, whatever comes: on a software port the rest of a reply is lost.
#include <SoftwareSerial.h>
SoftwareSerial s(10, 11);
char a[120]; byte n;
void collect(unsigned ms) { unsigned long t = millis(); while (millis() - t < ms) if (s.available() && n < 119) { a[n++] = s.read(); a[n] = 0; } }
#ifdef GOOD
void untilOk() { unsigned long t = millis(); byte from = n; while (millis() - t < 1000 && !strstr(a + from, "OK")) if (s.available() && n < 119) { a[n++] = s.read(); a[n] = 0; } collect(40); }
#endif
void setup() {
  Serial.begin(9600); s.begin(9600);
  s.print("AT+CHAN?\r\n");
#ifdef GOOD
  untilOk();
#else
  collect(60);
#endif
  s.print("AT+SIGNAL?\r\n");
#ifdef GOOD
  untilOk();
#else
  collect(500);
#endif
  char *c = strstr(a, "+CHAN: "), *g = strstr(a, "+SIGNAL: ");
  Serial.print("C"); Serial.println(c ? atoi(c + 7) : -1);
  Serial.print("S"); Serial.println(g ? atoi(g + 9) : -1);
}
void loop() {}
