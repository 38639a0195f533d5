"""`flatten tune` as a user meets it."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import numpy as np
import pytest

from flatten import Profile
from tests.command_line import run_here
from tests.tuning.yard import PROFILE, frame

QUICK = ("drive", "-p", "rover.yaml", "--set", "reach.far=5.5")
"""Test bodies are put at five distances, and not at fifteen."""


@pytest.fixture
def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rover.yaml").write_text(PROFILE)
    (tmp_path / "drive").mkdir()
    for k in range(5):
        np.save(tmp_path / "drive" / f"{10 + 0.1 * k:.1f}.npy", frame(seed=k).xyz.astype(np.float32))
    still = "".join(f"{t:.2f} 0 0 0 0 0 0 1\n" for t in np.arange(9.9, 10.6, 0.05))
    (tmp_path / "poses.txt").write_text(still)
    (tmp_path / "late.txt").write_text("100 0 0 0 0 0 0 1\n101 0 0 0 0 0 0 1\n")
    np.save(tmp_path / "few.npy", np.ones((5, 3)))
    np.save(tmp_path / "large.npy", frame().xyz * 1000.0)
    return tmp_path


def test_it_writes_profile_values_and_a_page(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(
        capsys, "tune", "drive", "-p", "rover.yaml", "--poses", "poses.txt", "--out", "new.yaml", "--json",
        "told.json", "--report", "told.html",
    )  # fmt: skip
    assert (ran.code, ran.err) == (0, "")
    values = json.loads(Path("told.json").read_text())
    made = Profile.load("new.yaml")
    assert made.slices["drive"].bottom == values["drive"]["bottom"]
    assert made.slices["drive"].top == values["drive"]["top"] == pytest.approx(1.0)
    text = Path("new.yaml").read_text()
    assert text.splitlines()[0] == PROFILE.splitlines()[0] and text.count("# by eye") == 1
    assert Path("rover.yaml").read_text() == PROFILE
    assert f"to drive by, drive: {made.slices['drive'].bottom:.2f} to 1.00 m" in ran.out
    assert ran.out.endswith("profile: new.yaml\nreport: told.html\nvalues: told.json\n")
    check_page(Path("told.html").read_text())
    again = run_here(capsys, "tune", "drive", "-p", "rover.yaml", "--out", "new.yaml")
    assert again.code == 1 and "is there already" in again.err and again.out == ""


def check_page(page: str) -> None:
    """Whole in itself: pictures inside, no script, nothing from elsewhere; cautions and inputs told."""
    sources = re.findall(r'src="([^"]{0,30})', page)
    assert len(sources) == 6 and all(source.startswith("data:image/png;base64,") for source in sources)
    assert "<script" not in page and "http" not in page and "@media print" in page
    assert "not a personnel-safety device" in page and "emergency stop" in page
    assert "drive" in page and "rover.yaml" in page and re.search(r"flatten \d+\.\d+", page)
    assert page.count("alt=") == 6 and "ways down" in page


def test_shaking_may_be_given(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    calm = run_here(capsys, "tune", *QUICK, "--shake", "0.1", "--json", "calm.json")
    wild = run_here(capsys, "tune", *QUICK, "--shake", "1.5", "--json", "wild.json")
    assert (calm.code, wild.code) == (0, 0)
    one, two = (json.loads(Path(name).read_text()) for name in ("calm.json", "wild.json"))
    assert two["drive"]["rise"] > one["drive"]["rise"] and "by 1.50° (one sigma), given" in wild.out
    enters = two["drive"]["floor_enters"]["3"]
    slope = math.tan(math.radians(4.5)) - two["drive"]["rise"]
    assert enters == pytest.approx(two["drive"]["bottom"] / slope)


def test_millimetres_and_useless_clouds_are_told(house: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(capsys, "tune", *QUICK, "large.npy", "few.npy")
    assert ran.code == 0
    assert ran.err.startswith("note: large.npy: is in millimetres")
    assert "warning: few.npy: left out: few.npy: 5 returns are too few" in ran.err
    assert run_here(capsys, "tune", *QUICK, "few.npy", "--quiet").err == ""


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (("few.npy", "-p", "rover.yaml"), 1, "flatten: few.npy: 5 returns are too few"),
        (("drive", "-p", "rover.yaml", "--set", "mount.z=3"), 1, "flatten: 10.0.npy: no floor"),
        (("drive", "-p", "rover.yaml", "--set", "mount.z=-0.2"), 1, "flatten: 10.0.npy: the sensor is"),
        (("drive", "-p", "rover.yaml", "--poses", "late.txt"), 1, "flatten: 10.0.npy: taken at 10.000 s"),
        (("few.npy", "-p", "rover.yaml", "--poses", "poses.txt"), 1, "flatten: few.npy: its time is not"),
        (("none.npy", "-p", "rover.yaml"), 1, "flatten: none.npy: there is no such file"),
        (("drive", "-p", "rover.yaml", "--shake", "x"), 2, "flatten: tune: invalid value for '--shake'"),
        (("drive", "-p", "rover.yaml", "--shake", "-1"), 2, "flatten: tune: --shake: wanted degrees"),
        (("drive", "-p", "rover.yaml", "--poses", "poses.txt", "--roll", "1"), 2, "flatten: tune: --poses"),
        (("drive",), 2, "flatten: tune: missing option '--profile'"),
    ],
)  # fmt: skip
def test_every_refusal_is_one_line(
    house: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], code: int, told: str
) -> None:
    ran = run_here(capsys, "tune", *words)
    assert (ran.code, ran.out) == (code, "")
    assert ran.err.startswith(told) and ran.err.count("\n") == 1
