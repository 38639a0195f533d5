"""How long a frame takes: every case beside its baselines, in turn and in one run, on one core."""

from __future__ import annotations

import statistics
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

from benchmarks import answers, clouds, compiled, plain, profiles
from benchmarks.adapter import has_kernel_call, kernel_call, whole_call
from benchmarks.answers import Ranges
from benchmarks.contest import Run, contest, figures, in_pool, one_core, ratio
from flatten import Flattener

Row = dict[str, Any]

READ, COPY, NUMPY, OPEN3D = (
    "read the bytes",
    "copy the bytes",
    "NumPy, vectorised",
    "Open3D, transform and crop",
)
BARE, KERNEL, FOUR, FULL = (
    "one slice, ranges only",
    "one slice, kernel alone",
    "four slices in one pass",
    "everything",
)
TWO = ", two threads"
BASELINES = (READ, COPY, NUMPY, *compiled.NAMES.values())
"""What every case of a run is divided by, on one core."""
YARDSTICKS = (*BASELINES, OPEN3D, *(f"{name}{TWO}" for name in compiled.NAMES.values()))
"""What is not the library: beside the baselines also what does less than the whole, or more at a time."""

SIZES = {20_000: 4.0, 200_000: 7.0, 4_000_000: 12.0}
"""Returns, and seconds to measure for."""
RECORDS = ((16, 0), (26, 0), (26, 1), (32, 0), (32, 1), (48, 0))
"""Bytes a record, and by how many bytes the first is off alignment."""


@dataclass
class Case:
    """What is timed, and what it answered before that."""

    run: Run
    told: Mapping[str, Any] = field(default_factory=dict)


def measure(sizes: Mapping[int, float] | None = None) -> list[Row]:
    """All rows, frames first; `sizes` maps returns to the seconds each contest lasts."""
    sizes = sizes or SIZES
    with one_core():
        rows = [row for n, seconds in sizes.items() for row in frames(n, seconds)]
        rows += [row for n, seconds in list(sizes.items())[1:] for row in records(n, seconds / 3)]
    return [*rows, *threads(max(sizes), max(sizes.values()) / 2)]


def notes() -> list[str]:
    """What was left out, and why."""
    return [note for note in (compiled.baselines().note, plain.by_open3d(clouds.room(64))[1]) if note]


def frames(n: int, seconds: float) -> Iterator[Row]:
    """Packed xyz clouds in both orders: all baselines, and the library with little and with much to do."""
    whole = Flattener(profiles.full())
    answered: dict[str, Ranges] = {}
    for order in clouds.ORDERS[:2]:
        xyz = clouds.room(n, order)
        cases = {**baseline_cases(xyz), **library_cases(xyz)}
        ours = answers.ranges_of(whole.flatten(xyz, profiles.ATTITUDE))
        if FULL not in answered:  # the slow twin takes 0.2 ms a return; else: the order changes nothing
            answered[FULL] = answers.by_twin(xyz, whole.profile, profiles.ATTITUDE) if n <= 20_000 else ours
        told = answers.differing(ours, answered[FULL])
        cases[FULL] = Case(whole_call(whole, xyz, profiles.ATTITUDE), told)
        labels = {"group": "frames", "returns": n, "order": order, "inside": plain.inside(xyz) / n}
        yield from rows_of(cases, n, seconds, labels)


def baseline_cases(xyz: clouds.Points) -> dict[str, Case]:
    """All baselines on packed xyz, those that answer compared with NumPy's."""
    flat = plain.by_numpy(xyz)
    expected = flat()
    cases = {READ: Case(plain.reading(xyz)), COPY: Case(plain.copying(xyz)), NUMPY: Case(flat)}
    for name in compiled.baselines().functions:
        run = compiled.caller(name, xyz, 12)
        cases[compiled.NAMES[name]] = Case(run, answers.differing(run(), expected))
    cropped, _ = plain.by_open3d(xyz)
    if cropped is not None:
        cases[OPEN3D] = Case(cropped, {"kept": cropped(), "inside": plain.inside(xyz)})
    return cases


