// Where a person's rules say that secrets are: expressions, and what stands behind a command.
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "capture/base/result.h"
#include "capture/examine/secrets.h"
#include "capture/store/event.h"

namespace witness::redact {

// What a rule has found. `bytes` is valid during the call.
struct Found {
  Side side = Side::kUnknown;
  std::uint64_t from = 0;  // byte in all that this side said; of a text: byte in it
  ByteView bytes;
  std::size_t rule = 0;  // index into SecretRules::names()
};
using FoundSink = std::function<void(const Found& found)>;

// Longer than this no match and no value is followed.
inline constexpr std::size_t kLongestMatch = 64u << 10;
inline constexpr std::size_t kLongestValue = 4096;

class SecretRules {
 public:
  // `patterns`: RE2 over bytes (Latin-1); if it has groups, only what the groups hold is secret.
  // `values_of`: the secret is what stands behind these bytes, to the end of the line; capital and
  // small letters are the same.
  static Result<std::unique_ptr<SecretRules>> Make(const std::vector<std::string>& patterns,
                                                   const std::vector<Bytes>& values_of);
  ~SecretRules();

  // How each rule is called in lists and marks; tells nothing of what it finds.
  const std::vector<std::string>& names() const { return names_; }

  // Adapters' serial numbers, which --anonymous makes secrets of.
  std::size_t serial_number_rule() const { return names_.size() - kSecretKinds - 1; }
  // What examine calls a secret.
  std::size_t found_rule(SecretKind kind) const {
    return names_.size() - kSecretKinds + static_cast<std::size_t>(kind);
  }

  // What of a find is secret: without quotes; of a value with commas, also what stands between
  // them, since it may come back alone.
  void EachSecret(const Found& found, const std::function<void(ByteView secret)>& take) const;

  // In a text that is whole: a note, a name.
  void FindIn(ByteView text, const FoundSink& sink) const;

 private:
  friend class LaneRules;
  class Impl;
  explicit SecretRules(std::unique_ptr<Impl> impl);
  std::unique_ptr<Impl> impl_;
  std::vector<std::string> names_;
};

// What one capture's sides said, searched as it streams by. Reads are joined.
class LaneRules {
 public:
  struct Ways {
    Duration silence;         // nobody speaks for longer: something new begins
    Duration character_time;  // zero: not known
    bool terminated[3] = {};  // by Side: lines end with CR or LF
  };
  LaneRules(const SecretRules& rules, const Ways& ways, FoundSink sink);
  ~LaneRules();

  void Take(const Event& event);
  // kInvalidArgument: a match was longer than kLongestMatch.
  Status Finish();

 private:
  struct Lane;
  void Search(Side side, bool all);
  void Values(Lane& lane, Side side, std::size_t limit);
  void Patterns(Lane& lane, Side side, std::size_t limit, bool all);

  const SecretRules& rules_;
  const Ways ways_;
  FoundSink sink_;
  std::unique_ptr<Lane> lanes_[3];
  bool anybody_ = false;
  Instant last_any_;
  Status status_;
};

}  // namespace witness::redact
