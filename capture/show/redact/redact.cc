#include "capture/show/redact/redact.h"

#include <algorithm>
#include <array>
#include <deque>

#include "capture/base/text.h"
#include "capture/base/version.h"
#include "capture/examine/examination.h"
#include "capture/examine/secrets.h"
#include "capture/show/redact/needles.h"
#include "capture/show/redact/secret_rules.h"
#include "capture/show/redact/sentence_checksum.h"
#include "capture/show/redact/stand_ins.h"
#include "capture/show/redact/texts.h"
#include "capture/store/packer.h"

namespace witness {
namespace {

using namespace redact;

// A serial number like "0001" is looked for nowhere.
constexpr std::size_t kShortestNumber = 6;
constexpr std::size_t kMostSpans = 16u << 20;

constexpr std::size_t LaneOf(Side side) { return static_cast<std::size_t>(side); }

bool IsSpeech(const Event& event) {
  return event.kind == EventKind::kBytes || event.kind == EventKind::kBadByte;
}

std::string Number(std::uint64_t n, const char* one, const char* many) {
  return std::to_string(n) + " " + (n == 1 ? one : many);
}

class RedactorImpl : public Redactor {
 public:
  RedactorImpl(const RedactOptions& options, std::unique_ptr<SecretRules> rules)
      : options_(options), rules_(std::move(rules)) {}

  Result<RedactReport> Redact(const CaptureOpener& open, Sink& target) override {
    for (const auto& pass : {&RedactorImpl::Learn, &RedactorImpl::Collect}) {
      auto reader = open();
      if (!reader.ok()) return reader.status();
      if (Status status = (this->*pass)(**reader); !status.ok()) return status;
    }
    secrets_.ChooseFiller();
    needles_ = secrets_.MakeNeedles();
    report_.secrets.resize(secrets_.all().size());
    texts_ = std::make_unique<Texts>(*rules_, secrets_, needles_);
    auto reader = open();
    if (!reader.ok()) return reader.status();
    if (Status status = Locate(**reader); !status.ok()) return status;
    info_ = (*reader)->info();
    texts_->Clean(info_, options_.anonymous, report_.secrets, report_.facts);
    Summarise();
    reader = open();
    if (!reader.ok()) return reader.status();
    if (Status status = Write(**reader, target); !status.ok()) return status;
    return std::move(report_);
  }

  Status Check(CaptureReader& reader) const override {
    const auto holds = [](const char* what) {
      return Status(Code::kDamaged, std::string("a secret is still in it (") + what +
                                        "): nothing was kept; please report this");
    };
    const auto in_text = [&](ByteView text) { return texts_ && texts_->Holds(text); };
    const CaptureInfo& info = reader.info();
    if (in_text(info.title) || in_text(info.host_name) || in_text(info.tool)) return holds("facts");
    for (const Tap& tap : info.taps)
      if (in_text(tap.port) || in_text(tap.adapter.description) || in_text(tap.adapter.driver) ||
          in_text(tap.adapter.serial_number))
        return holds("facts");
    std::vector<NeedleSearch> search(3, NeedleSearch(needles_));
    Event event;
    CaptureReader::Outcome outcome;
    while ((outcome = reader.Next(event)) == CaptureReader::Outcome::kEvent) {
      if (IsSpeech(event)) {
        NeedleSearch& lane = search[LaneOf(event.side)];
        lane.Take(event.bytes);
        if (!lane.spans().empty()) return holds("what was said");
      } else if (in_text(event.bytes) || in_text(event.name)) {
        return holds("notes");
      }
    }
    return outcome == CaptureReader::Outcome::kFailed ? reader.status() : OkStatus();
  }

 private:
  void Progress(const char* words) const {
    if (options_.progress) options_.progress(words);
  }

  // First reading: the ways of the line.
  Status Learn(CaptureReader& reader) {
    Progress("examining");
    const CaptureInfo& info = reader.info();
    ExamineOptions examine;
    examine.segmenter = OptionsFor(info);
    SecretFinder finder([&](const Segment& segment, const Secret& secret) {
      const ByteView value = ByteView(segment.bytes).substr(secret.from, secret.size);
      if (!status_.ok() || (reader.info().redacted && LooksLikeStandIn(value))) return;
      const auto number = secrets_.Put(value, rules_->found_rule(secret.kind),
                                       secret.kind != SecretKind::kPosition);
      if (!number.ok()) {
        status_ = number.status();
      } else if (value.size() < kShortestNeedle) {
        std::size_t from = 0;
        for (const EventRange& range : RangesOf(segment, secret.from, secret.size)) {
          short_found_.push_back({range, *number, from, value.size()});
          from += range.size;
        }
      }
    });
    ConversationHandlers also;
    if (options_.found) also.on_segment = [&](const Segment& segment) { finder.Take(segment); };
    const auto e = Examine(reader, examine, also);
    if (!status_.ok()) return status_;
    if (!e.ok()) return e.status();
    ways_.silence = e->conventions.silence.value;
    ways_.character_time = examine.segmenter.character_time;
    ways_.terminated[LaneOf(Side::kHost)] = e->conventions.terminated_commands;
    const EndingTally& replies = e->reply_endings;
    ways_.terminated[LaneOf(Side::kModule)] = replies.none * 2 < replies.texts();
    ways_.terminated[LaneOf(Side::kUnknown)] = true;
    return OkStatus();
  }

