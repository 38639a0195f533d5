"""`flatten mount` as a user meets it."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from flatten import Profile
from tests.command_line import run_here
from tests.tuning.floors import UPRIGHT, flat, walled
from tests.tuning.test_yaw import drive

PROFILE = """\
# the rover of the seedling house
mount: {x: 0.3, y: -0.1, z: 0.9, roll: 0.0, pitch: 0.0, yaw: 0.0}   # by eye
slices: {drive: {bottom: 0.1, top: 1.0}}
"""


@pytest.fixture
def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rover.yaml").write_text(PROFILE)
    np.save("stand.npy", walled().xyz)
    np.save("elsewhere.npy", walled(away=4.0, seed=1).xyz)
    np.save("large.npy", flat().xyz * 1000.0)
    np.save("few.npy", np.ones((20, 3)))
    return tmp_path


def test_it_says_what_was_found_and_what_it_rests_on(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(capsys, "mount", "stand.npy", "-p", "rover.yaml")
    assert (ran.code, ran.err) == (0, "")
    rows = {line.split()[0]: line.split() for line in ran.out.splitlines()[1:4]}
    assert float(rows["roll"][2].rstrip("°")) == pytest.approx(2.0, abs=0.05)
    assert float(rows["pitch"][2].rstrip("°")) == pytest.approx(5.0, abs=0.05)
    assert abs(float(rows["z"][3]) - 0.8) < 0.005
    words = " ".join(ran.out.split())
    assert "returns in" in words and "patches of floor" in words
    assert "yaw stays 0°: a floor looks the same from every side" in words
    assert "x and y stay 0.3 and -0.1 m: a floor looks the same from everywhere" in words


def test_plain_values(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(
        capsys, "mount", "stand.npy", "elsewhere.npy", "-p", "rover.yaml", "--wall", "ahead", "--json"
    )
    assert (ran.code, ran.err) == (0, "")
    told = json.loads(ran.out)
    assert told["mount"]["yaw"] == pytest.approx(3.0, abs=0.1)
    assert told["mount"]["z"] == pytest.approx(0.8, abs=0.005)
    assert set(told["found"]) == {"roll", "pitch", "yaw", "z"} and set(told["not_found"]) == {"x", "y"}
    assert [part["cloud"] for part in told["clouds"]] == ["stand.npy", "elsewhere.npy"]
    assert all(told["sigmas"][key] > 0.0 for key in told["found"])
    assert "3.0 to 4.0 m away" in told["yaw_rests_on"]


def test_the_profile_is_written_and_nothing_is_written_over(
    house: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ran = run_here(capsys, "mount", "stand.npy", "-p", "rover.yaml", "--wall", "ahead", "--out", "new.yaml")
    assert ran.code == 0 and ran.out.endswith("profile: new.yaml\n")
    text = Path("new.yaml").read_text()
    assert text.splitlines()[0] == PROFILE.splitlines()[0] and text.count("# by eye") == 1
    mount = Profile.load("new.yaml").mount
    assert (mount.x, mount.y) == (0.3, -0.1)
    assert mount.pitch == pytest.approx(5.0, abs=0.05) and mount.yaw == pytest.approx(3.0, abs=0.1)
    assert Path("rover.yaml").read_text() == PROFILE
    again = run_here(capsys, "mount", "stand.npy", "-p", "rover.yaml", "-o", "new.yaml")
    assert again.code == 1 and "is there already" in again.err and again.out == ""
    over = run_here(capsys, "mount", "stand.npy", "-p", "rover.yaml", "-o", "rover.yaml", "--overwrite")
    assert over.code == 0 and Profile.load("rover.yaml").mount.yaw == 0.0
    assert sorted(path.suffix for path in house.iterdir()).count(".part") == 0


def test_several_clouds_are_shown_side_by_side(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(capsys, "mount", "stand.npy", "elsewhere.npy", "few.npy", "-p", "rover.yaml")
    assert ran.code == 0
    assert ran.err.startswith("warning: few.npy: left out: no floor where") and ran.err.count("\n") == 1
    assert sum(line.startswith(("stand.npy", "elsewhere.npy")) for line in ran.out.splitlines()) == 2
    assert "the clouds scatter by so many times" in ran.out


def test_a_drive_gives_yaw(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    motion = drive()
    rows = np.column_stack([motion.seconds, motion.positions, motion.quaternions])
    np.savetxt("drive.txt", rows, fmt="%.9f")
    ran = run_here(capsys, "mount", "stand.npy", "-p", "rover.yaml", "--poses", "drive.txt", "--json")
    told = json.loads(ran.out)
    assert told["mount"]["yaw"] == pytest.approx(math.degrees(UPRIGHT.yaw), abs=0.01)
    assert "a drive of 5.0 m straight ahead" in told["yaw_rests_on"]


def test_millimetres_are_told(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(capsys, "mount", "large.npy", "-p", "rover.yaml")
    assert ran.code == 0 and ran.err.startswith("note: large.npy: is in millimetres")
    assert run_here(capsys, "mount", "large.npy", "-p", "rover.yaml", "--quiet").err == ""


def test_a_body_that_leans_may_say_so(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(capsys, "mount", "stand.npy", "-p", "rover.yaml", "--pitch", "2", "--json")
    assert json.loads(ran.out)["mount"]["pitch"] == pytest.approx(3.0, abs=0.1)


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("few.npy", "-p", "rover.yaml"), 1, "flatten: few.npy: no floor where the profile's mount has it"),
        (("few.npy", "-p", "rover.yaml", "--blind-start"), 1, "flatten: few.npy: no floor found blindly"),
        (("stand.npy", "-p", "rover.yaml", "--wall", "left"), 1, "flatten: no wall left"),
        (("stand.npy", "-p", "rover.yaml", "--set", "mount.pitch=30"), 1, "flatten: stand.npy: the largest"),
        (("none.npy", "-p", "rover.yaml"), 1, "flatten: none.npy: there is no such file"),
        (("stand.npy", "-p", "rover.yaml", "--poses", "none.txt"), 1, "flatten: none.txt: cannot be read"),
        (("stand.npy", "-p", "rover.yaml", "--wall", "up"), 2, "flatten: mount: invalid value for '--wall'"),
        (("stand.npy",), 2, "flatten: mount: missing option '--profile'"),
        (("stand.npy", "-p", "rover.yaml", "--wall", "left", "--poses", "x"), 2, "flatten: mount: --wall"),
    ],
)  # fmt: skip
def test_every_refusal_is_one_line(
    house: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], code: int, told: str
) -> None:
    ran = run_here(capsys, "mount", *words)
    assert (ran.code, ran.out) == (code, "")
    assert ran.err.startswith(told) and ran.err.count("\n") == 1


def test_a_blind_start_ignores_a_mount_that_is_all_wrong(
    house: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ran = run_here(
        capsys, "mount", "stand.npy", "-p", "rover.yaml", "--set", "mount.roll=90", "--blind-start", "--json"
    )
    told = json.loads(ran.out)
    assert told["blind_start"] and told["mount"]["roll"] == pytest.approx(2.0, abs=0.05)
