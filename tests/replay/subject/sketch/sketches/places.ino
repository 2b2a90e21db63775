// Is in a place of its own for each byte from UART0.
#include <SoftwareSerial.h>
SoftwareSerial radio(10, 11);
void __attribute__((noinline)) AskModule() {
  String answer = radio.readStringUntil('\n');
  Serial.print(answer.length());
}
void __attribute__((noinline)) WaitForModule() {
  while (radio.available() == 0) {
  }
}
void setup() {
  Serial.begin(115200);
  radio.begin(9600);
}
void loop() {
  switch (Serial.read()) {
    case 'r': AskModule(); break;
    case 'w': WaitForModule(); break;
    case 'd': delay(200); break;
  }
}
