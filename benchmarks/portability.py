"""The same answer on every processor: the kernels of other cores, emulated, against those of this machine.

100,000 returns of which half are unkind go through every set of stages. Each call of a kernel starts from
what it was given here; afterwards every array it was given is compared with what the same call left
here, bit by bit. Only a NaN may have other bits, for its sign and payload are the processor's own.

What LLVM leaves to the C library: square roots, which IEEE 754 rounds in one way only; the next float,
which needs no rounding; and arc tangent, hypotenuse, sine and cosine, which a library may round in the last
bit as it likes. Their results for the same numbers are compared by themselves.
"""

from __future__ import annotations

import ctypes
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import llvmlite.binding as llvm
import numpy as np
import numpy.typing as npt

from benchmarks import board_classes, clouds, emulator, native_call, retarget
from benchmarks.board_parts import Frames
from benchmarks.clouds import Points
from benchmarks.emulator import Program
from benchmarks.profiles import BINS, BOTTOM, FAR, HEIGHT, NEAR, TOP
from benchmarks.recorded import STAGES, frame
from flatten.kernels.groups import Work

RETURNS, ROOM = 100_000, 400_000
"""Of the unkind cloud; and of a room, more of which only arc tangents are compared."""
TOOLS = ("llvm-nm",)
Numbers = npt.NDArray[np.float64]
EXACT = {
    "sqrt", "sqrtf", "floor", "floorf", "ceil", "ceilf", "fma", "fmaf", "numba_nextafter", "numba_nextafterf",
    "memcpy", "memmove", "memset",
}  # fmt: skip
"""Functions of the C library with one right answer."""
OWN_WAY = frozenset(emulator.LIBRARY)
"""Functions that a library may round as it likes."""
WORKROOM = {f"Work.{name}" for name in Work._fields}
"""Arrays that are room to work in for a block: behind what it keeps, `flatten.kernels.pack` leaves other
leftovers where it moves eight numbers at a time than where it moves one. No answer is in them."""
TINY, HUGE = 1e-41, 3e38


def unkind(n: int = RETURNS) -> Points:
    """A room in which every second return is one of those that break programs, shuffled."""
    rng = np.random.default_rng(11)
    xyz = clouds.room(n)
    kinds = [broken(xyz, rng), edges(len(xyz), rng), extremes(len(xyz), rng)]
    chosen = rng.integers(0, 2 * len(kinds), n)
    for number, kind in enumerate(kinds):
        xyz = np.where((chosen == number)[:, None], kind, xyz)
    return np.ascontiguousarray(rng.permutation(xyz), np.float32)


def broken(xyz: Points, rng: np.random.Generator) -> Points:
    """Returns of which one coordinate or all are NaN or infinite, or ±0."""
    values = np.array([np.nan, np.inf, -np.inf, 0.0, -0.0], np.float32)[rng.integers(0, 5, xyz.shape)]
    return np.where(rng.random(xyz.shape) < 0.5, values, xyz)


def edges(n: int, rng: np.random.Generator) -> Points:
    """Returns on a bin's edge, behind at ±π, on a slice's faces, at the reach's ends, or a float beside."""
    k = rng.integers(0, BINS, n)
    azimuth = np.where(rng.random(n) < 0.2, np.pi * rng.choice([-1.0, 1.0], n), 2 * np.pi * k / BINS - np.pi)
    r = rng.choice([NEAR, FAR, 1.0, 2.5, 7.0], n)
    z = rng.choice([BOTTOM, TOP, 0.0, 0.5], n) - HEIGHT
    y = np.where(np.abs(azimuth) == np.pi, np.copysign(0.0, azimuth), r * np.sin(azimuth))
    exact = clouds.sensor_axes(np.stack([r * np.cos(azimuth), y, z], axis=1))
    beside = np.nextafter(exact, np.float32(np.inf) * rng.choice([-1, 1], exact.shape).astype(np.float32))
    return np.where(rng.random(exact.shape) < 0.3, beside, exact)


def extremes(n: int, rng: np.random.Generator) -> Points:
    """Returns with coordinates from the smallest to the largest that float32 has, many denormal or huge."""
    size = rng.choice([TINY, 1e-38, 1e-20, 1.0, 1e19, 1e20, HUGE], (n, 3)) * rng.uniform(0.5, 1.0, (n, 3))
    made: Points = (size * rng.choice([-1.0, 1.0], (n, 3))).astype(np.float32)
    return made


