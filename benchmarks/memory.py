"""What a frame allocates: a warmed-up call must need no more for a large cloud than for a small one."""

from __future__ import annotations

import os
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks import clouds, profiles
from benchmarks.adapter import whole_call
from flatten import Flattener

SIZES = (20_000, 200_000, 2_000_000)
Cloudy = Callable[[clouds.Points], Any]

CASES: dict[str, tuple[Callable[[], Flattener], Cloudy, Any]] = {
    "one slice, ranges only": (
        lambda: Flattener(profiles.bare(), fields={"ranges"}), lambda xyz: xyz, None
    ),
    "one slice, 26-byte records": (
        lambda: Flattener(profiles.bare(), fields={"ranges"}), lambda xyz: clouds.message(xyz, 26, 1), None
    ),
    "everything": (lambda: Flattener(profiles.full()), lambda xyz: xyz, profiles.ATTITUDE),
}  # fmt: skip
"""Flattener, what it is given, attitude."""


def measure(sizes: tuple[int, ...] = SIZES) -> list[dict[str, Any]]:
    """A row a case and size, for calls of a flattener that has seen the largest cloud once."""
    rows = []
    for case, (make, dress, attitude) in CASES.items():
        flattener = make()
        dressed = {n: dress(clouds.room(n)) for n in sizes}
        for n in sorted(sizes, reverse=True):
            for _ in range(2):
                flattener.flatten(dressed[n], attitude)
        for n in sizes:
            call = whole_call(flattener, dressed[n], attitude)
            rows.append({"group": "memory", "case": case, "returns": n, **traced(call), **in_kernels(call)})
    return rows


def traced(call: Callable[[], Any]) -> dict[str, int]:
    """Greatest number of bytes that live at a time during a call, and what NumPy's arrays keep after it.

    Python's allocations and NumPy's, as `tracemalloc` sees them; the scans handed out are among them.
    Resident memory after 50 more calls is that of the whole process, what it grew by.
    """
    tracemalloc.start()
    try:
        call()
        before = tracemalloc.get_traced_memory()[0]
        tracemalloc.reset_peak()
        scans = call()
        peak = tracemalloc.get_traced_memory()[1] - before
        domain = tracemalloc.DomainFilter(inclusive=True, domain=np.lib.tracemalloc_domain)
        arrays = tracemalloc.take_snapshot().filter_traces([domain]).traces
        kept = sum(trace.size for trace in arrays)
        count = len(arrays)
    finally:
        tracemalloc.stop()
    del scans
    resident = resident_bytes()
    for _ in range(50):
        call()
    grown = resident_bytes() - resident
    return {"peak": peak, "arrays": count, "array_bytes": kept, "resident_growth": grown}


def in_kernels(call: Callable[[], Any]) -> dict[str, int]:
    """How many arrays compiled code allocates in a call, where numba counts them."""
    try:
        from numba.core.runtime import _nrt_python, rtsys

        _nrt_python.memsys_enable_stats()
        before = rtsys.get_allocation_stats().alloc
        call()
        return {"kernel_arrays": rtsys.get_allocation_stats().alloc - before}
    except (ImportError, AttributeError, RuntimeError):
        return {}


def resident_bytes() -> int:
    """Resident memory of this process; 0 where the system does not tell."""
    told = Path("/proc/self/statm")
    return int(told.read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") if told.exists() else 0
