"""The JSON Schema, checked with the jsonschema library, and the starter profile."""

import copy
import json

import jsonschema
import pytest
import yaml

from flatten.profile import Profile, json_schema, starter_text

SCHEMA = json_schema()
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)
STARTER = yaml.safe_load(starter_text())

# the smallest profile
SMALL = {"slices": {"drive": {"bottom": 0.08, "top": 0.95}}}


def test_the_schema_is_one_of_draft_2020_12_and_plain_json():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert json.loads(json.dumps(SCHEMA)) == SCHEMA


def test_every_key_has_a_description_and_every_number_its_range():
    parts = [SCHEMA, *SCHEMA["$defs"].values()]
    for part in parts:
        for key, about in part["properties"].items():
            assert len(about["description"]) > 5, key
            if about.get("type") in ("number", "integer"):
                assert "maximum" in about, key
                assert "minimum" in about or "exclusiveMinimum" in about, key


def test_starter_loads_as_it_is_and_uses_every_key():
    profile = Profile.parse(starter_text())
    assert profile.slices["walls"].min_hits == 2
    assert [zone.name for zone in profile.blind_zones] == ["hull", "mast", "lamp"]
    for section in ("robot", "mount", "fan", "reach", "clear", "floor"):
        keys = SCHEMA["$defs"][section.title()]["properties"]
        assert set(STARTER[section]) == set(keys)
    assert {*STARTER["health"], "rate"} == set(SCHEMA["$defs"]["HealthLimits"]["properties"])
    used = set().union(*STARTER["slices"].values())
    assert used == set(SCHEMA["$defs"]["Slice"]["properties"])
    assert set(STARTER) == set(SCHEMA["properties"])
    assert "DEGREES" in starter_text()
    assert "not a personnel-safety device" in starter_text()


@pytest.mark.parametrize(
    ("line", "key", "value"),
    [
        ("# window: {frames: 5}", "window.frames", 5),
        ("# window: {seconds: 0.5}", "window.seconds", 0.5),
        ("# rate: 10 ", "health.rate", 10.0),
    ],
)
def test_what_the_starter_keeps_as_a_comment_loads_too(line, key, value):
    text = starter_text()
    assert text.count(line) == 1
    text = text.replace(line, line[1:] if key == "health.rate" else line[2:])
    text = text.replace("# rate", "  rate").replace("\n rate", "\n  rate")
    if key.startswith("window"):
        text = text.replace("window: off", "")
    section, name = key.split(".")
    assert getattr(getattr(Profile.parse(text), section), name) == value


@pytest.mark.parametrize(
    "plain",
    [
        STARTER,
        {**STARTER, "level": "floor", "slices": {"drive": {"bottom": 0, "top": 1, "drops": True}}},
        {**STARTER, "window": {"frames": 5}, "health": {"rate": 10}},
        {**STARTER, "window": {"seconds": 0.5}},
        {**STARTER, "window": "off"},
        Profile.from_dict({**SMALL, "window": {"seconds": 0.5}}).to_dict(),
        SMALL,
        Profile.parse(starter_text()).to_dict(),
        Profile.from_dict(SMALL).to_dict(),
        {**SMALL, "clear": "off"},
        {**SMALL, "clear": False},
        yaml.safe_load(Profile.from_dict({**SMALL, "clear": "off"}).to_yaml()),
    ],
)
def test_what_loads_is_valid(plain):
    VALIDATOR.validate(plain)
    Profile.from_dict(plain)


def spoil(path, value):
    plain = copy.deepcopy(STARTER)
    here = plain
    for part in path[:-1]:
        here = here[part]
    here[path[-1]] = value
    return plain


@pytest.mark.parametrize(
    "plain",
    [
        {},
        {"slices": {}},
        {"slices": {"my drive": {"bottom": 0, "top": 1}}},
        {"slices": {"d" * 61: {"bottom": 0, "top": 1}}},
        {"slices": {"drive": {"bottom": 0}}},
        spoil(["slics"], {}),
        spoil(["robot", "lenght"], 1),
        spoil(["mount", "Pitch"], 1),
        spoil(["slices", "drive", "botom"], 1),
        spoil(["fan", "bin"], 1),
        spoil(["reach", "fra"], 1),
        spoil(["clear", "form"], 1),
        spoil(["blind_zones", 0, "box", "w"], [0, 1]),
        spoil(["blind_zones", 0, "boxx"], {}),
        spoil(["blind_zones", 0, "cylinder"], {"x": 0, "y": 0, "radius": 1}),
        spoil(["blind_zones", 0, "box", "x"], [0]),
        spoil(["blind_zones", 0, "box", "x"], None),
        spoil(["blind_zones", 1, "sector", "z"], None),
        spoil(["robot", "length"], "0.95"),
        spoil(["robot", "length"], True),
        spoil(["robot", "length"], 0),
        spoil(["fan", "bins"], 36_001),
        spoil(["fan", "bins"], 1440.5),
        spoil(["level"], "flor"),
        spoil(["slices", "drive", "drops"], 1),
        spoil(["floor", "slope"], 46),
        spoil(["floor"], False),
        spoil(["window"], True),
        spoil(["window"], {}),
        spoil(["window"], {"frames": 5, "seconds": 1}),
        spoil(["window"], {"frames": 101}),
        spoil(["health", "late"], 1),
        spoil(["health", "rte"], 10),
        spoil(["clear"], True),
        spoil(["clear"], None),
    ],
)
def test_what_the_schema_refuses_does_not_load_either(plain):
    assert not VALIDATOR.is_valid(plain)
    with pytest.raises(Exception, match="profile: "):
        Profile.from_dict(plain)
