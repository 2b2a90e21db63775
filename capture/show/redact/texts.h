// Secrets in texts that are whole: notes, names, titles.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "capture/show/redact/redact.h"
#include "capture/show/redact/secret_rules.h"
#include "capture/show/redact/stand_ins.h"

namespace witness::redact {

class Texts {
 public:
  // All must outlive this object.
  Texts(const SecretRules& rules, const Secrets& secrets, const Needles& needles)
      : rules_(rules), secrets_(secrets), needles_(needles) {}

  // Stand-ins for what rules and needles find. Counts it in `counts`, if given.
  std::string Cleaned(ByteView text, std::vector<RedactReport::Secret>* counts) const;
  // Of what was written by the redaction itself: needles only.
  std::string Scrubbed(ByteView text) const;
  bool Holds(ByteView text) const;

  // Of a capture's facts. `anonymous`: also what tells whose machine it was; `taken_out` gets the
  // words for it. Names that were taken out are taken out of later texts too.
  void Clean(CaptureInfo& info, bool anonymous, std::vector<RedactReport::Secret>& counts,
             std::vector<std::string>& taken_out);

 private:
  std::string WithoutNames(std::string text) const;
  const SecretRules& rules_;
  const Secrets& secrets_;
  const Needles& needles_;
  std::vector<std::pair<std::string, std::string>> names_;  // what, and what for it
};

}  // namespace witness::redact
