"""A stand-in for the odometry that shares a rover's board: run as a program, it keeps one core busy for ever.

Half of its time goes into small float matrices, as a filter needs them, half into walking through
more memory than the caches hold, as a map does. It says one byte when it is at work, and ends
when its standard input ends: however the parent comes to its end, nothing stays behind.
"""

from __future__ import annotations

import os
import sys
import threading

import numpy as np

STATE, MAP = 64, 4_000_000
"""Rows of the filter's matrix; float64 numbers of the map (32 MB)."""


def end_with_parent() -> None:
    """Wait for the end of the standard input, and end at once."""
    while os.read(0, 1):
        pass
    os._exit(0)


def work() -> None:
    """Predict, correct, look up and rewrite the map; again and again."""
    rng = np.random.default_rng(1)
    turn = np.linalg.qr(rng.normal(size=(STATE, STATE)))[0]
    spread, noise = np.eye(STATE), np.diag(rng.uniform(0.1, 1.0, STATE))
    cells, places = rng.normal(size=MAP), rng.integers(0, MAP, MAP // 16)
    os.write(1, b".")
    while True:
        for _ in range(60):
            spread = turn @ spread @ turn.T + noise
            spread -= spread @ np.linalg.solve(spread + noise, spread)
        cells[places] += 1e-3
        cells *= 0.999


if __name__ == "__main__":
    threading.Thread(target=end_with_parent, daemon=True).start()
    try:
        work()
    except KeyboardInterrupt:
        sys.exit(130)
