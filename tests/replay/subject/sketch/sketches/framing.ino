// Polls UART0 without the core: says for each byte its value and whether it came with a framing
// error ('F'), an overrun ('D') or well ('.').
void setup() {
  Serial.begin(9600);
  UCSR0B &= ~_BV(RXCIE0);
}
void loop() {
  if (!(UCSR0A & _BV(RXC0))) return;
  const uint8_t state = UCSR0A;
  const uint8_t value = UDR0;
  Serial.write(value);
  Serial.write(state & _BV(FE0) ? 'F' : state & _BV(DOR0) ? 'D' : '.');
}
