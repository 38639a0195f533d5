"""Warnings: said where something is certain or nearly so, silent where all is well; never an error.

The expected figures are worked out by hand beside each case.
"""

import pytest

from flatten.profile import Profile, starter_text

# A profile without a blemish: the slice begins at the step and ends above height + clearance.
SOUND = """\
robot: {length: 1.0, width: 0.8, height: 0.9, step: 0.06, clearance: 0.1}
mount: {x: 0.3, z: 0.6, pitch: 10}
level: gravity
slices:
  drive: {bottom: 0.06, top: 1.0}
fan: {bins: 720}
reach: {far: 20}
clear: {to: 8}
blind_zones:
  - {name: lamp, cylinder: {x: 0.4, y: 0.3, radius: 0.05, z: [0.5, 0.9]}}
"""


def warned(overrides=None, text=SOUND):
    return Profile.parse(text, overrides=overrides).warnings


def test_a_sound_profile_has_no_warnings():
    assert warned() == ()


def test_what_the_level_uses_and_what_says_nothing_new_is_no_matter():
    assert warned({"level": "floor", "floor.slope": 15, "slices.drive.drops": True}) == ()
    assert warned({"floor": {"slope": 20, "memory": 1.0}}) == ()


def test_undeclared_sections_are_named():
    words = "\n".join(Profile.parse("slices:\n  drive: {bottom: 0.06, top: 1.03}\n").warnings)
    assert "robot is not declared" in words
    assert "mount is not declared: the cloud is taken to be in body axes" in words
    assert "not declared, defaults taken: level, fan, reach, clear" in words
    assert "blind_zones are not declared" in words
    assert "drive" not in words  # 0.88 + 0.15 = 1.03 m is covered


def test_a_robot_declared_in_part_says_what_was_taken():
    (words,) = warned({"robot": {"length": 1.0, "step": 0.06, "height": 0.85}, "blind_zones": []})
    assert words == "robot is declared in part: width 0.72 m, clearance 0.15 m taken from the example robot"


@pytest.mark.parametrize(
    ("overrides", "words"),
    [
        ({"slices.drive.bottom": 0.1}, "slices.drive.bottom 0.1 m lies above robot.step 0.06 m"),
        ({"slices.drive.top": 0.9}, "slices.drive.top 0.9 m lies below robot.height + robot.clearance = 1 m"),
        ({"slices.drive.bottom": 0.0}, "slices.drive.bottom 0 m is not above the floor"),
        ({"slices.low": {"bottom": -1.0, "top": 0.0}}, "slices.low lies wholly below the floor (top 0 m)"),
        # 0.94 m of band at 0.094 m per m closes at 10 m
        ({"slices.drive.rise": 0.094}, "slices.drive closes at 10.00 m"),
        # (40 - 0.6) / 20 is steeper than tan 60 deg = 1.73
        ({"slices.sky": {"bottom": 40, "top": 50}}, "slices.sky begins more than 60 deg above the sensor"),
        # 0.5 m below the sensor is 60 deg down 0.5 / tan 60 deg = 0.29 m away
        (
            {"slices.kerb": {"bottom": 0.06, "top": 0.1}, "reach.near": 0.2},
            "slices.kerb is near blind: nearer than 0.29 m",
        ),
        ({"floor.slope": 15}, "floor is declared and not used: level is gravity; set level: floor"),
        (
            {"slices.drive.drops": True, "level": "floor", "robot.drop": 0},
            "slices.drive.drops with robot.drop 0 m: every dent",
        ),
        ({"mount.z": 0.0}, "mount.z 0 m is not above the floor"),
        ({"clear": "off"}, "clear is off: no bin ever says CLEAR"),
        ({"reach.far": 5.0, "clear": {"smallest": 0.4}}, "clear.to is limited to reach.far, 5 m"),
    ],
)
def test_each_blemish_is_said_once(overrides, words):
    (only,) = warned(overrides)
    assert words in only


