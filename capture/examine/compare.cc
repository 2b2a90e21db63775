#include "capture/examine/compare.h"

#include <algorithm>
#include <map>
#include <utility>

#include "capture/base/text.h"
#include "capture/examine/lines_of.h"

namespace witness {
namespace {

using Pairs = std::vector<std::pair<std::size_t, std::size_t>>;

constexpr std::size_t kMostCells = 16u << 20;  // of the exact method: 64 MB at most

std::vector<ByteView> Commands(const WholeConversation& conversation) {
  std::vector<ByteView> out;
  for (const Exchange& exchange : conversation.exchanges)
    out.push_back(Stripped(exchange.command.bytes));
  return out;
}

// Longest common subsequence by dynamic programming (textbook).
Pairs AlignExactly(const std::vector<ByteView>& a, const std::vector<ByteView>& b) {
  const std::size_t width = b.size() + 1;
  std::vector<std::uint32_t> best((a.size() + 1) * width, 0);
  for (std::size_t i = a.size(); i-- > 0;)
    for (std::size_t j = b.size(); j-- > 0;)
      best[i * width + j] = a[i] == b[j]
                                ? best[(i + 1) * width + j + 1] + 1
                                : std::max(best[(i + 1) * width + j], best[i * width + j + 1]);
  Pairs out;
  for (std::size_t i = 0, j = 0; i < a.size() && j < b.size();) {
    if (a[i] == b[j])
      out.emplace_back(i++, j++);
    else if (best[(i + 1) * width + j] >= best[i * width + j + 1])
      ++i;
    else
      ++j;
  }
  return out;
}

// For very long ones: the n-th time a command comes goes with the n-th time it comes in the other,
// as far as order allows.
Pairs AlignByOccurrence(const std::vector<ByteView>& a, const std::vector<ByteView>& b) {
  std::map<ByteView, std::vector<std::size_t>> places;
  for (std::size_t j = 0; j < b.size(); ++j) places[b[j]].push_back(j);
  std::map<ByteView, std::size_t> used;
  std::vector<std::pair<std::size_t, std::size_t>> all;
  for (std::size_t i = 0; i < a.size(); ++i) {
    const auto found = places.find(a[i]);
    if (found == places.end()) continue;
    const std::size_t n = used[a[i]]++;
    if (n < found->second.size()) all.emplace_back(i, found->second[n]);
  }
  // Longest increasing run of second places.
  std::vector<std::size_t> tails, before(all.size(), all.size());
  for (std::size_t k = 0; k < all.size(); ++k) {
    const auto at = std::lower_bound(
        tails.begin(), tails.end(), k,
        [&](std::size_t x, std::size_t y) { return all[x].second < all[y].second; });
    if (at != tails.begin()) before[k] = *(at - 1);
    if (at == tails.end())
      tails.push_back(k);
    else
      *at = k;
  }
  Pairs out;
  if (tails.empty()) return out;
  for (std::size_t k = tails.back(); k < all.size(); k = before[k]) out.push_back(all[k]);
  std::reverse(out.begin(), out.end());
  return out;
}

Pairs Align(const std::vector<ByteView>& a, const std::vector<ByteView>& b) {
  std::size_t head = 0;
  while (head < a.size() && head < b.size() && a[head] == b[head]) ++head;
  std::size_t tail = 0;
  while (tail < a.size() - head && tail < b.size() - head &&
         a[a.size() - 1 - tail] == b[b.size() - 1 - tail])
    ++tail;
  const std::vector<ByteView> a_middle(a.begin() + static_cast<std::ptrdiff_t>(head),
                                       a.end() - static_cast<std::ptrdiff_t>(tail));
  const std::vector<ByteView> b_middle(b.begin() + static_cast<std::ptrdiff_t>(head),
                                       b.end() - static_cast<std::ptrdiff_t>(tail));
  Pairs out;
  for (std::size_t i = 0; i < head; ++i) out.emplace_back(i, i);
  const bool fits = (a_middle.size() + 1) * (b_middle.size() + 1) <= kMostCells;
  for (const auto& [i, j] :
       fits ? AlignExactly(a_middle, b_middle) : AlignByOccurrence(a_middle, b_middle))
    out.emplace_back(head + i, head + j);
  for (std::size_t i = tail; i-- > 0;) out.emplace_back(a.size() - 1 - i, b.size() - 1 - i);
  return out;
}

Bytes AllReplies(const Exchange& exchange) {
  Bytes out;
  for (const Segment& reply : exchange.replies) out += reply.bytes;
  return out;
}

std::size_t PiecesOf(const Exchange& exchange) {
  std::size_t n = 0;
  for (const Segment& reply : exchange.replies) n += reply.pieces.size();
  return n;
}

std::vector<std::string> Differ(const Exchange& a, const Exchange& b,
                                const CompareOptions& options) {
  std::vector<std::string> out;
  if (a.command.bytes != b.command.bytes)
    out.push_back("command " + SafeTextWithEnding(a.command.bytes) + " / " +
                  SafeTextWithEnding(b.command.bytes));
  const Bytes reply_a = AllReplies(a), reply_b = AllReplies(b);
  if (a.replies.empty() != b.replies.empty()) {
    out.push_back(a.replies.empty() ? "no answer / " + SafeTextWithEnding(reply_b)
                                    : SafeTextWithEnding(reply_a) + " / no answer");
  } else if (reply_a != reply_b) {
    const bool only_ending = Stripped(reply_a) == Stripped(reply_b);
    out.push_back((only_ending ? "line endings " : "reply ") + SafeTextWithEnding(reply_a) + " / " +
                  SafeTextWithEnding(reply_b));
  }
  if (a.echo.has_value() != b.echo.has_value())
    out.push_back(a.echo ? "echoed / not echoed" : "not echoed / echoed");
  if (options.pieces && PiecesOf(a) != PiecesOf(b))
    out.push_back(std::to_string(PiecesOf(a)) + " pieces / " + std::to_string(PiecesOf(b)));
  if (options.timing && a.turnaround && b.turnaround) {
    const Duration shorter = std::min(*a.turnaround, *b.turnaround);
    const Duration longer = std::max(*a.turnaround, *b.turnaround);
    if (longer > shorter + shorter / 2 && longer - shorter > Duration::Milliseconds(2))
      out.push_back("turnaround " + FormatDuration(*a.turnaround) + " / " +
                    FormatDuration(*b.turnaround));
  }
  return out;
}

}  // namespace

Comparison Compare(const WholeConversation& first, const WholeConversation& second,
                   const CompareOptions& options) {
  Comparison out;
  const Pairs pairs = Align(Commands(first), Commands(second));
  std::size_t i = 0, j = 0;
  const auto only = [&](std::size_t until_i, std::size_t until_j) {
    for (; i < until_i; ++i) {
      Difference d;
      d.kind = Difference::Kind::kOnlyInFirst;
      d.first = i;
      out.differences.push_back(std::move(d));
    }
    for (; j < until_j; ++j) {
      Difference d;
      d.kind = Difference::Kind::kOnlyInSecond;
      d.second = j;
      out.differences.push_back(std::move(d));
    }
  };
  for (const auto& [a, b] : pairs) {
    only(a, b);
    Difference d;
    d.what = Differ(first.exchanges[a], second.exchanges[b], options);
    if (d.what.empty()) {
      ++out.same;
    } else {
      d.first = a;
      d.second = b;
      out.differences.push_back(std::move(d));
    }
    i = a + 1;
    j = b + 1;
  }
  only(first.exchanges.size(), second.exchanges.size());
  return out;
}

}  // namespace witness
