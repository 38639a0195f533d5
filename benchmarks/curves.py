"""How the time of a frame grows: with returns, bins, slices, the share inside, order and threads."""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np

from benchmarks import answers, clouds, compiled, plain, profiles
from benchmarks.adapter import whole_call
from benchmarks.contest import in_pool, one_core
from benchmarks.speed import BARE, NUMPY, READ, Case, best_compiled, rows_of
from flatten import Flattener

Row = dict[str, Any]

RETURNS = tuple(1000 * 2**k for k in range(0, 15, 2))
BINS = (90, 360, 720, 1440, 3600, 7200, 14400, 28800)
SLICES = (1, 2, 3, 4, 6, 8, 12, 16)
SHARES = (0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0)
FRAME, LARGE = 200_000, 4_000_000
SECONDS = 2.5
"""For each point of a curve."""


def measure(seconds: float = SECONDS, frame: int = FRAME, large: int = LARGE) -> list[Row]:
    """All curves; a row a point and contestant. `frame` and `large` are returns."""
    with one_core():
        rows = [
            row
            for curve in (over_bins, over_slices, over_shares, over_orders)
            for row in curve(frame, seconds)
        ]
        rows += over_returns(seconds)
    return [*rows, *over_threads(large, seconds)]


def contestants(xyz: clouds.Points, flattener: Flattener, bins: int = profiles.BINS) -> dict[str, Case]:
    """Reading, the C++ baselines and the library on one cloud, answers compared with NumPy's."""
    expected = plain.by_numpy(xyz, bins)()
    cases = {READ: Case(plain.reading(xyz))}
    for name in compiled.baselines().functions:
        run = compiled.caller(name, xyz, 12, bins)
        cases[compiled.NAMES[name]] = Case(run, answers.differing(run(), expected))
    told = answers.differing(answers.ranges_of(flattener.flatten(xyz)), expected)
    return {**cases, BARE: Case(whole_call(flattener, xyz), told)}


def over_returns(seconds: float) -> Iterator[Row]:
    """From a thousand returns to what a map holds."""
    flattener = Flattener(profiles.bare(), fields={"ranges"})
    for n in RETURNS:
        xyz = clouds.room(n)
        cases = contestants(xyz, flattener)
        if n <= 1_000_000:  # what a point costs has long been told by then
            cases[NUMPY] = Case(plain.by_numpy(xyz))
        yield from rows_of(cases, n, seconds, {"curve": "returns", "at": n, "returns": n})


def over_bins(n: int, seconds: float) -> Iterator[Row]:
    """From 4° a bin to 0.0125°."""
    xyz = clouds.room(n)
    for bins in BINS:
        cases = contestants(xyz, Flattener(profiles.bare(bins), fields={"ranges"}), bins)
        yield from rows_of(cases, n, seconds, {"curve": "bins", "at": bins, "returns": n})


def over_slices(n: int, seconds: float) -> Iterator[Row]:
    """Several slices in one pass; the baselines do one, in every point alike."""
    xyz = clouds.room(n)
    for count in SLICES:
        cases = contestants(xyz, Flattener(profiles.sliced(count), fields={"ranges"}))
        yield from rows_of(cases, n, seconds, {"curve": "slices", "at": count, "returns": n})


def over_shares(n: int, seconds: float) -> Iterator[Row]:
    """From no return inside the slice to all of them."""
    flattener = Flattener(profiles.bare(), fields={"ranges"})
    for share in SHARES:
        xyz = clouds.with_share(n, share)
        labels = {"curve": "inside", "at": plain.inside(xyz) / n, "returns": n}
        yield from rows_of(contestants(xyz, flattener), n, seconds, labels)


def over_orders(n: int, seconds: float) -> Iterator[Row]:
    """The same returns in several orders."""
    flattener = Flattener(profiles.bare(), fields={"ranges"})
    for order in clouds.ORDERS:
        labels = {"curve": "order", "at": order, "returns": n}
        yield from rows_of(contestants(clouds.room(n, order), flattener), n, seconds, labels)


def over_threads(n: int, seconds: float) -> Iterator[Row]:
    """One cloud in as many parts as threads, each with a flattener of its own, up to twice the cores."""
    xyz = clouds.room(n)
    expected = plain.by_numpy(xyz)()
    cores, count = os.cpu_count() or 1, 1
    while count <= 2 * cores:
        flatteners = [Flattener(profiles.bare(), fields={"ranges"}) for _ in range(count)]
        parts = np.array_split(xyz, count)
        with ThreadPoolExecutor(count) as pool:
            runs = [whole_call(*pair) for pair in zip(flatteners, parts, strict=True)]
            together = in_pool(pool, runs)
            ours = answers.merged(map(answers.ranges_of, together()))
            cases = {READ: Case(plain.reading(xyz)), BARE: Case(together, answers.differing(ours, expected))}
            if fast := best_compiled():
                cases[compiled.NAMES[fast]] = Case(
                    in_pool(pool, [compiled.caller(fast, part, 12) for part in parts])
                )
            labels = {"curve": "threads", "at": count, "returns": n, "cores": cores}
            yield from rows_of(cases, n, seconds, labels, "wall")
        count *= 2
