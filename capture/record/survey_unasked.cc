// What the module says without being asked.
#include <algorithm>
#include <bit>
#include <cctype>
#include <map>

#include "capture/base/text.h"
#include "capture/record/survey_steps.h"

namespace witness {

// True if `body` is `usual` (which may be silence) with a run of bytes put in; the run is then
// counted as unsolicited.
bool Surveyor::TakeOutUnasked(Bytes& body, const Bytes& usual, const Heard& heard) {
  std::size_t front = 0;
  if (body.size() == usual.size() || IsSpoilt(heard)) return false;
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
  if (MayBeNoise(run)) {
    // The same twice is said, not picked up.
    CountUnasked(run, heard);
    body = usual;
    return true;
  }
  if (!MayBeUnasked(run, front == 0 || front == usual.size())) return false;
  // A run with the command in it is an echo that was disturbed: nobody's saying.
  if (run.find(heard.sent.substr(0, heard.sent.find_last_not_of("\r\n") + 1)) == Bytes::npos)
    CountUnasked(run, heard);
  body = usual;
  return true;
}

void Surveyor::CountUnasked(const Bytes& text, const Heard& heard) {
  const bool only_listening = heard.sent.empty();
  ProfileUnsolicited* one = nullptr;
  for (ProfileUnsolicited& known : profile_.unsolicited)
    if (known.text == text) one = &known;
  if (one == nullptr) {
    one = &profile_.unsolicited.emplace_back();
    one->text = text;
    one->basis.why = only_listening ? "came while only listening" : "came inside an answer";
  }
  ++one->times;
  AddEvidence(one->basis, heard);
  if (only_listening) one->basis.why = "came while only listening";
  const bool heard_alone = one->basis.why.ends_with("listening");
  one->basis.sure = one->times < 2 ? Found::kUnsure : heard_alone ? Found::kSure : Found::kLikely;
}

bool Surveyor::Unsolicited() {
  Tell("listening for what it says unasked");
  // No answer that is late is to be heard as unasked.
  Heard late;
  bool quiet = false;
  if (!UntilSilent(Usual().wait, Usual().wait * 2, late, quiet)) return false;
  // Where nothing is refused in words, what was taken for answers may be said now and then.
  const Duration listen =
      refusal_.empty() ? std::max(plan_.listen, Duration::Seconds(12)) : plan_.listen;
  Result<Heard> heard = talk_.Listen(listen);
  if (!heard.ok()) {
    status_ = heard.status();
    return false;
  }
  profile_.listened = listen;
  // A saying that was cut by the end of listening is heard out.
  if (!heard->nothing() && talk_.Now() - heard->pieces.back().at < Duration::Milliseconds(200)) {
    Result<Heard> rest = talk_.Listen(Duration::Milliseconds(500));
    if (!rest.ok()) {
      status_ = rest.status();
      return false;
    }
    for (HeardPiece& piece : rest->pieces) heard->pieces.push_back(std::move(piece));
  }
  profile_.unsolicited.clear();  // what was heard on the way here is counted in Review()
  for (const Heard& saying : Sayings(*heard)) CountUnasked(saying.bytes(), saying);
  // What is said unasked refuses nothing.
  for (const ProfileUnsolicited& one : profile_.unsolicited)
    if (Words(one.text) == Words(refusal_)) refusal_.clear();
  std::uint32_t most = 0;
  for (const ProfileUnsolicited& one : profile_.unsolicited) most = std::max(most, one.times);
  if (most > 1) talks_every_ = listen / most;
  AddEvidence(profile_.unsolicited_basis, *heard);
  const auto said = [&] {
    return std::any_of(
        profile_.unsolicited.begin(), profile_.unsolicited.end(),
        [&](const ProfileUnsolicited& one) { return Words(one.text) == Words(answer_); });
  };
  if (!said()) return true;
  // What was taken for the answer is said unasked: what is the answer without it?
  const auto* ending =
      std::find_if(std::begin(kSurveyEndings), std::end(kSurveyEndings),
                   [&](const SurveyEnding& one) { return one.name == profile_.send_ending; });
  bool understood = false;
  if (ending != std::end(kSurveyEndings) && !Confirm(*ending, Bytes(), understood)) return false;
  if (understood && !said()) return true;
  ++readable_;
  Diagnose();
  return false;
}

void Surveyor::Review() {
  // What each command is answered, by what was sent.
  std::map<Bytes, Bytes> expected;
  const Bytes no = profile_.unknown.texts.empty() ? Bytes() : profile_.unknown.texts.front();
  expected[plan_.query] = answer_;
  for (const ByteView unknown : {kUnknownQuery, kOtherUnknownQuery, kForeignQuery})
    expected[Bytes(unknown)] = no;
  for (const Heard& raw : log_) {
    const std::size_t end = raw.sent.find_last_not_of("\r\n") + 1;
    const auto at = expected.find(raw.sent.substr(0, end));
    if (at == expected.end()) continue;
    Without without;
    const Heard heard = WithoutUnasked(raw, profile_.unsolicited, without);
    if (IsSpoilt(heard)) continue;
    Bytes body = Body(heard);
    // An answer that repeats the command looked like an echo as long as that was not known.
    if (body == at->first + at->second) continue;
    if (body != at->second && body != no) TakeOutUnasked(body, at->second, heard);
  }
  // A late answer is no saying of its own.
  std::erase_if(profile_.unsolicited, [&](const ProfileUnsolicited& one) {
    const auto in = [&](const Bytes& text) { return text == one.text; };
    if (in(answer_) || in(no)) return true;
    return std::any_of(profile_.replies.begin(), profile_.replies.end(), [&](const auto& reply) {
      return std::any_of(reply.texts.begin(), reply.texts.end(), in);
    });
  });
  // Where replies are unreadable, nothing about the line is sure.
  const auto unreadable = [](const ProfileReply& reply) {
    return std::any_of(reply.texts.begin(), reply.texts.end(),
                       [](const Bytes& text) { return text.size() > 1 && !Readable(text); });
  };
  // Rubbish may look like text; then nothing but the query is ever answered.
  const Bytes words = Words(answer_);
  const auto letters = std::count_if(words.begin(), words.end(),
                                     [](unsigned char c) { return std::isalnum(c) != 0; });
  bool chance =
      refusal_.empty() && line_.baud != 0 && letters * 2 <= std::ssize(words) &&
      std::none_of(
          profile_.replies.begin(), profile_.replies.end(), [&](const ProfileReply& reply) {
            return reply.outcome == ReplyOutcome::kAnswered && reply.command != plan_.query;
          });
  // A parity bit that is always 1 looks like a stop bit: then 8N1 is not told from 8E1 or 8O1.
  Bytes all = answer_ + profile_.banner;
  for (const Bytes& text : profile_.unknown.texts) all += text;
  for (const ProfileReply& reply : profile_.replies)
    for (const Bytes& text : reply.texts) all += text;
  const auto odd = std::count_if(all.begin(), all.end(), [](char c) {
    return std::popcount(static_cast<unsigned char>(c)) % 2 == 1;
  });
  // And one that is always 0 like an eighth data bit: then 7E1 or 7O1 is not told from 8N1.
  const bool one_parity = odd == 0 || odd == std::ssize(all);
  const bool may_be_parity =
      (line_.data_bits == 8 && line_.parity == Parity::kNone) ||
      (line_.data_bits == 7 && ((line_.parity == Parity::kEven && odd == 0) ||
                                (line_.parity == Parity::kOdd && odd == std::ssize(all))));
  chance = chance || (line_.baud != 0 && one_parity && may_be_parity);
  // What is said again and again can be read at the right rate and format.
  chance =
      chance || std::any_of(profile_.unsolicited.begin(), profile_.unsolicited.end(),
                            [](const ProfileUnsolicited& one) {
                              return one.times > 1 && one.text.size() > 2 && !Readable(one.text);
                            });
  if (chance || bad_ > 4 || unreadable(profile_.unknown) ||
      std::any_of(profile_.replies.begin(), profile_.replies.end(), unreadable)) {
    profile_.line_basis.sure = Found::kUnsure;
    profile_.line_basis.why +=
        "; but some replies are unreadable: another format, a bad line, or "
        "bytes that are no text";
    for (Basis* basis : {&profile_.ending_basis, &profile_.echo_basis, &profile_.case_basis})
      if (basis->sure == Found::kSure || basis->sure == Found::kLikely)
        basis->sure = Found::kUnsure;
    for (ProfileReply& reply : profile_.replies)
      if (chance || bad_ > 4 || unreadable(reply)) reply.basis.sure = Found::kUnsure;
    if (chance || bad_ > 4 || unreadable(profile_.unknown))
      profile_.unknown.basis.sure = Found::kUnsure;
    for (ProfileUnsolicited& one : profile_.unsolicited)
      if (chance || bad_ > 4) one.basis.sure = Found::kUnsure;
  }
  // Single bytes are nobody's sayings, unless most of them are the same.
  std::uint32_t stray = 0;
  for (const ProfileUnsolicited& one : profile_.unsolicited)
    if (one.text.size() <= 2) stray += one.times;
  std::erase_if(profile_.unsolicited, [&](const auto& one) {
    const bool noise = one.text.size() <= 2 && (one.times < 3 || one.times * 2 <= stray);
    if (noise) noise_ += one.times;
    return noise;
  });
  Basis& basis = profile_.unsolicited_basis;
  basis.sure = Found::kNotFound;
  for (ProfileUnsolicited& one : profile_.unsolicited) {
    // What comes inside answers only may belong to them.
    if (one.basis.sure != Found::kSure) one.basis.sure = Found::kUnsure;
    one.basis.why += one.times < 2 ? ", once" : ", " + std::to_string(one.times) + " times";
    basis.sure = std::max(basis.sure, one.basis.sure);
  }
  basis.why = "listened for " + FormatDuration(profile_.listened);
  if (noise_ == 0) return;
  basis.sure = std::max(basis.sure, Found::kUnsure);
  basis.why += "; " + std::to_string(noise_) + (noise_ == 1 ? " stray byte" : " stray bytes") +
               " came, said or picked up";
}

}  // namespace witness
