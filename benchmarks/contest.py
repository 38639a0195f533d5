"""Timing side by side: all contestants in turn, round after round, so that what disturbs one disturbs all."""

from __future__ import annotations

import contextlib
import gc
import os
import random
import statistics
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

Run = Callable[[], Any]

SAMPLE_NS = 1_500_000
"""A sample of a short run is the mean of as many calls as take this long, after one that warms the caches."""


@contextlib.contextmanager
def one_core() -> Iterator[None]:
    """Keep this thread, and every thread it starts, on one core, where the system has such a thing."""
    if not hasattr(os, "sched_setaffinity"):
        yield
        return
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {max(before)})
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)


@dataclass
class Samples:
    """Nanoseconds a call, one sample a round."""

    cpu: list[float] = field(default_factory=list)
    """Time on the processor, all threads together: what others do in between does not count."""
    wall: list[float] = field(default_factory=list)
    """Time on the wall."""


def contest(runs: Mapping[str, Run], seconds: float, least: int = 7) -> dict[str, Samples]:
    """Time all runs in turn, in a new order each round.

    Rounds go on for `seconds`, and there are at least `least` of them.
    """
    order = list(runs)
    calls = {name: calls_a_sample(run) for name, run in runs.items()}
    samples = {name: Samples() for name in order}
    chance, end, rounds = random.Random(1), time.perf_counter() + seconds, 0
    gc.collect()
    gc.disable()
    try:
        while rounds < least or time.perf_counter() < end:
            chance.shuffle(order)
            for name in order:
                cpu, wall = sample(runs[name], calls[name])
                samples[name].cpu.append(cpu)
                samples[name].wall.append(wall)
            rounds += 1
    finally:
        gc.enable()
    return samples


def calls_a_sample(run: Run) -> int:
    """How often a run is called for one sample; also calls it, for what is done the first time only."""
    run()
    start = time.perf_counter_ns()
    run()
    return max(1, round(SAMPLE_NS / max(1, time.perf_counter_ns() - start)))


def sample(run: Run, calls: int) -> tuple[float, float]:
    """Nanoseconds a call, on the processor and on the wall."""
    if calls > 1:
        run()
    wall, cpu = time.perf_counter_ns(), time.process_time_ns()
    for _ in range(calls):
        run()
    cpu, wall = time.process_time_ns() - cpu, time.perf_counter_ns() - wall
    return cpu / calls, wall / calls


def figures(samples: list[float], per: int = 1) -> dict[str, float]:
    """Median, 10 % and 90 % of samples divided by `per`, and how many there are."""
    deciles = statistics.quantiles(samples, n=10)
    return {
        "ns": statistics.median(samples) / per,
        "low": deciles[0] / per,
        "high": deciles[-1] / per,
        "samples": len(samples),
    }


def ratio(samples: list[float], base: list[float]) -> float:
    """Median of the ratios of two runs round by round: a slow spell of the machine takes no part in it."""
    return statistics.median(a / b for a, b in zip(samples, base, strict=True))


def in_pool(pool: ThreadPoolExecutor, runs: list[Run]) -> Callable[[], list[Any]]:
    """All runs at once, and what each gives."""
    return lambda: [job.result() for job in [pool.submit(run) for run in runs]]
