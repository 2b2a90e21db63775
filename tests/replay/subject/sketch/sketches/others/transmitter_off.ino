// Switches the transmitter off while its own ring still holds bytes.
#include <avr/io.h>
#include <avr/interrupt.h>
#include <util/delay.h>
#include <string.h>
static volatile uint8_t ring[64], head, tail;
ISR(USART_UDRE_vect) {
  if (head == tail) { UCSR0B &= ~_BV(UDRIE0); return; }
  UCSR0A |= _BV(TXC0);
  UDR0 = ring[tail]; tail = (tail + 1) & 63;
}
static void put(const char *s) {
  UCSR0B |= _BV(TXEN0);
  while (*s) { uint8_t n = (head + 1) & 63; while (n == tail) ; ring[head] = *s++; head = n; UCSR0B |= _BV(UDRIE0); }
}
static void txoff(void) {
#ifdef GOOD
  while (head != tail || (UCSR0B & _BV(UDRIE0))) ;
  while (!(UCSR0A & _BV(TXC0))) ;
#endif
  UCSR0B &= ~(_BV(TXEN0) | _BV(UDRIE0));
  head = tail = 0;
}
static char got[80];
static uint8_t listen_ms(uint16_t ms) {
  uint8_t n = 0;
  while (ms--) { for (uint8_t i = 0; i < 100; i++) { if (UCSR0A & _BV(RXC0)) { char c = UDR0; if (n < 79) got[n++] = c; } _delay_us(10); } }
  got[n] = 0;
  return n;
}
int main(void) {
  UBRR0 = 103; UCSR0C = _BV(UCSZ01) | _BV(UCSZ00); UCSR0B = _BV(RXEN0);
  DDRB |= 3;
  sei();
  for (uint8_t i = 0; i < 3; i++) {
    put(i == 0 ? "AT+CHAN?\r\n" : i == 1 ? "AT+CHAN=11\r\n" : "AT+SIGNAL?\r\n");
    txoff();
    listen_ms(400);
    if (strstr(got, "OK")) PORTB |= 1; else PORTB |= 2;
    _delay_ms(50);
    PORTB &= ~3;
  }
  for (;;) ;
}
