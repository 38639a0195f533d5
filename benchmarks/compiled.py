"""The C++ baselines: compiled at run time into a temporary folder and loaded with ctypes."""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from benchmarks.plain import Ranges, level_from_sensor
from benchmarks.profiles import BINS, BOTTOM, FAR, NEAR, TOP

SOURCES = Path(__file__).parent / "cpp"
COMPILER = "g++"
TARGET = os.environ.get("FLATTEN_CPP_TARGET", "native")
FLAGS = {
    "plain": ("-std=c++17", "-O3", f"-march={TARGET}", "-fPIC"),
    # a real division is faster here than the estimate that -ffast-math brings
    "blocked": ("-std=c++17", "-O3", f"-march={TARGET}", "-ffast-math", "-mrecip=none", "-fPIC"),
    "strict": ("-std=c++17", "-O3", f"-march={TARGET}", "-fPIC"),
}
NAMES = {
    "plain": "C++, plain loop",
    "strict": "C++, blocked, strict",
    "blocked": "C++, blocked",
    "sieved": "C++, blocked and sieved",
}
"""What the baselines are called in the figures, by their functions."""

POINTER, WHOLE, NUMBER = ctypes.c_void_p, ctypes.c_int64, ctypes.c_double
TASK: list[Any] = [POINTER, WHOLE, WHOLE, POINTER, NUMBER, NUMBER, ctypes.c_int32, NUMBER, NUMBER, POINTER]


@dataclass(frozen=True)
class Baselines:
    """What could be compiled here."""

    functions: dict[str, Any]
    room: int
    """Bytes of working memory for one thread."""
    note: str
    """What was left out and why; empty if all are there."""


@cache
def baselines() -> Baselines:
    """Compile and load, once a process."""
    if shutil.which(COMPILER) is None:
        return Baselines({}, 0, f"C++ baselines: left out, there is no {COMPILER} here")
    with tempfile.TemporaryDirectory() as folder:
        try:
            plain, blocked, strict = (ctypes.CDLL(str(built(kind, Path(folder)))) for kind in FLAGS)
        except (subprocess.CalledProcessError, OSError) as error:
            told = getattr(error, "stderr", None) or str(error)
            return Baselines({}, 0, f"C++ baselines: left out, {told.strip().splitlines()[0]}")
    functions = {
        "plain": plain.plain, "strict": strict.blocked, "blocked": blocked.blocked, "sieved": blocked.sieved,
    }  # fmt: skip
    for name, function in functions.items():
        function.argtypes = TASK if name == "plain" else [*TASK, POINTER]
        function.restype = ctypes.c_int
    blocked.room_for_work.restype = WHOLE
    note = ""
    if not blocked.can_sieve():
        del functions["sieved"]
        note = f"{NAMES['sieved']}: left out, it is written for AVX2"
    return Baselines(functions, int(blocked.room_for_work()), note)


def built(kind: str, folder: Path) -> Path:
    """Compile one kind of baseline into a shared library; raise CalledProcessError where it cannot be.

    Linked in a second step without -ffast-math, which would switch denormal numbers off in the
    whole process as soon as the library is loaded.
    """
    compiled, library = folder / f"{kind}.o", folder / f"{kind}.so"
    source = SOURCES / ("plain.cpp" if kind == "plain" else "blocked.cpp")
    words = [COMPILER, *FLAGS[kind], "-c", str(source), "-o", str(compiled)]
    for command in (words, [COMPILER, "-shared", str(compiled), "-o", str(library)]):
        subprocess.run(command, check=True, capture_output=True, text=True)
    return library


def caller(name: str, data: npt.NDArray[Any], stride: int, bins: int = BINS) -> Callable[[], Ranges]:
    """One baseline on records of `stride` bytes that begin with x, y, z; fills the same array each call."""
    told = baselines()
    function, n = told.functions[name], data.nbytes // stride
    matrix, out = np.ascontiguousarray(level_from_sensor()[:3]), np.empty(bins, np.float32)
    work = np.empty(told.room + 64, np.uint8)
    task = [data.ctypes.data, stride, n, matrix.ctypes.data, BOTTOM, TOP, bins, NEAR, FAR, out.ctypes.data]
    if name != "plain":
        task.append(work.ctypes.data + -work.ctypes.data % 64)
    arguments = [kind(value) for kind, value in zip(function.argtypes, task, strict=True)]

    def run() -> Ranges:
        if function(*arguments):
            raise ValueError(f"{name}: {bins} bins or records of {stride} bytes are not provided for")
        return out

    run.held = (data, matrix, work)  # type: ignore[attr-defined] # what the addresses point to
    return run
