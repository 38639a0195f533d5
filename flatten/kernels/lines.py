"""Lines through the heights of a cell's returns: the mode of their heights, and a fit about it.

Sums are of integers (0.1 mm): the order of the returns changes nothing.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels.groups import Grown, Listed, Rules
from flatten.kernels.jit import part
from flatten.kernels.survey import END, RINGS, SECTORS

Lanes = npt.NDArray[np.int32]

WIDTH = 0.02
"""Metres of a bin of heights."""
TALLEST = 128
"""Most bins of heights."""
SLOPES = 5
BAND = 0.06
"""Metres about the mode within which returns are of the floor."""
UNITS = 1e4
"""Integers a metre."""
RIDGE = 0.04
"""m²: the variance of heights (2 cm) over that of how slopes change from cell to cell (0.1)."""
MANY = 6
"""With so many returns a cell may have a slope of its own."""


@part
def count(c: int, r0: float, h: float, g: float, low: float, n: int, listed: Listed, counts: Lanes) -> int:
    """Count the heights of a cell's returns above the line, in n bins from `low` on; give their number."""
    i, found = listed.head[c], 0
    while i != END:
        d = listed.z[i] - (h + g * (listed.r[i] - r0)) - low
        if 0.0 <= d < n * WIDTH:
            counts[min(int(d / WIDTH), n - 1)] += 1
            found += 1
        i = listed.next_[i]
    return found


@part
def lowest_mode(n: int, counts: Lanes) -> tuple[int, int]:
    """Middle one of the lowest three bins that many lie in, and how many do."""
    most = 0
    for b in range(1, n - 1):
        most = max(most, counts[b - 1] + counts[b] + counts[b + 1])
    wanted = max(2, (3 * most + 9) // 10)
    for b in range(1, n - 1):
        here = counts[b - 1] + counts[b] + counts[b + 1]
        if here >= wanted:
            at = b
            while at < n - 2 and counts[at + 2] > counts[at - 1]:
                here += counts[at + 2] - counts[at - 1]
                at += 1
            return at, here
    return -1, 0


@part
def middle_mode(n: int, counts: Lanes) -> tuple[int, int]:
    """Of the three bins that most lie in, the middle one; the nearest to what is expected where several do.

    For so few returns that the lowest is only the one with most noise.
    """
    best, most = -1, 0
    for j in range(n - 2):
        b = n // 2 + ((j + 1) // 2 if j % 2 else -(j // 2))
        if b < 1 or b > n - 2:
            continue
        here = counts[b - 1] + counts[b] + counts[b + 1]
        if here > most:
            best, most = b, here
    return (best, most) if most >= 2 else (-1, 0)


@part
def aside(s: int, o: int, rules: Rules, grown: Grown) -> float:
    """How much higher the floor is expected in sector o beside s: the floor falls to the side too."""
    rise = float(grown.edge[0, o]) - float(grown.edge[0, s])
    return rise if abs(rise) <= 2.0 * rules.step else 0.0


@part
def best_line(
    s: int,
    k: int,
    wide: bool,
    r0: float,
    h: float,
    g: float,
    reach: float,
    rules: Rules,
    listed: Listed,
    grown: Grown,
) -> tuple[float, float, int]:
    """Height at r0 and slope of the line with most returns on it; and how many."""
    n = min(TALLEST, 2 * int(reach / WIDTH) + 3)
    low = -0.5 * n * WIDTH
    best, most, best_slope = 0.0, 0, g
    slopes = SLOPES
    for j in range(-1, SLOPES):
        if j >= slopes:
            break
        slope = g if j < 0 else rules.slope * (2.0 * j / (SLOPES - 1) - 1.0)
        grown.counts[:n] = 0
        found = 0
        for t in range(-1 if wide else 0, 2 if wide else 1):
            o = (s + t) % SECTORS
            found += count(
                o * RINGS + k, r0, h + aside(s, o, rules, grown), slope, low, n, listed, grown.counts
            )
        slopes = SLOPES if found >= MANY else 0
        b, here = lowest_mode(n, grown.counts) if found >= MANY else middle_mode(n, grown.counts)
        # a line as before is wrong for a few only where it is as good
        if here > (most + most // 8 + 1 if j >= 0 else most):
            best, most, best_slope = h + low + (b + 0.5) * WIDTH, here, slope
    return best, best_slope, most


@part
def fit(
    s: int,
    k: int,
    wide: bool,
    r0: float,
    h: float,
    g: float,
    expected: float,
    rules: Rules,
    listed: Listed,
    grown: Grown,
) -> tuple[float, float, int, float]:
    """Fit a line to the returns near one: height at r0, slope, returns, their spread of distances (m²)."""
    n, su, sd, suu, sud = 0, 0, 0, 0, 0
    for t in range(-1 if wide else 0, 2 if wide else 1):
        o = (s + t) % SECTORS
        i, other = listed.head[o * RINGS + k], h + aside(s, o, rules, grown)
        while i != END:
            u = listed.r[i] - r0
            d = listed.z[i] - (other + g * u)
            if abs(d) <= BAND:
                iu, id_ = int(u * UNITS), int((d + 1.0) * UNITS)
                n, su, sd, suu, sud = n + 1, su + iu, sd + id_, suu + iu * iu, sud + iu * id_
            i = listed.next_[i]
    if n == 0:
        return h, g, 0, 0.0
    mean_u, mean_d = su / n, sd / n
    spread = (suu - su * mean_u) / UNITS**2
    bend = (sud - su * mean_d) / UNITS**2
    bend = (bend + RIDGE * (expected - g)) / (spread + RIDGE)
    return h + mean_d / UNITS - 1.0 - bend * mean_u / UNITS, g + bend, n, spread
