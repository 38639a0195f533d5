"""Every mistake is one line with file, line, key, value and allowed range.

The rules are the project's own; where a limit comes from elsewhere its source stands beside it.
"""

import pytest

from flatten.errors import FlattenError, ProfileError
from flatten.profile import Profile

SLICES = "slices:\n  drive: {bottom: 0.08, top: 0.95}\n"
BOX = "blind_zones:\n  - name: hull\n    box: {x: [0, 1], y: [0, 1], z: [0, 1]}\n"

# what is written after SLICES (lines 1 and 2), line, key, value as shown, allowed
AFTER_SLICES = [
    ("robot: {length: 0}", 3, "robot.length", "0", "above 0, at most 100 m"),
    ("robot: {length: -0.95}", 3, "robot.length", "-0.95", "above 0, at most 100 m"),
    ("robot: {width: 720}", 3, "robot.width", "720", "above 0, at most 100 m"),
    ("robot: {height: .inf}", 3, "robot.height", "inf", "above 0, at most 100 m"),
    ("robot: {height: .nan}", 3, "robot.height", "nan", "above 0, at most 100 m"),
    ("robot:\n  length: 1\n  step: -0.01", 5, "robot.step", "-0.01", "from 0 to 10 m"),
    ("robot:\n  drop: 60", 4, "robot.drop", "60", "from 0 to 10 m"),
    ("robot: {clearance: yes}", 3, "robot.clearance", "on (a switch word)", "from 0 to 10 m"),
    ("robot: {clearance: '0.15'}", 3, "robot.clearance", "'0.15'", "take the quotes off"),
    ("robot: {lenght: 1}", 3, "robot.lenght", "1", "did you mean 'length'? known keys: length, width, height"),
    ("robot: {far: 1}", 3, "robot.far", "1", "'far' belongs to reach"),
    ("robot: 0.95", 3, "robot", "0.95", "a mapping with the keys length, width"),
    ("robot: [1, 2]", 3, "robot", "[1, 2]", "a mapping with the keys length, width"),
    ("robot:", 3, "robot", "has no value", "a mapping with the keys length, width"),
    ("robot: {length: }", 3, "robot.length", "has no value", "above 0, at most 100 m"),
    ("robot: {length: [0.95]}", 3, "robot.length", "[0.95]", "above 0, at most 100 m"),
    ("robot: {length: 0.95 m}", 3, "robot.length", "'0.95 m'", "without its unit"),
    ('robot: {length: "0,95"}', 3, "robot.length", "'0,95'", "use a point for the decimals"),
    ("mount: {x: 101}", 3, "mount.x", "101", "from -100 to 100 m"),
    ("mount: {y: -101}", 3, "mount.y", "-101", "from -100 to 100 m"),
    ("mount: {z: 610}", 3, "mount.z", "610", "from -100 to 100 m"),
    ("mount:\n  x: 1\n\n  # nose down\n  pitch: 91", 7, "mount.pitch", "91", "from -90 to 90 deg"),
    ("mount: {pitch: 1e3}", 3, "mount.pitch", "1000.0", "from -90 to 90 deg"),
    ("mount: {pitch: 1:30}", 3, "mount.pitch", "'1:30'", "from -90 to 90 deg"),
    ("mount: {roll: -180.5}", 3, "mount.roll", "-180.5", "from -180 to 180 deg"),
    ("mount: {yaw: 270}", 3, "mount.yaw", "270", "from -180 to 180 deg"),
    ("mount: {yaw: 12°}", 3, "mount.yaw", "'12°'", "without its unit"),
    ("mount: {Pitch: 12}", 3, "mount.Pitch", "12", "did you mean 'pitch'?"),
    ("mount: {nose: 12}", 3, "mount.nose", "12", "known keys: x, y, z, roll, pitch, yaw"),
    ("level: floor", 3, "level", "'floor'", "not available yet"),
    ("level: Gravity", 3, "level", "'Gravity'", "did you mean 'gravity'?; allowed: gravity or body"),
    ("level: 3", 3, "level", "3", "gravity or body"),
    ("level: off", 3, "level", "off (a switch word)", "gravity or body"),
    ("fan: {bins: 0}", 3, "fan.bins", "0", "a whole number from 1 to 36000"),
    ("fan: {bins: 36001}", 3, "fan.bins", "36001", "a whole number from 1 to 36000"),
    ("fan: {bins: 1440.5}", 3, "fan.bins", "1440.5", "a whole number from 1 to 36000"),
    ("fan: {bins: 1e3}", 3, "fan.bins", "1000.0", "write 1000; allowed: a whole number from 1 to 36000"),
    ("fan: {bins: 1_440}", 3, "fan.bins", "'1_440'", "leave the underscores out"),
    ("fan: {first: −90}", 3, "fan.first", "'−90'", "use the plain minus sign '-'"),
    ("fan: {first: -361}", 3, "fan.first", "-361", "from -360 to 360 deg"),
    ("fan: {last: 361}", 3, "fan.last", "361", "from -360 to 360 deg"),
    ("fan: {first: 180}", 3, "fan.first", "180.0", "first < last <= first + 360"),
    ("fan:\n  first: 90\n  last: 80", 4, "fan.first", "90.0", "not below last 80.0"),
    ("fan: {first: -181, last: 180}", 3, "fan.first", "-181.0", "first < last <= first + 360"),
    ("reach: {near: -0.1}", 3, "reach.near", "-0.1", "from 0 to 1000 m"),
    ("reach: {far: 1001}", 3, "reach.far", "1001", "above 0, at most 1000 m"),
    ("reach: {near: 5, far: 5}", 3, "reach.near", "5.0", "not below far 5.0; allowed: from 0 to 1000 m"),
    ("reach: {near: 30}", 3, "reach.near", "30.0", "not below far 25.0 (default)"),
    ("reach: {far: 0.2}", 3, "reach.far", "0.2", "not above near 0.3 (default)"),
    ("clear: on", 3, "clear", "on (a switch word)", "off, or a mapping with smallest, from and to"),
    ("clear: never", 3, "clear", "'never'", "a mapping with the keys smallest, from, to, or off"),
    ("clear:", 3, "clear", "has no value", "or off"),
    ("clear: {smallest: 0}", 3, "clear.smallest", "0", "above 0, at most 100 m"),
    ("clear: {from: -1}", 3, "clear.from", "-1", "from 0 to 1000 m"),
    ("clear: {from_: 1}", 3, "clear.from_", "1", "did you mean 'from'?"),
    ("clear: {from: 9}", 3, "clear.from", "9.0", "not below clear.to 8.0 (default); allowed: from < to"),
    ("clear: {to: 26}", 3, "clear.to", "26.0", "not at most reach.far 25.0 (default); allowed: from < to <= "),
    ("reach: {far: 6}\nclear: {to: 8}", 4, "clear.to", "8.0", "reach.far 6.0; allowed: from < to <= reach.far"),
    ("blind_zones: {name: hull}", 3, "blind_zones", "{'name': 'hull'}", "a list, each item"),
    ("blind_zones: [hull]", 3, "blind_zones[0]", "'hull'", "keys name, box, sector, cylinder"),
    (f"{BOX}  - name: hull\n    box: {{x: [0, 1], y: [0, 1], z: [0, 1]}}", 6, "blind_zones[1].name", "'hull'", "no other"),
    (BOX.replace("hull", "''"), 4, "blind_zones[0].name", "''", "1 to 60 printable characters"),
    (BOX.replace("hull", "12"), 4, "blind_zones[0].name", "12", "put it in quotes"),
    (BOX.replace("hull", "off"), 4, "blind_zones[0].name", "off (a switch word)", "put it in quotes"),
    (BOX.replace("hull", '" a"'), 4, "blind_zones[0].name", "' a'", "without blanks at the ends"),
    (BOX.replace("hull", "a" * 61), 4, "blind_zones[0].name", "aaaaaaa", "1 to 60 printable characters"),
    (BOX.replace("x: [0, 1]", "x: [1, 0]"), 5, "blind_zones[0].box.x", "[1.0, 0.0]", "[low, high] with low below high"),
    (BOX.replace("y: [0, 1]", "y: [0, 0]"), 5, "blind_zones[0].box.y", "[0.0, 0.0]", "[low, high] with low below high"),
    (BOX.replace("z: [0, 1]", "z: [0, 1, 2]"), 5, "blind_zones[0].box.z", "[0, 1, 2]", "two numbers in brackets"),
    (BOX.replace("z: [0, 1]", "z: 1"), 5, "blind_zones[0].box.z", "1", "two numbers in brackets"),
    (BOX.replace(", z: [0, 1]", ""), 5, "blind_zones[0].box.z", "is missing", "two numbers in brackets, [low, high]"),
    (BOX.replace("x: [0, 1]", "x: [0, 1001]"), 5, "blind_zones[0].box.x[1]", "1001", "from -1000 to 1000 m"),
    (BOX.replace("x: [0, 1]", "x: [a, 1]"), 5, "blind_zones[0].box.x[0]", "'a'", "from -1000 to 1000 m"),
    (BOX.replace("x: [0, 1]", "x: [true, 1]"), 5, "blind_zones[0].box.x[0]", "on (a switch", "from -1000 to 1000 m"),
    ("blind_zones:\n  - name: a", 4, "blind_zones[0]", "'a' has no shape", "exactly one of box, sector and cylinder"),
    (
        f"{BOX}    cylinder: {{x: 0, y: 0, radius: 1}}",
        6,
        "blind_zones[0].cylinder",
        "'hull' has box and cylinder",
        "exactly one of box, sector and cylinder",
    ),
]  # fmt: skip

