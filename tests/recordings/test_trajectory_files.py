"""Trajectories from files: every time to the nanosecond, every fault with its line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from flatten import read_trajectory
from flatten.errors import MotionError
from flatten.recordings.trajectory import seconds
from flatten.recordings.trajectory_files import nanoseconds_of
from tests.recordings.made import START, STEP, drive


@given(st.integers(-(2**62), 2**62))
def test_times_lose_nothing(nanoseconds: int) -> None:
    """Seconds as text with nine decimals, and back."""
    if abs(nanoseconds) < 10**15 * 10**9:
        assert nanoseconds_of(
            seconds(nanoseconds) + ".0" * ("." not in seconds(nanoseconds))
        ) == nanoseconds or (nanoseconds % 10**9 == 0 and abs(nanoseconds) >= 10**24)


@pytest.mark.parametrize(
    ("word", "wanted"),
    [
        ("1764052812.123456789", START),
        ("1764052812123456789", START),
        ("0", 0),
        ("-1.5", -1_500_000_000),
        ("1e3", 10**12),
        ("0.0000000004", 0),
    ],
)
def test_times(word: str, wanted: int) -> None:
    assert nanoseconds_of(word) == wanted


@pytest.mark.parametrize("word", ["", "now", "nan", "inf", "1e40", "1,5"])
def test_what_is_no_time(word: str) -> None:
    with pytest.raises(ValueError, match="no time"):
        nanoseconds_of(word)


def lines(kind: str) -> str:
    path = drive(6)
    rows = []
    for time, pose in zip(path.times, path.poses, strict=True):
        if kind == "tum":
            rows.append(f"{seconds(time)} " + " ".join(repr(float(value)) for value in pose))
        else:
            turn = Rotation.from_quat(pose[3:]).as_matrix()
            table = np.concatenate([turn, pose[:3, None]], axis=1)
            rows.append(" ".join(repr(float(value)) for value in table.reshape(-1)))
    return "\n".join(["# a comment" * (kind == "tum"), *rows, ""])


def test_both_forms_say_the_same(tmp_path: Path) -> None:
    (tmp_path / "tum.txt").write_text(lines("tum"))
    (tmp_path / "kitti.txt").write_text(lines("kitti"))
    with pytest.raises(MotionError, match=r"have no times: put times\.txt beside it"):
        read_trajectory(tmp_path / "kitti.txt")
    (tmp_path / "times.txt").write_text("\n".join(seconds(time) for time in drive(6).times))
    for name in ("tum.txt", "kitti.txt"):
        path = read_trajectory(tmp_path / name, of="sensor")
        assert path.of == "sensor"
        assert path.times.tolist() == drive(6).times.tolist()
        assert path.poses[:, :3] == pytest.approx(drive(6).poses[:, :3], abs=1e-15)
        same = np.abs((path.poses[:, 3:] * drive(6).poses[:, 3:]).sum(axis=1))
        assert same == pytest.approx(1.0, abs=1e-12)
    (tmp_path / "times.txt").write_text("1\n2\n")
    with pytest.raises(MotionError, match="has 2 times for 6 poses"):
        read_trajectory(tmp_path / "kitti.txt")


def test_disorder_in_a_file_is_told(tmp_path: Path) -> None:
    path = tmp_path / "back.csv"
    path.write_text("\n".join(f"{START + k * STEP},0,0,0,0,0,0,1" for k in (0, 1, 3, 2, 4, 4)))
    read = read_trajectory(path)
    assert read.times.tolist() == [START + k * STEP for k in (0, 1, 3, 4)]
    assert len(read.faults) == 2 and read.told[0].startswith(str(path))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "holds no poses"),
        ("# nothing\n", "holds no poses"),
        ("1 2 3\n", r"bad.txt:1: is no pose"),
        ("0 0 0 0 0 0 0 1\n\n1 2\n", r"bad.txt:3: is no pose"),
        ("soon 0 0 0 0 0 0 1\n", r"bad.txt:1: 'soon' is no time"),
        ("0 0 0 0 0 0 0 one\n", r"bad.txt:1: is no pose"),
        ("0 0 0 0 9 0 0 1\n", "quaternion"),
        ("1 0 0 0 0 1 0 0 0 0 2 0\n", "right-handed"),
    ],
)
def test_bad_files(text: str, words: str, tmp_path: Path) -> None:
    path = tmp_path / "bad.txt"
    path.write_text(text)
    (tmp_path / "times.txt").write_text("1\n")
    with pytest.raises(MotionError, match=words) as told:
        read_trajectory(path)
    assert len(str(told.value).splitlines()) == 1


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    path = tmp_path / "bad.txt"
    path.write_bytes(bytes(range(256)))
    with pytest.raises(MotionError, match="cannot be read as poses"):
        read_trajectory(path)
    with pytest.raises(MotionError, match="cannot be read as poses"):
        read_trajectory(tmp_path / "none.txt")
