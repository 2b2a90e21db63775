// What the module says after a reset.
#include "capture/base/text.h"
#include "capture/record/survey_steps.h"

namespace witness {

bool Surveyor::Reset(Heard& heard, Duration& after, bool& done) {
  done = false;
  if (Status s = talk_.Pulse(*plan_.reset_line, Duration::Milliseconds(100)); !s.ok()) {
    if (s.code() == Code::kInterrupted || s.code() == Code::kDisconnected) {
      status_ = s;
      return false;
    }
    profile_.banner_basis.why = s.message();
    return true;
  }
  const Instant released = talk_.Now();
  Result<Heard> got = talk_.Listen(kBannerTime);
  // Some take long to come up. At a wrong rate there is no use in waiting.
  if (got.ok() && got->nothing() && profile_.state == ModuleState::kAnswers)
    got = talk_.Listen(kLateBannerTime);
  if (!got.ok()) {
    status_ = got.status();
    return false;
  }
  // One that is late is heard out.
  if (!got->nothing() && talk_.Now() - got->pieces.back().at < Duration::Milliseconds(500)) {
    bool quiet = false;
    if (!UntilSilent(Duration::Milliseconds(700), Duration::Seconds(5), *got, quiet)) return false;
    if (!quiet) got->end = HeardEnd::kTooLong;
  }
  done = true;
  bad_ += got->bad_bytes;
  AddEvidence(profile_.banner_basis, *got);
  heard = WithoutUnasked(*got, profile_.unsolicited, without_);
  if (!heard.nothing()) after = heard.pieces.front().at - released;
  return true;
}

bool Surveyor::Banner() {
  Basis& basis = profile_.banner_basis;
  if (!plan_.reset_line) {
    basis.why = "the module was not reset (--reset dtr or rts, if a line is wired to it)";
    return true;
  }
  Tell("resetting the module and listening for its banner");
  Heard heard;
  bool done = false;
  if (!Reset(heard, profile_.banner_after, done)) return false;
  if (!done) return true;
  const Bytes bytes = heard.bytes();
  basis.sure = bytes.empty() ? Found::kNotFound : Found::kUnsure;
  basis.why = bytes.empty() ? "nothing came within " + FormatDuration(kBannerTime) + " of the reset"
              : Readable(bytes)
                  ? "came once after the reset, before any command"
                  : "something unreadable came: the rate tried first is probably not the banner's";
  if (Readable(bytes)) profile_.banner = bytes;
  return true;
}

bool Surveyor::ResetAgain() {
  Basis& basis = profile_.banner_basis;
  if (basis.sure == Found::kNotTried) return true;
  Tell("resetting the module again, now that its rate is known");
  Heard heard;
  bool done = false;
  Bytes before = line_ == plan_.line ? profile_.banner : Bytes();
  profile_.banner.clear();
  int resets = line_ == plan_.line ? 1 : 0;
  for (int i = 0; i < 3; ++i) {
    Duration after;
    // Not in step with what is said regularly.
    if (!Pause(Duration::Milliseconds(1100) * (i + 1))) return false;
    if (!Reset(heard, after, done)) return false;
    if (!done) return true;
    const Bytes now = heard.bytes();
    if (resets++ > 0 && now == before) {
      const bool readable = now.empty() || Readable(now);
      basis.sure = now.empty() ? Found::kNotFound : readable ? Found::kSure : Found::kUnsure;
      basis.why = now.empty() ? "nothing came within " +
                                    FormatDuration(kBannerTime + kLateBannerTime) + " of a reset"
                  : readable ? "came alike after each of two resets"
                             : "something unreadable came after each reset";
      // A byte that comes alone, later, may have been picked up, twice the same by chance.
      const std::vector<Heard> said = Sayings(heard);
      if (said.size() > 1 && MayBeNoise(said.back().bytes())) {
        basis.sure = Found::kUnsure;
        basis.why += ", but its end may have been picked up";
      }
      if (readable) profile_.banner = now;
      profile_.banner_after = after;
      return true;
    }
    before = now;
  }
  basis.sure = Found::kUnsure;
  basis.why = "something else came after each reset";
  if (Readable(before)) profile_.banner = before;
  return true;
}

bool Surveyor::BannerAgain() {
  if (!ResetAgain()) return false;
  if (profile_.banner_basis.sure == Found::kNotTried) return true;
  bool answers = false;
  for (int i = 0; i < 10 && !answers; ++i)
    if (!StillAnswers(answers)) return false;
  return true;
}

}  // namespace witness
