#include "capture/record/survey.h"

#include <algorithm>
#include <cctype>
#include <utility>

#include "capture/base/text.h"
#include "capture/record/survey_steps.h"

namespace witness {

Status Surveyor::Run() {
  profile_.line = plan_.line;
  if (Banner() && FindLine()) {
    bool (Surveyor::*const steps[])() = {
        &Surveyor::Unsolicited, &Surveyor::BannerAgain, &Surveyor::Endings, &Surveyor::Echo,
        &Surveyor::Case,        &Surveyor::Longest,     &Surveyor::Commands};
    bad_ = 0;
    for (const auto step : steps) {
      ++stage_;
      if (!(this->*step)()) break;
    }
    Review();
  }
  return status_;
}

void Surveyor::Tell(const std::string& what) { progress_({what, Left()}); }

Duration Surveyor::Left() const {
  const auto seconds = [](double s) { return Duration::Milliseconds(static_cast<int>(s * 1000)); };
  const double turn = static_cast<double>(turnaround_.ns()) / 1e9;
  const double asked = turn + 1;  // a query and the wait behind its answer
  const std::size_t commands = plan_.commands.empty() ? 7 : plan_.commands.size();
  const double parts[] = {// Looking for the line: half of it, for it is found somewhere on the way.
                          static_cast<double>(lines_left_) * (patient_ ? 13 : 3.5) / 2 + 15,
                          static_cast<double>(plan_.listen.ns()) / 1e9 + 3,
                          plan_.reset_line ? 15.0 : 0.0,
                          profile_.send_ending == "none" ? 40 + 12 * turn : 20 + 12 * turn,
                          4 * asked,
                          5 * asked,
                          plan_.find_longest ? 20 * asked : 0,
                          static_cast<double>(commands + 1) * plan_.repeats * (asked + 0.3)};
  double left = 0;
  for (std::size_t i = static_cast<std::size_t>(stage_); i < std::size(parts); ++i)
    left += parts[i];
  return seconds(left);
}

bool Surveyor::Ask(ByteView bytes, const Patience& patience, Heard& heard) {
  Result<Heard> got = talk_.Exchange(bytes, patience);
  if (!got.ok()) {
    status_ = got.status();
    return false;
  }
  heard = *std::move(got);
  if (!bytes.empty()) last_sent_ = heard.sent_by;
  bad_ += heard.bad_bytes;
  heard.echoes_no_ending = no_ending_back_ > 1 && no_ending_back_ > ending_back_;
  heard.never_echoes = profile_.echo == EchoKind::kOff && profile_.echo_basis.sure == Found::kSure;
  return true;
}

bool Surveyor::Wake(const std::string& ending, Heard& heard) {
  if (talk_.Now() - last_sent_ < Duration::Milliseconds(400)) return true;
  bool quiet = false;
  const Duration wait =
      Duration::Milliseconds(300) + (prompts_ ? turnaround_ + turnaround_ / 4 : Duration::Zero());
  const std::string& with = profile_.send_ending.empty() ? ending : profile_.send_ending;
  return Ask(BytesOfEnding(with), Patience{{}, {}, {}, {}}, heard) &&
         UntilSilent(wait, Duration::Seconds(3), heard, quiet);
}

bool Surveyor::Ask(ByteView command, const std::string& ending, const Patience& patience,
                   Heard& heard) {
  Heard before;
  bool quiet = false;
  if (JoinActs(command) && !Joint()) return false;
  if (wake_ && !Wake(ending, before)) return false;
  before = Heard();
  if (!UntilSilent(std::max(Duration::Milliseconds(60), line_.CharacterTime() * 6),
                   Duration::Seconds(3), before, quiet))
    return false;
  between_.pieces.insert(between_.pieces.end(), before.pieces.begin(), before.pieces.end());
  NoteLate(between_, last_sent_);
  came_between_ = between_.bytes();
  between_.pieces.clear();
  Patience limited = patience;
  // What talks all the time never falls silent.
  if (talks_every_ < Duration::Seconds(3))
    limited.at_most = std::min(patience.at_most, turnaround_ * 2 + Duration::Seconds(4));
  // Until something else is known, what is not ended as commands are stays in the module's buffer.
  open_ = ending != profile_.send_ending;
  idle_ = talk_.Now() - last_sent_;
  if (!Ask(Bytes(command) + BytesOfEnding(ending), limited, raw_)) return false;
  heard = WithoutUnasked(raw_, profile_.unsolicited, without_);
  // Something unasked, or a stray byte, is no answer: that is waited for all the same.
  const Instant end = raw_.sent_by + patience.wait;
  const auto no_answer = [&] {
    const Bytes body = Body(heard);
    return (without_.any && body.empty()) ||
           (body.size() == 1 && answer_.size() > 1 && body != Words(answer_));
  };
  while (no_answer() && talk_.Now() < end) {
    const Duration left = end - talk_.Now();
    Heard more;
    if (!Ask({}, {left, patience.quiet, Duration::Seconds(4), Duration::Zero()}, more))
      return false;
    raw_.pieces.insert(raw_.pieces.end(), more.pieces.begin(), more.pieces.end());
    raw_.end = more.end;
    raw_.ended_at = more.ended_at;
    heard = WithoutUnasked(raw_, profile_.unsolicited, without_);
  }
  // Text that comes right behind the query tells that its ending is not echoed.
  const Bytes all = heard.bytes();
  if (!BytesOfEnding(ending).empty() && command == plan_.query && all.size() > command.size() &&
      all.starts_with(command)) {
    const char next = all[command.size()];
    no_ending_back_ += std::isalnum(static_cast<unsigned char>(next)) != 0;
    ending_back_ += next == BytesOfEnding(ending)[0];
  }
  if (log_.size() < 400) log_.push_back(raw_);
  if (IsTold(heard, command))
    kept_.clear();
  else
    kept_.emplace_back(command);
  if (kept_.size() > 8) kept_.erase(kept_.begin());
  return true;
}

bool Surveyor::IsTold(const Heard& heard, ByteView command) {
  const Bytes words = Words(Body(heard));
  const bool again = words == last_words_ && Upper(command) == last_command_;
  last_words_ = words;
  last_command_ = Upper(command);
  const auto text = [&](const Bytes& one) { return answer_by_shape_ ? Shape(one) : one; };
  if (Upper(command) != Upper(plan_.query)) {
    if (words.size() < 2) return false;
    // What would act if it were joined to itself is not told by something said unasked.
    return again || text(words) == text(Words(refusal_)) || !LooksLikeChange(Bytes(command) + "AT");
  }
  if (IsAnswer(heard)) return true;
  Bytes lines = text(words);
  std::replace(lines.begin(), lines.end(), '\r', '\n');
  lines = '\n' + lines + '\n';
  const auto in = [&](const Bytes& one) {
    return !Words(one).empty() && lines.find('\n' + text(Words(one)) + '\n') != Bytes::npos;
  };
  return in(answer_) || in(refusal_);
}

bool Surveyor::JoinActs(ByteView command) const {
  Bytes joined(command);
  for (auto one = kept_.rbegin(); one != kept_.rend(); ++one) {
    joined = *one + joined;
    const std::size_t at = Upper(joined).find("AT");
    if (LooksLikeChange(at == Bytes::npos ? joined : joined.substr(at))) return true;
  }
  return false;
}

bool Surveyor::Joint() {
  // A change that was allowed is ended as it stands.
  const bool change = !kept_.empty() && LooksLikeChange(kept_.back());
  const bool was_open = std::exchange(open_, false);
  kept_.clear();
  refused_joint_ = false;
  const Duration wait = turnaround_ + turnaround_ / 2;
  // Bare commands: none is answered before its silence is over, so that it is shorter than this.
  if (profile_.send_ending == "none") return Pause(std::max(Duration::Milliseconds(1000), wait));
  // If it sleeps, the first may only wake it.
  const Instant since = last_sent_;
  Heard first;
  Heard heard;
  const Patience patience = {
      wait + Duration::Milliseconds(300), Duration::Milliseconds(250), Duration::Seconds(5),
      refusal_.empty() || change ? Duration::Zero() : wait + Duration::Milliseconds(200)};
  if (!Wake(profile_.send_ending, first) ||
      !Ask((change ? Bytes() : Bytes(kJoint)) + BytesOfEnding(profile_.send_ending), patience,
           heard))
    return false;
  const Bytes words = Words(Body(WithoutUnasked(heard, profile_.unsolicited, without_)));
  refused_joint_ = !change && !words.empty() && words == Words(refusal_);
  // Where the last command was open, its answer comes because it was ended just now.
  if (was_open) return true;
  NoteLate(first, since);
  NoteLate(heard, since);
  return true;
}

void Surveyor::NoteLate(const Heard& heard, Instant since) {
  if (heard.nothing() || answer_.empty()) return;
  Without without;
  const Heard told = WithoutUnasked(heard, profile_.unsolicited, without);
  const auto text = [&](const Bytes& bytes) { return answer_by_shape_ ? Shape(bytes) : bytes; };
  if (told.nothing() || text(Body(told)).find(text(answer_)) == Bytes::npos) return;
  late_ = true;
  turnaround_ =
      std::max(turnaround_, std::min(told.pieces.front().at - since, Duration::Seconds(6)));
}

bool Surveyor::UntilSilent(Duration silence, Duration longest, Heard& heard, bool& quiet) {
  const Instant end = talk_.Now() + longest;
  do {
    Result<Heard> got = talk_.Listen(silence);
    if (!got.ok()) {
      status_ = got.status();
      return false;
    }
    heard.pieces.insert(heard.pieces.end(), got->pieces.begin(), got->pieces.end());
    quiet = got->nothing();
  } while (!quiet && talk_.Now() < end);
  return true;
}

bool Surveyor::Pause(Duration length) {
  Result<Heard> heard = talk_.Listen(length);
  if (!heard.ok()) {
    status_ = heard.status();
    return false;
  }
  between_.pieces.insert(between_.pieces.end(), heard->pieces.begin(), heard->pieces.end());
  return true;
}

Patience Surveyor::Usual() const {
  return {std::max(Duration::Milliseconds(1500), turnaround_ * 2 + Duration::Milliseconds(1000)),
          quiet_, Duration::Seconds(20),
          turnaround_ + turnaround_ / 2 + Duration::Milliseconds(300)};
}

// The answer to the query, though something may have been said unasked in its middle.
bool Surveyor::IsAnswer(const Heard& heard) const {
  const Bytes body = Body(heard);
  std::size_t front = 0;
  if (body == answer_) return true;
  if (answer_by_shape_ && Shape(body) == Shape(answer_)) return true;
  // An echoed LF that comes late may be taken for the answer's.
  if (!Words(body).empty() && Words(body) == Words(answer_)) return true;
  if (body == refusal_ || !IsWithInsertion(body, answer_, front)) return false;
  const Bytes run = body.substr(front, body.size() - answer_.size());
  // The LF of an echoed CR LF comes when the answer has begun already.
  if (run == "\n" && heard.sent.ends_with("\r\n")) return true;
  return MayBeNoise(run) || MayBeUnasked(run, front == 0 || front == answer_.size());
}

bool Surveyor::IsSpoilt(const Heard& heard) const {
  const bool echoes = profile_.echo != EchoKind::kUnspecified && profile_.echo != EchoKind::kOff;
  if (heard.bad_bytes > 0 || (echoes && EchoLength(heard) == 0) || IsGarbledEcho(heard))
    return true;
  // The command came back without its beginning.
  const Bytes command = heard.sent.substr(0, heard.sent.find_last_not_of("\r\n") + 1);
  const Bytes all = heard.bytes();
  return command.size() > 3 && EchoLength(heard) == 0 && all.find(command) == Bytes::npos &&
         all.find(command.substr(1)) != Bytes::npos;
}

bool Surveyor::IsTaken(ByteView query, const std::string& ending, bool clean_first, Basis& basis,
                       bool& good, bool& steady) {
  // Where an answer was late, it is tried once more, now that its time is known.
  for (int round = 0; round < 2; ++round) {
    late_ = false;
    if (!IsTakenNow(query, ending, clean_first, basis, good, steady)) return false;
    if (good) return true;
    // An answer may be late only after the last.
    if (!Pause(Duration::Milliseconds(300))) return false;
    NoteLate(between_, last_sent_);
    between_.pieces.clear();
    if (!late_) return true;
  }
  steady = false;
  return true;
}

bool Surveyor::IsAwake(bool& awake) {
  awake = wake_ || unanswered_after_ <= answered_after_;
  for (int i = 0; i < 2 && !awake; ++i) {
    Heard heard;
    if (!Joint() || !Pause(unanswered_after_) ||
        !Ask(plan_.query, profile_.send_ending, Usual(), heard))
      return false;
    awake = IsAnswer(heard);
    if (awake) answered_after_ = std::max(answered_after_, idle_);
  }
  unanswered_after_ = Duration::Zero();
  return true;
}

bool Surveyor::IsTakenNow(ByteView query, const std::string& ending, bool clean_first, Basis& basis,
                          bool& good, bool& steady) {
  int taken = 0;
  int tries = 0;
  bool inside = false;  // the answer came, but with something that is no saying; or the like
  for (const int wanted : {3, 6}) {
    for (; tries < wanted; ++tries) {
      if (clean_first && !Clean()) return false;
      // An LF before may have begun what the first CR ends; an answer to that is heard out.
      if (clean_first && ending == "CR" && profile_.send_ending.ends_with("LF")) {
        Heard ended;
        bool quiet = false;
        const Duration wait = turnaround_ + turnaround_ / 4 + Duration::Milliseconds(200);
        if (!Ask("\r", Patience{{}, {}, {}, {}}, ended) ||
            !UntilSilent(wait, Duration::Seconds(8), ended, quiet))
          return false;
      }
      Heard heard;
      if (!Ask(query, ending, Usual(), heard)) return false;
      AddEvidence(basis, heard);
      const bool answers = IsAnswer(heard);
      if (answers) {
        const auto turnaround = TimingOf(heard, line_).turnaround;
        turnaround_ = std::max(turnaround_, turnaround.value_or(turnaround_));
      }
      Duration& after = answers ? answered_after_ : unanswered_after_;
      after = std::max(after, idle_);
      taken += answers;
      std::size_t front = 0;
      const Bytes words = Words(Body(heard));
      inside = inside || (!answers && words != Words(refusal_) &&
                          (Body(heard).find(answer_) != Bytes::npos ||
                           IsWithInsertion(words, Words(answer_), front)));
      // Nor does a try tell anything of which the module lost characters.
      inside = inside || (!answers && GarbledEchoLength(heard) > 0);
    }
    if (taken == 0 || taken == tries) break;
  }
  good = taken * 3 >= tries * 2;
  steady = good || (taken == 0 && !inside);  // what is answered now and then is in doubt
  return true;
}

bool Surveyor::Clean() {
  const bool was_open = open_;
  if ((open_ || profile_.send_ending == "none") && !Joint()) return false;
  if (profile_.send_ending == "none" || (was_open && refused_joint_)) return true;
  for (int i = 0; i < 3; ++i) {
    Heard heard;
    if (!Ask(plan_.query, profile_.send_ending, Usual(), heard)) return false;
    if (!IsAnswer(heard)) continue;
    answered_after_ = std::max(answered_after_, idle_);
    return true;
  }
  return true;
}

Status RunSurvey(Conversation& conversation, const SurveyPlan& plan, Profile& profile,
                 const std::function<void(const SurveyProgress&)>& progress) {
  if (plan.query.size() < 2 || (!plan.allow_changes && LooksLikeChange(plan.query)))
    return Status(Code::kInvalidArgument,
                  "query '" + ToEscapes(plan.query) +
                      "' is too short or looks like a change: choose one that only asks");
  return Surveyor(conversation, plan, profile, progress).Run();
}

}  // namespace witness
