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
  // A change is made once; asking is repeated.
  const int times = reply.change.empty() ? plan_.repeats : 1;
  std::vector<std::pair<Bytes, Heard>> heards;
  Patience patience = Usual();
  patience.quiet = Duration::Seconds(1);
  for (int i = 0; i < times; ++i) {
    Heard heard;
    if (!Ask(reply.command, profile_.send_ending, patience, heard)) return false;
    AddEvidence(reply.basis, heard);
    heards.emplace_back(Body(heard), std::move(heard));
  }
  // What came unasked in the middle of an answer is what the other answers do without.
  std::map<Bytes, int> counts;
  for (const auto& [body, heard] : heards) ++counts[body];
  const Bytes usual =
      std::max_element(counts.begin(), counts.end(), [](const auto& a, const auto& b) {
        return a.second < b.second;
      })->first;
  std::map<Bytes, int> texts;
  std::vector<Bytes> order;
  for (auto& [body, heard] : heards) {
    bool disturbed = false;
    if (counts[usual] * 2 > times && body != usual) disturbed = TakeOutUnasked(body, usual, heard);
    if (!disturbed) {
      const ReplyTiming timing = TimingOf(heard, line_);
      if (timing.turnaround) reply.turnarounds.push_back(*timing.turnaround);
      if (timing.piece_sizes.size() > 1) reply.longest_pauses.push_back(timing.longest_pause);
      reply.most_pieces =
          std::max(reply.most_pieces, static_cast<std::uint32_t>(timing.piece_sizes.size()));
      if (body == usual && reply.piece_sizes.empty()) reply.piece_sizes = timing.piece_sizes;
    }
    if (body.empty()) continue;
    if (texts[body]++ == 0) order.push_back(body);
  }
  std::stable_sort(order.begin(), order.end(),
                   [&](const Bytes& a, const Bytes& b) { return texts[a] > texts[b]; });
  reply.texts = order;
  const bool refused = !profile_.unknown.texts.empty() && &reply != &profile_.unknown &&
                       order == profile_.unknown.texts;
  reply.outcome = order.empty() ? ReplyOutcome::kNoAnswer
                  : refused     ? ReplyOutcome::kRefused
                                : ReplyOutcome::kAnswered;
  const bool alike = order.size() <= 1 && (order.empty() || texts[order[0]] == times);
  reply.basis.sure = times == 1 ? Found::kLikely : alike ? Found::kSure : Found::kLikely;
  reply.basis.why = order.size() > 1 ? std::to_string(order.size()) + " different answers in " +
                                           std::to_string(times)
                    : alike ? std::to_string(times) + " alike"
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
  CountUnasked(body.substr(front, length), heard);
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
