"""What a start costs: processes of their own, each of which goes one step further than the one before."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from flatten.errors import FlattenError
from flatten.warmup import warm_up

TOLD = """
_took, _busy = _time.perf_counter() - _start, _time.process_time()
try:
    with open("/proc/self/status") as _status:
        _found = dict(_line.split(":", 1) for _line in _status)
except OSError:
    _found = {}
print(_took, _busy, *(1024 * int(_found.get(_key, "0").split()[0]) for _key in ("VmRSS", "VmHWM")))
"""
FRAME = """
import numpy, flatten
profile = flatten.Profile.from_dict({
    "slices": {"drive": {"bottom": 0.08, "top": 0.95}, "walls": {"bottom": 1.2, "top": 1.8, "min_hits": 2}}})
flatten.Flattener(profile).flatten(numpy.ones((20000, 4), numpy.float32))
"""
NOTHING_KEPT = "import pathlib, flatten.kernels.cache as c; c.cache_places = lambda: (pathlib.Path({0!r}),)\n"
REPEATS, PATIENCE = 5, 600.0
"""Starts of each kind; seconds until one that does not end is an error."""

BARE, NUMPY, COMPILER, LIGHT, WHOLE, WARM, COLD = (
    "python", "numpy", "numba", "profile and cloud", "flattener", "first frame", "first frame, nothing kept",
)  # fmt: skip
CODES = {
    BARE: "",
    NUMPY: "import numpy",
    COMPILER: "import numba",
    LIGHT: "import flatten; flatten.Profile, flatten.Cloud, flatten.Scan, flatten.read_cloud",
    WHOLE: "import flatten; flatten.Profile, flatten.Cloud, flatten.read_cloud, flatten.Flattener",
    WARM: FRAME,
    COLD: FRAME,
}
"""What each process does; LIGHT is all that a node imports save kernels and compiler."""

Row = tuple[float, float, int, int]


@dataclass(frozen=True)
class Start:
    """One way to start."""

    name: str
    seconds: float
    """Median from the first line of the program on."""
    busy_seconds: float
    """Median of the processor time until then, the interpreter's own start included: what other work on
    the board does not lengthen."""
    resident: int
    """Bytes resident afterwards (median)."""
    peak: int
    repeats: int


def measure_startup(
    repeats: int = REPEATS, *, cold: bool = True, step: Callable[[str], None] = lambda name: None
) -> tuple[Start, ...]:
    """Start each way `repeats` times in turn (COLD once, if `cold`) and give the medians.

    The kernels are compiled first where they are not, so that WARM finds them. `step` is called
    with a word `startup_steps()` times. Raises FlattenError where a process fails.
    """
    step("compiling")
    warm_up()
    found: dict[str, list[Row]] = {name: [] for name in CODES}
    names = [name for name in CODES if name != COLD]
    for _ in range(repeats):
        for name in names:
            step(name)
            found[name].append(_start(CODES[name]))
    if cold:
        step(COLD)
        with tempfile.TemporaryDirectory(prefix="flatten-") as empty:
            found[COLD].append(_start(NOTHING_KEPT.format(str(Path(empty))) + CODES[COLD]))
    return tuple(_summed(name, rows) for name, rows in found.items() if rows)


def startup_steps(repeats: int = REPEATS, cold: bool = True) -> int:
    """Count the steps of `measure_startup`."""
    return 1 + repeats * (len(CODES) - 1) + (1 if cold else 0)


def _start(code: str) -> Row:
    """Run a program; seconds from its first line on, of processor time, resident and peak bytes."""
    whole = f"import time as _time; _start = _time.perf_counter()\n{code}\n{TOLD}"
    try:
        done = subprocess.run(
            [sys.executable, "-c", whole], env=_environment(), capture_output=True, text=True,
            timeout=PATIENCE, check=False,
        )  # fmt: skip
    except (OSError, subprocess.TimeoutExpired) as error:
        raise FlattenError(f"a start cannot be measured ({error}): free memory, and try again") from error
    if done.returncode != 0:
        raise FlattenError(
            f"a start failed ({done.stderr.strip()[-300:]}): see that flatten is installed whole"
        )
    seconds, busy, resident, peak = done.stdout.split()
    return float(seconds), float(busy), int(resident), int(peak)


def _environment() -> dict[str, str]:
    """Give the processes the modules that this one found, wherever they start."""
    return {**os.environ, "PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}


def _summed(name: str, rows: list[Row]) -> Start:
    seconds, busy, resident, peak = (statistics.median(column) for column in zip(*rows, strict=True))
    return Start(name, seconds, busy, int(resident), int(peak), len(rows))
