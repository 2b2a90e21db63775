#include "replay/part/part_message.h"

#include "capture/base/text.h"
#include "replay/part/cue.h"
#include "replay/part/part_text.h"

namespace trial {
namespace {

using Message = bytewitness::Part;

// Reads the fields of one part and passes complaints on.
class Reader {
 public:
  explicit Reader(const FieldComplaint& complain) : complain_(complain) {}

  Part Read(const Message& m) {
    Part part;
    part.name = m.name();
    Known(m, "plays", m.plays(), bytewitness::Part_Plays_IsValid(m.plays()));
    part.plays = m.plays() == Message::PLAYS_HOST ? witness::Side::kHost : witness::Side::kModule;
    if (m.has_line()) ReadLine(m.line(), part.line);
    for (int i = 0; i < m.command_end().terminator_size(); ++i) {
      if (m.command_end().terminator(i).empty())
        complain_(m.command_end(), "terminator", i, "a terminator has at least one byte");
      part.command_end.terminators.push_back(m.command_end().terminator(i));
    }
    if (!m.command_end().silence().empty())
      part.command_end.silence = Time(m.command_end(), "silence", m.command_end().silence());
    Known(m, "echo", m.echo(), bytewitness::Part_Echo_IsValid(m.echo()));
    part.echo = static_cast<Echo>(m.echo());
    part.echo_delay = Time(m, "echo_delay", m.echo_delay());
    for (const auto& rule : m.rule()) part.rules.push_back(ReadRule(rule));
    if (m.has_unknown()) part.unknown = ReadAnswer(m.unknown());
    for (const auto& unasked : m.unasked()) part.unasked.push_back(ReadUnasked(unasked));
    for (const auto& ask : m.ask()) part.asks.push_back(ReadAsk(ask));
    Known(m, "following", m.following(), bytewitness::Part_Following_IsValid(m.following()));
    if (m.following() == Message::FOLLOWING_IN_ORDER) part.following = Following::kInOrder;
    ReadWaveform(m.waveform(), part.waveform);
    if (!m.sleeps_after().empty()) part.sleeps_after = Time(m, "sleeps_after", m.sleeps_after());
    CheckSides(m, part);
    return part;
  }

 private:
  void CheckSides(const Message& m, const Part& part) {
    if (part.plays == witness::Side::kHost) {
      if (m.rule_size() > 0)
        complain_(m, "rule", 0, "a part that plays the host has no rules; it asks");
      return;
    }
    if (m.ask_size() > 0) complain_(m, "ask", 0, "only a part with plays: PLAYS_HOST asks");
    if (!part.rules.empty() && part.command_end.terminators.empty() && !part.command_end.silence)
      complain_(m, "rule", 0,
                "with no command_end the end of a command cannot be told: give "
                "command_end { terminator: \"\\r\\n\" } or command_end { silence: \"400ms\" }");
  }

  void Known(const google::protobuf::Message& m, const char* field, int value, bool valid) {
    if (!valid) complain_(m, field, -1, "unknown value " + std::to_string(value));
  }

  Duration Time(const google::protobuf::Message& m, const char* field, const std::string& text) {
    if (text.empty()) return Duration::Zero();
    const auto parsed = witness::ParseDuration(text);
    if (parsed.ok()) return *parsed;
    complain_(m, field, -1, parsed.status().message());
    return Duration::Zero();
  }

  void ReadWaveform(const Message::Waveform& m, Waveform& wave) {
    const auto within = [&](const char* field, double value, double least, double most) {
      if (value >= least && value <= most) return value;
      complain_(m, field, -1, "out of reach");
      return 0.0;
    };
    wave.rate_percent = within("rate_percent", m.rate_percent(), -50, 100);
    wave.jitter_percent = within("jitter_percent", m.jitter_percent(), 0, 50);
    if (m.has_stop_bits()) wave.stop_bits = within("stop_bits", m.stop_bits(), 0, 1000);
    wave.glitch_percent = within("glitch_percent", m.glitch_percent(), 0, 100);
    if (m.glitch_every() != 0) wave.glitch_every = m.glitch_every();
    wave.break_before = m.break_before();
  }

  void ReadLine(const Message::Line& m, witness::LineSettings& line) {
    line.baud = m.baud();
    if (m.format().empty()) return;
    const auto status = witness::ParseFormat(m.format(), line);
    if (!status.ok()) complain_(m, "format", -1, status.message());
  }

  Piece ReadPiece(const Message::Piece& m) {
    if (m.say().empty()) complain_(m, "say", -1, "a piece says at least one byte");
    return Piece{Time(m, "after", m.after()), m.say()};
  }

  Answer ReadAnswer(const Message::Answer& m) {
    Answer answer;
    answer.turn = m.turn();
    for (const auto& piece : m.piece()) answer.pieces.push_back(ReadPiece(piece));
    return answer;
  }

  Rule ReadRule(const Message::Rule& m) {
    Rule rule;
    Known(m, "match", m.match(), bytewitness::Part_Match_IsValid(m.match()));
    rule.cue.match = m.match() == Message::MATCH_UNSPECIFIED ? Match::kIgnoringEnding
                                                             : static_cast<Match>(m.match());
    rule.cue.text = m.command();
    rule.cue.ignore_case = m.ignore_case();
    if (rule.cue.match == Match::kPattern) {
      const auto status = CheckPattern(m.command());
      if (!status.ok()) complain_(m, "command", -1, status.message());
    }
    for (const auto& answer : m.answer()) rule.answers.push_back(ReadAnswer(answer));
    return rule;
  }

