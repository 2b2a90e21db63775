// A piece of butt-watch that any sketch may use: asks a Sedge radio module how strong its signal
// is.
#pragma once

#include <Arduino.h>

// In dBm; 0 if there was no answer with a number in it. A reply is over when its result is in it
// and the line has then been silent for a while.
inline int signalStrength(Stream& radio) {
  while (radio.available()) radio.read();
  radio.print(F("AT+SIGNAL?\r"));
  String reply;
  bool result = false;
  for (unsigned long last = millis(); millis() - last < (result ? 120UL : 2000UL);) {
    if (!radio.available()) continue;
    reply += static_cast<char>(radio.read());
    result = reply.indexOf("OK") >= 0 || reply.indexOf("ERROR") >= 0;
    last = millis();
  }
  const int minus = reply.lastIndexOf('-');
  return minus < 0 ? 0 : static_cast<int>(reply.substring(static_cast<unsigned>(minus)).toInt());
}
