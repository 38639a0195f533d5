"""Several frames gathered: older ones carried into the newest one's axes, and what the newest one overrules.

The newest frame's returns come first, then those of the frame before it, and so on. Where the newest frame
saw that nothing stands nothing older does: a return of an older frame does not count in a slice whose
witnessed stretch of its bin, by the beams and returns of the newest frame alone, holds its distance, from
clear_from on and before clear_to. Its beam counts: it passed there in its own time.

The robot's own returns are not kept at all. Each lies in its zone when its frame is kept, wherever the body
was when it was taken (see `carry`), so that it is enough to ask once, then. Later, carried to where the body
is, none could be told from what stands in the world. What its beam passed counts in its own frame alone.

The fast half only finds out which older returns that may concern (`doubt_older`): these go to the exact half,
which asks `is_overruled` slice by slice.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.bands import BOTTOM, TOP
from flatten.kernels.groups import Newest, Plan, Returns, Work, opened
from flatten.kernels.jit import kernel, part
from flatten.kernels.lanes import select
from flatten.kernels.loads import load_single
from flatten.kernels.place import place_return
from flatten.kernels.words import Words
from flatten.kernels.workroom import BIN, HEIGHT, NO, NUMBER, SLACKS, SQUARE, UNSURE, YES
from flatten.kernels.zones import in_some_zone

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Indices = npt.NDArray[np.int64]

F = np.float32
NO_LANE, YES_LANE = np.int32(NO), np.int32(YES)
OFF = F(2.5)
"""A distance is at most 1.9 slacks off: 1.5 as `ground` says, and the rounding of r² and of its root, each
8u·r ≤ slack to the quarter at most."""
TINY = F(1e-30)


@part
def is_overruled(index: int, square: float, s: int, b: int, newest: Newest) -> bool:
    """Tell whether an older return lies where the newest frame witnessed bin b of slice s free.

    At the end of the stretch stands what ended it: that distance is not part of it.
    """
    if index < newest.returns or newest.stretches.shape[1] == 0:
        return False
    r = math.sqrt(square)
    return bool(newest.stretches[0, s, b] <= r < newest.stretches[1, s, b])


@part
def doubt_older(n: int, first: int, plan: Plan, newest: Newest, work: Work) -> None:
    """Mark as UNSURE which of n kept returns of a block may be overruled in some slice."""
    singles, lanes, bands = work.singles, work.lanes, plan.bands
    oldest_own, ends = np.int32(min(max(newest.returns - first, -1), 1 << 30)), newest.stretches
    for s in range(newest.stretches.shape[1]):
        bottom, top = bands[s, BOTTOM], bands[s, TOP]
        for j in range(n):
            b, z, slack = lanes[BIN + j], singles[HEIGHT + j], singles[SLACKS + j]
            at = np.uint32(select(b < NO_LANE, NO_LANE, b))
            r, off = F(math.sqrt(singles[SQUARE + j])), OFF * slack + TINY
            may = (r + off >= ends[0, s, at]) & (r - off <= ends[1, s, at])
            # the bands' own rounding is below a slack; a bottom that rises only takes returns away
            may = may & (z >= bottom - off) & (z <= top + off) & (lanes[NUMBER + j] >= oldest_own)
            lanes[UNSURE + j] |= select(may, YES_LANE, NO_LANE)


@part
def is_swallowed(index: int, returns: Returns, plan: Plan) -> bool:
    """Tell whether a return lies in a blind zone of the body as it is in the axes of the return's frame."""
    x, y, z = place_return(index, returns, plan.body_from_sensor)
    return in_some_zone(plan.zones, x, y, z)


@kernel
def keep_returns(words: Words, records: Singles, numbers: Indices) -> int:
    """Copy the newest frame's returns to `records`, without what is none or lies in a blind zone.

    The returns must be records of float32 of which one takes `returns.stride` bytes; `numbers` takes which
    one each was. Gives how many were copied; both arrays have room for all.
    """
    returns, plan, newest = opened(words, Returns), opened(words, Plan), opened(words, Newest)
    width, kept = returns.stride // 4, 0
    for i in range(min(newest.returns, returns.n)):
        start, at = returns.x.start, kept * width
        for k in range(width):
            records[at + k] = load_single(start, i * returns.stride + 4 * k)
        x, y, z = records[at], records[at + 1], records[at + 2]
        finite = math.isfinite(x) and math.isfinite(y) and math.isfinite(z)
        if not finite or (x == 0.0 and y == 0.0 and z == 0.0) or is_swallowed(i, returns, plan):
            continue
        numbers[kept] = i
        kept += 1
    return kept


@kernel
def bring(n: int, width: int, now_from_then: Numbers, records: Singles, out: Singles) -> None:
    """Carry n records of an older frame, `width` numbers each, into the newest frame's sensor axes.

    A record is where a beam ended, x, y, z, and with `width` 6 where it began; `now_from_then` is (3, 4).
    Sums in float64, rounded once.
    """
    m = now_from_then
    for i in range(0, n * width, 3):
        x, y, z = float(records[i]), float(records[i + 1]), float(records[i + 2])
        for axis in range(3):
            out[i + axis] = F(m[axis, 0] * x + m[axis, 1] * y + m[axis, 2] * z + m[axis, 3])
        if out[i] == 0.0 and out[i + 1] == 0.0 and out[i + 2] == 0.0:
            out[i] = TINY  # at exactly zero lies what is no return
