"""What a profile says: defaults < file < overrides, YAML's surprises, sections that fit one another."""

import pickle

import numpy as np
import pytest
from pydantic import ValidationError

from flatten.errors import ProfileError
from flatten.profile import Profile, Sector, setting, starter_text

SLICES = "slices:\n  drive: {bottom: 0.08, top: 0.95}\n"


def parse(text="", overrides=None):
    return Profile.parse(SLICES + text, "rover.yaml", overrides)


def test_defaults():
    profile = parse()
    assert profile.robot.model_dump() == {
        "length": 0.95, "width": 0.72, "height": 0.88, "step": 0.06, "drop": 0.06, "clearance": 0.15,
    }  # fmt: skip
    assert set(profile.mount.model_dump().values()) == {0.0}
    assert profile.level == "gravity"
    drive = profile.slices["drive"]
    assert (drive.rise, drive.pick, drive.min_hits, drive.within) == (0.0, "nearest", 1, 0.2)
    assert (profile.fan.first, profile.fan.last, profile.fan.bins) == (-180.0, 180.0, 1440)
    assert (profile.reach.near, profile.reach.far) == (0.3, 25.0)
    assert (profile.clear.smallest, profile.clear.from_, profile.clear.to) == (0.4, 1.5, 8.0)
    assert profile.blind_zones == ()
    assert not drive.drops
    assert profile.floor.model_dump() == {"slope": 20.0, "memory": 1.0}
    assert profile.window is None
    assert profile.health.model_dump() == {
        "rate": None, "late": 1.5, "missing": 0.1, "answered": 0.5, "swallowed": 0.5, "floor_height": 0.05,
        "floor_tilt": 2.0, "attitude_age": 0.1, "attitude_stale": 0.5,
    }  # fmt: skip
    assert profile.source == "rover.yaml"


def test_precedence_is_defaults_then_file_then_overrides():
    assert parse().reach.far == 25.0
    assert parse("reach: {far: 12}").reach.far == 12.0
    assert parse("reach: {far: 12}", {"reach.far": 20.0}).reach.far == 20.0
    both = parse("reach: {near: 1, far: 12}", {"reach.far": 20.0})
    assert (both.reach.near, both.reach.far) == (1.0, 20.0)
    assert parse("", {"slices.drive.bottom": 0.1}).slices["drive"].bottom == 0.1


def test_overrides_replace_sections_items_and_switches():
    profile = parse("reach: {near: 1, far: 12}", {"reach": {"far": 9}, "clear": "off", "level": "body"})
    assert (profile.reach.near, profile.reach.far, profile.clear, profile.level) == (0.3, 9.0, None, "body")
    assert parse("clear: off", {"clear.to": 3}).clear.to == 3.0
    zones = Profile.parse(starter_text(), overrides={"blind_zones[0].box.x": (-0.5, 0.5)}).blind_zones
    assert zones[0].box.x == (-0.5, 0.5)
    assert list(parse("", {"slices.low": {"bottom": 0.0, "top": 0.2}}).slices) == ["drive", "low"]
    assert Profile.from_dict({"slices": {"d": {"bottom": 0, "top": 1}}}, {"fan.bins": 720}).fan.bins == 720


def test_overrides_reach_floor_window_and_health():
    profile = parse(
        "window: {frames: 3}",
        {"level": "floor", "slices.drive.drops": True, "floor.slope": 15, "window": "off"},
    )
    assert (profile.level, profile.slices["drive"].drops, profile.floor.slope) == ("floor", True, 15.0)
    assert profile.window is None
    assert parse("window: off", {"window.seconds": 0.5}).window.seconds == 0.5
    assert parse("", dict([setting("window={frames: 4}")])).window.frames == 4
    assert parse("window: {frames: 3}", {"window": {"seconds": 1}}).window.frames is None
    assert parse("", {"health.rate": 20}).health.rate == 20.0


@pytest.mark.parametrize("word", ["off", "no", "false", "'off'"])
def test_a_window_can_be_switched_off(word):
    assert parse(f"window: {word}").window is None


