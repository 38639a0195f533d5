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

FOUND = """
from flatten import warmup
from flatten.kernels.cache import cache_notes
warmup.warm_up()
notes = cache_notes()
ready = warmup.get_ready()
print(*ready.compiled, "|", *sorted(ready.loaded), "|", *notes)
"""
ALL_LOADED = f"| {' '.join(sorted(KERNELS))} |"


def in_place(code: str, place: Path, *words: object, plain: bool = False) -> subprocess.Popen[str]:
    """Start a program that keeps compiled code in one place only, or compiles nothing."""
    environment = {**os.environ, **({"NUMBA_DISABLE_JIT": "1"} if plain else {})}
    command = [sys.executable, "-c", startup.NOTHING_KEPT.format(str(place)) + code, *map(str, words)]
    return subprocess.Popen(
        command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


SMALL = """
import sys
import numpy as np
from flatten.kernels import candidates
from flatten.kernels.cache import cache_notes
from flatten.warmup import KERNELS, weigh_candidates
weigh_candidates()
random = np.random.default_rng(2)
least = np.full((1, 50, 2, 3), np.inf, np.float32)
bins, keys = random.integers(0, 50, 400), random.random(400, np.float32)
bottoms, tops = np.array([0.1, 0.4]), np.array([0.5, 0.8, 0.9])
candidates.enter(bins, keys, random.random(400), random.random(400), bottoms, tops, np.array([0.1]), least)
np.save(sys.argv[1], least)
print(*(name for name, kernel in KERNELS.items() if sum(kernel.stats.cache_hits.values())), *cache_notes())
"""
"""Those kernels of the library that compile in a second or two, and what one of them answers."""


def test_two_that_start_at_once_with_nothing_kept(tmp_path: Path) -> None:
    """Both are right, and what they leave serves a third."""
    place = tmp_path / "kept"
    names = "enter join_candidates count entering_slopes mark_own"
    both = [in_place(SMALL, place, tmp_path / f"{number}.npy") for number in range(2)]
    for started in both:
        told, wrong = started.communicate(timeout=600)
        assert (started.returncode, wrong) == (0, "")
        assert set(told.split()) < set(names.split())  # none, but for what the other one left meanwhile
    assert len(list(place.glob("*.nbc"))) == len(list(place.iterdir())) == len(names.split())
    third = in_place(SMALL, place, tmp_path / "2.npy")
    assert third.communicate(timeout=600)[0].split() == names.split()
    expected = in_place(SMALL[: SMALL.index("print(")], place, tmp_path / "3.npy", plain=True)
    assert expected.communicate(timeout=600) == ("", "")
    for number in range(3):
        np.testing.assert_array_equal(np.load(tmp_path / f"{number}.npy"), np.load(tmp_path / "3.npy"))
    assert np.isfinite(np.load(tmp_path / "3.npy")).any()


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
