// Asks a Sedge module for firmware and signal and tells both; with a fault, if one is defined. Without
// one it copes: the good twin of every faulty one. The module is on pins 10 and 11, or with HARD on
// UART0; what it tells goes to UART0, or with HARD to a software port on pins 8 and 9.
//   FAULT_LF        reads until LF
//   FAULT_EXACT     compares with the line ending still in it
//   FAULT_EARLY     takes what is there when the first byte has come
//   FAULT_LEFTOVER  does not throw away what is left of before
//   FAULT_FIRST     takes the first line for the reply
//   FAULT_BUSY      looks at the reply after a delay
//   FAULT_FLUSH     sets its port anew while the command is still going out
//   FAULT_DEAF      a second software port is the one that listens
//   FAULT_TALKS     sends the next command without waiting for the end of the reply
//   FAULT_FOREVER   waits for a reply without a timeout
//   FAULT_DOG       as FAULT_FOREVER, with the watchdog on
#include <SoftwareSerial.h>
#include <avr/wdt.h>
#ifndef ENDING
#define ENDING "\r\n"
#endif
#ifndef WINDOW
#define WINDOW 120  // ms, with FAULT_TALKS
#endif
#ifdef HARD
#define MODULE Serial
SoftwareSerial tell(8, 9);
#define TELL tell
#else
SoftwareSerial radio(10, 11);
#define MODULE radio
#define TELL Serial
#endif
#ifdef FAULT_DEAF
SoftwareSerial other(6, 7);
#endif
char reply[160];
byte n;

void keep(char c) {
  if (n < sizeof reply - 1) reply[n++] = c;
  reply[n] = '\0';
}

void readReply() {
  n = 0;
  reply[0] = '\0';
#if defined FAULT_LF
  for (byte lines = 0; lines < 4; ++lines) {
    char line[60];
    const size_t size = MODULE.readBytesUntil('\n', line, sizeof line - 1);
    line[size] = '\0';
    for (size_t i = 0; i < size; ++i) keep(line[i]);
    if (strncmp(line, "OK", 2) == 0) return;
  }
#elif defined FAULT_EARLY
  for (unsigned long began = millis(); millis() - began < 1500;)
    if (MODULE.available()) {
      delay(12);
      while (MODULE.available()) keep(MODULE.read());
      return;
    }
#elif defined FAULT_LEFTOVER
  for (unsigned long began = millis(); millis() - began < 1500;) {
    if (!MODULE.available()) continue;
    keep(MODULE.read());
    if (strstr(reply, "OK") || strstr(reply, "ERROR")) return;
  }
#elif defined FAULT_TALKS
  for (unsigned long began = millis(); millis() - began < WINDOW;)
    while (MODULE.available()) keep(MODULE.read());
#else
#ifdef FAULT_BUSY
  delay(400);
#endif
  unsigned long last = millis();
  for (;;) {
    while (MODULE.available()) {
      keep(MODULE.read());
      last = millis();
    }
    const unsigned long silent = millis() - last;
#if defined FAULT_FOREVER || defined FAULT_DOG
    if (n > 0 && silent > 150) return;
#else
    if (silent > (n == 0 ? 1500 : 150)) return;
#endif
  }
#endif
}

void tellReply(const char* command) {
  TELL.print(command);
  TELL.print(F(" -> "));
#if defined FAULT_EXACT
  const byte all = strlen(reply);
  if (all < 8 || strcmp(reply + all - 6, "\r\nOK\r\n") != 0 || strncmp(reply, "\r\n", 2) != 0) {
    TELL.println(F("not the reply that I know"));
    return;
  }
#endif
#if defined FAULT_FIRST
  char* at = reply;
  while (*at == '\r' || *at == '\n') ++at;
  TELL.println(strtok(at, "\r\n"));
#else
  char* at = strstr(reply, "+FW: ");
  if (!at) at = strstr(reply, "+SIGNAL: ");
  if (!at) {
    TELL.println(strstr(reply, "OK") ? F("done") : n == 0 ? F("no reply") : F("not taken"));
    return;
  }
  at = strchr(at, ' ') + 1;
  while (*at && *at != '\r' && *at != '\n' && strncmp(at, "OK", 2) != 0) TELL.print(*at++);
  TELL.println();
#endif
}

void ask(const char* command) {
#ifdef FAULT_DOG
  wdt_reset();
#endif
#if !defined FAULT_LEFTOVER && !defined FAULT_TALKS
  delay(20);
  while (MODULE.available()) MODULE.read();
#endif
  MODULE.print(command);
  MODULE.print(F(ENDING));
#ifdef FAULT_FLUSH
  delay(3);
  MODULE.begin(19200);
#endif
  readReply();
#ifdef FAULT_FLUSH
  MODULE.begin(9600);
#endif
  tellReply(command);
}

void setup() {
  wdt_disable();
  MODULE.begin(9600);
  TELL.begin(9600);
#ifdef HARD
  MODULE.setTimeout(1000);
#endif
#ifdef FAULT_DEAF
  other.begin(9600);
#endif
#ifdef FAULT_DOG
  wdt_enable(WDTO_4S);
#endif
  ask("AT");
  ask("AT+FW?");
  ask("AT+SIGNAL?");
#ifdef FAULT_DOG
  wdt_disable();
#endif
}

void loop() {}
