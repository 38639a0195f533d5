"""How long a start takes and what it costs in memory: import, compile, load what was compiled, first frame.

Every start is a fresh process. The library is copied to a temporary folder first, so that no compiled
kernel from elsewhere is found and the first start compiles.
"""

from __future__ import annotations

import importlib.metadata
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import flatten

PROBE = Path(__file__).parent / "startup_probe.py"
PACKAGES = ("numpy", "numba", "llvmlite", "pydantic", "pydantic-core", "PyYAML")
SECONDS = {
    "numpy_seconds": "import numpy",
    "import_seconds": "import flatten (with numpy)",
    "ready_seconds": "make a Flattener",
    "first_seconds": "first frame",
    "second_seconds": "second frame",
}
BYTES = {
    "python_bytes": "Python alone",
    "numpy_bytes": "after import numpy",
    "import_bytes": "after import flatten",
    "ready_bytes": "after making a Flattener",
    "frame_bytes": "after the first frame",
}


def measure(warm: int = 7, cold: int = 3) -> list[dict[str, Any]]:
    """A row a quantity: medians of several starts, seconds and bytes."""
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        shutil.copytree(
            Path(flatten.__file__).parent, home / "flatten", ignore=shutil.ignore_patterns("__pycache__")
        )
        started(home, "import")  # the bytecode of the copy
        rows = rows_of("compiling", [started(home, "frame")])
        rows.append(
            {"group": "startup", "start": "compiling", "case": "compile every kernel", **compiled_all(home)}
        )
        rows += rows_of("from cache", [started(home, "frame") for _ in range(warm)])
        colds = []
        for _ in range(cold):
            leave_page_cache(home)
            colds.append(started(home, "frame"))
        return rows + rows_of("from cache, files not in memory", colds)


def rows_of(start: str, told: list[dict[str, float]]) -> list[dict[str, Any]]:
    """Medians over several starts of one kind."""
    rows: list[dict[str, Any]] = []
    for keys, unit in ((SECONDS, "seconds"), (BYTES, "bytes")):
        for key, case in keys.items():
            values = [one[key] for one in told]
            rows.append({
                "group": "startup", "start": start, "case": case, unit: statistics.median(values),
                "low": min(values), "high": max(values), "samples": len(values),
            })  # fmt: skip
    return rows


def started(home: Path, how_far: str) -> dict[str, float]:
    """One start in a fresh process that finds the library in `home`."""
    told: dict[str, float] = json.loads(run(home, ["-c", PROBE.read_text(), how_far]))
    return told


def compiled_all(home: Path) -> dict[str, float]:
    """Compile all that `flatten warmup` compiles, in one process, into an empty folder."""
    with tempfile.TemporaryDirectory() as empty:
        shutil.copytree(
            home / "flatten", Path(empty) / "flatten", ignore=shutil.ignore_patterns("*.nbi", "*.nbc")
        )
        words = "import time; start = time.perf_counter(); from flatten.warmup import warm_up; warm_up()"
        seconds = float(run(Path(empty), ["-c", f"{words}; print(time.perf_counter() - start)"]))
    return {"seconds": seconds, "low": seconds, "high": seconds, "samples": 1}


def run(home: Path, words: list[str]) -> str:
    """Run Python with the library of `home` and all caches there; give what it prints."""
    kept = {key: value for key, value in os.environ.items() if not key.startswith("NUMBA_")}
    environment = {**kept, "PYTHONPATH": str(home), "XDG_CACHE_HOME": str(home / "cache")}
    done = subprocess.run(
        [sys.executable, *words], env=environment, cwd=home, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise RuntimeError(done.stderr.strip().splitlines()[-1])
    return done.stdout


def leave_page_cache(home: Path) -> None:
    """Ask the system to drop the files of the library and of what it imports from memory, and wait a little.

    What other processes have mapped stays, so that a cold start after power-on is slower still.
    """
    files = [path for path in home.rglob("*") if path.is_file()]
    for package in PACKAGES:
        for path in importlib.metadata.files(package) or ():
            files.append(Path(str(path.locate())))
    for file in files:
        try:
            descriptor = os.open(file, os.O_RDONLY)
        except OSError:
            continue
        try:
            os.fsync(descriptor)
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        finally:
            os.close(descriptor)
    time.sleep(0.2)
