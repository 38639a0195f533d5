"""A profile's text with a new mount: every other character stays."""

from __future__ import annotations

import difflib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten import Profile, ProfileError
from flatten.profile import starter_text
from flatten.profile.models import Slice
from flatten.tuning.profile_text import number_text, with_mount, with_slices

SLICES = "slices: {drive: {bottom: 0.1, top: 1.0}}  # what is in the way\n"
FOUND = {"z": 0.61234, "roll": -179.9996, "pitch": 4.0}

TEXTS = {
    "flow": "mount: {x: 0.1, z: 0.5, roll: 180, pitch: 1e1}  # upside-down\n" + SLICES,
    "flow, keys missing": SLICES + "mount: {x: 0.1}\n",
    "flow, empty": SLICES + "mount: {}\n",
    "flow, several lines": "mount: {x: 0.1,   # by rule\n  z: 0.5,\n  roll: 1.0 }\n" + SLICES,
    "block": "mount:\n  # by rule\n  x: 0.1\n  z:   0.5   # roughly\n  roll: 3\n\n  pitch: 1\n" + SLICES,
    "block, keys missing": SLICES + "mount:\n    x: 0.1    # by rule\n",
    "block, no end of line": SLICES + "mount:\n  x: 0.1",
    "none": SLICES,
    "none, no end of line": SLICES.rstrip("\n"),
    "windows": (SLICES + "mount:\n  x: 0.1\n  z: 0.5\n").replace("\n", "\r\n"),
    "starter": starter_text(),
}


@pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS.keys())
def test_nothing_but_the_mount_changes(text: str) -> None:
    made = with_mount(text, "rover.yaml", FOUND)
    profile, before = Profile.parse(made), Profile.parse(text)
    assert (profile.mount.z, profile.mount.roll, profile.mount.pitch) == (0.6123, 180.0, 4.0)
    assert profile == before.model_copy(update={"mount": profile.mount})
    assert (profile.mount.x, profile.mount.y, profile.mount.yaw) == (
        before.mount.x, before.mount.y, before.mount.yaw,
    )  # fmt: skip
    assert made.count("#") == text.count("#")
    lines = difflib.ndiff(text.splitlines(), made.splitlines())
    changed = [line for line in lines if line[0] in "-+"]
    assert all(any(key in line for key in ("mount", "z", "roll", "pitch", "x:")) for line in changed)
    assert with_mount(made, "rover.yaml", FOUND) == made


def test_the_sample_profile_keeps_every_line_but_one() -> None:
    path = Path(__file__).parents[2] / "sample_clouds" / "rover.yaml"
    text = path.read_text()
    made = with_mount(text, str(path), {**FOUND, "yaw": 0.5})
    differ = [(a, b) for a, b in zip(text.splitlines(), made.splitlines(), strict=True) if a != b]
    assert differ == [
        (
            "mount: {x: 0.47, y: -0.09, z: 0.78, roll: 180.0, pitch: -4.0, yaw: 0.0}",
            "mount: {x: 0.47, y: -0.09, z: 0.6123, roll: 180.0, pitch: 4.0, yaw: 0.5}",
        )
    ]


@settings(max_examples=25)
@given(st.sampled_from(sorted(TEXTS)), st.floats(-3, 3), st.floats(-180, 180), st.floats(-90, 90))
def test_any_value_goes_through(name: str, z: float, roll: float, pitch: float) -> None:
    made = Profile.parse(with_mount(TEXTS[name], "p", {"z": z, "roll": roll, "pitch": pitch})).mount
    assert abs(made.z - z) <= 0.5001e-4
    assert abs(made.pitch - pitch) <= 0.5001e-3
    assert min(abs(made.roll - roll), abs(made.roll - roll - 360.0)) <= 0.5001e-3


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [("z", 0.78, "0.78"), ("roll", -180.0, "180.0"), ("pitch", -0.0001, "0.0"), ("z", -0.00004, "0.0"),
     ("yaw", 12.3456, "12.346"), ("z", 100.0, "100.0"), ("pitch", -180.0, "-180.0")],
)  # fmt: skip
def test_numbers_as_they_are_written(key: str, value: float, words: str) -> None:
    assert number_text(key, value) == words


def test_what_cannot_be_written() -> None:
    with pytest.raises(ProfileError, match=r"mount\.z: nan"):
        with_mount(SLICES, "p", {"z": float("nan")})
    with pytest.raises(ProfileError, match=r"mount\.z"):
        with_mount(SLICES, "p", {"z": 1000.0})


BANDS = {
    "drive": Slice(bottom=0.08, top=1.03, rise=0.0025),
    "walls": Slice(bottom=0.4, top=1.7, pick="farthest"),
}
SLICED = {
    "flow": "# mine\nslices: {drive: {bottom: 0.1, top: 1.0}}  # what is in the way\nfan: {bins: 36}\n",
    "two": "slices:\n  drive: {bottom: 0.2, top: 1.0, min_hits: 2}   # low\n"
    "  walls: {bottom: 1, top: 2, pick: farthest}\n",
    "block": "slices:\n  drive:\n    # by eye\n    bottom: 0.2\n    top: 1.0   # head\n\nfan: {bins: 36}\n",
    "block, no end of line": "slices:\n  drive:\n    bottom: 0.2\n    top: 1.0",
    "other": "fan: {bins: 36}\nslices:\n  low: {bottom: 0.05, top: 0.3, rise: 0.01}\n",
    "windows": "slices:\r\n  drive:\r\n    bottom: 0.2\r\n    top: 1.0\r\nfan: {bins: 36}\r\n",
}


@pytest.mark.parametrize("text", SLICED.values(), ids=SLICED.keys())
def test_nothing_but_the_slices_changes(text: str) -> None:
    before = Profile.parse(text).slices
    wanted = {
        key: band if key not in before else before[key].model_copy(
            update={"bottom": band.bottom, "top": band.top, "rise": band.rise}
        )
        for key, band in BANDS.items()
    }  # fmt: skip
    made = with_slices(text, "rover.yaml", wanted)
    assert Profile.parse(made).slices == {**before, **wanted}
    for line in text.splitlines():
        _, hash_, comment = line.partition("#")
        assert not hash_ or f"#{comment}" in made
    assert with_slices(made, "rover.yaml", wanted) == made


def test_slices_that_cannot_be_changed_in_place_are_refused() -> None:
    shared = "slices: {drive: &a {bottom: 0.1, top: 1.0}, low: *a}\n"
    with pytest.raises(ProfileError):
        with_slices(shared, "rover.yaml", {"drive": BANDS["drive"]})
