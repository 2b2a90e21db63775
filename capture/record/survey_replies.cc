// The list of commands: each is asked several times, and what came is weighed.
#include <algorithm>
#include <map>

#include "capture/base/text.h"
#include "capture/record/survey_steps.h"

namespace witness {
namespace {

// How long a first answer is waited for; where one came, the next are waited for accordingly.
constexpr Duration kLongestWait = Duration::Seconds(8);

// Whether all that was heard came after nearly the same time.
template <typename Tries>
bool InStep(const Tries& tries) {
  Duration least = Duration::Seconds(1000);
  Duration most;
  for (const auto& one : tries) {
    if (one.raw.nothing()) return false;
    const Duration after = one.raw.pieces.back().at - one.raw.sent_by;
    least = std::min(least, after);
    most = std::max(most, after);
  }
  return most - least <= least / 20 + Duration::Milliseconds(50);
}

}  // namespace

bool Surveyor::Commands() {
  profile_.unknown.command = kUnknownQuery;
  if (!RepeatAndControl(profile_.unknown)) return false;
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
    Tell("asking " + ToEscapes(command.text));
    const bool went_on = RepeatAndControl(reply);
    if (reply.basis.tries > 0) profile_.replies.push_back(std::move(reply));
    if (!went_on) return false;
  }
  return true;
}

bool Surveyor::StillAnswers(bool& answers) {
  answers = false;
  Heard heard;
  if (!Ask(plan_.query, profile_.send_ending, Usual(), heard)) return false;
  answers = IsAnswer(heard);
  return true;
}

bool Surveyor::Control(bool& answers, bool& woken) {
  woken = false;
  for (int i = 0; i < 2; ++i) {
    if (!StillAnswers(answers)) return false;
    if (answers) return true;
  }
  if (wake_ || profile_.send_ending == "none") return true;
  wake_ = true;
  for (int i = 0; i < 2; ++i) {
    if (!StillAnswers(answers)) return false;
    if (!answers) break;
  }
  woken = wake_ = answers;
  if (!woken) return true;
  // Does it say something to that ending, as a prompt?
  Heard heard;
  if (!Ask(BytesOfEnding(profile_.send_ending), Usual(), heard)) return false;
  prompts_ = !Words(Body(heard)).empty();
  profile_.sleeps = true;
  profile_.sleep_basis.sure = Found::kLikely;
  profile_.sleep_basis.why = "the query was answered no more, until a line ending came first";
  return true;
}

bool Surveyor::RepeatAndControl(ProfileReply& reply) {
  const ProfileReply before = reply;
  const bool unknown = &reply == &profile_.unknown;
  for (int round = 0;; ++round) {
    if (!Repeat(reply)) return false;
    const bool no = reply.outcome == ReplyOutcome::kRefused ||
                    (unknown && reply.outcome == ReplyOutcome::kAnswered);
    if (!no || !before.change.empty() || reply.basis.sure == Found::kUnsure) return true;
    bool answers = false;
    bool woken = false;
    if (!Control(answers, woken)) return false;
    if (answers && !woken) return true;
    if (!answers || round > 0) {
      reply.basis.sure = Found::kUnsure;
      reply.basis.why += "; but the query was not answered then either";
      return true;
    }
    reply = before;
  }
}

bool Surveyor::Repeat(ProfileReply& reply) {
  std::vector<Try> tries;
  if (!AskAgainAndAgain(reply, tries)) return false;
  Weigh(reply, tries);
  if (reply.outcome != ReplyOutcome::kNoAnswer || !reply.change.empty()) return true;
  // It had nothing to say; or it has gone to sleep, or into another mode.
  bool answers = false;
  if (!StillAnswers(answers)) return false;
  const bool disturbed = std::any_of(tries.begin(), tries.end(),
                                     [](const Try& one) { return one.stripped || one.disturbed; });
  if (disturbed && reply.basis.sure == Found::kSure) reply.basis.sure = Found::kUnsure;
  // Or a refusal that was heard before does not come now.
  if (!answers || (&reply == &profile_.unknown && !refusal_.empty())) {
    reply.basis.sure = Found::kUnsure;
    reply.basis.why += answers ? "; but it was refused in words before"
                               : "; but the query was not answered then either";
  }
  return true;
}

// A change is made once; asking is repeated. Where something said unasked came into every answer,
// or the answers do not agree, it is asked some more times, further and further apart, for what is
// said unasked might keep step with us.
bool Surveyor::AskAgainAndAgain(ProfileReply& reply, std::vector<Try>& tries) {
  const bool change = !reply.change.empty();
  const int times = change ? 1 : plan_.repeats;
  const int most = change || times < 3 ? times : times + 6;
  Patience patience = Usual();
  patience.quiet = Duration::Seconds(1);
  patience.wait = std::max(kLongestWait, turnaround_ * 3 + Duration::Seconds(4));
  std::map<Bytes, int> alike;
  int most_alike = 0;
  bool out_of_step = false;  // something came unasked: not in equal steps, then
  for (int i = 0; i < times || (most_alike * 2 <= times && i < most); ++i) {
    if ((i >= times || out_of_step) && !Pause(Duration::Milliseconds(370) * (i + 1))) return false;
    Heard heard;
    if (!Ask(reply.command, profile_.send_ending, patience, heard)) return false;
    AddEvidence(reply.basis, heard);
    const Try one = {
        Body(heard),     heard,
        without_.any,    without_.times_spoilt || (without_.any && Body(heard).empty()),
        IsSpoilt(heard), raw_};
    if (!one.spoilt) most_alike = std::max(most_alike, ++alike[Shape(one.body)]);
    if (const auto turnaround = TimingOf(heard, line_).turnaround; turnaround && Readable(one.body))
      patience.wait = std::max(Usual().wait, *turnaround * 3);
    else if (i == 1 && alike.size() == 1)
      patience.wait = Usual().wait;
    out_of_step = out_of_step || one.stripped || alike.size() > 1;
    tries.push_back(one);
  }
  // What is in it every time, and after the same time, belongs to the answer.
  const bool always =
      std::all_of(tries.begin(), tries.end(), [](const Try& one) { return one.stripped; });
  // But what is said so often that it must come into every answer does not; while it speaks, it may
  // keep that back until it has done.
  Duration longest = patience.wait + patience.quiet;
  for (const Try& one : tries) longest = std::max(longest, one.raw.ended_at - one.raw.sent_at);
  const bool often = talks_every_ < longest + longest / 4;
  if (always && !often && tries.size() > 2 && InStep(tries)) {
    for (Try& one : tries) {
      one.body = Body(one.raw);
      one.heard = one.raw;
      one.disturbed = false;
    }
  }
  return true;
}

