// Profiles as textproto.
#include <google/protobuf/io/tokenizer.h>
#include <google/protobuf/text_format.h>

#include <cerrno>
#include <cstring>
#include <fstream>
#include <sstream>

#include "capture/profile/profile.h"
#include "proto/profile.pb.h"

namespace witness {
namespace {

using Message = bytewitness::Profile;

constexpr std::string_view kFirstLine = "# proto-message: bytewitness.Profile\n";

// The first error of a parse, with its place.
class FirstError : public google::protobuf::io::ErrorCollector {
 public:
  void AddError(int line, google::protobuf::io::ColumnNumber column,
                const std::string& message) override {
    if (!text.empty()) return;
    text = line < 0 ? message
                    : "line " + std::to_string(line + 1) + ", column " +
                          std::to_string(column + 1) + ": " + message;
  }
  std::string text;
};

void Put(const Basis& from, Message::Basis& to) {
  to.set_sure(static_cast<Message::Sureness>(from.sure));
  to.set_why(from.why);
  for (const std::uint64_t event : from.events) to.add_event(event);
  to.set_tries(from.tries);
}

Basis Take(const Message::Basis& from) {
  Basis to;
  to.sure = static_cast<Found>(from.sure());
  to.why = from.why();
  to.events.assign(from.event().begin(), from.event().end());
  to.tries = from.tries();
  return to;
}

void Put(const ProfileReply& from, Message::Reply& to) {
  to.set_command(from.command);
  to.set_outcome(static_cast<Message::Outcome>(from.outcome));
  for (const Bytes& text : from.texts) to.add_text(text);
  to.set_most_pieces(from.most_pieces);
  for (const std::uint32_t size : from.piece_sizes) to.add_piece_size(size);
  for (const Duration d : from.turnarounds) to.mutable_turnaround()->add_ns(d.ns());
  for (const Duration d : from.longest_pauses) to.mutable_longest_pause()->add_ns(d.ns());
  to.set_change(from.change);
  Put(from.basis, *to.mutable_basis());
}

ProfileReply Take(const Message::Reply& from) {
  ProfileReply to;
  to.command = from.command();
  to.outcome = static_cast<ReplyOutcome>(from.outcome());
  to.texts.assign(from.text().begin(), from.text().end());
  to.most_pieces = from.most_pieces();
  to.piece_sizes.assign(from.piece_size().begin(), from.piece_size().end());
  for (const std::int64_t ns : from.turnaround().ns())
    to.turnarounds.push_back(Duration::Nanoseconds(ns));
  for (const std::int64_t ns : from.longest_pause().ns())
    to.longest_pauses.push_back(Duration::Nanoseconds(ns));
  to.change = from.change();
  to.basis = Take(from.basis());
  return to;
}

// proto3 keeps unknown enum values; ours must be ones we know.
bool KnownEnums(const Message& m) {
  const auto reply = [](const Message::Reply& r) {
    return Message::Outcome_IsValid(r.outcome()) && Message::Sureness_IsValid(r.basis().sure());
  };
  bool ok = Message::State_IsValid(m.state()) && Message::Echo_IsValid(m.echo()) &&
            Message::LetterCase_IsValid(m.letter_case()) && reply(m.unknown());
  for (const Message::Reply& r : m.reply()) ok = ok && reply(r);
  return ok;
}

}  // namespace

std::string WriteProfile(const Profile& p) {
  Message m;
  m.set_title(p.title);
  m.set_port(p.port);
  m.set_capture(p.capture);
  m.set_tool(p.tool);
  m.set_state(static_cast<Message::State>(p.state));
  Put(p.state_basis, *m.mutable_state_basis());
  for (const std::string& check : p.check) m.add_check(check);
  m.set_baud(p.line.baud);
  const std::string format = FormatLineSettings(p.line);
  m.set_format(format.substr(format.find_last_of(' ', format.find(' ') + 1) + 1, 3));
  if (p.line.baud == 0) m.clear_format();
  Put(p.line_basis, *m.mutable_line_basis());
  for (const std::string& ending : p.accepted_endings) m.add_accepted_ending(ending);
  m.set_send_ending(p.send_ending);
  m.set_must_be_bare(p.must_be_bare);
  m.set_silence_at_least_ns(p.silence_at_least.ns());
  m.set_silence_at_most_ns(p.silence_at_most.ns());
  m.set_leftover_spoils(p.leftover_spoils);
  Put(p.ending_basis, *m.mutable_ending_basis());
  m.set_sleeps(p.sleeps);
  if (p.sleep_basis.sure != Found::kNotTried) Put(p.sleep_basis, *m.mutable_sleep_basis());
  m.set_echo(static_cast<Message::Echo>(p.echo));
  Put(p.echo_basis, *m.mutable_echo_basis());
  m.set_letter_case(static_cast<Message::LetterCase>(p.letter_case));
  Put(p.case_basis, *m.mutable_case_basis());
  m.set_longest_command(p.longest_command);
  Put(p.longest_basis, *m.mutable_longest_basis());
  Put(p.unknown, *m.mutable_unknown());
  for (const ProfileReply& reply : p.replies) Put(reply, *m.add_reply());
  m.set_banner(p.banner);
  m.set_banner_after_ns(p.banner_after.ns());
  Put(p.banner_basis, *m.mutable_banner_basis());
  for (const ProfileUnsolicited& one : p.unsolicited) {
    Message::Unsolicited& to = *m.add_unsolicited();
    to.set_text(one.text);
    to.set_times(one.times);
    Put(one.basis, *to.mutable_basis());
  }
  Put(p.unsolicited_basis, *m.mutable_unsolicited_basis());
  m.set_listened_ns(p.listened.ns());
  m.set_piece_gap_ns(p.piece_gap.ns());
  google::protobuf::TextFormat::Printer printer;
  printer.SetUseShortRepeatedPrimitives(true);
  std::string text;
  printer.PrintToString(m, &text);
  return std::string(kFirstLine) + text;
}

Result<Profile> ReadProfile(std::string_view text) {
  Message m;
  FirstError error;
  google::protobuf::TextFormat::Parser parser;
  parser.RecordErrorsTo(&error);
  if (!parser.ParseFromString(std::string(text), &m))
    return Status(Code::kInvalidArgument, "not a profile: " + error.text);
  if (!KnownEnums(m))
    return Status(Code::kInvalidArgument, "not a profile: a value that this version does not know");
  Profile p;
  p.title = m.title();
  p.port = m.port();
  p.capture = m.capture();
  p.tool = m.tool();
  p.state = static_cast<ModuleState>(m.state());
  p.state_basis = Take(m.state_basis());
  p.check.assign(m.check().begin(), m.check().end());
  if (!m.format().empty()) {
    if (Status s = ParseFormat(m.format(), p.line); !s.ok()) return s;
  }
  p.line.baud = m.baud();
  p.line_basis = Take(m.line_basis());
  p.accepted_endings.assign(m.accepted_ending().begin(), m.accepted_ending().end());
  p.send_ending = m.send_ending();
  p.must_be_bare = m.must_be_bare();
  p.silence_at_least = Duration::Nanoseconds(m.silence_at_least_ns());
  p.silence_at_most = Duration::Nanoseconds(m.silence_at_most_ns());
  p.leftover_spoils = m.leftover_spoils();
  p.ending_basis = Take(m.ending_basis());
  p.sleeps = m.sleeps();
  if (m.has_sleep_basis()) p.sleep_basis = Take(m.sleep_basis());
  p.echo = static_cast<EchoKind>(m.echo());
  p.echo_basis = Take(m.echo_basis());
  p.letter_case = static_cast<LetterCase>(m.letter_case());
  p.case_basis = Take(m.case_basis());
  p.longest_command = m.longest_command();
  p.longest_basis = Take(m.longest_basis());
  p.piece_gap = Duration::Nanoseconds(m.piece_gap_ns());
  p.unknown = Take(m.unknown());
  for (const Message::Reply& reply : m.reply()) p.replies.push_back(Take(reply));
  p.banner = m.banner();
  p.banner_after = Duration::Nanoseconds(m.banner_after_ns());
  p.banner_basis = Take(m.banner_basis());
  for (const Message::Unsolicited& one : m.unsolicited())
    p.unsolicited.push_back({one.text(), one.times(), Take(one.basis())});
  p.unsolicited_basis = Take(m.unsolicited_basis());
  p.listened = Duration::Nanoseconds(m.listened_ns());
  return p;
}

Result<Profile> ReadProfileFile(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  if (!in) return Status(Code::kNotFound, path + ": cannot open: " + std::strerror(errno));
  std::ostringstream text;
  text << in.rdbuf();
  Result<Profile> profile = ReadProfile(text.str());
  if (!profile.ok()) return profile.status().In(path);
  return profile;
}

bool LooksLikeProfile(const std::string& path) {
  std::ifstream in(path, std::ios::binary);
  std::string first(kFirstLine.size(), '\0');
  in.read(first.data(), static_cast<std::streamsize>(first.size()));
  return in.gcount() == static_cast<std::streamsize>(first.size()) && first == kFirstLine;
}

Bytes BytesOfEnding(std::string_view name) {
  if (name == "CR LF") return "\r\n";
  if (name == "CR") return "\r";
  if (name == "LF") return "\n";
  if (name == ";") return ";";
  return "";
}

}  // namespace witness
