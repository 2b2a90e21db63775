// Reads a word with the CR still on it and says it again.
#include <SoftwareSerial.h>
SoftwareSerial radio(10, 11);
String line() {
  String s;
  do { s = radio.readStringUntil('\n');
#ifdef GOOD
  s.trim();
#endif
  } while (s.length() <= 1 && radio.available());
  return s;
}
void setup() {
  Serial.begin(9600); radio.begin(9600);
  radio.print("AT+CHAN?\r\n");
  String c = line();
  int at = c.indexOf(": ");
  String chan = at >= 0 ? c.substring(at + 2) : String("11");
  line();                                   // the OK
  delay(100); while (radio.available()) radio.read();
  radio.print("AT+CHAN=" + chan + "\r\n");
  String ok = line();
#ifdef GOOD
  Serial.println(ok == "OK" ? "channel kept" : "channel lost");
#else
  Serial.println(ok.startsWith("OK") ? "channel kept" : "channel lost");
#endif
}
void loop() {}
