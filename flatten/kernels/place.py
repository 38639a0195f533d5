"""Sensor axes to level axes about the fan's origin, and on to bins."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gather import read_return
from flatten.kernels.groups import Plan, Returns
from flatten.kernels.jit import part
from flatten.kernels.loads import load_single

Numbers = npt.NDArray[np.float64]

TURNS_PER_RADIAN = 2.0 / math.pi  # quarter turns


@part
def quarter_turns(x: float, y: float) -> float:
    """Bearing of (x, y) in quarter turns, −2 … 2 counter-clockwise from x.

    Quarter turns and not radians, so that the axes and every bin edge that is a fraction of a
    right angle come out exact, and nothing falls between the two sides of ±π.
    """
    ax, ay = abs(x), abs(y)
    turn = 1.0 - math.atan2(ax, ay) * TURNS_PER_RADIAN if ay > ax else math.atan2(ay, ax) * TURNS_PER_RADIAN
    if x < 0.0:
        turn = 2.0 - turn
    return -turn if y < 0.0 else turn


@part
def bin_of(turn: float, first: float, span: float, bins: int) -> int:
    """Bin of a bearing; −1 outside the fan. `first` and `span` in quarter turns.

    Bin k covers [first + k·step, first + (k+1)·step); on a full circle the closing edge is bin 0.
    """
    beyond = turn - first
    beyond -= 4.0 * math.floor(beyond * 0.25)
    if beyond >= 4.0:
        beyond = 0.0
    if beyond >= span:
        return -1
    b = int(beyond * (bins / span))
    return b if b < bins else bins - 1


@part
def place_point(x: float, y: float, z: float, m: Numbers) -> tuple[float, float, float]:
    """Give a point of the sensor's axes in those that `m` (3, 4) leads to.

    The one place where exact coordinates are made, so that all that compare them compare the same numbers.
    """
    return (
        m[0, 0] * x + m[0, 1] * y + m[0, 2] * z + m[0, 3],
        m[1, 0] * x + m[1, 1] * y + m[1, 2] * z + m[1, 3],
        m[2, 0] * x + m[2, 1] * y + m[2, 2] * z + m[2, 3],
    )


@part
def place_return(index: int, returns: Returns, m: Numbers) -> tuple[float, float, float]:
    """Give one return in level axes about the fan's origin; `m` is level_from_sensor (3, 4)."""
    x, y, z = read_return(index, returns)
    return place_point(x, y, z, m)


@part
def start_of(index: int, returns: Returns, m: Numbers) -> tuple[float, float, float]:
    """Give where the beam of one return began, in level axes about the fan's origin."""
    if returns.starts == 0:
        return m[0, 3], m[1, 3], m[2, 3]
    start, offset = returns.x.start + returns.starts, index * returns.stride
    x = float(load_single(start, offset))
    y, z = float(load_single(start, offset + 4)), float(load_single(start, offset + 8))
    return place_point(x, y, z, m)


@part
def exact_square(index: int, returns: Returns, m: Numbers) -> float:
    """Squared horizontal distance of one return."""
    x, y, _ = place_return(index, returns, m)
    return x * x + y * y


@part
def exact_bin(x: float, y: float, plan: Plan) -> int:
    """Bin of level coordinates; −1 outside the fan."""
    return bin_of(quarter_turns(x, y), plan.first_turn, plan.span, plan.bins)