def library_cases(xyz: clouds.Points) -> dict[str, Case]:
    """The library with ranges only: one slice and four; and its kernel alone where that can be called."""
    expected = plain.by_numpy(xyz)()
    one = Flattener(profiles.bare(), fields={"ranges"})
    four = Flattener(profiles.sliced(4), fields={"ranges"})
    cases = {}
    for name, flattener in ((BARE, one), (FOUR, four)):
        told = answers.differing(answers.ranges_of(flattener.flatten(xyz)), expected)
        cases[name] = Case(whole_call(flattener, xyz), told)
    if has_kernel_call(one):
        cases[KERNEL] = Case(kernel_call(one, xyz), cases[BARE].told)
    return cases


def records(n: int, seconds: float) -> Iterator[Row]:
    """Message records of several sizes, in scan order, read where they lie."""
    xyz = clouds.room(n)
    expected = plain.by_numpy(xyz)()
    flattener = Flattener(profiles.bare(), fields={"ranges"})
    for step, shift in RECORDS:
        message = clouds.message(xyz, step, shift)
        cases = {READ: Case(plain.reading(message.data)), COPY: Case(plain.copying(message.data))}
        for name in compiled.baselines().functions:
            run = compiled.caller(name, message.data, step)
            cases[compiled.NAMES[name]] = Case(run, answers.differing(run(), expected))
        told = answers.differing(answers.ranges_of(flattener.flatten(message)), expected)
        cases[BARE] = Case(whole_call(flattener, message), told)
        labels = {"group": "records", "returns": n, "order": "scan order", "bytes": step, "shift": shift}
        yield from rows_of(cases, n, seconds, labels)


def threads(n: int, seconds: float) -> Iterator[Row]:
    """Two threads, each with a flattener of its own and one half of the cloud, against one thread."""
    xyz = clouds.room(n)
    halves = xyz[: n // 2], xyz[n // 2 :]
    one, *two = (Flattener(profiles.bare(), fields={"ranges"}) for _ in range(3))
    fast = best_compiled()
    with ThreadPoolExecutor(2) as pool:
        together = in_pool(pool, [whole_call(*pair) for pair in zip(two, halves, strict=True)])
        expected = answers.ranges_of(one.flatten(xyz))
        told = answers.differing(answers.merged(map(answers.ranges_of, together())), expected)
        cases = {READ: Case(plain.reading(xyz)), BARE: Case(whole_call(one, xyz))}
        cases[BARE + TWO] = Case(together, told)
        if fast:
            label, parts = compiled.NAMES[fast], [compiled.caller(fast, half, 12) for half in halves]
            cases[label] = Case(compiled.caller(fast, xyz, 12))
            cases[label + TWO] = Case(in_pool(pool, parts))
        labels = {"group": "threads", "returns": n, "order": "scan order"}
        yield from rows_of(cases, n, seconds, labels, "wall")


def best_compiled() -> str:
    """The fastest C++ baseline there is here, or an empty text."""
    return next((name for name in ("sieved", "blocked") if name in compiled.baselines().functions), "")


def rows_of(
    cases: Mapping[str, Case], n: int, seconds: float, labels: Mapping[str, Any], clock: str = "cpu"
) -> Iterator[Row]:
    """Time the cases side by side; a row each, with the ratios to the baselines among them.

    Told is time on the processor, or with `clock` "wall" that on the wall, where several threads work.
    """
    timed = contest({name: case.run for name, case in cases.items()}, seconds)
    samples: dict[str, list[float]] = {name: getattr(told, clock) for name, told in timed.items()}
    for name, case in cases.items():
        bases = [base for base in YARDSTICKS if base in cases and base not in (name, OPEN3D)]
        ratios = {
            base: ratio(samples[name], samples[base])
            for base in bases
            if base.endswith(TWO) == name.endswith(TWO)  # a busy core disturbs two threads in another way
        }
        yield {
            **labels,
            "case": name,
            **figures(samples[name], n),
            "wall": statistics.median(timed[name].wall) / n,
            "clock": clock,
            **case.told,
            "ratios": ratios,
            "yardstick": name in YARDSTICKS,
        }
