"""`flatten blind` as a user meets it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from flatten import Profile
from flatten.cli.blind import blind
from flatten.tuning.blind import MARGIN, MOST_HIDDEN, REACH
from tests.command_line import run_here
from tests.tuning.drives import CIRCLE, clouds, yard

PROFILE = """\
# the rover of the seedling house
robot: {length: 0.8, width: 0.6, height: 0.8}
mount: {x: 0.25, y: 0.0, z: 0.75, roll: 180.0}
slices: {drive: {bottom: 0.08, top: 1.0}}
fan: {first: -180, last: 180, bins: 360}
blind_zones:   # by eye
  - {name: deck, box: {x: [-0.45, 0.45], y: [-0.35, 0.35], z: [0.3, 0.5]}}
"""


@pytest.fixture(scope="module")
def garage(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A drive of eight clouds, two frames of a standing robot, and clouds that are no good."""
    folder = tmp_path_factory.mktemp("garage")
    (folder / "rover.yaml").write_text(PROFILE)
    (folder / "drive").mkdir()
    for k, cloud in enumerate(clouds(yard(), CIRCLE[:16:2])):
        np.save(folder / "drive" / f"{k:02}.npy", cloud.xyz.astype(np.float32))
    for k, cloud in enumerate(clouds(yard(clear=3.0), [(0.0, 0.0, 0.0)] * 2)):
        np.save(folder / f"stand{k}.npy", cloud.xyz.astype(np.float32))
    bare = clouds(yard(clear=3.0), [(0.0, 0.0, 0.0)], lambda k: ())[0]
    np.save(folder / "bare.npy", bare.xyz)
    np.save(folder / "large.npy", bare.xyz * 1000.0)
    np.save(folder / "few.npy", np.ones((5, 3)))
    (folder / "still.txt").write_text("0 0 0 0 0 0 0 1\n9 0 0 0 0 0 0 1\n")
    return folder


@pytest.fixture
def here(garage: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(garage)
    return garage


def test_it_says_what_was_found_and_what_was_taken_for_granted(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ran = run_here(capsys, "blind", "drive", "-p", "rover.yaml", "--replace")
    assert (ran.code, ran.err) == (0, "")
    words = " ".join(ran.out.split())
    assert "the robot moved: 8 clouds from 8 places" in words
    assert "taken for granted: nothing else keeps its place within 0.3 m of the declared hull" in words
    assert "{name: hull, box: {x: [" in words and "own returns and" in words
    assert "of the bins fall silent" in words and "% of the own returns lie in these zones" in words
    assert all(len(line) <= 118 for line in ran.out.splitlines())


def test_plain_values(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(capsys, "blind", "drive", "-p", "rover.yaml", "--json")
    told = json.loads(ran.out)
    assert told["moved"] is True and told["places"] == told["clouds"] == 8
    assert told["kept"] == ["deck"] and told["covered"] > 0.999
    names = [zone["name"] for zone in told["zones"]]
    assert "post" in names and len(set(names)) == len(names)
    for zone in told["zones"]:
        assert zone["own"] > 0 and zone["left_out"] is None and zone["moving"] is False
        assert 0.0 <= zone["slices"]["drive"]["lost"] <= zone["slices"]["drive"]["blocked"] <= 1.0
    low, high = told["together"]["slices"]["drive"]["ranges"]
    assert 0.0 < low < high < 1.0


def test_the_profile_is_written_and_nothing_is_written_over(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ran = run_here(capsys, "blind", "drive", "-p", "rover.yaml", "--out", "new.yaml", "--picture", "own.png")
    assert ran.code == 0 and ran.out.endswith("profile: new.yaml\npicture: own.png\n")
    text = Path("new.yaml").read_text()
    assert all(line in text.splitlines() for line in PROFILE.splitlines())
    profile = Profile.load("new.yaml")
    assert profile.blind_zones[0].name == "deck" and len(profile.blind_zones) > 1
    assert Path("rover.yaml").read_text() == PROFILE
    assert Path("own.png").read_bytes().startswith(b"\x89PNG")
    for option, name in (("--out", "new.yaml"), ("--picture", "own.png")):
        again = run_here(capsys, "blind", "drive", "-p", "rover.yaml", option, name)
        assert (again.code, again.out) == (1, "") and f"{name}: is there already" in again.err
    done = run_here(capsys, "blind", "drive", "-p", "new.yaml")
    assert done.code == 0 and "lie in the profile's zones: nothing to add" in done.out
    over = run_here(
        capsys, "blind", "drive", "-p", "new.yaml", "--replace", "--out", "new.yaml", "--overwrite"
    )
    assert over.code == 0 and "deck" not in {zone.name for zone in Profile.load("new.yaml").blind_zones}
    assert Path("new.yaml").read_text().count("# by eye") == 1


def test_a_standing_robot_is_told(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(capsys, "blind", "stand0.npy", "stand1.npy", "-p", "rover.yaml", "--replace")
    assert ran.code == 0
    assert ran.out.startswith(
        "the robot did not move, as far as its surroundings tell (2 clouds from 1 place)"
    )
    assert "taken for granted: the robot is what lies within 5 cm of the declared hull" in ran.out
    held = run_here(capsys, "blind", "drive", "-p", "rover.yaml", "--replace", "--poses", "still.txt")
    assert held.out.startswith("the robot did not move")


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("bare.npy", "-p", "rover.yaml"), 1, "flatten: nothing to go by: the robot did not move"),
        (("large.npy", "-p", "rover.yaml"), 1, "flatten: large.npy: is in millimetres"),
        (("few.npy", "-p", "rover.yaml"), 1, "flatten: few.npy: 5 good returns are too few, 200 are wanted"),
        (("drive", "-p", "rover.yaml", "--set", "mount.roll=0"), 1, "flatten: 00.npy: no floor where"),
        (("drive", "-p", "rover.yaml", "--replace", "--most-hidden", "0"), 1, "flatten: nothing is proposed"),
        (("none.npy", "-p", "rover.yaml"), 1, "flatten: none.npy: there is no such file"),
        (("drive", "-p", "rover.yaml", "--poses", "none.txt"), 1, "flatten: none.txt: cannot be read"),
        (("drive", "-p", "rover.yaml", "--picture", "own.doc"), 1, "flatten: own.doc: no picture format"),
        (("drive", "-p", "rover.yaml", "--margin", "-1"), 2, "flatten: blind: invalid value for '--margin'"),
        (("drive",), 2, "flatten: blind: missing option '--profile'"),
    ],
)  # fmt: skip
def test_every_refusal_is_one_line(
    here: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], code: int, told: str
) -> None:
    ran = run_here(capsys, "blind", *words)
    assert (ran.code, ran.out) == (code, "")
    assert ran.err.startswith(told) and ran.err.count("\n") == 1


def test_defaults_written_for_speed_are_the_real_ones() -> None:
    defaults = {option.name: option.default for option in blind.params}
    assert (defaults["margin"], defaults["reach"], defaults["most_hidden"]) == (MARGIN, REACH, MOST_HIDDEN)


def test_help_gives_examples(capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(capsys, "blind", "--help")
    assert ran.code == 0 and "flatten blind drive/ --profile rover.yaml" in ran.out
    assert all(option in ran.out for option in ("--replace", "--most-hidden", "--with-moving", "--picture"))
