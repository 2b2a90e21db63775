// Takes secrets out of a capture and keeps the evidence: every secret becomes a stand-in of the
// same length, wherever it was said, and a note beside it says so. Times, sizes, order and all
// other events stay.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "capture/base/result.h"
#include "capture/store/capture_reader.h"
#include "capture/store/sink.h"

namespace witness {

struct RedactOptions {
  std::vector<std::string> patterns;  // redact/secret_rules.h says how these two are read
  std::vector<Bytes> values_of;
  bool found = false;  // what examine calls secrets (examine/secrets.h)
  // Host name, names of ports and serial numbers of adapters too.
  bool anonymous = false;
  std::function<void(const std::string& words)> progress;  // may be empty
};

struct RedactReport {
  struct Secret {
    std::string why;       // "value of AT+KEY="; tells nothing of the secret
    std::size_t size = 0;  // bytes
    Bytes stand_in;
    std::uint64_t places = 0;  // in what was said
    std::uint64_t texts = 0;   // in notes, names, title
    Instant first;             // where it was said first; if places > 0
    Side side = Side::kUnknown;
    bool searched = true;  // false: too short to be looked for where no rule found it
  };
  std::vector<Secret> secrets;     // that were replaced anywhere
  std::vector<std::string> facts;  // what --anonymous took out: "host name"
  std::uint64_t bytes = 0;         // replaced
  CaptureEnding source;

  bool empty() const { return secrets.empty() && facts.empty(); }
};

// Opens the capture anew from its beginning; called several times.
using CaptureOpener = std::function<Result<std::unique_ptr<CaptureReader>>()>;

// Reads `open` several times and writes the redacted capture into `target`, which is left open and
// not synced. The result was not yet read back: see Check. Errors: of the reader and the sink;
// kInvalidArgument: a rule cannot be followed.
class Redactor {
 public:
  static Result<std::unique_ptr<Redactor>> Make(const RedactOptions& options);
  virtual ~Redactor() = default;
  // Once. If the report is empty, what was written is the capture as it was, but called redacted.
  virtual Result<RedactReport> Redact(const CaptureOpener& open, Sink& target) = 0;
  // Whether a capture holds any of the secrets that Redact found, anywhere: kDamaged if so.
  virtual Status Check(CaptureReader& reader) const = 0;
};

}  // namespace witness
