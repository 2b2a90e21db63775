#include "capture/examine/findings.h"

#include <algorithm>

#include "capture/base/text.h"
#include "capture/examine/lines_of.h"
#include "capture/examine/plain/shape.h"
#include "capture/examine/protocols/v250.h"
#include "capture/examine/tape.h"

namespace witness {
namespace {

constexpr std::size_t kMostEvidence = 3;
constexpr std::size_t kShownBytes = 80;
constexpr std::size_t kLongestKept = 4096;  // of those, and of their commands

std::string Shown(ByteView bytes) {
  if (bytes.size() <= kShownBytes) return SafeTextWithEnding(bytes);
  return SafeText(bytes.substr(0, kShownBytes)) + "... (" + std::to_string(bytes.size()) +
         " bytes)";
}

// Asked only where it matters: it takes its time.
bool IsRecognisedIfNotText(const Segment& s) {
  return s.content.text * std::size_t{10} >= s.bytes.size() * 8 || IsRecognised(s);
}

}  // namespace

FindingCollector::FindingCollector(const CaptureInfo& info, std::size_t buffer_size)
    : info_(info),
      buffer_size_(buffer_size),
      character_time_(OptionsFor(info).character_time),
      longest_in_one_piece_(std::max({Duration::Milliseconds(5), character_time_ * 4,
                                      info.stamp_uncertainty + info.stamp_uncertainty / 4})),
      secrets_([this](const Segment& segment, const Secret& secret) { Take(segment, secret); }) {}

Finding* FindingCollector::FindingOf(const char* name) {
  // Names are literals: nearly always the same pointer means the same name.
  for (const auto& [known, finding] : lately_)
    if (known == name) return finding;
  auto at = found_.find(std::string_view(name));
  if (at == found_.end()) {
    at = found_.emplace(name, Finding{}).first;
    at->second.name = name;
  }
  lately_.emplace_back(name, &at->second);
  return &at->second;
}

Finding& FindingCollector::Note(const char* name, const Said& said) {
  Finding& finding = *FindingOf(name);
  ++finding.count;
  if (finding.evidence.size() < kMostEvidence)
    finding.evidence.push_back({said.index, said.at, Shown(said.bytes)});
  return finding;
}

bool FindingCollector::HasAllEvidence(const char* name) const {
  const auto at = found_.find(std::string_view(name));
  return at != found_.end() && at->second.evidence.size() >= kMostEvidence;
}

void FindingCollector::Take(const Event& event, std::uint64_t) {
  line_.Take(event, last_segment_);
  if (event.kind == EventKind::kErrorCounts) {
    counts_.framing += event.counts.framing;
    counts_.parity += event.counts.parity;
    counts_.overrun += event.counts.overrun;
    counts_.buffer_overrun += event.counts.buffer_overrun;
    counts_.breaks += event.counts.breaks;
  }
  if (event.kind == EventKind::kGap) {
    ++gaps_;
    gap_bytes_ += event.gap.bytes_lost;
  }
}

// The evidence says where, and does not give the secret away.
void FindingCollector::Take(const Segment& segment, const Secret& secret) {
  if (info_.redacted && LooksLikeStandIn(ByteView(segment.bytes).substr(secret.from, secret.size)))
    return;
  ++secret_counts_[static_cast<std::size_t>(secret.kind)];
  Finding* const finding = FindingOf("secret");
  ++finding->count;
  const bool more = !finding->evidence.empty() && finding->evidence.back().segment == segment.index;
  if (more) {
    hidden_.replace(secret.from, secret.size, secret.size, '*');
    finding->evidence.back().shown = Shown(hidden_);
  } else if (finding->evidence.size() < kMostEvidence) {
    hidden_ = segment.bytes;
    hidden_.replace(secret.from, secret.size, secret.size, '*');
    finding->evidence.push_back({segment.index, segment.from, Shown(hidden_)});
  }
}

void FindingCollector::Take(const Segment& s) {
  last_segment_ = s.index;
  if (s.bytes.empty()) return;
  secrets_.Take(s);
  bad_bytes_ += s.bad_bytes;
  if (s.side == Side::kHost)
    CountHostBytes(s.bytes.size(), s.content.text);
  else
    CountModuleBytes(s, s.content.text, IsRecognisedIfNotText(s));
  if (s.kind == SegmentKind::kCommand) {
    if (last_reply_turn_ != 0 && s.from < last_reply_end_ && s.turn > last_reply_turn_)
      Note("command-before-reply-ended", s);
    Recent& recent = recent_commands_[recent_++ % kRecent];
    recent.turn = s.turn;
    recent.index = s.index;
    recent.from = s.from;
    recent.bytes.assign(s.bytes, 0, kShownBytes + 1);
    newest_turn_ = std::max(newest_turn_, s.turn);
  }
  if (s.kind == SegmentKind::kReply) TakeReply(s);
  // Who says what a host says, and who what a module says.
  if (s.kind != SegmentKind::kEcho && s.side == Side::kHost && s.content.final_code) {
    ++codes_of_host_;
    Note("sides-swapped", s);
  }
  if (s.kind != SegmentKind::kEcho && s.side == Side::kModule) {
    commands_of_module_ += s.content.command_line ? 1u : 0u;
    codes_of_module_ += s.content.final_code ? 1u : 0u;
  }
  if (s.kind == SegmentKind::kEcho) Note("echo-on", s);
  if (s.kind == SegmentKind::kUnsolicited)
    Note(s.turn != 0 ? "unasked-in-reply" : "speaks-unasked", s);
}

void FindingCollector::CountModuleBytes(const Said& said, std::size_t text, bool recognised) {
  if (module_bytes_ < kCountedBytes)
    for (const char c : said.bytes) ++module_counts_[static_cast<unsigned char>(c)];
  module_bytes_ += said.bytes.size();
  module_text_ += text;
  if (text * 10 < said.bytes.size() * 8 && !recognised) {
    rubbish_ = true;
    Note("not-text", said);
  }
}

template <typename Pieces>
void FindingCollector::PauseRules(const Said& reply, const Pieces& pieces) {
  for (std::size_t i = 1; i < pieces.size(); ++i) {
    const Duration pause =
        IdleBefore(pieces[i - 1].at, pieces[i].at, pieces[i].size, character_time_);
    if (pause > longest_in_one_piece_) {
      Note("reply-in-pieces", reply);
      longest_pause_ = std::max(longest_pause_, pause);
      break;
    }
  }
}

void FindingCollector::TakeReply(const Segment& s) {
  last_reply_end_ = s.to;
  last_reply_turn_ = s.turn;
  if (newest_turn_ > s.turn) {
    for (const Recent& command : recent_commands_)
      if (command.turn > s.turn && command.from < s.to && command.from > s.from)
        Note("command-before-reply-ended", {command.index, command.from, command.bytes});
  }
  PauseRules(s, s.pieces);
  if (s.bytes.size() > buffer_size_) Note("more-than-the-buffer", s);
}

void FindingCollector::CarriageReturnInValue(const Exchange& exchange) {
  for (const Segment& reply : exchange.replies) {
    if (!reply.content.loose_return) continue;
    values_.ForAll([&](ByteView value) {
      const std::size_t at = reply.bytes.find(value);
      if (at == Bytes::npos) return;
      const ByteView behind = ByteView(reply.bytes).substr(at + value.size());
      // The value comes back with a CR of its own: CR CR LF, or CR before the end of a reply that
      // goes on behind it, or before a word.
      const bool doubled = behind.substr(0, 3) == "\r\r\n";
      const bool twice = behind.substr(0, 4) == "\r\n\r\n" && Stripped(behind).empty();
      const bool before_text =
          behind.size() > 1 && behind[0] == '\r' && behind[1] != '\n' && behind[1] != '\r';
      if (before_text || doubled || twice) Note("cr-in-value", reply);
    });
  }
  if (exchange.command.content.names_value) RememberValue(exchange.command.bytes);
}

void FindingCollector::RememberValue(ByteView command) {
  const ByteView value = ValueSetBy(command);
  if (!value.empty()) values_.Add(value);
}

void FindingCollector::CommandRules(const Exchange& exchange) {
  if (exchange.replies.empty()) Note("unanswered", exchange.command);
  const bool echo_alone = exchange.echo && exchange.replies.empty();
  const bool same_alone = !exchange.echo && exchange.replies.size() == 1 &&
                          exchange.replies[0].bytes == exchange.command.bytes;
  if (echo_alone || same_alone) {
    ++given_back_;
    Note("only-echo", exchange.command);
  }
  if (data_mode_ && v250::IsCommandLine(exchange.command.bytes)) {
    bool result = false;
    for (const Segment& reply : exchange.replies)
      result = result || v250::IsFinalResultCode(LastLine(reply.bytes));
    if (!result)
      Note("command-in-data-mode", exchange.command);
    else
      data_mode_ = false;
  }
  for (const Segment& reply : exchange.replies) {
    if (reply.content.connects) data_mode_ = true;
    if (reply.content.hangs_up) data_mode_ = false;
  }
}

void FindingCollector::ReplyRules(const Exchange& exchange) {
  if (exchange.replies.empty()) return;
  const Segment& last = exchange.replies.back();
  if (last.content.all_text && last.ending == LineEnding::kNone) Note("reply-without-ending", last);
  // An answer that an earlier one to the same command began with, and that breaks off. A larger one
  // than is kept can be neither.
  std::size_t size = 0;
  for (const Segment& reply : exchange.replies) size += reply.bytes.size();
  if (size > kLongestKept) return;
  Bytes joined;
  if (exchange.replies.size() > 1)
    for (const Segment& reply : exchange.replies) joined += reply.bytes;
  const Bytes& all = exchange.replies.size() > 1 ? joined : last.bytes;
  HalfAnswer(exchange.command.bytes, all, last);
}

void FindingCollector::HalfAnswer(ByteView command, ByteView answer, const Said& last) {
  if (answers_.full() && (answer.size() <= 1 || answer.size() >= answers_.longest())) return;
  const Bytes* const before = answers_.Find(command);
  if (before == nullptr) {
    if (!answers_.full() && answer.size() <= kLongestKept && command.size() <= kLongestKept)
      answers_.Keep(command, answer);
  } else if (answer.size() > 1 && answer.size() < before->size() &&
             ByteView(*before).substr(0, answer.size()) == answer &&
             Stripped(*before) != Stripped(answer)) {
    Note("half-answer", last);
  }
}

void FindingCollector::Take(const Exchange& exchange) {
  CommandRules(exchange);
  ReplyRules(exchange);
  CarriageReturnInValue(exchange);
}

bool FindingCollector::TakesPlain() const {
  return !data_mode_ && secrets_.known().empty() && !info_.redacted;
}

bool FindingCollector::TakesSentences() const {
  return TakesPlain() && HasAllEvidence("speaks-unasked");
}

bool FindingCollector::TakesSecrets() const { return HasAllEvidence("secret"); }

void FindingCollector::Take(std::span<const PlainExchange> row, Duration longest_pause) {
  const bool pauses = longest_pause > longest_in_one_piece_;
  std::array<ByteView, PlainRow::kMost> values;
  std::size_t with_values = 0, host_bytes = 0, host_text = 0, codes = 0;
  for (const PlainExchange& e : row) {
    const PlainContent& answer = *e.answer_content;
    const std::size_t size = e.answer.size;
    host_bytes += e.command.size;
    host_text += e.command_text;
    codes += answer.final_code ? 1u : 0u;
    const PlainContent& command = *e.command_content;
    values[with_values] = {e.command.first->data + command.value_from, command.value_size};
    with_values += command.value_size > 0 ? 1u : 0u;
    if (pauses || module_bytes_ < kCountedBytes || answer.tells() || size > buffer_size_) {
      TakeTelling(e, pauses);
    } else {
      module_bytes_ += size;
      module_text_ += e.answer_text;
    }
    if (e.history == nullptr || size < e.history->half_below) HalfAnswer(e);
  }
  CountHostBytes(host_bytes, host_text);
  codes_of_module_ += codes;
  last_segment_ = row.back().answer_index;
  for (const ByteView value : std::span(values).first(with_values)) values_.Add(value);
}

void FindingCollector::TakeTelling(const PlainExchange& e, bool pauses) {
  const PlainContent& answer = *e.answer_content;
  const Said said(e);
  CountModuleBytes(said, e.answer_text, answer.recognised);
  if (pauses) PauseRules(said, e.answer.events());
  if (e.answer.size > buffer_size_) Note("more-than-the-buffer", said);
  if (answer.all_text && answer.ending == LineEnding::kNone) Note("reply-without-ending", said);
}

void FindingCollector::HalfAnswer(const PlainExchange& e) {
  const ByteView command = e.command.bytes();
  HalfAnswer(command, e.answer.bytes(), Said(e));
  if (e.history == nullptr) return;
  PlainHistory& history = *e.history;
  if (!history.varies) {
    const Bytes* const kept = answers_.Find(command);
    if (kept != nullptr || answers_.full()) history.half_below = kept != nullptr ? kept->size() : 0;
  } else if (answers_.full()) {
    // No more will be kept.
    history.half_below = 0;
    const Bytes shape = WithDigits(command, '0');
    answers_.ForAll([&](const Bytes& known, const Bytes& answer) {
      if (known.size() == shape.size() && WithDigits(known, '0') == shape)
        history.half_below = std::max(history.half_below, answer.size());
    });
  }
}

void FindingCollector::Take(const PlainSentences& said) {
  // There is evidence enough of both.
  FindingOf("speaks-unasked")->count += said.sentences.size();
  Said one{said.index, said.said.from(), {}};
  std::uint64_t secrets = 0;
  for (const PlainSentences::Sentence& sentence : said.sentences) {
    one.bytes = sentence.bytes;
    CountModuleBytes(one, one.bytes.size(), true);
    ++one.index;
    if (!sentence.content->secret) continue;
    for (std::size_t kind = 0; kind < kSecretKinds; ++kind) {
      secret_counts_[kind] += sentence.content->secrets[kind];
      secrets += sentence.content->secrets[kind];
    }
  }
  last_segment_ = one.index - 1;
  if (secrets > 0) FindingOf("secret")->count += secrets;
}

void FindingCollector::RateRules() {
  const auto rubbish = found_.find("not-text");
  const bool errors = bad_bytes_ * 20 > module_bytes_ || counts_.framing * 20 > module_bytes_;
  const bool looks_wrong = rubbish_ && module_text_ * 10 < module_bytes_ * 7 &&
                           (host_bytes_ == 0 || host_text_ * 10 >= host_bytes_ * 9);
  if (module_bytes_ >= 4 && (looks_wrong || (errors && module_bytes_ > 0))) {
    Finding finding;
    if (rubbish != found_.end()) finding = rubbish->second;
    finding.name = "wrong-rate";
    finding.count = std::max<std::uint64_t>(finding.count, 1);
    finding.detail = std::to_string(100 * (module_bytes_ - module_text_) / module_bytes_) +
                     " % of what the module sent is not text";
    if (bad_bytes_ + counts_.framing > 0)
      finding.detail += ", " +
                        std::to_string(std::max<std::uint64_t>(bad_bytes_, counts_.framing)) +
                        " bytes came with errors";
    LineSettings read;
    read.baud = 0;
    for (const Tap& tap : info_.taps)
      if (tap.hears != Side::kHost) read = tap.got;
    if (const auto guess = GuessRate(module_counts_, read)) {
      finding.detail += "; read at " + std::to_string(read.baud) + " baud, it looks like text ";
      switch (guess->kind) {
        case RateGuess::Kind::kThis:
          finding.detail += "that is sent at " + std::to_string(guess->baud);
          break;
        case RateGuess::Kind::kSlower:
          finding.detail += "that is sent much slower";
          break;
        case RateGuess::Kind::kFaster:
          finding.detail += "that is sent faster";
          break;
      }
    }
    found_[finding.name] = finding;
  }
  found_.erase("not-text");
  line_.Put(found_, found_.contains("wrong-rate"));
}

void FindingCollector::WiringRules(const Examination& so_far) {
  const bool both_expected = info_.origin == Origin::kAsk || info_.origin == Origin::kBetween ||
                             info_.origin == Origin::kSurvey || info_.taps.size() > 1;
  if (!both_expected) {
    found_.erase("only-echo");
    return;
  }
  if (so_far.exchanges > 0 && module_bytes_ == 0) {
    Finding& finding = found_["no-answer"];
    finding.name = "no-answer";
    finding.count = so_far.exchanges;
    finding.detail = std::to_string(so_far.exchanges) + " commands, not one byte back";
    finding.evidence = found_["unanswered"].evidence;
    found_.erase("unanswered");
  }
  if (given_back_ >= 2 && given_back_ * 10 >= so_far.exchanges * 9) {
    Finding finding = found_["only-echo"];
    finding.detail = std::to_string(given_back_) + " of " + std::to_string(so_far.exchanges) +
                     " commands came back, and not one byte more";
    found_[finding.name] = finding;
    found_.erase("echo-on");
    found_.erase("unanswered");
  } else {
    found_.erase("only-echo");
  }
  const std::uint64_t turned = codes_of_host_ + commands_of_module_;
  if (codes_of_host_ >= 1 && commands_of_module_ >= 1 && turned > codes_of_module_ * 2) {
    Finding& finding = found_["sides-swapped"];
    finding.detail = std::to_string(codes_of_host_) + " result codes of the host, " +
                     std::to_string(commands_of_module_) + " command lines of the module";
  }
}

}  // namespace witness
