"""What the library is measured by answers what the library answers; nothing here asserts a time."""

from __future__ import annotations

import math
import shutil
import subprocess

import numpy as np
import pytest

from benchmarks import answers, clouds, compiled, contest, plain, profiles
from flatten import Flattener, frames

needs_compiler = pytest.mark.skipif(shutil.which(compiled.COMPILER) is None, reason="no C++ compiler")


@pytest.fixture(scope="module")
def ours() -> Flattener:
    return Flattener(profiles.bare(), fields={"ranges"})


def test_numpy_says_what_the_library_says(ours):
    for order in clouds.ORDERS:
        xyz = clouds.room(3000, order)
        told = answers.ranges_of(ours.flatten(xyz))
        assert answers.differing(told, plain.by_numpy(xyz)()) == {"differ": 0, "apart": 0}
    assert np.isfinite(told).sum() > 20


@needs_compiler
@pytest.mark.parametrize("step, shift", [(12, 0), (16, 0), (26, 0), (26, 1), (32, 3), (48, 0)])
def test_compiled_baselines_say_what_the_library_says_in_every_record(ours, step, shift):
    xyz = clouds.room(5000)
    message = clouds.message(xyz, step, shift)
    told = answers.ranges_of(ours.flatten(message))
    assert answers.differing(told, plain.by_numpy(xyz)()) == {"differ": 0, "apart": 0}
    assert message.address % 64 == shift
    names = compiled.baselines().functions
    assert {"plain", "blocked"} <= set(names)
    for name in names:
        found = answers.differing(compiled.caller(name, message.data, step)(), told)
        # float64 throughout in `plain`; the others compute in float32, and none of these 5000 lies on an edge
        assert found["apart"] == 0
        assert name != "plain" or found["differ"] == 0


@needs_compiler
@pytest.mark.parametrize("n", [0, 1, 7, 8, 9, 1023, 1024, 1025, 1031])
def test_compiled_baselines_leave_no_return_out_at_the_ends_of_blocks(n):
    xyz = clouds.with_share(2000, 0.5)[:n].copy()
    expected = plain.by_numpy(xyz)()
    for name in compiled.baselines().functions:
        assert answers.differing(compiled.caller(name, xyz, 12)(), expected)["apart"] == 0


@needs_compiler
def test_compiled_baselines_refuse_what_they_are_not_written_for():
    for name in set(compiled.baselines().functions):
        with pytest.raises(ValueError, match="not provided for"):
            compiled.caller(name, clouds.room(64), 12, bins=100_000)()


@needs_compiler
def test_loading_the_baselines_leaves_denormal_numbers_alone():
    """GCC's -ffast-math at link time switches them off for the whole process (GCC manual, -ffast-math)."""
    compiled.baselines()
    least = np.float32(1e-45)
    assert least * np.float32(1.0) > 0 and np.float32(2e-39) / np.float32(2.0) > 0


def test_without_a_compiler_there_is_a_note(monkeypatch):
    monkeypatch.setattr(compiled, "COMPILER", "no-such-compiler")
    told = compiled.baselines.__wrapped__()
    assert told.functions == {} and "no-such-compiler" in told.note


@needs_compiler
def test_a_source_that_does_not_compile_is_a_note(monkeypatch, tmp_path):
    (tmp_path / "plain.cpp").write_text("this is no C++\n")
    monkeypatch.setattr(compiled, "SOURCES", tmp_path)
    told = compiled.baselines.__wrapped__()
    assert told.functions == {} and "error" in told.note
    with pytest.raises(subprocess.CalledProcessError):
        compiled.built("plain", tmp_path)


def test_the_matrix_is_the_one_of_the_frames():
    """REP 103: pitch > 0 is nose down, so what lies ahead of the sensor in its own axes lies lower."""
    matrix = plain.level_from_sensor()
    ahead = matrix @ [2.0, 0.0, 0.0, 1.0]
    pitch = math.radians(profiles.PITCH)
    expected = [2.0 * math.cos(pitch), 0.0, profiles.HEIGHT - 2.0 * math.sin(pitch), 1.0]
    assert np.allclose(ahead, expected, rtol=0, atol=1e-15)
    assert np.allclose(matrix[:3, :3], frames.rotation(0, pitch, 0), rtol=0, atol=0)


def test_open3d_keeps_what_lies_in_the_slice():
    pytest.importorskip("open3d")
    xyz = clouds.with_share(4000, 0.3)
    cropped, note = plain.by_open3d(xyz)
    assert note == "" and cropped is not None
    assert cropped() == plain.inside(xyz) == cropped()  # and leaves the cloud as it was


def test_reading_sees_every_byte_that_makes_whole_words():
    data = np.arange(1000, dtype=np.uint8)[1:]
    words = data[-data.ctypes.data % 8 :]
    words = words[: words.size // 8 * 8].view(np.uint64)
    assert plain.reading(data)() == words.sum() > 0


def test_clouds_are_the_same_returns_in_every_order():
    first = {tuple(row) for row in clouds.room(1000).tolist()}
    for order in clouds.ORDERS:
        xyz = clouds.room(1000, order)
        assert xyz.dtype == np.float32 and xyz.flags.c_contiguous
        assert {tuple(row) for row in xyz.tolist()} == first
    assert 0.2 < plain.inside(clouds.room(20_000)) / 20_000 < 0.6
    with pytest.raises(ValueError, match="unknown order"):
        clouds.room(10, "sideways")


@pytest.mark.parametrize("share", [0.0, 0.25, 1.0])
def test_the_share_inside_is_what_was_asked_for(share):
    # binomial: five standard deviations of 10,000 throws
    assert abs(plain.inside(clouds.with_share(10_000, share)) / 1e4 - share) <= 5 * 0.005 * (0 < share < 1)


def test_contestants_take_turns():
    seen: list[str] = []
    samples = contest.contest({name: lambda name=name: seen.append(name) for name in "ab"}, 0.0, least=5)
    assert [(len(told.cpu), len(told.wall)) for told in samples.values()] == [(5, 5), (5, 5)]
    assert set(seen) == {"a", "b"}
    told = contest.figures([1.0, 2.0, 3.0, 4.0, 5.0], per=2)
    assert told["ns"] == 1.5 and told["low"] <= told["ns"] <= told["high"] and told["samples"] == 5
    assert contest.ratio([2.0, 40.0, 6.0], [1.0, 10.0, 3.0]) == 2.0


def test_answers_that_differ_are_counted():
    nan, inf = np.nan, np.inf
    ours = np.array([1.0, 2.0, nan, -inf, 3.0, nan], np.float32)
    theirs = np.array([1.0, np.nextafter(np.float32(2), 3), nan, -inf, 3.1, 1.0], np.float32)
    assert answers.differing(ours, theirs) == {"differ": 3, "apart": 2}
    assert answers.differing(ours, ours) == {"differ": 0, "apart": 0}
    whole = answers.merged([np.array([nan, 1.0, 2.0, nan]), np.array([nan, nan, 1.0, -inf])])
    assert np.array_equal(whole, [nan, 1.0, 1.0, -inf], equal_nan=True)
