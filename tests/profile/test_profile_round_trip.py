"""What is written loads again to the same, for profiles made up by Hypothesis."""

import json

import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten.errors import ProfileError
from flatten.profile import Profile

heights = st.floats(-100, 100, allow_nan=False)
angles = st.floats(-360, 360, allow_nan=False)
pairs = st.lists(st.floats(-1000, 1000), min_size=2, max_size=2, unique=True).map(sorted)
positive = st.floats(0, 100, exclude_min=True)


def optional(**keys):
    return st.fixed_dictionaries({}, optional=keys)


slices = st.dictionaries(
    st.from_regex(r"[A-Za-z][A-Za-z0-9_-]{0,20}", fullmatch=True)
    | st.sampled_from(["on", "no", "null", "e1"]),
    st.builds(
        lambda band, rest: {"bottom": band[0], "top": band[1], **rest},
        st.lists(heights, min_size=2, max_size=2, unique=True).map(sorted),
        optional(
            rise=st.floats(0, 1),
            pick=st.sampled_from(["nearest", "farthest"]),
            min_hits=st.integers(1, 1000),
            within=positive,
            drops=st.booleans(),
        ),
    ),
    min_size=1,
    max_size=4,
)
tricky = ["1e3", "off", "~", "null", "12", "'", '"', "a: b", "# a", "- a", "!x", "&x", "*x", "苗圃", ".inf"]
names = st.sampled_from(tricky) | st.text(min_size=1, max_size=60).filter(
    lambda text: text.isprintable() and text == text.strip()
)
box = st.fixed_dictionaries({"x": pairs, "y": pairs, "z": pairs})
sector = st.builds(
    lambda first, width, far, rest: {"first": first, "last": first + width, "far": far, **rest},
    st.integers(-360, 0),
    st.integers(1, 360),
    st.floats(100, 1000, exclude_min=True),
    optional(near=st.floats(0, 100), z=pairs),
)
cylinder = st.builds(
    lambda x, y, radius, rest: {"x": x, "y": y, "radius": radius, **rest},
    heights,
    heights,
    positive,
    optional(z=pairs),
)
zone = st.one_of(
    st.fixed_dictionaries({"box": box}),
    st.fixed_dictionaries({"sector": sector}),
    st.fixed_dictionaries({"cylinder": cylinder}),
)
zones = st.dictionaries(names, zone, max_size=4).map(
    lambda named: [{"name": name, **shape} for name, shape in named.items()]
)
mount = optional(x=heights, y=heights, z=heights, pitch=st.floats(-90, 90), yaw=st.floats(-180, 180))
fan = st.builds(
    lambda first, width, bins: {"first": first, "last": first + width, "bins": bins},
    st.integers(-360, 0),
    st.integers(1, 360),
    st.integers(1, 36_000),
)


def put_together(bands, rest):
    """Only a fitted floor has edges to report."""
    if rest.get("level") != "floor":
        bands = {name: {k: v for k, v in band.items() if k != "drops"} for name, band in bands.items()}
    return {**rest, "slices": bands}


profiles = st.builds(
    put_together,
    slices,
    optional(
        robot=optional(length=positive, step=st.floats(0, 10), drop=st.floats(0, 10)),
        mount=mount,
        level=st.sampled_from(["gravity", "body", "floor"]),
        fan=fan,
        reach=optional(far=st.floats(0.5, 1000)),
        clear=st.just("off") | optional(smallest=positive),
        blind_zones=zones,
        floor=optional(slope=st.floats(0, 45, exclude_min=True), memory=st.floats(0, 60)),
        window=st.just("off")
        | st.fixed_dictionaries({"frames": st.integers(1, 100)})
        | st.fixed_dictionaries({"seconds": st.floats(0, 10, exclude_min=True)}),
        health=optional(
            rate=st.floats(0.1, 1000),
            late=st.floats(1, 100, exclude_min=True),
            answered=st.floats(0, 1),
            attitude_stale=st.floats(0.1, 3600),
        ),
    ),
)


@settings(max_examples=100, deadline=None)
@given(profiles)
def test_written_yaml_loads_again_to_an_equal_profile(plain):
    profile = Profile.from_dict(plain)
    again = Profile.parse(profile.to_yaml())
    assert again == profile
    assert hash(again) == hash(profile)
    assert list(again.slices) == list(profile.slices)
    assert again.to_yaml() == profile.to_yaml()


@settings(max_examples=100, deadline=None)
@given(profiles)
def test_the_plain_dict_is_json_and_loads_again(plain):
    profile = Profile.from_dict(plain)
    written = json.loads(json.dumps(profile.to_dict(), allow_nan=False))
    assert Profile.from_dict(written) == profile
    for section, given_keys in plain.items():
        if isinstance(given_keys, dict):
            assert given_keys.items() <= written[section].items() or section == "slices"


@settings(max_examples=100, deadline=None)
@given(profiles)
def test_another_reader_of_yaml_sees_the_same(plain):
    profile = Profile.from_dict(plain)
    read = yaml.safe_load(profile.to_yaml())
    for key in ("clear", "window"):
        read[key] = read[key] or "off"
    assert read == profile.to_dict()


@settings(max_examples=100, deadline=None)
@given(st.text() | st.binary().map(lambda raw: raw.decode("latin-1")), st.integers(0, 60))
def test_no_text_gets_past_as_another_exception(text, at):
    sound = "slices:\n  drive: {bottom: 0.08, top: 0.95}\nreach: {near: 0.3}\n"
    for spoilt in (text, sound[:at] + text + sound[at:]):
        try:
            Profile.parse(spoilt)
        except ProfileError as error:
            assert "\n" not in str(error)
