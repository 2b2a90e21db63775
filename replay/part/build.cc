#include "replay/part/build.h"

#include <algorithm>
#include <fstream>
#include <map>
#include <set>

#include "capture/base/text.h"
#include "capture/store/capture_reader.h"
#include "replay/part/cue.h"
#include "replay/part/from_profile.h"
#include "replay/part/part_text.h"

namespace trial {
namespace {

using witness::Code;
using witness::Exchange;
using witness::Result;
using witness::Segment;
using witness::Side;
using witness::Status;

// A module that takes commands after a silence answers later than that silence; most of the
// turnaround is taken for it, so that a pause inside a command does as much harm as it would there.
constexpr int kSilenceTenths = 8;
constexpr Duration kLeastSilence = Duration::Milliseconds(5);
constexpr Duration kMostSilence = Duration::Seconds(1);

// An echo that begins so soon after the command may have come character by character.
constexpr Duration kEchoAtOnce = Duration::Milliseconds(5);

// The pieces of segments in the order of their time, the first one's silence counted from `since`.
std::vector<Piece> PiecesOf(std::vector<const Segment*> segments, Instant since) {
  struct Part {
    Instant at;
    Bytes bytes;
  };
  std::vector<Part> parts;
  for (const Segment* segment : segments) {
    std::size_t offset = 0;
    for (const auto& piece : segment->pieces) {
      parts.push_back({piece.at, segment->bytes.substr(offset, piece.size)});
      offset += piece.size;
    }
    if (offset < segment->bytes.size())
      parts.push_back({segment->to, segment->bytes.substr(offset)});
  }
  std::stable_sort(parts.begin(), parts.end(),
                   [](const Part& a, const Part& b) { return a.at < b.at; });
  std::vector<Piece> pieces;
  for (Part& part : parts) {
    if (part.bytes.empty()) continue;
    if (!pieces.empty() && part.at == since)
      pieces.back().bytes += part.bytes;
    else
      pieces.push_back({std::max(part.at - since, Duration::Zero()), std::move(part.bytes)});
    since = part.at;
  }
  return pieces;
}

std::vector<const Segment*> AnswerSegments(const Exchange& exchange) {
  std::vector<const Segment*> segments;
  for (const Segment& reply : exchange.replies) segments.push_back(&reply);
  for (const Segment& line : exchange.unsolicited) segments.push_back(&line);
  return segments;
}

Bytes EndingBytes(const Bytes& command) {
  const std::size_t last = command.find_last_not_of("\r\n");
  if (last == Bytes::npos) return "";
  const Bytes ending = command.substr(last + 1);
  // The terminator is the first line ending; more of them are empty lines.
  if (ending.starts_with("\r\n")) return "\r\n";
  return ending.substr(0, 1);
}

CommandEnd EndOf(const std::vector<Exchange>& exchanges, std::vector<std::string>& remarks) {
  CommandEnd end;
  std::set<Bytes> terminators;
  std::size_t bare = 0;
  Duration least = kMostSilence;
  Duration longest_pause;
  for (const Exchange& exchange : exchanges) {
    const Bytes ending = EndingBytes(exchange.command.bytes);
    if (!ending.empty()) {
      terminators.insert(ending);
      continue;
    }
    ++bare;
    if (exchange.turnaround) least = std::min(least, *exchange.turnaround);
    for (std::size_t i = 1; i < exchange.command.pieces.size(); ++i)
      longest_pause = std::max(longest_pause,
                               exchange.command.pieces[i].at - exchange.command.pieces[i - 1].at);
  }
  end.terminators.assign(terminators.begin(), terminators.end());
  if (bare > 0) {
    end.silence = std::clamp(least * kSilenceTenths / 10, kLeastSilence, kMostSilence);
    remarks.push_back(std::to_string(bare) + " of " + std::to_string(exchanges.size()) +
                      " commands have no line ending: taken after a silence of " +
                      witness::FormatDuration(*end.silence));
    if (*end.silence < longest_pause)
      remarks.push_back("a pause inside a command was longer than that (" +
                        witness::FormatDuration(longest_pause) + ")");
  }
  return end;
}

Echo EchoOf(const std::vector<Exchange>& exchanges) {
  std::size_t whole = 0;
  std::size_t growing = 0;
  for (const Exchange& exchange : exchanges) {
    if (!exchange.echo) continue;
    // An echo that begins before the command has ended comes byte by byte. So does, as far as can
    // be told, one that comes at once: most modules give back each character as they get it (ITU-T
    // V.250 (07/2003) 6.2.4), and a host that waits for each of them would wait for ever.
    const Duration late = exchange.echo->from - exchange.command.to;
    ++(late < kEchoAtOnce || exchange.echo->pieces.size() > 1 ? growing : whole);
  }
  if (whole + growing == 0) return Echo::kOff;
  return growing >= whole ? Echo::kByCharacter : Echo::kWhole;
}

// The answer that several different commands got is the module's "no" if it says so in words.
bool SaysNo(const Answer& answer) {
  const Bytes text = JoinPieces(answer.pieces);
  for (const char* word : {"ERROR", "error", "Error", "FAIL", "fail", "unknown", "invalid", "?"})
    if (text.find(word) != Bytes::npos) return true;
  return false;
}

void AddAnswer(const Bytes& command, Answer answer, std::vector<Rule>& rules) {
  for (Rule& rule : rules)
    if (WithoutEnding(rule.cue.text) == WithoutEnding(command)) {
      rule.answers.push_back(std::move(answer));
      return;
    }
  Rule rule;
  rule.cue.text = Bytes(WithoutEnding(command));
  if (rule.cue.text.empty()) {
    rule.cue.text = command;
    rule.cue.match = Match::kExact;
  }
  rule.answers.push_back(std::move(answer));
  rules.push_back(std::move(rule));
}

void BuildModule(const witness::WholeConversation& conversation, BuiltPart& built) {
  Part& part = built.part;
  const auto& exchanges = conversation.exchanges;
  part.command_end = EndOf(exchanges, built.remarks);
  part.echo = EchoOf(exchanges);
  std::uint32_t turn = 0;
  for (const Exchange& exchange : exchanges) {
    Answer answer;
    answer.turn = ++turn;
    // An echo at once takes no time away; a late one stands before the reply.
    answer.pieces = PiecesOf(AnswerSegments(exchange), exchange.command.to);
    if (!answer.pieces.empty() && EndingBytes(exchange.command.bytes).empty() &&
        part.command_end.silence)
      answer.pieces[0].after =
          std::max(answer.pieces[0].after - *part.command_end.silence, Duration::Zero());
    if (!part.unknown && SaysNo(answer)) part.unknown = Answer{answer.pieces, 0};
    AddAnswer(exchange.command.bytes, std::move(answer), part.rules);
  }
  // Nothing but bare commands was ever answered: a CR or LF behind one would be a part of it.
  if (part.command_end.terminators.empty())
    for (Rule& rule : part.rules) rule.cue.match = Match::kExact;
  for (const Segment& segment : conversation.loose) {
    if (segment.side != Side::kModule || segment.bytes.empty()) continue;
    if (segment.kind != witness::SegmentKind::kUnsolicited &&
        segment.kind != witness::SegmentKind::kBanner &&
        segment.kind != witness::SegmentKind::kData)
      continue;
    // Behind the last command that had ended; before the first one: at its time.
    Unasked unasked;
    std::uint32_t before = 0;
    Instant since;
    for (const Exchange& exchange : exchanges) {
      if (exchange.command.to > segment.from) break;
      ++before;
      since = exchange.command.to;
      for (const Segment* reply : AnswerSegments(exchange)) since = std::max(since, reply->to);
    }
    if (before > 0)
      unasked.after_command = before;
    else
      unasked.at = segment.from - Instant();
    unasked.pieces = PiecesOf({&segment}, before > 0 ? since : segment.from);
    part.unasked.push_back(std::move(unasked));
  }
}

void BuildHost(const witness::WholeConversation& conversation, Part& part) {
  Instant since;
  for (const Exchange& exchange : conversation.exchanges) {
    Ask ask;
    ask.after = std::max(exchange.command.from - since, Duration::Zero());
    ask.bytes = exchange.command.bytes;
    std::vector<const Segment*> answer = AnswerSegments(exchange);
    if (exchange.echo) answer.insert(answer.begin(), &*exchange.echo);
    ask.expect = PiecesOf(answer, exchange.command.to);
    Duration longest;
    since = exchange.command.to;
    for (std::size_t i = 0; i < ask.expect.size(); ++i) {
      if (i > 0) longest = std::max(longest, ask.expect[i].after);
      since = since + ask.expect[i].after;
    }
    ask.quiet = std::clamp(longest * 3, Duration::Milliseconds(100), Duration::Seconds(5));
    if (!ask.expect.empty()) ask.wait = std::max(ask.wait, ask.expect[0].after * 3);
    part.asks.push_back(std::move(ask));
  }
}

}  // namespace

Result<BuiltPart> BuildPart(const witness::WholeConversation& conversation,
                            const witness::CaptureInfo& info, Side plays) {
  BuiltPart built;
  built.part.name = info.title;
  built.part.plays = plays;
  for (const witness::Tap& tap : info.taps)
    if (tap.hears != Side::kHost || info.taps.size() == 1) built.part.line = tap.got;
  built.part.line.flow = witness::FlowControl::kNone;
  if (conversation.exchanges.empty() && (plays == Side::kHost || conversation.loose.empty()))
    return Status(Code::kInvalidArgument,
                  "no command and reply can be told in it: there is nothing to play (were both "
                  "sides recorded?)");
  if (!conversation.complete)
    built.remarks.push_back("the capture is too long to be played whole: its beginning is taken");
  if (plays == Side::kHost)
    BuildHost(conversation, built.part);
  else
    BuildModule(conversation, built);
  return built;
}

Result<BuiltPart> BuildPartFromCapture(const std::string& path, Side plays) {
  auto reader = witness::CaptureReader::Open(path);
  if (!reader.ok()) return reader.status();
  const witness::CaptureInfo info = (*reader)->info();
  auto conversation = witness::ReadConversation(**reader, witness::OptionsFor(info));
  if (!conversation.ok()) return conversation.status();
  auto built = BuildPart(*conversation, info, plays);
  if (!built.ok()) return built.status().In(path);
  if (built->part.name.empty()) {
    const auto slash = path.rfind('/');
    built->part.name = slash == std::string::npos ? path : path.substr(slash + 1);
  }
  if ((*reader)->ending().damaged)
    built->remarks.push_back("the capture is damaged; played is what can be read");
  return built;
}

Result<BuiltPart> LoadPartOrCapture(const std::string& path, Side plays) {
  // Frames begin with 28 B5 2F FD, skippable ones with 5x 2A 4D 18 (RFC 8878 3.1).
  char first[4] = {};
  std::ifstream in(path, std::ios::binary);
  in.read(first, sizeof first);
  const Bytes begin(first, static_cast<std::size_t>(in.gcount()));
  in.close();
  const bool text = begin.empty() ? path.ends_with("proto")
                                  : begin != Bytes("\x28\xB5\x2F\xFD", 4) &&
                                        (begin.size() < 4 || begin.substr(1) != "\x2A\x4D\x18") &&
                                        !path.ends_with(".witness");
  if (!text) return BuildPartFromCapture(path, plays);
  if (witness::LooksLikeProfile(path)) {
    if (plays != Side::kModule)
      return Status(
          Code::kInvalidArgument,
          path + ": a profile tells how a module answers; the host's part is made of a capture");
    const auto profile = witness::ReadProfileFile(path);
    if (!profile.ok()) return profile.status();
    auto built = BuildPartFromProfile(*profile);
    if (!built.ok()) return built.status().In(path);
    return built;
  }
  auto part = LoadPart(path);
  if (!part.ok()) return part.status();
  BuiltPart built;
  built.part = std::move(*part);
  if (built.part.plays != plays)
    return Status(Code::kInvalidArgument,
                  path + ": this part plays the " + witness::SideName(built.part.plays) +
                      "; needed is one that plays the " + witness::SideName(plays));
  return built;
}

}  // namespace trial
