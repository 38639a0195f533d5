"""Compiled and uncompiled kernels give one answer; compiled code survives what happens to its files."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import flatten
from flatten.kernels.cache import cache_places

FRAME = """
import sys, numpy as np
import flatten
from flatten.kernels.cache import cache_notes
profile = flatten.Profile.from_dict({
    "mount": {"x": 0.3, "y": -0.1, "z": 0.61, "pitch": 12.0},
    "slices": {"drive": {"bottom": 0.08, "top": 0.95}, "walls": {"bottom": 0.5, "top": 1.8, "min_hits": 2}},
    "blind_zones": [{"name": "lamp", "cylinder": {"x": 0.4, "y": 0.3, "radius": 0.6, "z": [0.5, 1.1]}}],
    "fan": {"bins": 90},
})
xyz = np.random.default_rng(1).normal(size=(400, 4)) * [5, 5, 0.6, 1]
out = {}
for dtype in ("<f4", ">f4", "<f8", ">f8"):
    for name, scan in flatten.Flattener(profile).flatten(xyz.astype(dtype), (0.03, -0.05)).items():
        for field in ("ranges", "states", "heights", "hits", "clear_from", "clear_to"):
            out[f"{dtype}{name}{field}"] = getattr(scan, field)
np.savez(sys.argv[1], **out)
print(*cache_notes(), sep="\\n")
"""


def run_frame(out: Path, house: Path | None = None, **environment: str) -> tuple[dict[str, np.ndarray], str]:
    done = subprocess.run(
        [sys.executable, "-c", FRAME, str(out)],
        cwd=house, env={**os.environ, **environment}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    with np.load(out) as arrays:
        return dict(arrays), done.stdout.strip()


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> dict[str, np.ndarray]:
    return run_frame(tmp_path_factory.mktemp("frame") / "a.npz")[0]


def assert_same(a: dict[str, np.ndarray], b: dict[str, np.ndarray]) -> None:
    assert a.keys() == b.keys()
    for key, value in a.items():
        np.testing.assert_array_equal(value, b[key], key)


def test_without_compiler_the_answer_is_the_same(tmp_path: Path, expected: dict[str, np.ndarray]) -> None:
    assert_same(run_frame(tmp_path / "b.npz", NUMBA_DISABLE_JIT="1")[0], expected)


def test_code_for_any_processor_gives_the_same_answer(
    tmp_path: Path, expected: dict[str, np.ndarray]
) -> None:
    # without AVX2 what is kept is moved one by one, without FMA float32 is multiplied and added otherwise
    answer, _ = run_frame(
        tmp_path / "c.npz", NUMBA_CPU_NAME="generic", NUMBA_CPU_FEATURES="", NUMBA_CACHE_DIR=str(tmp_path)
    )
    assert_same(answer, expected)


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """A copy of the package, with the compiled code that the tests have made so far."""
    shutil.copytree(Path(flatten.__file__).parent, tmp_path / "flatten")
    return tmp_path


def test_damaged_compiled_code_is_thrown_away(house: Path, expected: dict[str, np.ndarray]) -> None:
    beside = house / "flatten" / "kernels" / "__pycache__"
    for file in next(place for place in cache_places() if list(place.glob("*.nbc"))).glob("*.nbc"):
        shutil.copy(file, beside)
    away = {"NUMBA_CACHE_DIR": "", "XDG_CACHE_HOME": str(house / "none")}
    files = sorted(beside.glob("*.nbc"))
    for number, file in enumerate(files):
        raw = file.read_bytes()
        file.write_bytes([b"", raw[: len(raw) // 2], b"\0" * len(raw), raw[:-7]][number % 4])
    again, notes = run_frame(house / "again.npz", house, **away)
    assert_same(again, expected)
    assert "damaged compiled code" in notes
    third, notes = run_frame(house / "third.npz", house, **away)
    assert_same(third, expected)
    assert notes == ""


def test_a_changed_kernel_source_is_compiled_anew(house: Path, expected: dict[str, np.ndarray]) -> None:
    run_frame(house / "first.npz", house)
    part = house / "flatten" / "kernels" / "sift.py"
    changed = part.read_text().replace("select(y < ZERO, -turn, turn)", "select(y < ZERO, turn, -turn)")
    assert changed != part.read_text()
    part.write_text(changed)
    mirrored, _ = run_frame(house / "second.npz", house)
    assert not np.array_equal(mirrored["<f4drivehits"], expected["<f4drivehits"])


def test_compiled_code_is_read_where_nothing_can_be_written(
    house: Path, expected: dict[str, np.ndarray]
) -> None:
    run_frame(house / "first.npz", house)
    lines = [
        "import flatten.kernels.cache as c",
        "c.writable_place = lambda: None",
        "from flatten.kernels.sweep import sweep",
        "import atexit, sys",
        "atexit.register(lambda: print('hits', sum(sweep.stats.cache_hits.values()), file=sys.stderr))",
    ]
    done = subprocess.run(
        [sys.executable, "-c", "\n".join(lines) + FRAME, str(house / "x.npz")],
        cwd=house, capture_output=True, text=True, check=True,
    )  # fmt: skip
    with np.load(house / "x.npz") as arrays:
        assert_same(dict(arrays), expected)
    assert done.stderr.strip() == "hits 1"
