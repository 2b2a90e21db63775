// Says back each byte at UART1, plus one.
void setup() { Serial1.begin(9600); }
void loop() {
  if (Serial1.available()) Serial1.write((uint8_t)(Serial1.read() + 1));
}