void Surveyor::Weigh(ProfileReply& reply, std::vector<Try>& tries) {
  const auto spoilt =
      std::count_if(tries.begin(), tries.end(), [](const Try& one) { return one.spoilt; });
  const int count = static_cast<int>(tries.size() - static_cast<std::size_t>(spoilt));
  std::erase_if(tries, [&](const Try& one) { return one.spoilt && count > 0; });
  // What came unasked in the middle of an answer is what the other answers do without. The usual
  // answer is the one that most are, though figures in it may change.
  std::map<Bytes, int> shapes;
  for (const Try& one : tries) ++shapes[Shape(one.body)];
  const auto most =
      std::max_element(shapes.begin(), shapes.end(),
                       [](const auto& a, const auto& b) { return a.second < b.second; });
  std::map<Bytes, int> counts;
  for (const Try& one : tries)
    if (Shape(one.body) == most->first) ++counts[one.body];
  const Bytes usual =
      std::max_element(counts.begin(), counts.end(), [](const auto& a, const auto& b) {
        return a.second < b.second;
      })->first;
  std::map<Bytes, int> texts;
  std::vector<Bytes> order;
  int silent = 0;
  int of_usual_shape = 0;
  for (Try& one : tries) {
    if (one.body != usual && TakeOutUnasked(one.body, usual, one.heard)) one.disturbed = true;
    of_usual_shape += Shape(one.body) == most->first;
    silent += one.body.empty();
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
  const std::vector<Bytes>& no = profile_.unknown.texts;
  // Refusals may differ in figures, as where they tell the place of an error.
  const bool listed = &reply != &profile_.unknown && !usual.empty();
  const bool by_shape =
      refusal_by_shape_ || (no.size() > 1 && Shape(no.front()) == Shape(no.back()));
  const bool refused = listed && std::any_of(no.begin(), no.end(), [&](const Bytes& one) {
                         return one == usual || (by_shape && Shape(one) == Shape(usual));
                       });
  // Where it is not sure how it says no, this may be a no that was heard before, or nearly so.
  const bool perhaps_refused =
      listed && !refused && profile_.unknown.basis.sure == Found::kUnsure &&
      (Words(usual) == Words(refusal_) || std::any_of(no.begin(), no.end(), [&](const Bytes& one) {
         std::size_t front = 0;
         return IsWithInsertion(one, usual, front) || IsWithInsertion(usual, one, front);
       }));
  reply.outcome = order.empty() ? ReplyOutcome::kNoAnswer
                  : refused     ? ReplyOutcome::kRefused
                                : ReplyOutcome::kAnswered;
  const bool alike = of_usual_shape == static_cast<int>(tries.size());
  const int others = static_cast<int>(tries.size()) - of_usual_shape - (usual.empty() ? 0 : silent);
  // A figure with one digit more than all the others: a stray byte perhaps.
  bool odd_figure = false;
  for (const Bytes& text : order)
    odd_figure =
        odd_figure || (texts[text] == 1 && text.size() > usual.size() && texts[usual] * 2 > count);
  // What talks all the time is not listened to for ever: a long answer may have been cut off.
  const bool cut_off = std::any_of(tries.begin(), tries.end(), [](const Try& one) {
    return one.heard.end == HeardEnd::kTooLong && !one.heard.nothing() &&
           one.raw.ended_at - one.heard.pieces.back().at < Duration::Milliseconds(500);
  });
  // One answer that is like no other may have been spoilt on its way.
  // An LF that the module may not want comes back inside the answer or behind it.
  const bool late_lf = profile_.ending_basis.sure == Found::kUnsure &&
                       profile_.send_ending == "CR LF" && profile_.echo != EchoKind::kOff &&
                       usual.find('\n') != Bytes::npos;
  reply.basis.sure = odd_figure || cut_off || perhaps_refused || late_lf       ? Found::kUnsure
                     : count == 0 || of_usual_shape * 2 <= count || others > 0 ? Found::kUnsure
                     : count == 1 || !alike                                    ? Found::kLikely
                                                                               : Found::kSure;
  std::string& why = reply.basis.why;
  why = std::to_string(of_usual_shape) + " of " + std::to_string(tries.size()) + " alike";
  if (alike) why = std::to_string(of_usual_shape) + " alike";
  if (alike && order.size() > 1) why += " but for figures";
  if (silent > 0 && !usual.empty()) why += ", " + std::to_string(silent) + " not answered";
  if (cut_off) why += ", not heard to its end";
  if (perhaps_refused) why += ", perhaps a refusal";
  if (spoilt > 0) why += ", " + std::to_string(spoilt) + " spoilt on the way";
}

}  // namespace witness