def test_two_driving_slices_with_a_gap_between():
    (words,) = warned({"slices.drive.top": 0.3, "slices.high": {"bottom": 0.5, "top": 1.0}})
    assert "covers heights from 0.3 to 0.5 m (below slices.high)" in words
    assert warned({"slices.drive.top": 0.5, "slices.high": {"bottom": 0.4, "top": 1.0}}) == ()


def test_a_slice_for_walls_is_not_taken_for_one_to_drive_by():
    assert warned({"slices.walls": {"bottom": 1.2, "top": 1.8, "pick": "farthest"}}) == ()
    assert len(warned({"slices": {"walls": {"bottom": 1.2, "top": 1.8, "pick": "farthest"}}})) == 1


@pytest.mark.parametrize(
    ("shape", "words"),
    [
        # the outline is 1.0 x 0.8 x 0.9 m about the origin; the mount is at x 0.3, y 0
        ({"box": {"x": [-0.5, 1.5], "y": [0.1, 0.2], "z": [0, 0.9]}}, "1.00 m beyond (ahead)"),
        ({"box": {"x": [-0.8, 0], "y": [0.1, 0.2], "z": [0, 0.9]}}, "0.30 m beyond (behind)"),
        ({"box": {"x": [0, 0.1], "y": [0.1, 0.6], "z": [0, 0.9]}}, "0.20 m beyond (left)"),
        ({"box": {"x": [0, 0.1], "y": [-0.6, -0.1], "z": [0, 1.0]}}, "0.20 m beyond (right)"),
        ({"box": {"x": [0, 0.1], "y": [0.1, 0.2], "z": [0, 1.8]}}, "0.90 m beyond (above)"),
        ({"cylinder": {"x": 0.4, "y": 0.3, "radius": 0.3, "z": [0, 0.5]}}, "0.20 m beyond"),
        ({"cylinder": {"x": 0.4, "y": 0.3, "radius": 0.05}}, "has no z: it swallows every height"),
        # straight astern the rim is at 0.3 - 1.0 = -0.7, though neither edge of the sector gets that far
        ({"sector": {"first": 175, "last": -175, "far": 1.0, "z": [0, 0.9]}}, "0.20 m beyond (behind)"),
        ({"sector": {"first": 80, "last": 100, "far": 1.4, "z": [0, 0.9]}}, "1.00 m beyond (left)"),
        ({"box": {"x": [0, 0.5], "y": [-0.1, 0.1], "z": [0.5, 0.7]}}, "'zone' holds the mount"),
        ({"cylinder": {"x": 0.25, "y": 0.05, "radius": 0.1, "z": [0.5, 0.7]}}, "'zone' holds the mount"),
        ({"sector": {"first": 0, "last": 360, "far": 0.2, "z": [0.5, 0.7]}}, "'zone' holds the mount"),
    ],
)  # fmt: skip
def test_blind_zones_beyond_the_outline_or_about_the_mount(shape, words):
    (only,) = warned({"blind_zones": [{"name": "zone", **shape}]})
    assert words in only.replace("beyond the robot's outline", "beyond")


@pytest.mark.parametrize(
    "shape",
    [
        {"box": {"x": [-0.5, 0.5], "y": [-0.4, 0.4], "z": [0, 0.55]}},
        {"box": {"x": [-0.54, 0.2], "y": [-0.44, 0.44], "z": [0, 0.94]}},
        {"cylinder": {"x": 0.15, "y": 0.0, "radius": 0.1, "z": [0.5, 0.7]}},
        {"sector": {"first": 170, "last": -170, "far": 0.6, "z": [0, 0.9]}},
        {"sector": {"first": 0, "last": 360, "near": 0.1, "far": 0.2, "z": [0.5, 0.7]}},
    ],
)
def test_blind_zones_on_the_robot_are_no_matter(shape):
    assert warned({"blind_zones": [{"name": "zone", **shape}]}) == ()


def test_warnings_are_the_same_text_after_a_round_trip():
    profile = Profile.parse(starter_text())
    assert Profile.parse(profile.to_yaml()).warnings == profile.warnings
    assert all("\n" not in words for words in profile.warnings)
