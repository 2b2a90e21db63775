// What a person should know of a conversation: each finding with its evidence, what it means for a
// sketch, and what to do. Events, segments and exchanges in; findings out.
#pragma once

#include <array>
#include <map>
#include <span>
#include <string>
#include <utility>
#include <vector>

#include "capture/examine/examination.h"
#include "capture/examine/exchange.h"
#include "capture/examine/kept_answers.h"
#include "capture/examine/line_tally.h"
#include "capture/examine/plain/plain_talk.h"
#include "capture/examine/rate_guess.h"
#include "capture/examine/recent_values.h"
#include "capture/examine/secrets.h"
#include "capture/store/capture_info.h"

namespace witness {

class FindingCollector {
 public:
  FindingCollector(const CaptureInfo& info, std::size_t buffer_size);

  void Take(const Event& event, std::uint64_t index);
  void Take(const Segment& segment);
  void Take(const Exchange& exchange);

  // Talk that leaves no doubt, in place of its segments and exchanges. `longest_pause`: between the
  // stamps of the events of any of the answers, or longer. PlainRow::kMost exchanges at most.
  void Take(std::span<const PlainExchange> row, Duration longest_pause);
  void Take(const PlainSentences& sentences);
  // Whether it may come: nothing that was said before makes a difference to what it means.
  bool TakesPlain() const;
  bool TakesSentences() const;  // and there is evidence enough of such
  bool TakesSecrets() const;    // these may hold secrets: there is evidence enough of them, too
  // Whether it makes no difference if HasLooseReturn() says so of an answer.
  bool TakesLooseReturns() const { return values_.empty(); }

  // In the order of weight. `so_far` has everything but its findings.
  std::vector<Finding> Finish(const Examination& so_far);

 private:
  // What evidence is made of.
  struct Said {
    std::uint64_t index = 0;  // of the segment
    Instant at;
    ByteView bytes;

    Said(const Segment& s) : index(s.index), at(s.from), bytes(s.bytes) {}  // NOLINT
    explicit Said(const PlainExchange& e)                                   // its answer
        : index(e.answer_index), at(e.answer.from()), bytes(e.answer.bytes()) {}
    Said(std::uint64_t i, Instant a, ByteView b) : index(i), at(a), bytes(b) {}
  };

  static constexpr std::uint64_t kCountedBytes = 1u << 20;  // enough to guess a rate from

  void Take(const Segment& segment, const Secret& secret);
  void TakeTelling(const PlainExchange& exchange, bool pauses);
  void HalfAnswer(const PlainExchange& exchange);
  void TakeReply(const Segment& segment);
  // `pieces` have `at` and `size`.
  template <typename Pieces>
  void PauseRules(const Said& reply, const Pieces& pieces);
  void CountHostBytes(std::size_t all, std::size_t text) {
    host_bytes_ += all;
    host_text_ += text;
  }
  void CountModuleBytes(const Said& said, std::size_t text, bool recognised);
  Finding* FindingOf(const char* name);
  Finding& Note(const char* name, const Said& said);
  bool HasAllEvidence(const char* name) const;
  void HalfAnswer(ByteView command, ByteView answer, const Said& last);
  void CommandRules(const Exchange& exchange);
  void ReplyRules(const Exchange& exchange);
  void CarriageReturnInValue(const Exchange& exchange);
  void RememberValue(ByteView command);  // that it sets
  void SetWords(const Examination& so_far);
  void RateRules();
  void WiringRules(const Examination& so_far);

  const CaptureInfo& info_;
  std::size_t buffer_size_;
  Duration character_time_;
  Duration longest_in_one_piece_;  // a longer pause cuts a reply in pieces
  std::map<std::string, Finding, std::less<>> found_;
  std::vector<std::pair<const char*, Finding*>> lately_;  // into found_; empty from Finish() on
  SecretFinder secrets_;
  std::array<std::uint64_t, kSecretKinds> secret_counts_ = {};
  Bytes hidden_;  // the last segment with a secret, without it
  Duration longest_pause_;
  std::uint64_t bad_bytes_ = 0;
  std::uint64_t module_bytes_ = 0;
  std::uint64_t module_text_ = 0;
  std::uint64_t host_text_ = 0, host_bytes_ = 0;
  ErrorCounts counts_;
  LineTally line_;
  std::uint64_t last_segment_ = 0;
  std::uint64_t gaps_ = 0, gap_bytes_ = 0;
  bool rubbish_ = false;  // some of the module's bytes look wrong
  ByteCounts module_counts_ = {};
  std::uint64_t codes_of_host_ = 0, commands_of_module_ = 0, codes_of_module_ = 0;
  std::uint64_t given_back_ = 0;  // commands that came back and got nothing else
  RecentValues values_;           // that commands ended with CR have set, the last few
  bool data_mode_ = false;
  Instant last_reply_end_;
  std::uint64_t last_reply_turn_ = 0;
  struct Recent {
    std::uint64_t turn = 0, index = 0;
    Instant from;
    Bytes bytes;  // the beginning
  };
  static constexpr std::size_t kRecent = 8;
  std::array<Recent, kRecent> recent_commands_;  // a ring: their strings are used again
  std::size_t recent_ = 0;
  std::uint64_t newest_turn_ = 0;  // of a command
  struct HashOfBytes {
    using is_transparent = void;
    std::size_t operator()(ByteView bytes) const { return std::hash<ByteView>()(bytes); }
  };
  KeptAnswers answers_;  // to commands, to tell half ones
};

}  // namespace witness
