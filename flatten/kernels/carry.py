"""Every return from where the sensor was when it was taken to where the sensor is at one time.

While a frame is taken the sensor moves: a point p, seen at time t, has the coordinates now_from_then(t)·p in
the sensor's axes at the one time. What that adds to p, (now_from_then(t) − 1)·p, is made of twelve numbers,
and between two knots of time each of them is a parabola, A + s·(B + s·C), of the share s of the way from knot to
knot. The sum is small where the sensor moved little, so that what float32 costs is small too, and a sensor
that stood still changes nothing.

Most clouds are in the order of time: then many returns follow each other between the same two knots, and are
carried eight at a time. Where they are not, each looks its own knots up. Both do the same sums.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gather import Layout, gather, read_return
from flatten.kernels.instants import TICK, bearings_to_ticks, read_stamps, stamps_to_ticks
from flatten.kernels.jit import kernel, part
from flatten.kernels.lanes import fma, select
from flatten.kernels.loads import FLOAT64, FLOAT64_SWAPPED
from flatten.kernels.workroom import BLOCK, HEIGHT, PX, PY, PZ, SQUARE, X, Y

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]

F = np.float32
NAN, ZERO, INF, TINY = F(np.nan), F(0), F(np.inf), F(1e-30)
ONE_LANE, NO_LANE = np.int32(1), np.int32(0)

STAMPS, BEARINGS = 0, 1
"""Where the time of a return comes from."""
TERMS = 16
"""Numbers of a matrix in `parabolas`: four columns (what x, y, z and 1 are multiplied by) of x, y, z and a zero."""
VALID = SQUARE
"""Row of the float32 workroom: 0 for a return, NaN for what is none."""
RUN = 128
"""Returns that are looked at together: whether all lie between the same two knots."""


@part
def knot_before(tick: int, starts: Lanes, cells: Lanes, shift: int) -> int:
    """Give the last knot that is not after this tick: near by the cell, then step by step."""
    k = cells[tick >> shift]
    while tick >= starts[k + 1]:
        k += 1
    return k


@part
def term(parabolas: Singles, k: int, i: int, s: np.float32) -> np.float32:
    """Give number i of the matrix at share s of the way from knot k to the next."""
    return fma(s, fma(s, parabolas[k, 2, i], parabolas[k, 1, i]), parabolas[k, 0, i])


@part
def carry_run(
    begin: int, end: int, k: int, parabolas: Singles, start: np.int32, inverse: np.float32,
    work: Singles, lanes: Lanes,
) -> None:  # fmt: skip
    """Carry returns `begin` to `end` of the block, all between knot k and the next.

    PX, PY, PZ to X, Y, HEIGHT, and then where the sensor was to PX, PY, PZ. What is no return (not finite, or
    exactly zero) becomes NaN; what happens to come to lie at exactly zero is moved off by nothing that matters.
    """
    for j in range(begin, end):
        s = F(lanes[TICK + j] - start) * inverse
        x, y, z = work[PX + j], work[PY + j], work[PZ + j]
        tx, ty, tz = term(parabolas, k, 12, s), term(parabolas, k, 13, s), term(parabolas, k, 14, s)
        dx = fma(term(parabolas, k, 8, s), z, tx)
        dy = fma(term(parabolas, k, 9, s), z, ty)
        dz = fma(term(parabolas, k, 10, s), z, tz)
        dx = fma(term(parabolas, k, 4, s), y, dx)
        dy = fma(term(parabolas, k, 5, s), y, dy)
        dz = fma(term(parabolas, k, 6, s), y, dz)
        work[X + j] = x + fma(term(parabolas, k, 0, s), x, dx)
        work[Y + j] = y + fma(term(parabolas, k, 1, s), x, dy)
        work[HEIGHT + j] = z + fma(term(parabolas, k, 2, s), x, dz)
        good = (abs(x) < INF) & (abs(y) < INF) & (abs(z) < INF) & (abs(x) + abs(y) + abs(z) > ZERO)
        work[VALID + j] = select(good, ZERO, NAN)
        work[PX + j], work[PY + j], work[PZ + j] = tx, ty, tz


@part
def carry_each(
    begin: int, end: int, parabolas: Singles, starts: Lanes, inverses: Singles, cells: Lanes, shift: int,
    work: Singles, lanes: Lanes,
) -> None:  # fmt: skip
    """Carry returns `begin` to `end` of the block, each between knots of its own."""
    for j in range(begin, end):
        k = knot_before(lanes[TICK + j], starts, cells, shift)
        carry_run(j, j + 1, k, parabolas, starts[k], inverses[k], work, lanes)


@part
def carry_block(
    n: int, parabolas: Singles, starts: Lanes, inverses: Singles, cells: Lanes, shift: int,
    work: Singles, lanes: Lanes,
) -> None:  # fmt: skip
    """Carry the n returns of the block."""
    for begin in range(0, n, RUN):
        end = min(begin + RUN, n)
        k = knot_before(lanes[TICK + begin], starts, cells, shift)
        start, beyond = starts[k], starts[k + 1]
        together = np.int32(0)
        for j in range(begin, end):
            tick = lanes[TICK + j]
            together = np.int32(together + select((tick >= start) & (tick < beyond), ONE_LANE, NO_LANE))
        if together == end - begin:
            carry_run(begin, end, k, parabolas, start, inverses[k], work, lanes)
        else:
            carry_each(begin, end, parabolas, starts, inverses, cells, shift, work, lanes)


@part
def carry_doubles(
    code: int, layout: Layout, columns: int, first: int, n: int, parabolas: Singles, starts: Lanes,
    inverses: Singles, cells: Lanes, shift: int, work: Singles, lanes: Lanes,
) -> None:  # fmt: skip
    """Read n returns from `first` on as float64 and carry them: rounded once, when all is added."""
    for j in range(n):
        x, y, z = read_return(code, layout, columns, first + j)
        k = knot_before(lanes[TICK + j], starts, cells, shift)
        s = F(lanes[TICK + j] - starts[k]) * inverses[k]
        tx, ty, tz = term(parabolas, k, 12, s), term(parabolas, k, 13, s), term(parabolas, k, 14, s)
        dx, dy, dz = float(tx), float(ty), float(tz)
        for axis, value in enumerate((x, y, z)):
            dx += float(term(parabolas, k, 4 * axis, s)) * value
            dy += float(term(parabolas, k, 4 * axis + 1, s)) * value
            dz += float(term(parabolas, k, 4 * axis + 2, s)) * value
        finite = math.isfinite(x) and math.isfinite(y) and math.isfinite(z)
        work[X + j], work[Y + j], work[HEIGHT + j] = F(x + dx), F(y + dy), F(z + dz)
        work[VALID + j] = ZERO if finite and max(abs(x), abs(y), abs(z)) > 0.0 else NAN
        work[PX + j], work[PY + j], work[PZ + j] = tx, ty, tz


@part
def gather_plain(code: int, layout: Layout, columns: int, first: int, n: int, work: Singles) -> None:
    """Copy n returns from `first` on to PX, PY, PZ as they are, from float32 of any layout."""
    for j in range(n):
        x, y, z = read_return(code, layout, columns, first + j)
        work[PX + j], work[PY + j], work[PZ + j] = F(x), F(y), F(z)


@part
def write_ends(n: int, at: int, step: int, work: Singles, out: Singles) -> None:
    """Write X, Y, HEIGHT to `out` from number `at` on, one return `step` numbers after the other."""
    for j in range(n):
        x, y, z, valid = work[X + j], work[Y + j], work[HEIGHT + j], work[VALID + j]
        x = select(abs(x) + abs(y) + abs(z) == ZERO, TINY, x)
        out[at + j * step] = x + valid
        out[at + j * step + 1] = y + valid
        out[at + j * step + 2] = z + valid


@part
def write_starts(n: int, at: int, work: Singles, out: Singles) -> None:
    """Write PX, PY, PZ behind the ends, where a return takes six numbers."""
    for j in range(n):
        out[at + 6 * j + 3] = work[PX + j]
        out[at + 6 * j + 4] = work[PY + j]
        out[at + 6 * j + 5] = work[PZ + j]


@kernel
def carry(
    code: int, layout: Layout, columns: int, stride: int, n: int, source: int, kind: int,
    stamp_layout: Layout, stamp_columns: int, whole_origin: int, origin: float, rate: float, later: float,
    first_turn: float, way: float, parabolas: Singles, starts: Lanes, inverses: Singles, cells: Lanes,
    shift: int, with_starts: bool, out: Singles, work: Singles, lanes: Lanes, numbers: Numbers,
) -> None:  # fmt: skip
    """Carry n returns to the one time and write them to `out`, float32, three numbers a return or six.

    Where the returns lie: code, layout, columns, stride (see `gather`). Where their times come from: `source`
    is STAMPS (kind, stamp_layout, stamp_columns, whole_origin, origin, see `read_stamps`; ticks are rate·stamp +
    later) or BEARINGS (first_turn and way, see `bearings_to_ticks`).

    `parabolas` is (knots, 3, TERMS): A, B and C from each knot on. `starts` are the ticks of the knots, then one
    beyond all ticks; `inverses` one over the ticks from knot to knot; `cells[tick >> shift]` is a knot not after that tick,
    and near it.
    """
    doubles = code in (FLOAT64, FLOAT64_SWAPPED)
    step = 6 if with_starts else 3
    for first in range(0, n, BLOCK):
        m = min(BLOCK, n - first)
        if stride == 0:
            gather_plain(code, layout, columns, first, m, work)
        else:
            gather(code, layout, columns, stride, first, m, work)
        if source == BEARINGS:
            bearings_to_ticks(m, F(first_turn), F(way), work, lanes)
        else:
            read_stamps(kind, stamp_layout, stamp_columns, first, m, whole_origin, origin, numbers)
            stamps_to_ticks(m, rate, later, numbers, lanes)
        if doubles:
            carry_doubles(
                code, layout, columns, first, m, parabolas, starts, inverses, cells, shift, work, lanes
            )
        else:
            carry_block(m, parabolas, starts, inverses, cells, shift, work, lanes)
        if with_starts:
            write_ends(m, first * step, 6, work, out)
            write_starts(m, first * step, work, out)
        else:
            write_ends(m, first * step, 3, work, out)
