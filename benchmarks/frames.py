"""Flatten one cloud a number of times and do nothing else: a target for instruction counters and profilers.

    python -m benchmarks.frames CASE ORDER RETURNS FRAMES

CASE is one of the keys of CASES, ORDER one of clouds.ORDERS.
"""

from __future__ import annotations

import sys
from collections.abc import Callable

from benchmarks import clouds, compiled, profiles
from benchmarks.adapter import whole_call
from benchmarks.contest import Run
from flatten import Flattener

CASES: dict[str, Callable[[clouds.Points], Run]] = {
    "bare": lambda xyz: whole_call(Flattener(profiles.bare(), fields={"ranges"}), xyz),
    "four": lambda xyz: whole_call(Flattener(profiles.sliced(4), fields={"ranges"}), xyz),
    "full": lambda xyz: whole_call(Flattener(profiles.full()), xyz, profiles.ATTITUDE),
    "plain": lambda xyz: compiled.caller("plain", xyz, 12),
    "blocked": lambda xyz: compiled.caller("blocked", xyz, 12),
    "sieved": lambda xyz: compiled.caller("sieved", xyz, 12),
}


def main(words: list[str]) -> int:
    """Make the cloud, warm up, flatten."""
    case, order, returns, frames = words[0], words[1], int(words[2]), int(words[3])
    run = CASES[case](clouds.room(returns, order))
    for _ in range(2 + frames):
        run()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
