// The list of commands, and what comes unasked.
#include <algorithm>
#include <map>

#include "capture/base/text.h"
#include "capture/record/survey_steps.h"

namespace witness {

bool Surveyor::Commands() {
  profile_.unknown.command = kUnknownQuery;
  if (!Repeat(profile_.unknown)) return false;
  std::vector<SurveyCommand> commands = plan_.commands;
  if (commands.empty()) commands = BuiltInCommands();
  // Queries first, in the author's order; then changes, the most dangerous last.
  const auto rank = [](const SurveyCommand& command) {
    constexpr const char* kOrder[] = {"", "set", "store", "reset", "delete", "rate"};
    const auto* at = std::find(std::begin(kOrder), std::end(kOrder), command.change);
    return at - std::begin(kOrder);
  };
  std::stable_sort(commands.begin(), commands.end(),
                   [&](const auto& a, const auto& b) { return rank(a) < rank(b); });
  for (const SurveyCommand& command : commands) {
    ProfileReply reply;
    reply.command = command.text;
    reply.change = command.change;
    if (!MaySend(command, plan_)) {
      if (reply.change.empty()) reply.change = "looks like a change";
      reply.outcome = ReplyOutcome::kNotSent;
      reply.basis.why = "changes were not allowed (--allow-changes)";
      profile_.replies.push_back(std::move(reply));
      continue;
    }
    progress_("asking " + ToEscapes(command.text));
    const bool went_on = Repeat(reply);
    if (reply.basis.tries > 0) profile_.replies.push_back(std::move(reply));
    if (!went_on) return false;
  }
  return true;
}

bool Surveyor::Repeat(ProfileReply& reply) {
  // A change is made once; asking is repeated. Where something said unasked came into every answer,
  // it is asked some more times, further and further apart, for it might keep step with us.
  const int times = reply.change.empty() ? plan_.repeats : 1;
  const int most = reply.change.empty() ? times + 6 : 1;
  struct Try {
    Bytes body;
    Heard heard;
    bool disturbed;
    Heard raw;
  };
  std::vector<Try> tries;
  Patience patience = Usual();
  patience.quiet = Duration::Seconds(1);
  int clean = 0;
  for (int i = 0; i < times || (clean * 2 <= times && i < most); ++i) {
    if (i >= times && !Pause(Duration::Milliseconds(370) * (i - times + 1))) return false;
    Heard heard;
    if (!Ask(reply.command, profile_.send_ending, patience, heard)) return false;
    AddEvidence(reply.basis, heard);
    clean += !disturbed_;
    tries.push_back({Body(heard), heard, disturbed_, raw_});
  }
  // What is in it every time belongs to the answer.
  if (clean == 0 && tries.size() > 1) {
    for (Try& one : tries) {
      one.body = Body(one.raw);
      one.heard = one.raw;
      one.disturbed = false;
    }
  }
  // What came unasked in the middle of an answer is what the other answers do without.
  std::map<Bytes, int> counts;
  for (const Try& one : tries) ++counts[one.body];
  const Bytes usual =
      std::max_element(counts.begin(), counts.end(), [](const auto& a, const auto& b) {
        return a.second < b.second;
      })->first;
  const int count = static_cast<int>(tries.size());
  std::map<Bytes, int> texts;
  std::vector<Bytes> order;
  for (Try& one : tries) {
    if (counts[usual] * 2 > count && one.body != usual &&
        TakeOutUnasked(one.body, usual, one.heard))
      one.disturbed = true;
    if (!one.disturbed) {
      const ReplyTiming timing = TimingOf(one.heard, line_);
      if (timing.turnaround) reply.turnarounds.push_back(*timing.turnaround);
      if (timing.piece_sizes.size() > 1) reply.longest_pauses.push_back(timing.longest_pause);
      reply.most_pieces =
          std::max(reply.most_pieces, static_cast<std::uint32_t>(timing.piece_sizes.size()));
      if (one.body == usual && reply.piece_sizes.empty()) reply.piece_sizes = timing.piece_sizes;
    }
    if (one.body.empty()) continue;
    if (texts[one.body]++ == 0) order.push_back(one.body);
  }
  std::stable_sort(order.begin(), order.end(),
                   [&](const Bytes& a, const Bytes& b) { return texts[a] > texts[b]; });
  reply.texts = order;
  const bool refused = !profile_.unknown.texts.empty() && &reply != &profile_.unknown &&
                       order == profile_.unknown.texts;
  reply.outcome = order.empty() ? ReplyOutcome::kNoAnswer
                  : refused     ? ReplyOutcome::kRefused
                                : ReplyOutcome::kAnswered;
  const bool alike = order.size() <= 1 && (order.empty() || texts[order[0]] == count);
  reply.basis.sure = count == 1 ? Found::kLikely : alike ? Found::kSure : Found::kLikely;
  reply.basis.why = order.size() > 1 ? std::to_string(order.size()) + " different answers in " +
                                           std::to_string(count)
                    : alike ? std::to_string(count) + " alike"
                            : "not answered each time";
  return true;
}

// True if `body` is `usual` (which may be silence) with a run of bytes put in; the run is then
// counted as unsolicited.
bool Surveyor::TakeOutUnasked(Bytes& body, const Bytes& usual, const Heard& heard) {
  std::size_t front = 0;
  if (body.size() == usual.size()) return false;
  if (!usual.empty() && !IsWithInsertion(body, usual, front)) return false;
  // Where equal bytes leave several places for the run, one that ends with a line is meant.
  const std::size_t length = body.size() - usual.size();
  for (std::size_t f = front + 1; f-- > 0;) {
    if (body.substr(0, f) + body.substr(f + length) != usual) break;
    if (body[f + length - 1] != '\n' && body[f + length - 1] != '\r') continue;
    front = f;
    break;
  }
  const Bytes run = body.substr(front, length);
  if (!MayBeUnasked(run, front == 0 || front == usual.size())) return false;
  // A run with the command in it is an echo that was disturbed: nobody's saying.
  if (run.find(heard.sent.substr(0, heard.sent.find_last_not_of("\r\n") + 1)) == Bytes::npos)
    CountUnasked(run, heard);
  body = usual;
  return true;
}

void Surveyor::CountUnasked(const Bytes& text, const Heard& heard) {
  for (ProfileUnsolicited& one : profile_.unsolicited) {
    if (one.text != text) continue;
    ++one.times;
    AddEvidence(one.basis, heard);
    return;
  }
  ProfileUnsolicited one;
  one.text = text;
  one.times = 1;
  AddEvidence(one.basis, heard);
  one.basis.sure = Found::kLikely;
  one.basis.why = heard.sent.empty() ? "came while only listening" : "came inside an answer";
  profile_.unsolicited.push_back(std::move(one));
}

bool Surveyor::Unsolicited() {
  progress_("listening for what it says unasked");
  Result<Heard> heard = talk_.Listen(plan_.listen);
  if (!heard.ok()) {
    status_ = heard.status();
    return false;
  }
  profile_.listened = plan_.listen;
  // A saying that was cut by the end of listening is heard out.
  if (!heard->nothing() && talk_.Now() - heard->pieces.back().at < Duration::Milliseconds(200)) {
    Result<Heard> rest = talk_.Listen(Duration::Milliseconds(500));
    if (!rest.ok()) {
      status_ = rest.status();
      return false;
    }
    for (HeardPiece& piece : rest->pieces) heard->pieces.push_back(std::move(piece));
  }
  // One saying ends with an LF or a pause.
  Heard one;
  const auto flush = [&] {
    if (!one.pieces.empty()) CountUnasked(one.bytes(), one);
    one.pieces.clear();
  };
  for (const HeardPiece& piece : heard->pieces) {
    if (!one.pieces.empty() && (piece.at - one.pieces.back().at > Duration::Milliseconds(100) ||
                                one.pieces.back().bytes.ends_with('\n')))
      flush();
    one.pieces.push_back(piece);
  }
  flush();
  Basis& basis = profile_.unsolicited_basis;
  AddEvidence(basis, *heard);
  basis.sure = profile_.unsolicited.empty() ? Found::kNotFound : Found::kSure;
  basis.why = "listened for " + FormatDuration(plan_.listen);
  return true;
}

}  // namespace witness
