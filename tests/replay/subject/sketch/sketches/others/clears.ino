// The good twin of leaves.ino.
#define CLEARS
#include "leaves.ino"
