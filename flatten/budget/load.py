"""Keeping every core busy while something is measured, and surely stopping that again."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from flatten.errors import FlattenError
from flatten.processor import cores

STAND_IN = Path(__file__).with_name("odometry.py")
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
PATIENCE = 60.0
"""Seconds that a stand-in may take to stop before that counts as an error; they take milliseconds."""


@dataclass
class Load:
    """The stand-ins at work."""

    pids: tuple[int, ...]
    cores_taken: float = 0.0
    """How many cores they had on average; known when they have been stopped."""


@contextmanager
def busy_cores(count: int | None = None) -> Iterator[Load]:
    """Keep `count` cores (all if None) busy with float matrices and memory traffic inside the block.

    Each is a process of its own. They are stopped when the block is left, by Ctrl-C or an error
    too, and end by themselves when this process dies, even of SIGKILL. Raises FlattenError where
    they cannot be started.
    """
    started: list[subprocess.Popen[bytes]] = []
    try:
        for _ in range(cores() if count is None else count):
            started.append(_start())
        for process in started:
            _await(process)
        load = Load(tuple(process.pid for process in started))
        before, begin = _children_seconds(started), time.perf_counter()
        yield load
        spent, took = _children_seconds(started) - before, time.perf_counter() - begin
        load.cores_taken = spent / took if took > 0.0 else 0.0
    finally:
        for process in started:
            _stop(process)


def _start() -> subprocess.Popen[bytes]:
    # a session of its own: Ctrl-C at the terminal is the parent's business
    code = f"import runpy; runpy.run_path({str(STAND_IN)!r}, run_name='__main__')"
    try:
        return subprocess.Popen(
            [sys.executable, "-c", code], env={**os.environ, **ONE_THREAD}, start_new_session=True,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        )  # fmt: skip
    except OSError as error:
        raise FlattenError(f"the load cannot be started ({error}): measure without it") from error


def _await(process: subprocess.Popen[bytes]) -> None:
    assert process.stdout is not None
    if process.stdout.read(1) != b".":
        raise FlattenError(
            f"the load did not start (its process ended with {process.wait()}; out of memory?): "
            "measure without it"
        )


def _stop(process: subprocess.Popen[bytes]) -> None:
    process.kill()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            with contextlib.suppress(OSError):
                pipe.close()
    process.wait(PATIENCE)


def _children_seconds(processes: list[subprocess.Popen[bytes]]) -> float:
    """Sum up the processor time of running children, from the kernel; 0 where it does not tell."""
    total = 0.0
    for process in processes:
        with contextlib.suppress(OSError, IndexError, ValueError):
            # nanoseconds on a core, of the thread that works (Documentation/scheduler/sched-stats)
            total += int(Path(f"/proc/{process.pid}/schedstat").read_text().split()[0]) / 1e9
    return total
