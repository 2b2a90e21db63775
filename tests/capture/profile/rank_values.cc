// Prints what our rank test says of pairs of samples: on standard input one pair a line, each
// sample whole microseconds parted by blanks, the two parted by '|'. For rank_reference.py.
#include <cstdio>
#include <iostream>
#include <sstream>
#include <string>

#include "capture/profile/profile.h"

int main() {
  for (std::string line; std::getline(std::cin, line);) {
    std::vector<witness::Duration> samples[2];
    std::istringstream words(line);
    std::size_t which = 0;
    for (std::string word; words >> word;) {
      if (word == "|")
        which = 1;
      else
        samples[which].push_back(witness::Duration::Microseconds(std::stoll(word)));
    }
    std::printf("%.17g\n", witness::RankTest(samples[0], samples[1]));
  }
  return 0;
}
