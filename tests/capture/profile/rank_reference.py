#!/usr/bin/python3 -B
"""Our rank test beside scipy.stats.mannwhitneyu, on some hundred pairs of samples.

  rank_reference.py PROGRAM     PROGRAM: rank_values

Debian package python3-scipy. Without ties and up to 20 values each, the exact probability is meant;
otherwise the normal approximation with the corrections for ties and for continuity.
"""
import random
import subprocess
import sys

from scipy.stats import mannwhitneyu

SEED = 20
random.seed(SEED)


def drawn(size, spread, shift):
    return [shift + random.randrange(spread) for _ in range(size)]


pairs = []
for spread in (10, 40, 100000):  # many ties, some, hardly any
    for first, second in ((4, 4), (4, 9), (5, 20), (9, 5), (20, 20), (21, 6), (25, 40), (60, 4)):
        for shift in (0, spread // 4, spread):
            a, b = drawn(first, spread, 1000), drawn(second, spread, 1000 + shift)
            if len(set(a + b)) > 1:
                pairs.append((a, b))

lines = "".join(" ".join(map(str, a)) + " | " + " ".join(map(str, b)) + "\n" for a, b in pairs)
done = subprocess.run([sys.argv[1]], input=lines, stdout=subprocess.PIPE, text=True, check=True)
ours = [float(line) for line in done.stdout.split()]
assert len(ours) == len(pairs), "%d answers to %d pairs" % (len(ours), len(pairs))

bad = exact = 0
for (a, b), p in zip(pairs, ours):
    ties = len(set(a + b)) < len(a + b)
    method = "asymptotic" if ties or len(a) > 20 or len(b) > 20 else "exact"
    exact += method == "exact"
    theirs = mannwhitneyu(a, b, alternative="two-sided", method=method).pvalue
    if abs(p - theirs) > 1e-9 * max(p, theirs) + 1e-15:
        bad += 1
        print("%s | %s: %.12g, and scipy's %s says %.12g" % (a, b, p, method, theirs))
print("%d pairs, %d of them exact: %d differ" % (len(pairs), exact, bad))
assert 10 < exact < len(pairs) - 10, "both ways must be tried"
sys.exit(1 if bad else 0)
