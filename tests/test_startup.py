"""Starts as they happen on a rover, with the whole library: right answers, and a cache that serves."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import flatten
from flatten import budget
from flatten.budget import startup
from flatten.warmup import KERNELS, warm_up
from tests.kernels.test_cache import NAMESPACE, closed, mounting
from tests.kernels.test_jit import FRAME, assert_same, run_frame

FOUND = """
from flatten import warmup
from flatten.kernels.cache import cache_notes
warmup.warm_up()
notes = cache_notes()
ready = warmup.get_ready()
print(*ready.compiled, "|", *sorted(ready.loaded), "|", *notes)
"""
WARM = """
from flatten import warmup
warmup.warm_up()
"""
ALL_LOADED = f"| {' '.join(sorted(KERNELS))} |"


def in_place(code: str, place: Path, *words: object) -> subprocess.Popen[str]:
    """Start a program that keeps compiled code in one place only."""
    command = [sys.executable, "-c", startup.NOTHING_KEPT.format(str(place)) + code, *map(str, words)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def test_two_that_start_at_once_with_nothing_kept(tmp_path: Path) -> None:
    """Both are right, and what they leave serves a third."""
    place = tmp_path / "kept"
    both = [in_place(WARM + FRAME, place, tmp_path / f"{number}.npz") for number in range(2)]
    for started in both:
        _, told = started.communicate(timeout=600)
        assert started.returncode == 0, told
    assert len(list(place.glob("*.nbc"))) == len(list(place.iterdir())) == len(KERNELS)
    expected, _ = run_frame(tmp_path / "expected.npz")
    for number in range(2):
        with np.load(tmp_path / f"{number}.npz") as arrays:
            assert_same(dict(arrays), expected)
    third = in_place(FOUND, place)
    assert third.communicate(timeout=600)[0].strip() == ALL_LOADED


@mounting
def test_a_warmed_up_rover_on_a_read_only_file_system(tmp_path: Path) -> None:
    """All of the first frame is found; nothing is compiled, nothing written, nothing to note."""
    warm_up()
    shutil.copytree(Path(flatten.__file__).parent, tmp_path / "lib" / "flatten")
    script = "\n".join([closed(tmp_path), '"$@"'])
    changes = {"PYTHONPATH": str(tmp_path / "lib"), "HOME": str(tmp_path)}
    away = dict.fromkeys(("XDG_CACHE_HOME", "NUMBA_CACHE_DIR"), "")
    told = subprocess.run(
        [*NAMESPACE, "sh", "-ec", script, "sh", sys.executable, "-c", FOUND],
        cwd=tmp_path, env={**os.environ, **changes, **away}, capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert told.strip() == ALL_LOADED


def test_starts_are_measured_in_turn() -> None:
    heard: list[str] = []
    starts = budget.measure_startup(2, cold=False, step=heard.append)
    assert len(heard) == budget.startup_steps(2, cold=False)
    assert [start.name for start in starts] == [name for name in startup.CODES if name != startup.COLD]
    assert all(start.repeats == 2 and start.seconds >= 0.0 < start.busy_seconds for start in starts)


def test_a_start_that_fails_is_told_in_words() -> None:
    with pytest.raises(flatten.FlattenError, match=r"a start failed .*no such thing"):
        startup._start("raise SystemExit('no such thing')")