  void Put(const Found& found, std::vector<Span>* short_ones) {
    rules_->EachSecret(found, [&](ByteView value) {
      if (!status_.ok() || (was_redacted_ && LooksLikeStandIn(value))) return;
      const auto number = secrets_.Put(value, found.rule);
      if (!number.ok()) {
        status_ = number.status();
      } else if (value.size() < kShortestNeedle && short_ones != nullptr) {
        const auto offset = static_cast<std::uint64_t>(value.data() - found.bytes.data());
        short_ones->push_back(
            {found.from + offset, static_cast<std::uint32_t>(value.size()), *number, false});
      }
    });
  }

  // Where an event's bytes lie in what its side said is known while it is read again.
  void PlaceShortFound(std::uint64_t index, std::size_t lane, std::uint64_t from) {
    for (; next_found_ < short_found_.size() && short_found_[next_found_].range.event <= index;
         ++next_found_) {
      const ShortFound& found = short_found_[next_found_];
      // A span begins in one event and may go on in others of its side.
      if (found.range.event == index && found.done == 0)
        short_[lane].push_back({from + found.range.offset, static_cast<std::uint32_t>(found.size),
                                found.number, false});
    }
  }

  // Second reading: what the secrets are.
  Status Collect(CaptureReader& reader) {
    Progress("looking for secrets");
    was_redacted_ = reader.info().redacted;
    const auto in_text = [&](ByteView text) {
      rules_->FindIn(text, [&](const Found& found) { Put(found, nullptr); });
    };
    const CaptureInfo& info = reader.info();
    in_text(info.title);
    in_text(info.host_name);
    for (const Tap& tap : info.taps) {
      in_text(tap.port);
      in_text(tap.adapter.description);
      in_text(tap.adapter.serial_number);
      if (options_.anonymous && tap.adapter.serial_number.size() >= kShortestNumber)
        if (const auto put = secrets_.Put(tap.adapter.serial_number, rules_->serial_number_rule());
            !put.ok())
          return put.status();
    }
    std::sort(short_found_.begin(), short_found_.end(),
              [](const auto& a, const auto& b) { return a.range.event < b.range.event; });
    std::array<std::uint64_t, 3> said = {};
    LaneRules lanes(*rules_, ways_,
                    [&](const Found& found) { Put(found, &short_[LaneOf(found.side)]); });
    Event event;
    CaptureReader::Outcome outcome = CaptureReader::Outcome::kEnd;
    while (status_.ok() && (outcome = reader.Next(event)) == CaptureReader::Outcome::kEvent) {
      lanes.Take(event);
      if (IsSpeech(event)) {
        secrets_.Seen(event.bytes);
        PlaceShortFound(reader.index(), LaneOf(event.side), said[LaneOf(event.side)]);
        said[LaneOf(event.side)] += event.bytes.size();
      }
      if (event.kind == EventKind::kNote) {
        in_text(event.bytes);
        secrets_.Seen(event.bytes);  // of an earlier redaction too
      }
    }
    const Status finished = lanes.Finish();
    if (!status_.ok()) return status_;
    if (outcome == CaptureReader::Outcome::kFailed) return reader.status();
    return finished;
  }

