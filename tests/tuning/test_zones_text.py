"""A profile's text with other blind zones: every other character stays."""

from __future__ import annotations

import difflib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten import Profile, ProfileError
from flatten.profile import BlindZone, Box, Cylinder, Sector, starter_text
from flatten.tuning.zones_text import with_zones, zone_text

SLICES = "slices: {drive: {bottom: 0.1, top: 1.0}}  # what is in the way\n"
NEW = (
    BlindZone(name="hull", box=Box(x=(-0.5, 0.51), y=(-0.4, 0.4), z=(0.4, 0.56))),
    BlindZone(name="post 2", cylinder=Cylinder(x=0.3, y=-0.1, radius=0.06, z=(0.45, 0.97))),
    BlindZone(name="it's", sector=Sector(first=170, last=-170, near=0.1, far=0.3, z=(0.4, 1.0))),
)
OLD = "{name: old, box: {x: [-1, 1], y: [-1, 1], z: [0, 1]}}"

TEXTS = {
    "list": f"blind_zones:   # by rule\n  - {OLD}   # keep clear\n  # the end\n" + SLICES,
    "list, nothing behind": SLICES + f"blind_zones:\n  - {OLD}",
    "list, not indented": f"blind_zones:\n- {OLD}\n" + SLICES,
    "block": "blind_zones:\n  - name: old\n    cylinder:\n      x: 1\n      y: 2\n      radius: 1  # thin\n\n"
    + SLICES,
    "flow": f"blind_zones: [{OLD}]  # by rule\n" + SLICES,
    "flow, lines": f"blind_zones: [\n  {OLD}\n]\n" + SLICES,
    "flow, empty": "blind_zones: []   # none yet\n" + SLICES,
    "none": SLICES,
    "none, no end of line": SLICES.rstrip("\n"),
    "windows": (f"blind_zones:\n  - {OLD}  # keep clear\n" + SLICES).replace("\n", "\r\n"),
    "starter": starter_text(),
    "sample": (Path(__file__).parents[2] / "sample_clouds" / "rover.yaml").read_text(),
}


@pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS.keys())
def test_zones_are_added_behind_those_that_stay(text: str) -> None:
    before = Profile.parse(text)
    fresh = tuple(zone.model_copy(update={"name": f"new {k}"}) for k, zone in enumerate(NEW))
    made = with_zones(text, "rover.yaml", before.blind_zones, fresh)
    profile = Profile.parse(made)
    assert profile.blind_zones == (*before.blind_zones, *fresh)
    assert profile.model_copy(update={"blind_zones": before.blind_zones}) == before
    assert made.count("#") == text.count("#")
    assert ("\r\n" in made) == ("\r\n" in text) and made.count("\n\n") == text.count("\n\n")
    lines = [line for line in difflib.ndiff(text.splitlines(), made.splitlines()) if line[0] in "-+"]
    assert all(any(word in line for word in ("new", "old", "blind_zones", "slices")) for line in lines)


@pytest.mark.parametrize("text", TEXTS.values(), ids=TEXTS.keys())
def test_zones_take_the_place_of_others(text: str) -> None:
    before = Profile.parse(text)
    made = with_zones(text, "rover.yaml", (), NEW)
    assert Profile.parse(made) == before.model_copy(update={"blind_zones": NEW})
    assert with_zones(made, "rover.yaml", (), NEW) == made
    none = with_zones(text, "rover.yaml", (), ())
    assert Profile.parse(none).blind_zones == ()


def test_the_sample_profile_keeps_every_other_line() -> None:
    text = TEXTS["sample"]
    made = with_zones(text, "rover.yaml", Profile.parse(text).blind_zones, NEW[2:])
    added = [line for line in made.splitlines() if line not in text.splitlines()]
    assert added == [
        "  - {name: 'it''s', sector: {first: 170.0, last: -170.0, near: 0.1, far: 0.3, z: [0.4, 1.0]}}"
    ]
    assert set(text.splitlines()) <= set(made.splitlines())


@settings(max_examples=50)
@given(
    st.text(st.characters(exclude_categories=["C"]), min_size=1, max_size=60).filter(
        lambda name: name == name.strip() and name.isprintable()
    ),
    st.floats(-100.0, 100.0),
)
def test_any_name_goes_through(name: str, x: float) -> None:
    zone = BlindZone(name=name, cylinder=Cylinder(x=round(x, 2), y=0.0, radius=0.1, z=(0.0, 1.0)))
    assert Profile.parse(with_zones(SLICES, "p", (), [zone])).blind_zones == (zone,)


def test_what_cannot_be_written() -> None:
    twice = [NEW[0], NEW[0]]
    with pytest.raises(ProfileError, match="name"):
        with_zones(SLICES, "p", (), twice)
    assert zone_text(NEW[0]) == "{name: hull, box: {x: [-0.5, 0.51], y: [-0.4, 0.4], z: [0.4, 0.56]}}"
