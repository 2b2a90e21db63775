// Faulty, and prints nothing: sends another command if the reply is not as it was.
#include <SoftwareSerial.h>
SoftwareSerial m(10, 11);
void setup() {
  m.begin(9600);
  for (byte i = 0; i < 2; i++) {
    m.print("AT+CHAN=4\r\n");
    char b[20];
    size_t n = m.readBytesUntil('K', b, 19);
    b[n] = 0;
    if (strcmp(b, "\r\nO")) m.print("AT+RESET\r\n");
    delay(300);
    while (m.available()) m.read();
  }
}
void loop() {}