  Unasked ReadUnasked(const Message::Unasked& m) {
    Unasked unasked;
    if (!m.at().empty()) unasked.at = Time(m, "at", m.at());
    if (!m.every().empty()) {
      unasked.every = Time(m, "every", m.every());
      if (*unasked.every < Duration::Milliseconds(1))
        complain_(m, "every", -1, "needs to be 1ms or longer");
      if (!unasked.at) complain_(m, "every", -1, "needs `at` for the first time");
    }
    if (m.after_command() != 0) unasked.after_command = m.after_command();
    if (m.before_command() != 0) unasked.before_command = m.before_command();
    if (unasked.at.has_value() + unasked.after_command.has_value() +
            unasked.before_command.has_value() !=
        1)
      complain_(m, "piece", m.piece_size() > 0 ? 0 : -1,
                "give one of at:, before_command: and after_command: to tell when it is said");
    for (const auto& piece : m.piece()) unasked.pieces.push_back(ReadPiece(piece));
    return unasked;
  }

  Ask ReadAsk(const Message::Ask& m) {
    Ask ask;
    ask.after = Time(m, "after", m.after());
    ask.bytes = m.say();
    if (m.say().empty()) complain_(m, "say", -1, "an ask says at least one byte");
    for (const auto& piece : m.expect()) ask.expect.push_back(ReadPiece(piece));
    if (!m.wait().empty()) ask.wait = Time(m, "wait", m.wait());
    if (!m.quiet().empty()) ask.quiet = Time(m, "quiet", m.quiet());
    return ask;
  }

  const FieldComplaint& complain_;
};

void WritePieces(const std::vector<Piece>& pieces,
                 google::protobuf::RepeatedPtrField<Message::Piece>& out) {
  for (const Piece& piece : pieces) {
    auto& m = *out.Add();
    if (piece.after != Duration::Zero()) m.set_after(FormatExactDuration(piece.after));
    m.set_say(piece.bytes);
  }
}

void WriteAnswer(const Answer& answer, Message::Answer& m) {
  m.set_turn(answer.turn);
  WritePieces(answer.pieces, *m.mutable_piece());
}

void WriteRule(const Rule& rule, Message::Rule& m) {
  m.set_command(rule.cue.text);
  if (rule.cue.match != Match::kIgnoringEnding)
    m.set_match(static_cast<Message::Match>(rule.cue.match));
  m.set_ignore_case(rule.cue.ignore_case);
  for (const Answer& answer : rule.answers) WriteAnswer(answer, *m.add_answer());
}

void WriteUnasked(const Unasked& unasked, Message::Unasked& m) {
  if (unasked.at) m.set_at(FormatExactDuration(*unasked.at));
  if (unasked.every) m.set_every(FormatExactDuration(*unasked.every));
  if (unasked.after_command) m.set_after_command(*unasked.after_command);
  if (unasked.before_command) m.set_before_command(*unasked.before_command);
  WritePieces(unasked.pieces, *m.mutable_piece());
}

void WriteWaveform(const Waveform& wave, Message::Waveform& m) {
  m.set_rate_percent(wave.rate_percent);
  m.set_jitter_percent(wave.jitter_percent);
  if (wave.stop_bits != 1) m.set_stop_bits(wave.stop_bits);
  m.set_glitch_percent(wave.glitch_percent);
  if (wave.glitch_every != Waveform{}.glitch_every) m.set_glitch_every(wave.glitch_every);
  m.set_break_before(wave.break_before);
}

void WriteAsk(const Ask& ask, Message::Ask& m) {
  if (ask.after != Duration::Zero()) m.set_after(FormatExactDuration(ask.after));
  m.set_say(ask.bytes);
  WritePieces(ask.expect, *m.mutable_expect());
  m.set_wait(FormatExactDuration(ask.wait));
  m.set_quiet(FormatExactDuration(ask.quiet));
}

}  // namespace

Part PartFromMessage(const bytewitness::Part& message, const FieldComplaint& complain) {
  return Reader(complain).Read(message);
}

void PartToMessage(const Part& part, bytewitness::Part& m) {
  m.Clear();
  m.set_name(part.name);
  if (part.plays == witness::Side::kHost) m.set_plays(Message::PLAYS_HOST);
  if (part.line != witness::LineSettings{}) {
    m.mutable_line()->set_baud(part.line.baud);
    witness::LineSettings unpaced = part.line;  // "9600 8N1": the format is what stands last
    unpaced.flow = witness::FlowControl::kNone;
    const std::string all = witness::FormatLineSettings(unpaced);
    m.mutable_line()->set_format(all.substr(all.rfind(' ') + 1));
  }
  for (const Bytes& terminator : part.command_end.terminators)
    m.mutable_command_end()->add_terminator(terminator);
  if (part.command_end.silence)
    m.mutable_command_end()->set_silence(FormatExactDuration(*part.command_end.silence));
  m.set_echo(static_cast<Message::Echo>(part.echo));
  if (part.echo_delay != Duration::Zero()) m.set_echo_delay(FormatExactDuration(part.echo_delay));
  for (const Rule& rule : part.rules) WriteRule(rule, *m.add_rule());
  if (part.unknown) WriteAnswer(*part.unknown, *m.mutable_unknown());
  for (const Unasked& unasked : part.unasked) WriteUnasked(unasked, *m.add_unasked());
  for (const Ask& ask : part.asks) WriteAsk(ask, *m.add_ask());
  if (part.following == Following::kInOrder) m.set_following(Message::FOLLOWING_IN_ORDER);
  if (part.waveform != Waveform{}) WriteWaveform(part.waveform, *m.mutable_waveform());
  if (part.sleeps_after) m.set_sleeps_after(FormatExactDuration(*part.sleeps_after));
}

}  // namespace trial
