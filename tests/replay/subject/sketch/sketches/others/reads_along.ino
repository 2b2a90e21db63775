// The same, but reads while the reply comes.
#define GOOD
#include "overflows.ino"
