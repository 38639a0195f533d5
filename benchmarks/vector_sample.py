"""A loop that is nothing but vectors, to see how far LLVM's static model is off on this machine.

It is made of what the kernels' vector loops are made of, float32 arithmetic on rows of a block, and
runs long enough to be timed.
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
import numpy.typing as npt

from benchmarks.recorded import Call, Recorder

ROW, ROUNDS = 1024, 200
TURN = 0.01
"""Radians a round."""


@numba.njit(error_model="numpy", nogil=True)  # type: ignore[untyped-decorator]
def turn_rows(rounds: int, cosine: np.float32, sine: np.float32, rows: npt.NDArray[np.float32]) -> None:
    """Turn x, y (rows 0, 1) again and again; write r² (row 2) and the slope of the smaller by the larger."""
    for _ in range(rounds):
        for j in range(ROW):
            x, y = rows[j], rows[ROW + j]
            u, v = cosine * x - sine * y, sine * x + cosine * y
            rows[j], rows[ROW + j] = u, v
            rows[2 * ROW + j] = u * u + v * v
            rows[3 * ROW + j] = min(abs(u), abs(v)) / max(abs(u), abs(v))


def call() -> Call:
    """One recorded call of it."""
    rows = np.zeros(4 * ROW, np.float32)
    rows[: 2 * ROW] = np.random.default_rng(5).uniform(1.0, 9.0, 2 * ROW)
    recorder = Recorder()
    kernel: Any = turn_rows
    recorder.around("turn_rows", kernel)(ROUNDS, np.float32(np.cos(TURN)), np.float32(np.sin(TURN)), rows)
    return recorder.calls[0]
