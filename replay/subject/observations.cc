#include "replay/subject/observations.h"

#include "proto/trial.pb.h"
#include "replay/subject/observations_message.h"

namespace trial {
namespace {

using Message = bytewitness::TrialObservations;

std::uint64_t ToNs(Instant t) { return t.ns() < 0 ? 0 : static_cast<std::uint64_t>(t.ns()); }
Instant FromNs(std::uint64_t ns) {
  constexpr auto kMost = static_cast<std::uint64_t>(Instant::Never().ns());
  return Instant::FromNanoseconds(static_cast<std::int64_t>(ns > kMost ? kMost : ns));
}

}  // namespace

Bytes PrintedText(const Observations& observations, bool errors) {
  Bytes all;
  for (const Printed& printed : observations.printed)
    if (printed.errors == errors) all += printed.bytes;
  return all;
}

void ObservationsToMessage(const Observations& o, bytewitness::TrialObservations& m) {
  m.Clear();
  for (const TakenCommand& command : o.commands) {
    auto& c = *m.add_command();
    c.set_bytes(command.bytes);
    c.set_from_ns(ToNs(command.from));
    c.set_to_ns(ToNs(command.to));
    c.set_taken_ns(ToNs(command.taken));
    c.set_by_silence(command.by_silence);
    c.set_known(command.known);
    c.set_rule(command.rule);
    c.set_turn(command.turn);
  }
  for (const HeardAnswer& answer : o.answers) {
    auto& a = *m.add_answer();
    a.set_asked_ns(ToNs(answer.asked));
    for (const Piece& piece : answer.pieces) {
      auto& p = *a.add_piece();
      p.set_after_ns(static_cast<std::uint64_t>(piece.after.ns() < 0 ? 0 : piece.after.ns()));
      p.set_bytes(piece.bytes);
    }
  }
  for (const Said& said : o.said) {
    auto& s = *m.add_said();
    s.set_sort(static_cast<Message::Sort>(said.send.sort));
    s.set_bytes(said.send.bytes);
    s.set_due_ns(ToNs(said.send.due));
    s.set_sent_ns(ToNs(said.sent));
    s.set_command(said.send.command);
  }
  m.set_unfinished(o.unfinished);
  for (const Printed& printed : o.printed) {
    auto& p = *m.add_printed();
    p.set_at_ns(ToNs(printed.at));
    p.set_errors(printed.errors);
    p.set_bytes(printed.bytes);
  }
  m.set_ending(static_cast<Message::Ending>(o.ending));
  m.set_exit_status(o.exit_status);
  m.set_signal(o.signal);
  m.set_ending_words(o.ending_words);
  m.set_ended_ns(ToNs(o.ended));
  m.set_cpu_ns(static_cast<std::uint64_t>(o.cpu_time.ns() < 0 ? 0 : o.cpu_time.ns()));
  m.set_unread_bytes(o.unread_bytes);
  for (const Remark& remark : o.remarks) {
    auto& r = *m.add_remark();
    r.set_kind(remark.kind);
    r.set_at_ns(ToNs(remark.at));
    r.set_text(remark.text);
    r.set_count(remark.count);
  }
  m.set_virtual_time(o.virtual_time);
  m.set_starved_ns(static_cast<std::uint64_t>(o.starved.ns() < 0 ? 0 : o.starved.ns()));
  m.set_has_helpers(o.has_helpers);
}

Observations ObservationsFromMessage(const bytewitness::TrialObservations& m) {
  Observations o;
  for (const auto& c : m.command())
    o.commands.push_back({c.bytes(), FromNs(c.from_ns()), FromNs(c.to_ns()), FromNs(c.taken_ns()),
                          c.by_silence(), c.known(), c.rule(), c.turn()});
  for (const auto& a : m.answer()) {
    HeardAnswer heard;
    heard.asked = heard.from = heard.to = FromNs(a.asked_ns());
    for (const auto& p : a.piece()) {
      heard.to = heard.to + (FromNs(p.after_ns()) - Instant());
      if (heard.pieces.empty()) heard.from = heard.to;
      heard.pieces.push_back({FromNs(p.after_ns()) - Instant(), p.bytes()});
      heard.bytes += p.bytes();
    }
    o.answers.push_back(std::move(heard));
  }
  for (const auto& s : m.said()) {
    const auto sort = bytewitness::TrialObservations_Sort_IsValid(s.sort()) && s.sort() != 0
                          ? static_cast<SaidSort>(s.sort())
                          : SaidSort::kAnswer;
    o.said.push_back({{FromNs(s.due_ns()), s.bytes(), sort, s.command()}, FromNs(s.sent_ns())});
  }
  o.unfinished = m.unfinished();
  for (const auto& p : m.printed()) o.printed.push_back({FromNs(p.at_ns()), p.errors(), p.bytes()});
  if (bytewitness::TrialObservations_Ending_IsValid(m.ending()))
    o.ending = static_cast<SubjectEnding>(m.ending());
  o.exit_status = m.exit_status();
  o.signal = m.signal();
  o.ending_words = m.ending_words();
  o.ended = FromNs(m.ended_ns());
  o.cpu_time = FromNs(m.cpu_ns()) - Instant();
  o.unread_bytes = m.unread_bytes();
  for (const auto& r : m.remark())
    o.remarks.push_back({r.kind(), FromNs(r.at_ns()), r.text(), r.count()});
  o.virtual_time = m.virtual_time();
  o.starved = FromNs(m.starved_ns()) - Instant();
  o.has_helpers = m.has_helpers();
  return o;
}

Bytes SerializeObservations(const Observations& observations) {
  Message message;
  ObservationsToMessage(observations, message);
  return message.SerializeAsString();
}

witness::Result<Observations> DeserializeObservations(ByteView bytes) {
  Message message;
  if (!message.ParseFromArray(bytes.data(), static_cast<int>(bytes.size())))
    return witness::Status(witness::Code::kDamaged, "not observations in the schema's binary form");
  return ObservationsFromMessage(message);
}

}  // namespace trial
