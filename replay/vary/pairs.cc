#include "replay/vary/pairs.h"

#include <algorithm>
#include <cstdint>
#include <limits>
#include <random>

namespace trial {
namespace {

using Row = std::vector<std::size_t>;
using Rows = std::vector<Row>;

constexpr std::size_t kAny = std::numeric_limits<std::size_t>::max();

// How often each pair is covered.
class Coverage {
 public:
  explicit Coverage(const Row& sizes) : sizes_(sizes) {
    std::size_t at = 0;
    for (const std::size_t size : sizes) {
      first_.push_back(at);
      at += size;
    }
    all_ = at;
    count_.assign(all_ * all_, 0);
  }
  std::uint32_t& At(std::size_t f, std::size_t x, std::size_t g, std::size_t y) {
    return count_[(first_[f] + x) * all_ + first_[g] + y];
  }
  std::size_t Missing() {
    std::size_t missing = 0;
    ForEach([&](std::size_t f, std::size_t x, std::size_t g, std::size_t y) {
      missing += At(f, x, g, y) == 0 ? 1 : 0;
    });
    return missing;
  }
  template <typename Call>
  void ForEach(Call call) {
    for (std::size_t f = 0; f < sizes_.size(); ++f)
      for (std::size_t g = f + 1; g < sizes_.size(); ++g)
        for (std::size_t x = 0; x < sizes_[f]; ++x)
          for (std::size_t y = 0; y < sizes_[g]; ++y) call(f, x, g, y);
  }
  void Add(const Row& row, int by) {
    for (std::size_t f = 0; f < row.size(); ++f)
      for (std::size_t g = f + 1; g < row.size(); ++g)
        if (row[f] != kAny && row[g] != kAny)
          At(f, row[f], g, row[g]) += static_cast<std::uint32_t>(by);
  }
  // Pairs that `level` of `factor` would newly cover with what `row` has.
  std::size_t Gain(const Row& row, std::size_t factor, std::size_t level) {
    std::size_t gain = 0;
    for (std::size_t g = 0; g < row.size(); ++g) {
      if (g == factor || row[g] == kAny) continue;
      const std::uint32_t count =
          g < factor ? At(g, row[g], factor, level) : At(factor, level, g, row[g]);
      gain += count == 0 ? 1 : 0;
    }
    return gain;
  }

