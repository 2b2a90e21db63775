#include "capture/examine/rate_guess.h"

#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

namespace witness {
namespace {

constexpr std::uint32_t kRates[] = {300,    600,    1200,   2400,   4800,   9600,
                                    14400,  19200,  38400,  57600,  74880,  115200,
                                    230400, 250000, 460800, 500000, 921600, 1000000};
constexpr std::uint64_t kFewest = 8;
constexpr double kSmoothing = 0.5;  // what no model said may come all the same
constexpr double kLikelier = 3.0;   // natural logarithm of the odds, of all bytes together: 20 to 1

// Lines as modules say them; what matters is the mix of characters, not the words.
std::vector<std::string> SampleTexts() {
  std::vector<std::string> out = {"OK\r\n",
                                  "\r\nOK\r\n",
                                  "ERROR\r\n",
                                  "\r\nERROR\r\n",
                                  "ready\r\n",
                                  "OK",
                                  "AT\r\n",
                                  "+LEVEL: 42\r\n",
                                  "1.8",
                                  "OK\r",
                                  "12.5\r\n",
                                  "+RATE: 9600\r\n",
                                  "name=butt 3\r\n",
                                  "version 2.1.0\r\n"};
  // Each printable character, between ever other neighbours.
  for (int step : {1, 7, 11, 23, 31, 37}) {
    std::string line;
    for (int i = 0; i < 95; ++i) {
      line += static_cast<char>(' ' + (i * step) % 95);
      if (line.size() == 14) {
        out.push_back(line + "\r\n");
        line.clear();
      }
    }
  }
  return out;
}

// What a receiver makes of `text` sent at `baud`; adds to `counts`. `phase` (0 to 1): where in a
// bit of the receiver the text begins.
void Receive(const std::string& text, double baud, const LineSettings& receiver, double phase,
             ByteCounts& counts) {
  std::vector<char> bits;
  for (const char c : text) {
    bits.push_back(0);
    for (int i = 0; i < 8; ++i) bits.push_back((static_cast<unsigned char>(c) >> i) & 1);
    bits.push_back(1);
  }
  const double ratio = baud / receiver.baud;  // bits of the sender in one of the receiver
  const auto index_at = [&](double at) {
    return static_cast<std::int64_t>(std::floor(at * ratio - phase * ratio));
  };
  const auto count = static_cast<std::int64_t>(bits.size());
  const auto level = [&](double at) {
    const std::int64_t index = index_at(at);
    return index < 0 || index >= count || bits[static_cast<std::size_t>(index)] != 0;
  };
  const double end = static_cast<double>(bits.size()) / ratio + phase;
  constexpr double kStep = 1.0 / 16;  // receivers look 16 times a bit (common practice, no source)
  // The first look behind `at` that finds the line as `high` says.
  const auto next = [&](double at, bool high) {
    std::int64_t index = std::max<std::int64_t>(index_at(at), 0);
    while (index < count && (bits[static_cast<std::size_t>(index)] != 0) != high) ++index;
    const double begins = static_cast<double>(index) / ratio + phase;
    double look = std::max(at + kStep, std::floor(begins / kStep) * kStep - kStep);
    while (look < end && level(look) != high) look += kStep;
    return look;
  };
  double at = 0;  // in bits of the receiver
  bool before = true;
  while (at < end) {
    if (level(at)) {
      before = true;
      at = next(at, false);
      continue;
    }
    if (!before) {
      at = next(at, true);
      continue;
    }
    if (level(at + 0.5)) {
      before = false;
      at += kStep;
      continue;
    }
    unsigned value = 0;
    double sample = at + 0.5;
    for (int i = 0; i < receiver.data_bits; ++i) {
      sample += 1;
      if (level(sample)) value |= 1u << i;
    }
    if (receiver.parity != Parity::kNone) sample += 1;
    ++counts[value & 0xff];
    at = sample + 1;
    before = level(at);  // still low: the next edge is waited for
    at += kStep;
  }
}

}  // namespace

std::optional<RateGuess> GuessRate(const ByteCounts& counts, const LineSettings& receiver) {
  std::uint64_t all = 0;
  for (const std::uint64_t n : counts) all += n;
  if (all < kFewest || receiver.baud == 0) return std::nullopt;
  static const std::vector<std::string> texts = SampleTexts();
  struct Fit {
    std::uint32_t baud;
    double score;
  };
  std::vector<Fit> fits;
  // Bytes come in words that repeat: as evidence they count for less than their number.
  const double weight = std::min(1.0, 200.0 / static_cast<double>(all));
  const auto score = [&](const ByteCounts& model) {
    double total = 0;
    for (const std::uint64_t n : model) total += static_cast<double>(n);
    double out = 0;
    for (std::size_t i = 0; i < counts.size(); ++i) {
      if (counts[i] == 0) continue;
      const double share =
          (static_cast<double>(model[i]) + kSmoothing) / (total + kSmoothing * 256);
      out += static_cast<double>(counts[i]) * std::log(share);
    }
    return out * weight;
  };
  for (const std::uint32_t baud : kRates) {
    ByteCounts model = {};
    for (const std::string& text : texts)
      for (const double phase : {0.1, 0.4, 0.7}) Receive(text, baud, receiver, phase, model);
    fits.push_back({baud, score(model)});
  }
  const double chance = static_cast<double>(all) * weight * std::log(1.0 / 256);
  std::sort(fits.begin(), fits.end(), [](const Fit& a, const Fit& b) { return a.score > b.score; });
  const Fit& best = fits[0];
  const double off = static_cast<double>(best.baud) / receiver.baud;
  if (off > 0.97 && off < 1.03) return std::nullopt;
  if (best.baud > receiver.baud) {
    const auto slower = std::find_if(fits.begin(), fits.end(),
                                     [&](const Fit& fit) { return fit.baud <= receiver.baud; });
    if (best.score < slower->score + kLikelier) return std::nullopt;
    return RateGuess{RateGuess::Kind::kFaster, 0};
  }
  if (best.score < chance + kLikelier) return std::nullopt;
  if (best.score >= fits[1].score + kLikelier) return RateGuess{RateGuess::Kind::kThis, best.baud};
  const auto not_slower = std::find_if(fits.begin(), fits.end(),
                                       [&](const Fit& fit) { return fit.baud >= receiver.baud; });
  if (not_slower != fits.end() && best.score < not_slower->score + kLikelier) return std::nullopt;
  return RateGuess{RateGuess::Kind::kSlower, 0};
}

}  // namespace witness
