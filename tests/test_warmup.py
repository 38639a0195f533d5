"""Compiling ahead: afterwards nothing compiles any more, wherever the compiled code can or cannot be kept."""

from __future__ import annotations

import os
import pkgutil
import shutil
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

from flatten import kernels, warmup
from flatten.kernels.cache import KernelCache
from tests.command_line import HOUSE, PROFILE, environment, run_alone

# runs in a child: what is compiled by warm_up, and whether clouds of every kind then find all of it
AFTERWARDS = """
import sys
import numpy as np
import flatten
from flatten import warmup
assert "numba" in sys.modules
seconds = warmup.warm_up()
before = {name: len(kernel.signatures) for name, kernel in warmup.KERNELS.items()}
returns = np.random.default_rng(1).uniform(-5, 5, (500, 4))
plain = {"slices": {"a": {"bottom": 0.1, "top": 1.0}}}
profiles = [
    plain,
    {**plain, "clear": "off", "level": "body", "fan": {"first": 90, "last": 270, "bins": 7}},
    {"slices": {"a": {"bottom": 0, "top": 1, "min_hits": 3}, "b": {"bottom": 1, "top": 2}}},
    {"slices": {"a": {"bottom": 0, "top": 1, "pick": "farthest"}}},
    {**plain, "blind_zones": [{"name": "z", "cylinder": {"x": 0, "y": 0, "radius": 1}}]},
]
for profile in profiles:
    for fields in (None, {"ranges"}, {"states", "hits"}):
        flattener = flatten.Flattener(flatten.Profile.from_dict(profile), fields)
        for dtype in ("<f4", ">f4", "<f8", ">f8", "<i4"):
            for columns in (3, 4):
                flattener.flatten(returns[:, :columns].astype(dtype), (0.1, -0.1))
        flattener.flatten(np.asfortranarray(returns)[::2])
        flattener.flatten(np.empty((0, 3)))
after = {name: len(kernel.signatures) for name, kernel in warmup.KERNELS.items()}
assert set(before.values()) == {1} and before == after, (before, after)
print(seconds)
"""


def test_afterwards_nothing_compiles_any_more() -> None:
    done = subprocess.run(
        [sys.executable, "-c", AFTERWARDS], capture_output=True, text=True, env=environment(), check=False
    )
    assert done.returncode == 0, done.stderr
    assert float(done.stdout) > 0.0


# runs in a child: what a profile's own warm-up made ready is all that its frames ask for
OF_A_PROFILE = """
import numpy as np
import flatten
from flatten import warmup
moving, window, level = {ways}
profile = {{"level": level, "slices": {{"a": {{"bottom": 0.1, "top": 1.0, "min_hits": 2}}}}}}
if window:
    profile["window"] = {{"frames": 2}}
profile = flatten.Profile.from_dict(profile)
warmup.warm_up(profile, moving=moving)
before = {{name: len(kernel.signatures) for name, kernel in warmup.KERNELS.items()}}
flattener = flatten.Flattener(profile)
ones = np.random.default_rng(1).uniform(-3, 3, (50, 3)).astype(np.float32)
for turn in range(3):
    cloud = flatten.Cloud(*ones.T.copy(), time=np.full(50, turn + 0.5, np.float32))
    motion = flatten.Motion([0.0, 9.0], [np.eye(4)] * 2) if moving or window else None
    flattener.flatten(cloud, (0.1, -0.1), motion=motion)
after = {{name: len(kernel.signatures) for name, kernel in warmup.KERNELS.items()}}
assert before == after, (before, after)
print(sum(after.values()))
"""


@pytest.mark.parametrize(
    "ways",
    [(False, False, "gravity"), (True, False, "body"), (False, True, "gravity"), (False, False, "floor")],
)
def test_a_profile_asks_for_less(ways: tuple[bool, bool, str]) -> None:
    done = subprocess.run(
        [sys.executable, "-c", OF_A_PROFILE.format(ways=ways)],
        capture_output=True, text=True, env=environment(), check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert 0 < int(done.stdout) < len(warmup.KERNELS)


def test_every_kernel_is_listed() -> None:
    found = set()
    for module in pkgutil.iter_modules(kernels.__path__):
        for value in vars(import_module(f"flatten.kernels.{module.name}")).values():
            if isinstance(getattr(value, "_cache", None), KernelCache):
                found.add(value)
    assert found == set(warmup.KERNELS.values())


def test_two_halves_make_the_whole() -> None:
    """Of a cold demo's two processes, the second takes all but what the first one does meanwhile."""
    told = subprocess.run(
        [sys.executable, "-c", AFTER_SWEEP], capture_output=True, text=True, env=environment(), check=True
    ).stdout
    assert set(warmup.KERNELS) - set(told.split()) == {"sweep", "fit_floor"}


AFTER_SWEEP = """
from flatten import warmup
warmup.warm_up_after_sweep()
print(*(name for name, kernel in warmup.KERNELS.items() if kernel.signatures))
"""


def lone_copy(folder: Path) -> Path:
    """Copy the package without any compiled code."""
    copy = folder / "lone"
    shutil.copytree(HOUSE / "flatten", copy / "flatten", ignore=shutil.ignore_patterns("__pycache__"))
    return copy


def test_the_command_says_where_it_is_kept(tmp_path: Path) -> None:
    for attempt in ("first", "second"):
        ran = run_alone(tmp_path, "warmup")
        assert (ran.code, ran.err) == (0, ""), attempt
    assert ran.out.startswith("compiled before, loaded in ")
    place = Path(ran.out.splitlines()[-1].removeprefix("kept in "))
    assert list(place.glob("*.nbc"))


def test_places_that_cannot_be_written_are_passed_over(tmp_path: Path) -> None:
    """The first two places are closed; the package's own folder is taken, or the next one."""
    ran = run_alone(tmp_path, "warmup", NUMBA_CACHE_DIR="/proc/nowhere", HOME="/proc/nowhere")
    assert ran.code == 0
    assert "kept in " in ran.out


def test_without_any_place_it_works_with_a_note(tmp_path: Path) -> None:
    copy = lone_copy(tmp_path)
    (copy / "flatten" / "kernels" / "__pycache__").write_text("a file in the folder's place\n")
    closed = {"NUMBA_CACHE_DIR": "/proc/nowhere", "HOME": "/proc/nowhere", "XDG_CACHE_HOME": ""}
    (tmp_path / "rover.yaml").write_text(PROFILE)
    done = subprocess.run(
        [sys.executable, "-m", "flatten", "warmup", "--profile", "rover.yaml"],
        capture_output=True, text=True, check=False, cwd=tmp_path,
        env={**os.environ, **closed, "PYTHONPATH": str(copy)},
    )  # fmt: skip
    assert done.returncode == 0
    assert "compiled in" in done.stdout and "kept nowhere" in done.stdout
    assert "sweep" in done.stdout and "fit_floor" not in done.stdout  # this profile fits no floor
    assert done.stderr.startswith("note: no folder for compiled code can be written")
    assert all(line.startswith("note: ") for line in done.stderr.splitlines())


def test_without_the_compiler_it_says_so(tmp_path: Path) -> None:
    ran = run_alone(tmp_path, "warmup", NUMBA_DISABLE_JIT="1")
    assert ran.code == 0
    assert "NUMBA_DISABLE_JIT" in ran.out


def test_help_names_the_library_function(tmp_path: Path) -> None:
    assert "flatten.warmup.warm_up()" in run_alone(tmp_path, "warmup", "--help").out
