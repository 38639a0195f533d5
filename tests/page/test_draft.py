"""The profile being changed: what is refused changes nothing, saved text keeps all else."""

from __future__ import annotations

import difflib
from pathlib import Path

import pytest

from flatten import PageError, Profile, ProfileError
from flatten.page.draft import Draft
from flatten.page.saving import changed_text, place_in
from flatten.profile import starter_text
from tests.page.places import copy_profile


@pytest.fixture
def draft(tmp_path: Path) -> Draft:
    return Draft(copy_profile(tmp_path))


def test_what_is_not_sound_changes_nothing(draft: Draft) -> None:
    before = draft.profile
    with pytest.raises(ProfileError, match=r"^slices\.drive\.bottom: 1\.5 is not below top 1\.07") as caught:
        draft.change({"slices.drive.bottom": 1.5}, {})
    assert "\n" not in str(caught.value)
    with pytest.raises(PageError, match="no blind zone 'nobody'"):
        draft.change({}, {"nobody": True})
    assert draft.profile == before and not draft.is_changed


def test_there_and_back(draft: Draft) -> None:
    draft.remember()
    draft.change({"mount.z": 0.8, "reach.far": 20.0}, {})
    draft.remember()
    draft.change({}, {"lamp": True})
    assert [zone.name for zone in draft.profile.blind_zones] == ["hull", "mast"]
    assert [zone.name for zone in draft.whole.blind_zones] == ["hull", "mast", "lamp"]
    draft.undo()
    assert len(draft.profile.blind_zones) == 3 and draft.profile.mount.z == 0.8
    draft.undo()
    assert not draft.is_changed and draft.steps == (0, 2)
    draft.undo()  # nothing to take back
    draft.redo()
    draft.redo()
    assert draft.profile.reach.far == 20.0 and len(draft.profile.blind_zones) == 2
    draft.reset()
    assert not draft.is_changed
    draft.undo()
    assert draft.profile.reach.far == 20.0


def test_back_to_a_file_that_is_another_by_now(draft: Draft) -> None:
    draft.path.write_text(draft.text.replace("far: 25.0", "far: 30.0"))
    draft.reset()
    assert draft.profile.reach.far == 30.0 and not draft.is_changed


def test_only_what_was_changed_is_written(draft: Draft) -> None:
    values = {
        "slices.walls.top": 1.9, "mount.pitch": -3.5, "fan.bins": 720, "reach.near": 0.4,
        "blind_zones[0].box.x[1]": 0.55, "blind_zones[1].cylinder.radius": 0.08, "slices.low.bottom": 0.06,
    }  # fmt: skip
    draft.change(values, {"lamp": True})
    text = draft.new_text()
    assert Profile.parse(text) == draft.profile
    lines = [line for line in difflib.ndiff(draft.text.splitlines(), text.splitlines()) if line[0] in "-+"]
    kept = [line for line in lines if line[0] == "+"]
    assert len(kept) == 6 and len(lines) == 13  # seven lines differ, one of them is gone
    assert text.count("#") == draft.text.count("#")
    assert "low:   {bottom: 0.06," in text  # moved to what it was: untouched
    assert "x: [-0.52, 0.55]" in text and "bins: 720}" in text


LONG = """slices:
  drive:
    bottom: 0.1   # by rule
    top: 1.0
blind_zones:
  - name: hull  # the hull
    box:
      x:
        - -0.5
        - 0.5  # with room
      y: [-0.4, 0.4]
      z: [0, 1]
  - name: mast
    cylinder: {x: 0, y: 0, radius: 0.1}
"""


@pytest.mark.parametrize(
    "text", [LONG, LONG.replace("\n", "\r\n"), starter_text()], ids=("n", "rn", "starter")
)
def test_other_ways_to_write_a_profile(text: str) -> None:
    name = next(iter(Profile.parse(text).slices))
    values = {f"slices.{name}.rise": 0.01, "reach.far": 22.5, "mount.z": 0.7}
    wanted = Profile.parse(text, "rover.yaml", values)
    assert Profile.parse(changed_text(text, "rover.yaml", values, frozenset(), wanted)) == wanted


def test_zones_are_taken_out_of_long_lists() -> None:
    values = {"blind_zones[0].box.x[0]": -0.6}
    whole = Profile.parse(LONG, "rover.yaml", values)
    for off in (["hull"], ["mast"], ["hull", "mast"]):
        kept = tuple(zone for zone in whole.blind_zones if zone.name not in off)
        wanted = whole.model_copy(update={"blind_zones": kept})
        made = changed_text(LONG, "rover.yaml", values, frozenset(off), wanted)
        assert Profile.parse(made) == wanted
        assert "# by rule" in made and ("# the hull" in made) == ("hull" not in off)


OUTSIDE = (
    "", " ", ".", "..", "../rover.yaml", "/etc/rover.yaml", "a/b.yaml", "a\\b.yaml", ".hidden.yaml", "rover",
    "rover.txt", "C:rover.yaml", "rover\0.yaml", "rover\n.yaml", "x" * 101 + ".yaml", "~/rover.yaml",
    "*.yaml",
)  # fmt: skip


@pytest.mark.parametrize("name", OUTSIDE)
def test_no_name_leads_out_of_the_folder(name: str, tmp_path: Path) -> None:
    with pytest.raises(PageError):
        place_in(tmp_path, name)


def test_no_link_leads_out_of_the_folder(tmp_path: Path) -> None:
    inside = tmp_path / "profiles"
    inside.mkdir()
    (inside / "out.yaml").symlink_to(tmp_path / "rover.yaml")
    with pytest.raises(PageError, match="is a link out of"):
        place_in(inside, "out.yaml")
    assert place_in(inside, " new.yaml ") == inside / "new.yaml"
