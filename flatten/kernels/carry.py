"""Every return from where the sensor was when it was taken to where the sensor is at one time.

While a frame is taken the sensor moves: a point p, seen at time t, has the coordinates now_from_then(t)·p in
the sensor's axes at the one time. What that adds to p, (now_from_then(t) − 1)·p, is made of twelve numbers,
and between two knots of time each of them is a parabola, A + s·(B + s·C), of the share s of the way from
knot to knot. The sum is small where the sensor moved little, so that what float32 costs is small too, and a
sensor that stood still changes nothing.

Most clouds are in the order of time: then many returns follow each other between the same two knots, and are
carried eight at a time. Where they are not, each looks its own knots up. Both do the same sums.

What lies in a blind zone does not stand in the world: it is the robot itself, and moves with the sensor. Its
place in the body is that in the sensor's axes at its own time, so it stays as it is, and its beam begins at
the sensor of the one time. Then it lies in its zone for all that follows. Asked is what is written, the
coordinates as float32, by the sums of `place`: the sweep asks again, and must not find anything else.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.carry_one import SHARE, START, VALID, carry_one
from flatten.kernels.gather import gather, read_return
from flatten.kernels.groups import Returns, Zones
from flatten.kernels.instants import TICK, bearings_to_ticks, read_stamps, stamps_to_ticks
from flatten.kernels.jit import kernel, part
from flatten.kernels.lanes import fma, select
from flatten.kernels.loads import FLOAT64, FLOAT64_SWAPPED
from flatten.kernels.place import place_point
from flatten.kernels.sieve import flag_own
from flatten.kernels.workroom import BLOCK, HEIGHT, NO, OWN, PITCH, PX, PY, PZ, X, Y
from flatten.kernels.zones import in_some_zone

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]
Layout = npt.NDArray[np.int64]

F = np.float32
NAN, ZERO, INF, TINY = F(np.nan), F(0), F(np.inf), F(1e-30)
ONE_LANE, NO_LANE = np.int32(1), np.int32(0)

STAMPS, BEARINGS = 0, 1
"""Where the time of a return comes from."""
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
def tell_returns(n: int, work: Singles) -> None:
    """Tell which of n are returns, and which are not finite or exactly zero."""
    for j in range(n):
        x, y, z = abs(work[PX + j]), abs(work[PY + j]), abs(work[PZ + j])
        good = (x < INF) & (y < INF) & (z < INF) & (x + y + z > ZERO)
        work[VALID + j] = select(good, ZERO, NAN)


@part
def take_shares(n: int, start: np.int32, inverse: np.float32, work: Singles, lanes: Lanes) -> None:
    """Give n returns between the same two knots their share of the way from one to the other."""
    for j in range(n):
        work[SHARE + j] = F(lanes[TICK + j] - start) * inverse


@part
def carry_axis(n: int, axis: int, k: int, parabolas: Singles, work: Singles) -> None:
    """Carry one coordinate of n returns, all between knot k and the next.

    An axis at a time, so that the twelve numbers of its parabolas stay in registers.
    """
    a, b, c = parabolas[k, 0], parabolas[k, 1], parabolas[k, 2]
    ax, ay, az, at = a[axis], a[4 + axis], a[8 + axis], a[12 + axis]
    bx, by, bz, bt = b[axis], b[4 + axis], b[8 + axis], b[12 + axis]
    cx, cy, cz, ct = c[axis], c[4 + axis], c[8 + axis], c[12 + axis]
    own, end_row, start_row = PX + axis * PITCH, X + axis * PITCH, START + axis * PITCH
    for j in range(n):
        s = work[SHARE + j]
        moved = fma(s, fma(s, ct, bt), at)
        work[start_row + j] = moved
        moved = fma(fma(s, fma(s, cz, bz), az), work[PZ + j], moved)
        moved = fma(fma(s, fma(s, cy, by), ay), work[PY + j], moved)
        moved = fma(fma(s, fma(s, cx, bx), ax), work[PX + j], moved)
        work[end_row + j] = work[own + j] + moved


@part
def carry_run(
    n: int, k: int, parabolas: Singles, start: np.int32, inverse: np.float32, work: Singles, lanes: Lanes
) -> None:
    """Carry n returns, all between knot k and the next."""
    take_shares(n, start, inverse, work, lanes)
    carry_axis(n, 0, k, parabolas, work)
    carry_axis(n, 1, k, parabolas, work)
    carry_axis(n, 2, k, parabolas, work)


@part
def carry_each(
    n: int, parabolas: Singles, starts: Lanes, inverses: Singles, cells: Lanes, shift: int,
    work: Singles, lanes: Lanes,
) -> None:  # fmt: skip
    """Carry n returns, each between knots of its own."""
    for j in range(n):
        tick = lanes[TICK + j]
        k = knot_before(tick, starts, cells, shift)
        carry_one(parabolas, k, F(tick - starts[k]) * inverses[k], work, j)


@part
def count_between(n: int, start: np.int32, beyond: np.int32, lanes: Lanes) -> int:
    """Count how many of n ticks lie in [start, beyond)."""
    found = np.int32(0)
    for j in range(n):
        tick = lanes[TICK + j]
        found = np.int32(found + select((tick >= start) & (tick < beyond), ONE_LANE, NO_LANE))
    return found


@part
def carry_block(
    n: int, parabolas: Singles, starts: Lanes, inverses: Singles, cells: Lanes, shift: int,
    work: Singles, lanes: Lanes,
) -> None:  # fmt: skip
    """Carry the n returns of the block, a run at a time; each by itself where a run has several knots.

    A run's rows begin with `work[begin:]`, so that its loops count from 0: of an index that may be
    negative the compiler makes a branch, and no vectors.
    """
    tell_returns(n, work)
    for begin in range(0, n, RUN):
        m = min(RUN, n - begin)
        here, ticks = work[begin:], lanes[begin:]
        k = knot_before(ticks[TICK], starts, cells, shift)
        if count_between(m, starts[k], starts[k + 1], ticks) == m:
            carry_run(m, k, parabolas, starts[k], inverses[k], here, ticks)
        else:
            carry_each(m, parabolas, starts, inverses, cells, shift, here, ticks)


@part
def carry_doubles(
    returns: Returns, first: int, n: int, parabolas: Singles, starts: Lanes, inverses: Singles,
    cells: Lanes, shift: int, work: Singles, lanes: Lanes,
) -> None:  # fmt: skip
    """Read n returns from `first` on as float64 and carry them: rounded once, when all is added."""
    for j in range(n):
        x, y, z = read_return(first + j, returns)
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
        for_axis = START + j
        work[for_axis], work[for_axis + PITCH], work[for_axis + 2 * PITCH] = tx, ty, tz


@part
def keep_own(first: int, n: int, returns: Returns, zones: Zones, work: Singles, lanes: Lanes) -> None:
    """Put those of n returns from `first` on that lie in a blind zone back to where they were.

    Their ticks are not needed any more: FLAG is the same row, and nobody reads it.
    """
    flag_own(n, zones.matrix, zones.box, work, lanes)
    for j in range(n):
        if lanes[OWN + j] == NO:
            continue
        px, py, pz = read_return(first + j, returns)
        px, py, pz = F(px), F(py), F(pz)
        x, y, z = place_point(float(px), float(py), float(pz), zones.body_from_sensor)
        if in_some_zone(zones.rows, x, y, z):
            work[X + j], work[Y + j], work[HEIGHT + j] = px, py, pz
            work[START + j] = work[START + PITCH + j] = work[START + 2 * PITCH + j] = ZERO


@part
def gather_plain(first: int, n: int, returns: Returns, work: Singles) -> None:
    """Copy n returns from `first` on to PX, PY, PZ as they are, from float32 of any layout."""
    for j in range(n):
        x, y, z = read_return(first + j, returns)
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
    """Write where the sensor was behind the ends, where a return takes six numbers."""
    for j in range(n):
        out[at + 6 * j + 3] = work[START + j]
        out[at + 6 * j + 4] = work[START + PITCH + j]
        out[at + 6 * j + 5] = work[START + 2 * PITCH + j]


@kernel
def carry(
    returns: Returns, source: int, kind: int, stamp_layout: Layout, stamp_columns: int,
    whole_origin: int, origin: float, rate: float, later: float, first_turn: float, way: float,
    parabolas: Singles, starts: Lanes, inverses: Singles, cells: Lanes, shift: int,
    zones: Zones, with_starts: bool, out: Singles, work: Singles, lanes: Lanes, numbers: Numbers,
) -> None:  # fmt: skip
    """Carry all returns to the one time and write them to `out`, float32, three numbers a return or six.

    Where their times come from: `source` is STAMPS (kind, stamp_layout, stamp_columns, whole_origin and
    origin as in `read_stamps`; ticks are rate·stamp + later) or BEARINGS (first_turn and way as in
    `bearings_to_ticks`).

    `parabolas` is (knots, 3, TERMS): A, B and C from each knot on. `starts` are the ticks of the knots, then
    one beyond all ticks; `inverses` one over the ticks from knot to knot; `cells[tick >> shift]` is a knot
    not after that tick, and near it. What lies in one of `zones` at its own time is not carried.
    """
    doubles, n = returns.code in (FLOAT64, FLOAT64_SWAPPED), returns.n
    step = 6 if with_starts else 3
    for first in range(0, n, BLOCK):
        m = min(BLOCK, n - first)
        if returns.stride == 0:
            gather_plain(first, m, returns, work)
        else:
            gather(first, m, returns, work)
        if source == BEARINGS:
            bearings_to_ticks(m, F(first_turn), F(way), work, lanes)
        else:
            read_stamps(kind, stamp_layout, stamp_columns, first, m, whole_origin, origin, numbers)
            stamps_to_ticks(m, rate, later, numbers, lanes)
        if doubles:
            carry_doubles(returns, first, m, parabolas, starts, inverses, cells, shift, work, lanes)
        else:
            carry_block(m, parabolas, starts, inverses, cells, shift, work, lanes)
        if zones.box.size > 0:
            keep_own(first, m, returns, zones, work, lanes)
        if with_starts:
            write_ends(m, first * step, 6, work, out)
            write_starts(m, first * step, work, out)
        else:
            write_ends(m, first * step, 3, work, out)
