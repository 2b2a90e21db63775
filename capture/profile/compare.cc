// Two profiles beside each other.
#include <algorithm>
#include <cmath>
#include <cstdio>

#include "capture/base/text.h"
#include "capture/profile/profile.h"

namespace witness {
namespace {

constexpr double kLevel = 0.01;

struct Ranked {
  double statistic = 0;  // Mann and Whitney's U of the first sample
  double ties = 0;       // sum of t^3 - t
};

Ranked Rank(const std::vector<Duration>& a, const std::vector<Duration>& b) {
  std::vector<std::pair<std::int64_t, bool>> all;
  for (const Duration d : a) all.emplace_back(d.ns(), true);
  for (const Duration d : b) all.emplace_back(d.ns(), false);
  std::sort(all.begin(), all.end());
  Ranked out;
  double rank_sum = 0;
  for (std::size_t i = 0; i < all.size();) {
    std::size_t j = i;
    while (j < all.size() && all[j].first == all[i].first) ++j;
    const double middle = (static_cast<double>(i) + 1 + static_cast<double>(j)) / 2;
    for (std::size_t k = i; k < j; ++k)
      if (all[k].second) rank_sum += middle;
    const auto t = static_cast<double>(j - i);
    out.ties += t * t * t - t;
    i = j;
  }
  const auto n = static_cast<double>(a.size());
  out.statistic = rank_sum - n * (n + 1) / 2;
  return out;
}

// How many of all orderings of n and m have U = u, as a share of all: the recurrence of Mann and
// Whitney (1947), equation 1.
double ExactTail(std::size_t n, std::size_t m, double u) {
  const std::size_t most = n * m;
  // count[i][k]: ways for i of the first sample among j of the second, built up in j.
  std::vector<std::vector<double>> count(n + 1, std::vector<double>(most + 1, 0));
  for (std::size_t i = 0; i <= n; ++i) count[i][0] = 1;
  for (std::size_t j = 1; j <= m; ++j) {
    for (std::size_t i = 1; i <= n; ++i) {
      // p(i, j, u) = p(i-1, j, u-j) + p(i, j-1, u); count[i] still holds j-1.
      for (std::size_t k = most + 1; k-- > j;) count[i][k] += count[i - 1][k - j];
    }
  }
  double all = 0;
  double tail = 0;
  for (std::size_t k = 0; k <= most; ++k) {
    all += count[n][k];
    if (static_cast<double>(k) <= u) tail += count[n][k];
  }
  return tail / all;
}

Duration Median(std::vector<Duration> samples) {
  std::sort(samples.begin(), samples.end());
  return samples.empty() ? Duration::Zero() : samples[samples.size() / 2];
}

std::string Spread(const std::vector<Duration>& samples) {
  if (samples.empty()) return "none";
  const auto [least, most] = std::minmax_element(samples.begin(), samples.end());
  return FormatDuration(*least) + " to " + FormatDuration(*most) + ", median " +
         FormatDuration(Median(samples));
}

std::string Texts(const std::vector<Bytes>& texts) {
  std::string out;
  for (const Bytes& text : texts) {
    if (!out.empty()) out += " or ";
    out += SafeTextWithEnding(text);
  }
  return out.empty() ? "nothing" : out;
}

// A text's words without its line endings at either end.
Bytes Words(ByteView text) {
  while (!text.empty() && (text.front() == '\r' || text.front() == '\n')) text.remove_prefix(1);
  while (!text.empty() && (text.back() == '\r' || text.back() == '\n')) text.remove_suffix(1);
  return Bytes(text);
}

class Comparer {
 public:
  void Value(const std::string& what, const std::string& a, const std::string& b,
             bool known = true) {
    out.push_back({!known   ? Likeness::kCannotTell
                   : a == b ? Likeness::kSame
                            : Likeness::kDiffers,
                   what, a, b, ""});
  }

  void Times(const std::string& what, const std::vector<Duration>& a,
             const std::vector<Duration>& b) {
    if (a.empty() && b.empty()) return;
    ProfileDifference one;
    one.what = what;
    one.first = Spread(a);
    one.second = Spread(b);
    const std::string count =
        std::to_string(a.size()) + " and " + std::to_string(b.size()) + " samples";
    if (a.size() < 4 || b.size() < 4) {
      // With fewer the exact test cannot reach 1 % at all.
      one.verdict = Likeness::kCannotTell;
      one.basis = count + ": too few for a test";
    } else {
      const double p = RankTest(a, b);
      // What no adapter can resolve is no difference.
      const Duration apart = Median(a) - Median(b);
      const bool small = std::abs(apart.ns()) < Duration::Microseconds(500).ns();
      one.verdict = p < kLevel && !small ? Likeness::kDiffers : Likeness::kSame;
      char text[64];
      std::snprintf(text, sizeof text, ", rank test p = %.2g", p);
      one.basis = count + text;
      if (p < kLevel && small) one.basis += ", but less than 0.5 ms apart";
    }
    out.push_back(one);
  }

  void Reply(const std::string& name, const ProfileReply& a, const ProfileReply& b) {
    const auto sorted = [](const ProfileReply& reply, bool words) {
      std::vector<Bytes> texts;
      for (const Bytes& text : reply.texts) texts.push_back(words ? Words(text) : text);
      std::sort(texts.begin(), texts.end());
      texts.erase(std::unique(texts.begin(), texts.end()), texts.end());
      return texts;
    };
    const bool sent = a.outcome != ReplyOutcome::kNotSent && b.outcome != ReplyOutcome::kNotSent;
    Value(name + ": words", Texts(sorted(a, true)), Texts(sorted(b, true)), sent);
    if (!sent) return;
    if (sorted(a, true) == sorted(b, true))
      Value(name + ": endings", Texts(sorted(a, false)), Texts(sorted(b, false)));
    Value(name + ": pieces", std::to_string(a.most_pieces), std::to_string(b.most_pieces));
    Times(name + ": turnaround", a.turnarounds, b.turnarounds);
    Times(name + ": pause inside", a.longest_pauses, b.longest_pauses);
  }

