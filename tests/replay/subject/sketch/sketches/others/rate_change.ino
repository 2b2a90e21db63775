// Changes the rate of its port while a command is still going out.
#include <SoftwareSerial.h>
void setup() {
  SoftwareSerial log(8, 9);
  log.begin(9600);
  Serial.begin(9600);
  Serial.print("AT+POWER=2\r\n");
#ifdef GOOD
  Serial.flush();
#endif
  Serial.begin(57600);         
  delay(20);
  Serial.begin(9600);
  Serial.setTimeout(500);
  bool ok = Serial.find("OK");
  log.println(ok ? "power ok" : "power failed");
  Serial.print("AT+SIGNAL?\r\n");
  ok = Serial.find("+SIGNAL: ");
  if (ok) { log.print("sig "); log.println(Serial.parseInt()); } else log.println("sig ?");
}
void loop() {}
