// Calls what a sketch calls on a stream, and tells what came of it. Compiled for the board and for this
// computer: both have to tell the same.
#include <SoftwareSerial.h>

SoftwareSerial radio(10, 11);
char buffer[120];

void ask(const char* command) {
  radio.print(command);
  radio.print('\r');
}

// Whole tenths of a second, rounded: the board needs time for its work, too.
void tellSince(unsigned long began) {
  Serial.print(F(" after "));
  Serial.println((millis() - began + 50) / 100);
}

void tell(const char* what, const String& text, unsigned long began) {
  Serial.print(what);
  Serial.print('<');
  for (unsigned int i = 0; i < text.length(); ++i) {
    const char c = text[i];
    if (c < ' ') {
      Serial.print('#');
      Serial.print((int)c, HEX);
    } else {
      Serial.print(c);
    }
  }
  Serial.print('>');
  tellSince(began);
}

void tellBytes(const char* what, size_t size, unsigned long began) {
  buffer[size] = '\0';
  tell(what, String(buffer), began);
}

void drain() {
  delay(300);
  while (radio.available()) radio.read();
}

void reading() {
  unsigned long began = millis();
  ask("LINES");
  tell("until LF ", radio.readStringUntil('\n'), began);
  tell("until LF ", radio.readStringUntil('\n'), began);
  tell("until LF ", radio.readStringUntil('\n'), began);
  began = millis();
  ask("LINES");
  tellBytes("five ", radio.readBytes(buffer, 5), began);
  tellBytes("until t ", radio.readBytesUntil('t', buffer, 20), began);
  tellBytes("at most 3 ", radio.readBytesUntil('t', buffer, 3), began);
  tellBytes("twenty ", radio.readBytes(buffer, 20), began);
  began = millis();
  radio.setTimeout(250);
  ask("LINES");
  tell("all ", radio.readString(), began);
  tell("none ", radio.readString(), began);
  tell("none ", radio.readStringUntil('x'), began);
  Serial.println(radio.read());
  Serial.println(radio.peek());
  Serial.println(radio.available());
}

void numbers() {
  unsigned long began = millis();
  ask("NUMBERS");  // v=-12,34 5.75;-0.5x 2147483648 17
  Serial.println(radio.parseInt());
  Serial.println(radio.peek());
  Serial.println(radio.parseInt());
  Serial.println(radio.parseFloat());
  Serial.println(radio.parseFloat(), 4);
  Serial.println(radio.parseInt(SKIP_NONE));
  Serial.println(radio.parseInt(SKIP_WHITESPACE));
  radio.read();
  Serial.println(radio.parseInt());
  Serial.println(radio.parseInt());
  Serial.println(radio.parseInt());
  tellSince(began);
}

void finding() {
  unsigned long began = millis();
  ask("FIND");  // aababc OK then ERROR 11112
  Serial.println(radio.find((char*)"abc"));
  Serial.println(radio.find((char*)"OK"));
  Serial.println(radio.findUntil((char*)"then", (char*)"ERR"));
  Serial.println(radio.findUntil((char*)"never", (char*)"ROR"));
  Serial.println(radio.find((char*)"1112"));
  Serial.println(radio.find('x'));
  tellSince(began);
}

void flooded() {
  ask("LONG");
  delay(400);
  Serial.print(F("waiting "));
  Serial.println(radio.available());
  Serial.println(radio.overflow());
  Serial.println(radio.overflow());
  Serial.println((char)radio.peek());
  const unsigned long began = millis();
  tellBytes("kept ", radio.readBytes(buffer, 100), began);
}

void printing() {
  Serial.println(0);
  Serial.println(-1);
  Serial.println(-1, HEX);
  Serial.println(-1L, BIN);
  Serial.println(40000U, OCT);
  Serial.println(4000000000UL);
  Serial.println((byte)200);
  Serial.println('c');
  Serial.println(true);
  Serial.println(1.0);
  Serial.println(-3.14159, 3);
  Serial.println(0.005);
  Serial.println(1.999);
  Serial.println(123456.789, 4);
  Serial.println(2.5, 0);
  Serial.println(5e9);
  Serial.println(NAN);
  Serial.println(-1.0 / 0.0);
  Serial.println(F("from flash"));
  Serial.println(String("from a String"));
  Serial.println();
  Serial.println(Serial.print("size "));
  Serial.write("abcdef", 3);
  Serial.write('\n');
}

void strings() {
  String text = String("  Level: ") + 42 + ", " + -7L + ' ' + 1.5 + F(" m \r\n");
  Serial.print(text);
  Serial.println(text.length());
  text.trim();
  Serial.println(text + "|");
  Serial.println(text.indexOf(':'));
  Serial.println(text.indexOf("4", 3));
  Serial.println(text.indexOf("none"));
  Serial.println(text.lastIndexOf(' '));
  Serial.println(text.lastIndexOf("e"));
  Serial.println(text.substring(7));
  Serial.println(text.substring(9, 7));
  Serial.println(text.substring(7).toInt());
  Serial.println(String("3.25x").toFloat());
  Serial.println(String("none").toInt());
  Serial.println(text.startsWith("Level"));
  Serial.println(text.startsWith("evel", 1));
  Serial.println(text.endsWith("m"));
  Serial.println(text.equalsIgnoreCase("level: 42, -7 1.50 M"));
  Serial.println(text == "Level");
  Serial.println(String("a") < String("b"));
  text.replace("evel", "ow");
  text.replace(' ', '_');
  text.toUpperCase();
  Serial.println(text);
  text.remove(3);
  text.remove(0, 1);
  text.toLowerCase();
  Serial.println(text);
  text.setCharAt(0, 'x');
  text[1] = 'y';
  Serial.println(text);
  Serial.println((int)text.charAt(99));
  char part[4];
  String("abcdef").toCharArray(part, sizeof part, 1);
  Serial.println(part);
  Serial.println(String(255, HEX));
  Serial.println(String(-255, 10));
  Serial.println(String(-1, HEX).length() > 3);
  Serial.println(String(3.14159, 3));
  Serial.println(String(5, BIN));
  Serial.println(String((byte)65));
  Serial.println(String('A'));
}

void setup() {
  Serial.begin(115200);
  radio.begin(9600);
  Serial.println(radio.getTimeout());
  reading();
  drain();
  numbers();
  drain();
  finding();
  drain();
  flooded();
  printing();
  strings();
  Serial.println(F("end"));
}

void loop() { delay(1000); }