def notes(targets: Sequence[retarget.Target] = ()) -> list[str]:
    """Why nothing can be emulated here; empty if it can."""
    absent = emulator.missing(targets or [board.target for board in arm()], TOOLS)
    return [f"portability: left out, {absent}"] if absent else []


def arm() -> list[board_classes.Board]:
    """The classes whose processors are of another kind than x86."""
    return [board for board in board_classes.boards() if board.target.machine == "aarch64"]


def measure(
    returns: int = RETURNS, cores: Sequence[str] = (), stages: Sequence[str] = ()
) -> list[dict[str, Any]]:
    """Rows of two kinds: `answers`, a core and a set of stages; and `library`, the arc tangents of a core."""
    if notes():
        return []
    xyz = unkind(returns)
    frames = {name: frame(STAGES[name], xyz) for name in stages or STAGES}
    arms = arm()
    sources = retarget.sources((call for calls in frames.values() for call in calls), arms[0].target)
    pairs = np.concatenate([xyz, clouds.room(ROOM)])[:, [1, 0]].astype(np.float64)
    rows, ours = [], library(pairs)
    with tempfile.TemporaryDirectory() as name:
        counter = emulator.built_plugin(Path(name))
        for board in arm():
            if cores and board.core not in cores:
                continue
            folder = Path(name) / board.target.cpu
            folder.mkdir()
            codes = [retarget.retarget(source, board.target) for source in sources.values()]
            program = emulator.built(codes, board.target, folder)
            rows += [*answer_rows(board.core, program, frames, counter, returns)]
            rows.append(library_row(board.core, program, list(sources), pairs, ours))
    return rows


def answer_rows(
    core: str, program: Program, frames: Frames, counter: Path, returns: int
) -> list[dict[str, Any]]:
    """What the arrays of every call look like on a core."""
    rows = []
    for name, calls in frames.items():
        counted, answers = emulator.counted(program, calls, counter)
        everything = native_call.compared(calls, answers)
        found = [each for each in everything if each.argument not in WORKROOM]
        instructions: dict[str, float] = {}
        for stretch in counted.stretches:
            each = stretch.instructions / returns
            instructions[stretch.kernel] = instructions.get(stretch.kernel, 0.0) + each
        rows.append(
            {
                "group": "answers", "core": core, "case": STAGES[name].label, "returns": returns,
                "calls": len(calls), "arrays": len(found), "elements": sum(each.elements for each in found),
                "differ": sum(each.differ for each in found), "nans": sum(each.nans for each in found),
                "where": sorted({f"{each.kernel}: {each.argument}" for each in found if each.differ}),
                "instructions": instructions,
            }
        )  # fmt: skip
    return rows


def library_row(
    core: str, program: Program, kernels: Sequence[str], pairs: Numbers, ours: Numbers
) -> dict[str, Any]:
    """What is left to the C library, and how often its results differ from those used here.

    Raises ValueError for a function of which nobody has thought here.
    """
    outside = {kernel: emulator.outside(program, kernel) for kernel in kernels}
    called = {name for names in outside.values() for name in names}
    unknown = called - EXACT - OWN_WAY
    if unknown:
        raise ValueError(f"kernels call {', '.join(sorted(unknown))}: is there one right answer?")
    theirs = emulator.library(program, pairs)
    differ = {
        name: native_call.unlike(ours[:, k], theirs[:, k])[0]
        for k, name in enumerate(emulator.LIBRARY)
        if name in called
    }
    return {
        "group": "library", "core": core, "pairs": len(pairs), "differ": differ, "outside": outside,
    }  # fmt: skip


def library(pairs: Numbers) -> Numbers:
    """emulator.LIBRARY of pairs (n, 2), by the functions that compiled code calls in this process."""
    columns = []
    for name in emulator.LIBRARY:
        address = llvm.address_of_symbol(name)
        if address is None:
            raise RuntimeError(f"this process has no {name}")
        numbers = 2 if name in ("atan2", "hypot") else 1
        function = ctypes.CFUNCTYPE(ctypes.c_double, *[ctypes.c_double] * numbers)(address)
        columns.append(np.array([function(*pair[:numbers]) for pair in pairs.tolist()]))
    return np.stack(columns, axis=1)


def failures(rows: Sequence[dict[str, Any]]) -> list[str]:
    """A line for each core and set of stages of which any bit differs."""
    return [
        f"{row['core']}, {row['case']}: {row['differ']} elements differ ({', '.join(row['where'])})"
        for row in rows
        if row["group"] == "answers" and row["differ"]
    ]
