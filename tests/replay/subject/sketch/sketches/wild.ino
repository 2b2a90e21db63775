// Does what the first byte from UART0 asks for. Pin 8 goes high once at each start.
#include <avr/sleep.h>
#include <avr/wdt.h>
int Deep(int n) {
  volatile uint8_t room[100];
  room[n % 100] = n;
  return n > 0 ? Deep(n - 1) + room[0] : 0;
}
void setup() {
  const uint8_t cause = MCUSR;
  MCUSR = 0;
  wdt_disable();
  pinMode(8, OUTPUT);
  digitalWrite(8, HIGH);
  Serial.begin(115200);
  Serial.write((uint8_t)('0' + cause));
  digitalWrite(8, LOW);
}
void loop() {
  switch (Serial.read()) {
    case 'w':  // the watchdog bites
      wdt_enable(WDTO_15MS);
      for (;;) {
      }
    case 'j':  // a null function pointer
      ((void (*)())0)();
      break;
    case 'c': {  // writes past the end of memory
      volatile uint8_t* p = (volatile uint8_t*)0xf000;
      *p = 1;
      break;
    }
    case 's':  // nothing can wake it
      noInterrupts();
      sleep_enable();
      sleep_cpu();
      break;
    case 'd':  // the stack runs into the variables
      Deep(40);
      break;
    case 'h':  // waits for a byte that does not come
      while (Serial.available() == 0) {
      }
      break;
  }
}