SECTOR = "blind_zones:\n  - {name: mast, sector: {first: FIRST, last: LAST, near: NEAR, far: 1}}"
SHAPES = [
    ("170", "170", "0", "sector.last", "170.0", "170 to -170 is 20 wide"),
    ("180", "-180", "0", "sector.last", "-180.0", "more than 0 and at most 360 deg"),
    ("-181", "180", "0", "sector.last", "180.0", "more than 0 and at most 360 deg"),
    ("-400", "0", "0", "sector.first", "-400", "from -360 to 360 deg"),
    ("0", "400", "0", "sector.last", "400", "from -360 to 360 deg"),
    ("0", "9", "1", "sector.near", "1.0", "not below far 1.0; allowed: from 0 to 1000 m"),
    ("0", "9", "-1", "sector.near", "-1", "from 0 to 1000 m"),
]
CYLINDERS = [
    ("{x: 0, y: 0, radius: 0}", "cylinder.radius", "0", "above 0, at most 100 m"),
    ("{x: 0, y: 0, radius: 101}", "cylinder.radius", "101", "above 0, at most 100 m"),
    ("{x: 0, y: 0}", "cylinder.radius", "is missing", "above 0, at most 100 m"),
    ("{x: 0, y: 0, radius: 1, z: [2, 1]}", "cylinder.z", "[2.0, 1.0]", "low below high"),
    ("{x: 0, y: 2000, radius: 1}", "cylinder.y", "2000", "from -1000 to 1000 m"),
    ("{x: 0, y: 0, radios: 1}", "cylinder.radios", "1", "did you mean 'radius'?"),
]