  std::vector<ProfileDifference> out;
};

const char* EchoName(EchoKind echo) {
  switch (echo) {
    case EchoKind::kOff:
      return "none";
    case EchoKind::kOn:
      return "yes";
    case EchoKind::kByCharacter:
      return "character by character";
    case EchoKind::kWhole:
      return "whole commands";
    case EchoKind::kUnspecified:
      break;
  }
  return "not known";
}

std::string Endings(const Profile& p) {
  std::string out;
  for (const std::string& ending : p.accepted_endings) out += (out.empty() ? "" : ", ") + ending;
  return out.empty() ? "not known" : out;
}

}  // namespace

double RankTest(const std::vector<Duration>& a, const std::vector<Duration>& b) {
  if (a.empty() || b.empty()) return 1;
  const Ranked ranked = Rank(a, b);
  const auto n = static_cast<double>(a.size());
  const auto m = static_cast<double>(b.size());
  const double u = std::min(ranked.statistic, n * m - ranked.statistic);
  if (ranked.ties == 0 && a.size() <= 20 && b.size() <= 20)
    return std::min(1.0, 2 * ExactTail(a.size(), b.size(), u));
  const double total = n + m;
  const double variance = n * m / 12 * ((total + 1) - ranked.ties / (total * (total - 1)));
  if (variance <= 0) return 1;
  const double z = std::max(0.0, std::abs(u - n * m / 2) - 0.5) / std::sqrt(variance);
  return std::erfc(z / std::sqrt(2.0));
}

std::vector<ProfileDifference> CompareProfiles(const Profile& a, const Profile& b) {
  Comparer c;
  const auto line = [](const Profile& p) {
    return p.line.baud == 0 ? "not known" : FormatLineSettings(p.line);
  };
  c.Value("rate and format", line(a), line(b), a.line.baud != 0 && b.line.baud != 0);
  c.Value("line endings taken", Endings(a), Endings(b));
  if (a.silence_at_most > Duration::Zero() || b.silence_at_most > Duration::Zero()) {
    const auto silence = [](const Profile& p) {
      return p.silence_at_most == Duration::Zero()
                 ? std::string("none")
                 : FormatDuration(p.silence_at_least) + " to " + FormatDuration(p.silence_at_most);
    };
    const bool overlap =
        a.silence_at_least <= b.silence_at_most && b.silence_at_least <= a.silence_at_most &&
        a.silence_at_most > Duration::Zero() && b.silence_at_most > Duration::Zero();
    c.out.push_back({overlap ? Likeness::kSame : Likeness::kDiffers, "silence that ends a command",
                     silence(a), silence(b), "bounds overlap or not"});
  }
  if (a.sleeps || b.sleeps) {
    const auto sleeps = [](const Profile& p) {
      return p.sleeps                                 ? "yes: a line ending wakes it"
             : p.sleep_basis.sure == Found::kNotTried ? "not seen to"
                                                      : "no";
    };
    c.Value("sleeps after a silence", sleeps(a), sleeps(b),
            a.state == ModuleState::kAnswers && b.state == ModuleState::kAnswers);
  }
  c.Value("echo", EchoName(a.echo), EchoName(b.echo),
          a.echo != EchoKind::kUnspecified && b.echo != EchoKind::kUnspecified);
  const auto letters = [](const Profile& p) {
    return p.letter_case == LetterCase::kAny             ? "any"
           : p.letter_case == LetterCase::kAsWrittenOnly ? "as written only"
                                                         : "not known";
  };
  c.Value("letter case", letters(a), letters(b),
          a.letter_case != LetterCase::kUnspecified && b.letter_case != LetterCase::kUnspecified);
  c.Reply("unknown command", a.unknown, b.unknown);
  for (const ProfileReply& reply : a.replies) {
    const std::string name = "reply to " + SafeText(reply.command);
    if (const ProfileReply* other = b.Find(reply.command))
      c.Reply(name, reply, *other);
    else
      c.out.push_back({Likeness::kOnlyInFirst, name, Texts(reply.texts), "not asked", ""});
  }
  for (const ProfileReply& reply : b.replies)
    if (a.Find(reply.command) == nullptr)
      c.out.push_back({Likeness::kOnlyInSecond, "reply to " + SafeText(reply.command), "not asked",
                       Texts(reply.texts), ""});
  c.Value("banner", a.banner.empty() ? "none heard" : SafeTextWithEnding(a.banner),
          b.banner.empty() ? "none heard" : SafeTextWithEnding(b.banner),
          a.banner_basis.sure != Found::kNotTried && b.banner_basis.sure != Found::kNotTried);
  const auto said = [](const Profile& p, const Bytes& text) {
    return std::any_of(p.unsolicited.begin(), p.unsolicited.end(),
                       [&](const ProfileUnsolicited& one) { return one.text == text; });
  };
  for (const ProfileUnsolicited& one : a.unsolicited)
    c.out.push_back({said(b, one.text) ? Likeness::kSame : Likeness::kOnlyInFirst, "said unasked",
                     SafeTextWithEnding(one.text), said(b, one.text) ? "the same" : "not heard",
                     ""});
  for (const ProfileUnsolicited& one : b.unsolicited)
    if (!said(a, one.text))
      c.out.push_back(
          {Likeness::kOnlyInSecond, "said unasked", "not heard", SafeTextWithEnding(one.text), ""});
  return c.out;
}

}  // namespace witness
