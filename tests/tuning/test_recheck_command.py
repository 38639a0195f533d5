"""`flatten recheck` as a user meets it: answers, exit codes, and what cannot be told."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from flatten import read_cloud
from flatten.recordings import open_recording
from flatten.samples import DRIVE_FOLDER, DRIVE_RECORDING, sample_folder
from tests.command_line import run_here

SAMPLES = sample_folder()
DRIVE = SAMPLES / DRIVE_FOLDER / DRIVE_RECORDING
PROFILE = str(SAMPLES / "rover.yaml")


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    whole = read_cloud(SAMPLES / "yard.pcd").xyz[::4]
    np.save("stand.npy", whole)
    np.save("large.npy", whole * 1000.0)
    np.save("five.npy", whole[:5])
    np.save("nothing.npy", np.full((500, 3), np.nan))
    Path("text.mcap").write_text("hello\n")
    return tmp_path


def test_a_stand_that_holds(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(capsys, "recheck", "stand.npy", "-p", PROFILE, "--json")
    assert (ran.code, ran.err) == (0, "")
    told = json.loads(ran.out)
    assert told["passes"] is True and set(told["mount"]) == {"roll", "pitch", "z"}
    assert abs(told["mount"]["pitch"]["by"]) < 0.05 and told["zones"]["moved"] is False
    assert set(told["slices"]) == {"drive", "low", "walls"}


def test_a_body_that_leans_and_is_not_said_to_looks_like_a_remount(
    desk: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ran = run_here(capsys, "recheck", "stand.npy", "-p", PROFILE, "--pitch", "1")
    assert ran.code == 1 and ran.err == ""
    assert ran.out.splitlines()[-1].startswith("FAILS: the sensor has moved")
    rows = {line.split()[0]: line for line in ran.out.splitlines() if line}
    assert rows["pitch"].endswith("FAILS") and not rows["roll"].endswith("FAILS")
    assert run_here(capsys, "recheck", "stand.npy", "-p", PROFILE, "--pitch", "1", "--tilt", "1.2",
                    "--leak", "1", "--missed", "1").code == 0  # fmt: skip


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("five.npy",), "flatten: five.npy: no floor where the profile's mount has it"),
        (("large.npy",), "flatten: large.npy: is in millimetres"),
        (("nothing.npy",), "flatten: nothing.npy: no return in it is finite"),
        (("text.mcap",), "flatten: text.mcap: is no MCAP file"),
        (("none.mcap",), "flatten: none.mcap: there is no such file"),
        (("stand.npy", "--set", "mount.z=-0.1"), "lies 0.88 m lower"),
        (("stand.npy", "--tilt", "0.001"), "and 0.001 ° are allowed: record more clouds"),
        (("stand.npy", "--tilt", "0"), "flatten: recheck: invalid value for '--tilt'"),
        (("stand.npy", "--leak", "2"), "flatten: recheck: invalid value for '--leak'"),
        ((str(DRIVE), "--roll", "1"), "the poses tell how the body leans"),
    ],
)
def test_what_cannot_be_told_is_one_line_and_two(
    desk: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], told: str
) -> None:
    ran = run_here(capsys, "recheck", *words, "-p", PROFILE)
    assert (ran.code, ran.out) == (2, "")
    (line,) = [line for line in ran.err.splitlines() if not line.startswith(("warning:", "note:"))]
    assert told in line


def test_poses_of_the_sensor_are_left_out(desk: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """They lean as the sensor does: with them no remount would ever show."""
    with open_recording(DRIVE) as recording:
        way = recording.trajectory
        assert way is not None
        rows = np.column_stack([way.times[:300] / 1e9, way.poses[:300]])
    np.savetxt("poses.txt", rows, fmt="%.9f")
    ran = run_here(
        capsys,
        "recheck",
        str(DRIVE),
        "-p",
        PROFILE,
        "--most",
        "2",
        "--poses",
        "poses.txt",
        "--poses-of",
        "sensor",
    )
    assert "poses.txt: are poses of the sensor, which lean as it does" in ran.err
    assert ran.code in (
        1,
        2,
    )  # two clouds of the drive without poses: the sensor is off, or nothing can be told


def test_help_teaches(capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(capsys, "recheck", "--help")
    assert ran.code == 0
    for words in ("Exit codes: 0 the profile holds", "--tilt", "half a minute", "flatten recheck drive.mcap"):
        assert words in ran.out
