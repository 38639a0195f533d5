"""The stand-in for odometry: it takes every core, and nothing of it stays behind, whatever happens."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

import flatten
from flatten.budget import busy_cores, load
from tests.command_line import environment, make_nursery

STARTED = """
import signal, sys, time
from flatten.budget.load import busy_cores
signal.signal(signal.SIGINT, signal.default_int_handler)  # whoever runs the tests may have it ignored
with busy_cores(2) as load:
    print(*load.pids, flush=True)
    time.sleep(600)
"""


def alive(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"


def wait_until(true: Callable[[], bool], patience: float = 30.0) -> bool:
    end = time.monotonic() + patience
    while not true():
        if time.monotonic() > end:
            return False
        time.sleep(0.02)
    return True


def children_of(pid: int) -> list[int]:
    return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def ticks(pid: int) -> int:
    return int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[11])


def test_it_works_inside_the_block_and_is_gone_after_it() -> None:
    with busy_cores(2) as at_work:
        assert len(at_work.pids) == 2 and all(map(alive, at_work.pids))
        before = [ticks(pid) for pid in at_work.pids]
        assert wait_until(lambda: all(ticks(p) >= b + 5 for p, b in zip(at_work.pids, before, strict=True)))
    assert not any(map(alive, at_work.pids))
    assert 0.0 < at_work.cores_taken <= 2.1  # the kernel counts in steps of 10 ms


def test_as_many_as_there_are_cores() -> None:
    with busy_cores() as at_work:
        assert len(at_work.pids) == len(os.sched_getaffinity(0))


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt, SystemExit])
def test_it_is_gone_after_an_error(error: type[BaseException]) -> None:
    with pytest.raises(error), busy_cores(1) as at_work:
        raise error
    assert not any(map(alive, at_work.pids))


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_it_ends_with_its_parent_however_that_ends(number: signal.Signals) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", STARTED], env=environment(), stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        text=True,
    ) as parent:  # fmt: skip
        assert parent.stdout is not None
        pids = [int(word) for word in parent.stdout.readline().split()]
        assert len(pids) == 2 and all(map(alive, pids))
        parent.send_signal(number)
        parent.wait(30)
    assert wait_until(lambda: not any(map(alive, pids)))


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_the_command_stopped_midway_leaves_no_load_and_no_file(
    number: signal.Signals, tmp_path: Path
) -> None:
    make_nursery(tmp_path)
    words = ["budget", "-p", "rover.yaml", "--cloud", "good/aisle.npy", "--loaded", "--out", "board"]
    with subprocess.Popen(
        [sys.executable, "-m", "flatten", *words, "--frames", "4000"], cwd=tmp_path, env=environment(),
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as command:  # fmt: skip
        assert wait_until(lambda: bool(children_of(command.pid)), 120.0)
        children = children_of(command.pid)
        command.send_signal(number)
        _, told = command.communicate(timeout=60)
    assert command.returncode == (130 if number == signal.SIGINT else 143)
    assert "Traceback" not in told
    assert wait_until(lambda: not any(map(alive, children)))
    assert list((tmp_path / "board").iterdir()) == []


def test_a_load_that_does_not_start_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    broken = tmp_path / "odometry.py"
    broken.write_text("raise SystemExit(3)\n")
    monkeypatch.setattr(load, "STAND_IN", broken)
    with pytest.raises(flatten.FlattenError, match="ended with 3"), busy_cores(2):
        pytest.fail("the block was entered")