@pytest.mark.parametrize(("word", "drops"), [("on", True), ("yes", True), ("true", True), ("off", False)])
def test_drops_are_told_by_a_switch_word(word, drops):
    text = f"level: floor\nslices:\n  drive: {{bottom: 0.08, top: 0.95, drops: {word}}}\n"
    assert Profile.parse(text).slices["drive"].drops is drops


@pytest.mark.parametrize(
    ("overrides", "key", "words"),
    [
        (
            {"reach.far": 2000.0},
            "reach.far",
            "2000.0 is too large; allowed: a number above 0, at most 1000 m",
        ),
        ({"reach.far": "20"}, "reach.far", "'20' is text, not a number; take the quotes off"),
        ({"reach.near": 30}, "reach.near", "30.0 is not below far 12.0"),
        ({"reach.far": 0.5}, "reach.far", "0.5 is not above near 1.0"),
        ({"clear.to": 13}, "clear.to", "13.0 is not at most reach.far 12.0"),
        ({"reach.far": 7}, "reach.far", "7.0 is not at least clear.to 8.0"),
        ({"reach.fra": 7}, "reach.fra", "unknown key with value 7; did you mean 'far'?"),
        ({"reach": 7}, "reach", "7 is no mapping"),
        ({"reach.far": None}, "reach.far", "has no value"),
        ({"slices.drvie.bottom": 0.1}, "slices.drvie.bottom", "did you mean 'drive'? known slices: drive"),
        ({"slices.low": {"top": 0.1}}, "slices.low.bottom", "is missing"),
        ({"blind_zones[0].box": {}}, "blind_zones[0].box", "has no item [0]; allowed: none"),
        ({"blind_zones.hull": {}}, "blind_zones", "is no list"),
        ({"level.x": 1}, "level.x", "level is 'gravity' and holds no 'x'"),
        ({"reach..far": 1}, "reach..far", "is not a dotted key"),
        ({"": 1}, "", "is not a dotted key"),
        ({"[0]": 1}, "[0]", "is not a dotted key"),
        ({"reach.far[0]": 1}, "reach.far[0]", "reach.far is 12 and holds no 0"),
        ({"fan": {1: 2}}, "fan", "key 1 is not a string"),
        ({"slices.drive.drops": True}, "slices.drive.drops", "on needs level: floor"),
        (
            {"window.seconds": 11},
            "window.seconds",
            "11 is too large; allowed: a number above 0, at most 10 s",
        ),
        (
            {"health.attitude_age": 1},
            "health.attitude_age",
            "1.0 is not at most attitude_stale 0.5 (default)",
        ),
    ],
)
def test_a_bad_override_is_named_by_its_key_not_by_a_line(overrides, key, words):
    text = "reach: {near: 1, far: 12}\nclear: {to: 8}\nlevel: gravity\n"
    with pytest.raises(ProfileError) as caught:
        parse(text, overrides)
    error = caught.value
    assert str(error).startswith("rover.yaml: ")
    assert key in str(error)
    assert words in str(error)
    assert (error.file, error.line, error.key) == ("rover.yaml", 0, key)


def test_the_file_is_blamed_for_its_own_mistake_beside_an_override():
    with pytest.raises(ProfileError, match=r"^rover.yaml:3: reach.near: -1 is too small"):
        parse("reach: {near: -1, far: 12}", {"reach.far": 20})


@pytest.mark.parametrize(
    ("text", "pair"),
    [
        ("reach.far=20", ("reach.far", 20)),
        ("reach.far = 2e1", ("reach.far", 20.0)),
        ("clear=off", ("clear", False)),
        ("level=body", ("level", "body")),
        ("blind_zones[0].box.x=[-0.5, 0.5]", ("blind_zones[0].box.x", [-0.5, 0.5])),
    ],
)
def test_a_setting_is_read_by_the_rules_of_the_file(text, pair):
    assert setting(text) == pair


@pytest.mark.parametrize("text", ["reach.far", "=20", "", "a=b: c: d", "a=[1", "a=1\nb: 2"])
def test_a_setting_that_is_none(text):
    with pytest.raises(ProfileError, match=r"^override "):
        setting(text)


