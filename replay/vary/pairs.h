// Covering arrays of strength two: few rows in which every pair of levels of every two factors
// occurs together at least once.
#pragma once

#include <cstddef>
#include <vector>

namespace trial {

// `sizes[i]`: levels of factor i, at least 1. Each row holds a level for every factor. Takes the
// smallest of: the algebraic constructions (Bush: q*q rows for q+1 factors of q levels, q a prime
// power; their product: 2*q*q-q rows for q*q+q+1 factors; Katona, Kleitman and Spencer for two
// levels) and a greedy search. Deterministic.
std::vector<std::vector<std::size_t>> CoverPairs(const std::vector<std::size_t>& sizes);

// True if `rows` cover all pairs of `sizes`.
bool CoversAllPairs(const std::vector<std::vector<std::size_t>>& rows,
                    const std::vector<std::size_t>& sizes);

}  // namespace trial
