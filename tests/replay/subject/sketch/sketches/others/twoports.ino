// Good: two software ports; makes the module's listen before it asks.
#include <SoftwareSerial.h>
SoftwareSerial gps(6, 7), radio(10, 11);
String ask(const char* c) {
  radio.listen();
  radio.print(c);
  radio.print("\r\n");
  String r;
  unsigned long t = millis();
  while (millis() - t < 800)
    if (radio.available()) r += (char)radio.read();
  gps.listen();
  return r;
}
void setup() {
  Serial.begin(9600);
  radio.begin(9600);
  gps.begin(4800);
}
int round_no;
void loop() {
  if (round_no++ < 3) {
    Serial.println(ask("AT+FW?").indexOf("sedge") >= 0 ? "firmware known" : "firmware unknown");
  }
  delay(100);
}