 private:
  Row sizes_;
  Row first_;
  std::size_t all_ = 0;
  std::vector<std::uint32_t> count_;
};

// The field of q elements as tables; empty if q is no prime power up to 16.
struct Field {
  std::size_t q = 0;
  std::vector<Row> plus;
  std::vector<Row> times;
};

Field MakeField(std::size_t q) {
  static constexpr struct {
    std::size_t q, prime, degree;
    std::size_t reduction[4];  // x^degree in terms of lower powers
  } kFields[] = {{2, 2, 1, {0}},   {3, 3, 1, {0}},          {4, 2, 2, {1, 1}}, {5, 5, 1, {0}},
                 {7, 7, 1, {0}},   {8, 2, 3, {1, 1, 0}},    {9, 3, 2, {2, 0}}, {11, 11, 1, {0}},
                 {13, 13, 1, {0}}, {16, 2, 4, {1, 1, 0, 0}}};
  Field field;
  for (const auto& f : kFields) {
    if (f.q != q) continue;
    field.q = q;
    const auto digits = [&](std::size_t n) {
      Row d(2 * f.degree, 0);
      for (std::size_t i = 0; n > 0; n /= f.prime) d[i++] = n % f.prime;
      return d;
    };
    const auto number = [&](const Row& d) {
      std::size_t n = 0;
      for (std::size_t i = f.degree; i-- > 0;) n = n * f.prime + d[i];
      return n;
    };
    field.plus.assign(q, Row(q, 0));
    field.times.assign(q, Row(q, 0));
    for (std::size_t a = 0; a < q; ++a)
      for (std::size_t b = 0; b < q; ++b) {
        const Row x = digits(a);
        const Row y = digits(b);
        Row sum(2 * f.degree, 0);
        Row product(2 * f.degree, 0);
        for (std::size_t i = 0; i < f.degree; ++i) {
          sum[i] = (x[i] + y[i]) % f.prime;
          for (std::size_t j = 0; j < f.degree; ++j)
            product[i + j] = (product[i + j] + x[i] * y[j]) % f.prime;
        }
        for (std::size_t i = 2 * f.degree; i-- > f.degree;) {
          for (std::size_t j = 0; j < f.degree; ++j)
            product[i - f.degree + j] =
                (product[i - f.degree + j] + product[i] * f.reduction[j]) % f.prime;
          product[i] = 0;
        }
        field.plus[a][b] = number(sum);
        field.times[a][b] = number(product);
      }
  }
  return field;
}

// Bush, "Orthogonal arrays of index unity" (1952): the row (a, b) holds a*c + b for each element c
// of the field, and a in the last column. The q rows with a = 0 are constant but for that column.
Rows Bush(const Field& field) {
  Rows rows;
  for (std::size_t a = 0; a < field.q; ++a)
    for (std::size_t b = 0; b < field.q; ++b) {
      Row row;
      for (std::size_t c = 0; c < field.q; ++c) row.push_back(field.plus[field.times[a][c]][b]);
      row.push_back(a);
      rows.push_back(std::move(row));
    }
  return rows;
}

// Bush's array beside itself: column (i, j) is column i on top; below, column j without the
// constant rows, which the top makes up for. One more column: 0 on top, `a` below.
Rows Product(const Field& field) {
  const Rows top = Bush(field);
  Rows rows;
  for (const Row& row : top) {
    Row wide;
    for (std::size_t i = 0; i <= field.q; ++i)
      for (std::size_t j = 0; j < field.q; ++j) wide.push_back(row[i]);
    wide.push_back(0);
    rows.push_back(std::move(wide));
  }
  for (std::size_t r = field.q; r < top.size(); ++r) {
    Row wide;
    for (std::size_t i = 0; i <= field.q; ++i)
      for (std::size_t j = 0; j < field.q; ++j) wide.push_back(top[r][j]);
    wide.push_back(top[r][field.q]);
    rows.push_back(std::move(wide));
  }
  return rows;
}

// Two levels: columns are the subsets of the rows with half of them (rounded down) that hold the
// first row... any two of which meet, differ both ways, and leave a row free (Katona 1973,
// Kleitman and Spencer 1973). C(n-1, ceil(n/2)) columns with n rows.
Rows TwoLevels(std::size_t columns) {
  for (std::size_t n = 4; n < 60; ++n) {
    const std::size_t ones = n / 2;  // with the first row always among the ones
    Row pick(n - 1, 0);
    std::fill(pick.end() - static_cast<std::ptrdiff_t>(ones - 1), pick.end(), 1);
    Rows rows(n);
    do {
      rows[0].push_back(1);
      for (std::size_t r = 1; r < n; ++r) rows[r].push_back(pick[r - 1]);
    } while (rows[0].size() < columns && std::next_permutation(pick.begin(), pick.end()));
    if (rows[0].size() >= columns) return rows;
  }
  return {};
}

// One row after the other: begins with a pair that is still missing, then gives each factor, in an
// order drawn anew each time, the level that covers most. The best of several tries is taken.
Rows Greedy(const Row& sizes) {
  Rows rows;
  Coverage coverage(sizes);
  std::mt19937_64 draws(1);
  std::size_t missing = coverage.Missing();
  const int tries = sizes.size() > 30 ? 8 : 40;
  while (missing > 0) {
    std::vector<Row> open;
    coverage.ForEach([&](std::size_t f, std::size_t x, std::size_t g, std::size_t y) {
      if (coverage.At(f, x, g, y) == 0) open.push_back({f, x, g, y});
    });
    Row best;
    std::size_t best_gain = 0;
    for (int t = 0; t < tries; ++t) {
      Row row(sizes.size(), kAny);
      const Row& pair = open[static_cast<std::size_t>(draws() % open.size())];
      row[pair[0]] = pair[1];
      row[pair[2]] = pair[3];
      std::size_t gain = 1;
      Row order;
      for (std::size_t f = 0; f < sizes.size(); ++f)
        if (row[f] == kAny) order.push_back(f);
      for (std::size_t i = order.size(); i > 1; --i)
        std::swap(order[i - 1], order[static_cast<std::size_t>(draws() % i)]);
      for (const std::size_t f : order) {
        std::size_t best_level = 0;
        std::size_t most = 0;
        const auto shift = static_cast<std::size_t>(draws() % sizes[f]);
        for (std::size_t k = 0; k < sizes[f]; ++k) {
          const std::size_t level = (k + shift) % sizes[f];
          const std::size_t g = coverage.Gain(row, f, level);
          if (k == 0 || g > most) {
            most = g;
            best_level = level;
          }
        }
        row[f] = best_level;
        gain += most;
      }
      if (gain > best_gain) {
        best_gain = gain;
        best = row;
      }
    }
    coverage.Add(best, 1);
    missing -= best_gain;
    rows.push_back(best);
  }
  return rows;
}

// Cuts an array for more factors or levels down to `sizes`, and leaves out rows that have become
// needless. Levels that do not exist are free to take what covers something.
Rows Fit(const Rows& rows, const Row& sizes) {
  Rows fitted;
  Coverage coverage(sizes);
  for (const Row& row : rows) {
    Row cut(row.begin(), row.begin() + static_cast<std::ptrdiff_t>(sizes.size()));
    for (std::size_t f = 0; f < cut.size(); ++f)
      if (cut[f] >= sizes[f]) cut[f] = kAny;
    fitted.push_back(cut);
    coverage.Add(cut, 1);
  }
  for (std::size_t r = fitted.size(); r-- > 0;) {
    coverage.Add(fitted[r], -1);
    bool needed = false;
    for (std::size_t f = 0; f < sizes.size() && !needed; ++f)
      needed = fitted[r][f] != kAny && coverage.Gain(fitted[r], f, fitted[r][f]) > 0;
    if (needed)
      coverage.Add(fitted[r], 1);
    else
      fitted.erase(fitted.begin() + static_cast<std::ptrdiff_t>(r));
  }
  for (Row& row : fitted)
    for (std::size_t f = 0; f < row.size(); ++f)
      if (row[f] == kAny) row[f] = 0;
  return fitted;
}

}  // namespace

bool CoversAllPairs(const Rows& rows, const Row& sizes) {
  Coverage coverage(sizes);
  for (const Row& row : rows) {
    if (row.size() != sizes.size()) return false;
    for (std::size_t f = 0; f < row.size(); ++f)
      if (row[f] >= sizes[f]) return false;
    coverage.Add(row, 1);
  }
  return coverage.Missing() == 0;
}

Rows CoverPairs(const Row& given) {
  if (given.empty()) return {};
  // Largest first, so that arrays for mixed sizes are cut where it costs least.
  Row order(given.size());
  for (std::size_t i = 0; i < order.size(); ++i) order[i] = i;
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return given[a] > given[b]; });
  Row sizes;
  for (const std::size_t f : order) sizes.push_back(given[f]);

  Rows best;
  if (sizes.size() == 1) {
    for (std::size_t level = 0; level < sizes[0]; ++level) best.push_back({level});
  } else {
    best = Greedy(sizes);
    const auto offer = [&](const Rows& rows) {
      if (rows.empty() || rows[0].size() < sizes.size()) return;
      Rows fitted = Fit(rows, sizes);
      if (fitted.size() < best.size() && CoversAllPairs(fitted, sizes)) best = std::move(fitted);
    };
    if (sizes[0] <= 2) offer(TwoLevels(sizes.size()));
    for (const std::size_t q : {2, 3, 4, 5, 7, 8, 9, 11, 13, 16}) {
      if (q < sizes[0]) continue;
      const Field field = MakeField(q);
      if (sizes.size() <= q + 1) {
        offer(Bush(field));
        break;
      }
      if (sizes.size() <= q * q + q + 1) offer(Product(field));
    }
  }
  Rows rows;
  for (const Row& row : best) {
    Row restored(given.size(), 0);
    for (std::size_t i = 0; i < order.size(); ++i) restored[order[i]] = row[i];
    rows.push_back(std::move(restored));
  }
  return rows;
}

}  // namespace trial