# a whole text, line, key, value, allowed
WHOLE = [
    ("robot: {length: 1}\n", 1, "slices", "is missing", "such as drive: {bottom: 0.08, top: 0.95}"),
    ("slices: {}\n", 1, "slices", "holds 0", "1 to 64"),
    ("slices: drive\n", 1, "slices", "'drive'", "a mapping from names to slices"),
    ("slices:\n  drive:\n", 2, "slices.drive", "has no value", "keys bottom, top, rise, pick, min_hits, within"),
    ("slices:\n  drive: {top: 1}\n", 2, "slices.drive.bottom", "is missing", "from -100 to 100 m"),
    ("slices:\n  drive:\n    botom: 0.1\n    top: 1\n", 3, "slices.drive.botom", "0.1", "did you mean 'bottom'? known keys: bottom, top"),
    ("slices:\n  drive:\n    bottom: 2.0\n    top: 1.0\n", 3, "slices.drive.bottom", "2.0 is not below top 1.0", "from -100 to 100 m"),
    ("slices:\n  drive: {bottom: 0.1, top: 0.1}\n", 2, "slices.drive.bottom", "0.1", "bottom below top"),
    ("slices:\n  drive: {bottom: 0.1, top: 950}\n", 2, "slices.drive.top", "950", "from -100 to 100 m"),
    ("slices:\n  drive: {bottom: low, top: 1}\n", 2, "slices.drive.bottom", "'low'", "from -100 to 100 m"),
    ("slices:\n  d: {bottom: 0, top: 1, rise: -0.1}\n", 2, "slices.d.rise", "-0.1", "from 0 to 1 m per m"),
    ("slices:\n  d: {bottom: 0, top: 1, rise: 1.5}\n", 2, "slices.d.rise", "1.5", "from 0 to 1 m per m"),
    ("slices:\n  d: {bottom: 0, top: 1, pick: farest}\n", 2, "slices.d.pick", "'farest'", "did you mean 'farthest'?; allowed: nearest or farthest"),
    ("slices:\n  d: {bottom: 0, top: 1, pick: 1}\n", 2, "slices.d.pick", "1", "nearest or farthest"),
    ("slices:\n  d: {bottom: 0, top: 1, min_hits: 0}\n", 2, "slices.d.min_hits", "0", "a whole number from 1 to 1000"),
    ("slices:\n  d: {bottom: 0, top: 1, min_hits: 1001}\n", 2, "slices.d.min_hits", "1001", "from 1 to 1000"),
    ("slices:\n  d: {bottom: 0, top: 1, min_hits: true}\n", 2, "slices.d.min_hits", "on (a switch word)", "from 1 to 1000"),
    ("slices:\n  d: {bottom: 0, top: 1, within: 0}\n", 2, "slices.d.within", "0", "above 0, at most 100 m"),
    ("slices:\n  my drive: {bottom: 0, top: 1}\n", 2, "slices.my drive", "'my drive'", "letters, digits, '_' or '-'"),
    ("slices:\n  ../drive: {bottom: 0, top: 1}\n", 2, "slices.../drive", "'../drive'", "becomes part of file names"),
    ("slices:\n  '': {bottom: 0, top: 1}\n", 2, "slices.", "''", "1 to 60 characters"),
    (f"{SLICES}slics: {{}}\n", 3, "slics", "{}", "did you mean 'slices'? known keys: robot, mount, level, slices"),
    (f"{SLICES}speed: 3\n", 3, "speed", "3", "known keys: robot, mount, level, slices"),
    (f"{SLICES}speed:\n", 3, "speed", "None", "known keys: robot, mount, level, slices"),
    (f"{SLICES}bins: 3\n", 3, "bins", "3", "'bins' belongs to fan"),
    (f"{SLICES}reach: {{near: 1}}\nreach: {{near: 2}}\n", 4, "reach", "given twice", "first on line 3"),
    (f"{SLICES}reach:\n  near: 1\n  near: 2\n", 5, "reach.near", "given twice", "first on line 4"),
    (f"{SLICES}reach: {{<<: {{near: 1}}}}\n", 3, "reach", "'<<'", "write it out"),
    (f"{SLICES}reach: {{near: 0,5}}\n", 3, "reach", "'5'", "decimals need a point"),
    (f"{SLICES}on: 3\n", 3, "", "'on'", "keys begin with a letter"),
    (f"{SLICES}7: 3\n", 3, "", "'7'", "keys begin with a letter"),
]  # fmt: skip