  // Third reading: where they stand.
  Status Locate(CaptureReader& reader) {
    Progress("looking for where else they stand");
    std::vector<NeedleSearch> search(3, NeedleSearch(needles_));
    std::array<std::vector<std::uint64_t>, 3> torn;  // something may be missing in front of it
    std::array<Bytes, 3> behind;                     // the first bytes behind the last such place
    std::size_t longest = 0;
    for (const auto& secret : secrets_.all())
      longest = std::max(longest, std::max(secret.bytes.size() * 2, kShortestNeedle));
    std::array<bool, 3> watching = {true, true, true};
    const auto look_behind = [&](std::size_t lane) {
      if (!watching[lane]) return;
      watching[lane] = false;
      const std::uint64_t from = search[lane].taken() - behind[lane].size();
      if (const Span span = EndOfOne(behind[lane], from); span.size > 0)
        torn_spans_[lane].push_back(span);
      behind[lane].clear();
    };
    Event event;
    CaptureReader::Outcome outcome;
    while ((outcome = reader.Next(event)) == CaptureReader::Outcome::kEvent) {
      if (event.kind == EventKind::kGap)
        for (std::size_t lane = 0; lane < 3; ++lane) {
          look_behind(lane);
          search[lane].Torn(kShortestNeedle);
          watching[lane] = true;
        }
      if (!IsSpeech(event)) continue;
      const std::size_t lane = LaneOf(event.side);
      // Taken in parts, so that what stands behind a torn place is looked at in time.
      ByteView bytes = event.bytes;
      if (watching[lane]) {
        const ByteView head = bytes.substr(0, longest - std::min(longest, behind[lane].size()));
        behind[lane] += head;
        search[lane].Take(head);
        bytes.remove_prefix(head.size());
        if (behind[lane].size() >= longest) look_behind(lane);
      }
      search[lane].Take(bytes);
      if (search[lane].spans().size() > kMostSpans)
        return Status(Code::kInvalidArgument,
                      "secrets in more places than can be kept; say more exactly what is one");
    }
    if (outcome == CaptureReader::Outcome::kFailed) return reader.status();
    report_.source = reader.ending();
    for (std::size_t lane = 0; lane < 3; ++lane) {
      look_behind(lane);
      search[lane].Torn(kShortestNeedle);
      std::vector<Span>& all = spans_[lane];
      all = std::move(search[lane].spans());
      all.insert(all.end(), short_[lane].begin(), short_[lane].end());
      all.insert(all.end(), torn_spans_[lane].begin(), torn_spans_[lane].end());
      Disjoin(all);
    }
    return OkStatus();
  }

  // The end of a secret whose beginning was lost: `text` begins with it.
  Span EndOfOne(ByteView text, std::uint64_t from) const {
    Span best;
    const Bytes folded = Folded(text);
    for (std::uint32_t i = 0; i < secrets_.all().size(); ++i) {
      const ByteView secret = secrets_.all()[i].bytes;
      for (std::size_t size = secret.size() > 0 ? secret.size() - 1 : 0;
           size >= kShortestNeedle && size > best.size; --size)
        if (ByteView(folded).substr(0, size) == secret.substr(secret.size() - size)) {
          best = {from, static_cast<std::uint32_t>(size), i, true};
          break;
        }
    }
    return best;
  }

  std::string RuleName(std::uint32_t secret) const {
    return rules_->names()[secrets_.all()[secret].rule];
  }

  // What the opening note says is known before anything is written.
  void Summarise() {
    std::uint64_t places = 0;
    std::vector<bool> used(secrets_.all().size());
    for (const auto& lane : spans_) {
      places += lane.size();
      for (const Span& span : lane) used[span.value] = true;
    }
    const auto kinds = static_cast<std::uint64_t>(std::count(used.begin(), used.end(), true));
    opening_ = std::string("redacted by bytewitness ") + kToolVersion + ": " +
               Number(kinds, "secret", "secrets") + " in " + Number(places, "place", "places") +
               " replaced by stand-ins of the same length (" + SafeText(secrets_.StandIn(0, 5)) +
               " and so on); times and all else are as recorded";
    if (!report_.facts.empty()) {
      opening_ += "; taken out:";
      for (std::size_t i = 0; i < report_.facts.size(); ++i)
        opening_ += (i == 0 ? " " : ", ") + report_.facts[i];
    }
  }

