// What happened to the line besides bytes: errors, breaks, changes of the modem lines. Events in,
// findings without their words out (findings_words.cc has those).
#pragma once

#include <map>
#include <string>

#include "capture/examine/examination.h"
#include "capture/store/event.h"

namespace witness {

class LineTally {
 public:
  // `segment`: Segment::index of the last one before the event.
  void Take(const Event& event, std::uint64_t segment);

  // "bytes-with-errors", "breaks" and "lines-changed", as far as there were any. `wrong_rate`: the
  // errors are told of as a wrong rate already.
  void Put(std::map<std::string, Finding, std::less<>>& found, bool wrong_rate) const;

 private:
  static void Note(Finding& finding, const Event& event, std::uint64_t segment,
                   const std::string& shown);

  Finding errors_, breaks_, changes_;
  std::uint64_t breaks_of_host_ = 0, breaks_of_module_ = 0;
  ErrorCounts counted_;
  std::map<std::uint32_t, std::uint64_t> changed_;  // LineBit: how often
};

}  // namespace witness