def _cases():
    for text, *rest in AFTER_SLICES:
        yield SLICES + text + "\n", *rest
    for first, last, near, key, value, allowed in SHAPES:
        text = SECTOR.replace("FIRST", first).replace("LAST", last).replace("NEAR", near)
        yield SLICES + text, 4, f"blind_zones[0].{key}", value, allowed
    for shape, key, value, allowed in CYLINDERS:
        yield (
            f"{SLICES}blind_zones:\n  - name: a\n    cylinder: {shape}",
            5,
            f"blind_zones[0].{key}",
            value,
            allowed,
        )
    yield from WHOLE


CASES = list(_cases())


@pytest.mark.parametrize(("text", "line", "key", "value", "allowed"), CASES)
def test_one_line_names_file_line_key_value_and_allowed_range(text, line, key, value, allowed):
    with pytest.raises(ProfileError) as caught:
        Profile.parse(text, "rover.yaml")
    error, words = caught.value, str(caught.value)
    assert words.startswith(f"rover.yaml:{line}: {key}: " if key else f"rover.yaml:{line}: ")
    assert "\n" not in words
    assert value in words[len(f"rover.yaml:{line}: {key}") :]
    assert allowed in words
    assert (error.file, error.line, error.key) == ("rover.yaml", line, key)
    assert isinstance(error, FlattenError)


def test_there_are_enough_cases_and_no_two_alike():
    assert len({text for text, *_ in CASES}) == len(CASES) >= 75


def test_several_mistakes_say_so_and_name_the_first():
    text = f"{SLICES}mount: {{pitch: 91, roll: 200}}\nfan: {{bins: 0}}\nlevel: up\n"
    with pytest.raises(ProfileError, match=r"^rover.yaml:3: mount\.\w+: .* \(and 3 more to mend\)$"):
        Profile.parse(text, "rover.yaml")


def test_a_long_value_is_cut_short():
    with pytest.raises(ProfileError) as caught:
        Profile.parse(f"{SLICES}level: {'x' * 5000}\n")
    assert len(str(caught.value)) < 200


def test_a_number_of_many_digits_is_infinite_not_a_crash():
    with pytest.raises(ProfileError, match="inf is not a finite number"):
        Profile.parse(f"{SLICES}reach: {{far: {'9' * 9000}}}\n")
