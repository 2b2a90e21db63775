// The same, but waits for the result.
#define GOOD
#include "by_the_clock.ino"