@pytest.mark.parametrize(
    ("word", "number"),
    [("1e1", 10.0), ("1E+1", 10.0), ("012", 12), ("+3", 3), (".5", 0.5), ("5.", 5.0), ("1.5e0", 1.5)],
)
def test_numbers_are_decimal_whatever_yaml_1_1_makes_of_them(word, number):
    # YAML 1.1 reads 1e1 as text and 012 as ten; YAML 1.2.2 section 10.3.2 reads both as decimal numbers
    assert parse(f"mount: {{pitch: {word}}}").mount.pitch == number


@pytest.mark.parametrize("word", ["off", "Off", "OFF", "no", "false", "'off'"])
def test_clear_can_be_switched_off(word):
    assert parse(f"clear: {word}").clear is None
    assert Profile.from_dict({"slices": {"d": {"bottom": 0, "top": 1}}, "clear": "off"}).clear is None


def test_drop_follows_step_unless_given():
    assert parse("robot: {step: 0.1}").robot.drop == 0.1
    assert parse("robot: {step: 0.1, drop: 0}").robot.drop == 0.0


def test_clear_is_fitted_to_a_short_reach_unless_given():
    assert parse("reach: {far: 6}").clear.to == 6.0
    short = parse("reach: {far: 1}").clear
    assert short.to == 1.0
    assert short.from_ == pytest.approx(1.5 / 8.0, abs=1e-15)  # the defaults' proportion
    assert parse("reach: {far: 8}\nclear: {to: 8}").clear.to == 8.0
    assert parse("clear: {from: 0}").clear.from_ == 0.0


@pytest.mark.parametrize(
    ("first", "last", "width"),
    [
        (170, -170, 20),
        (-180, 180, 360),
        (350, 10, 20),
        (350, -350, 20),
        (0, 360, 360),
        (-10, 10, 20),
        (90, 0, 270),
    ],
)
def test_width_of_a_sector_is_counted_counter_clockwise(first, last, width):
    assert Sector(first=first, last=last, far=1.0).width == width


def test_limits_themselves_are_allowed():
    profile = parse(
        "fan: {first: 0, last: 360, bins: 36000}\nreach: {near: 0, far: 1000}\nmount: {pitch: -90}"
    )
    assert (profile.fan.bins, profile.reach.far, profile.mount.pitch) == (36_000, 1000.0, -90.0)
    assert parse("fan: {first: 90, last: 270, bins: 1}").fan.last == 270.0
    assert parse("fan: {first: -360, last: 0}").fan.first == -360.0


def test_a_profile_is_frozen():
    profile = parse()
    for change in (
        lambda: setattr(profile, "level", "body"),
        lambda: setattr(profile.reach, "far", 1.0),
        lambda: setattr(profile.slices["drive"], "top", 1.0),
    ):
        with pytest.raises(ValidationError):
            change()


def test_equality_hash_and_pickle():
    profile = Profile.parse(starter_text(), "a.yaml")
    assert profile == Profile.parse(starter_text(), "b.yaml")
    assert hash(profile) == hash(Profile.parse(starter_text()))
    assert profile != parse()
    assert profile != "a.yaml"
    assert pickle.loads(pickle.dumps(profile)) == profile


def test_numpy_numbers_and_tuples_are_welcome_in_a_mapping():
    plain = {
        "slices": {"d": {"bottom": np.float32(0.125), "top": np.float64(1)}},
        "fan": {"bins": np.int64(90)},
        "blind_zones": ({"name": "hull", "box": {axis: np.array([0.0, 1.0]) for axis in "xyz"}},),
    }
    profile = Profile.from_dict(plain)
    assert (profile.slices["d"].bottom, profile.fan.bins) == (0.125, 90)
    assert profile.blind_zones[0].box.z == (0.0, 1.0)
    assert isinstance(plain["fan"]["bins"], np.int64)


@pytest.mark.parametrize(
    "mapping", [None, [], "slices", {1: 2}, {"slices": {"d": {"bottom": True, "top": 2}}}]
)
def test_a_bad_mapping_is_refused_without_a_line(mapping):
    with pytest.raises(ProfileError, match=r"^profile: ") as caught:
        Profile.from_dict(mapping)
    assert caught.value.line == 0


def test_a_mapping_that_holds_itself_is_refused():
    ring = {}
    ring["slices"] = ring
    with pytest.raises(ProfileError, match="nested too deep"):
        Profile.from_dict(ring)