  // Fourth reading: writes.
  Status Write(CaptureReader& reader, Sink& target) {
    Progress("writing");
    info_.redacted = true;
    auto packer = Packer::Create(target, info_, PackSettings::Everyday());
    if (!packer.ok()) return packer.status();
    std::vector<OwnedEvent> marks;  // wait for a new stamp: no burst is torn
    const auto put_marks = [&]() -> Status {
      for (const OwnedEvent& mark : marks)
        if (Status status = (*packer)->Add(mark.View()); !status.ok()) return status;
      marks.clear();
      return OkStatus();
    };
    const auto note = [&](Instant at, Side side, const std::string& words) {
      Event event;
      event.at = at;
      event.kind = EventKind::kNote;
      event.side = side;
      event.bytes = words;
      marks.emplace_back(event);
    };
    std::array<std::uint64_t, 3> said = {};
    std::array<std::size_t, 3> next = {};
    std::array<SentenceChecksum, 3> checksums;
    Bytes bytes, name;
    bool first = true;
    Event event;
    CaptureReader::Outcome outcome;
    Status status;
    while (status.ok() && (outcome = reader.Next(event)) == CaptureReader::Outcome::kEvent) {
      if (first) {
        note(event.at, Side::kUnknown, texts_->Scrubbed(opening_));
        status = put_marks();
        first = false;
      } else if (!marks.empty() && marks.front().event.at < event.at) {
        status = put_marks();
      }
      if (!status.ok()) break;
      if (IsSpeech(event)) {
        const std::size_t lane = LaneOf(event.side);
        bytes = event.bytes;
        const std::uint64_t from = said[lane], to = from + bytes.size();
        said[lane] = to;
        const std::vector<Span>& spans = spans_[lane];
        for (std::size_t& i = next[lane]; i < spans.size() && spans[i].from < to; ++i) {
          const Span& span = spans[i];
          Replace(bytes, from, span);
          if (span.from >= from) Count(span, event.at, event.side);
          if (span.from + span.size > to) break;
          note(event.at, event.side, MarkOf(span, event.side));
        }
        if (checksums[lane].Fit(event.bytes, bytes))
          note(event.at, event.side, "redacted: the sentence's checksum was made anew");
        event.bytes = bytes;
      } else {
        if (!event.bytes.empty()) {
          bytes = texts_->Cleaned(event.bytes, &report_.secrets);
          event.bytes = bytes;
        }
        if (!event.name.empty()) {
          name = texts_->Cleaned(event.name, &report_.secrets);
          event.name = name;
        }
      }
      status = (*packer)->Add(event);
    }
    if (status.ok() && outcome == CaptureReader::Outcome::kFailed) status = reader.status();
    if (status.ok()) status = put_marks();
    if (status.ok()) status = (*packer)->Finish(reader.ending().end);
    Finish();
    return status;
  }

  std::string MarkOf(const Span& span, Side side) const {
    // The rule's name last: where it ends with what stands in front of a value, none follows.
    return texts_->Scrubbed("redacted: " + Number(span.size, "byte", "bytes") + " of the " +
                            SideName(side) + (span.part ? ", a part of" : ",") + " secret " +
                            std::to_string(span.value + 1) + ": " + RuleName(span.value));
  }

  // The part of `span` that lies in `bytes`, which begin at `from` in what the side said.
  void Replace(Bytes& bytes, std::uint64_t from, const Span& span) {
    const Bytes stand_in = secrets_.StandInFor(span);
    const std::uint64_t end = std::min<std::uint64_t>(span.from + span.size, from + bytes.size());
    for (std::uint64_t at = std::max(from, span.from); at < end; ++at) {
      bytes[static_cast<std::size_t>(at - from)] =
          stand_in[static_cast<std::size_t>(at - span.from)];
      ++report_.bytes;
    }
  }

  void Count(const Span& span, Instant at, Side side) {
    RedactReport::Secret& secret = report_.secrets[span.value];
    if (secret.places++ == 0) {
      secret.first = at;
      secret.side = side;
    }
  }

  void Finish() {
    for (std::uint32_t i = 0; i < report_.secrets.size(); ++i) {
      RedactReport::Secret& secret = report_.secrets[i];
      secret.why = RuleName(i);
      secret.size = secrets_.all()[i].bytes.size();
      secret.stand_in = secrets_.StandIn(i, secret.size);
      secret.searched = secret.size >= kShortestNeedle;
    }
    std::erase_if(report_.secrets,
                  [](const auto& secret) { return secret.places + secret.texts == 0; });
  }

  const RedactOptions options_;
  std::unique_ptr<SecretRules> rules_;
  LaneRules::Ways ways_;
  Secrets secrets_;
  Needles needles_;
  std::unique_ptr<Texts> texts_;
  std::array<std::vector<Span>, 3> short_, torn_spans_, spans_;
  // A short secret that examine found, or the rest of one.
  struct ShortFound {
    EventRange range;
    std::uint32_t number = 0;
    std::size_t done = 0;  // bytes of it in events before
    std::size_t size = 0;
  };
  std::vector<ShortFound> short_found_;
  std::size_t next_found_ = 0;
  CaptureInfo info_;
  std::string opening_;
  RedactReport report_;
  Status status_;
  bool was_redacted_ = false;
};

}  // namespace

Result<std::unique_ptr<Redactor>> Redactor::Make(const RedactOptions& options) {
  auto rules = SecretRules::Make(options.patterns, options.values_of);
  if (!rules.ok()) return rules.status();
  return std::unique_ptr<Redactor>(std::make_unique<RedactorImpl>(options, std::move(*rules)));
}

}  // namespace witness
