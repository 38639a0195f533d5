"""Attitudes, with and without a time: what is taken, what is refused, and how old one may be."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import flatten
from flatten import Attitude, AttitudeError
from flatten.attitude import checked_age, checked_attitude


def test_it_is_a_tuple_that_knows_its_parts():
    attitude = flatten.Attitude(0.1, -0.2)
    assert (attitude.roll, attitude.pitch, attitude.time) == (0.1, -0.2, None)
    assert checked_attitude(attitude) == checked_attitude((0.1, -0.2)) == (0.1, -0.2)
    assert checked_attitude(Attitude(0.1, -0.2, 12.5)) == (0.1, -0.2)
    assert checked_attitude(None) is None


@pytest.mark.parametrize(
    "bad",
    [(0.0, 0.0, 1.0), (0.0,), Attitude("a", 0.0), Attitude(math.nan, 0.0, 1.0), Attitude(0.0, 12.0), 5],
)
def test_what_is_no_attitude(bad):
    with pytest.raises(AttitudeError, match=r"^attitude "):
        checked_attitude(bad)


def test_it_flattens_as_the_bare_pair_does(rover):
    flattener = flatten.Flattener(rover(), fields={"ranges"})
    xyz = np.random.default_rng(3).uniform(-5.0, 5.0, (200, 3)).astype(np.float32)
    bare = flattener.flatten(xyz, (0.05, -0.1))["drive"].ranges.copy()
    timed = flattener.flatten(xyz, Attitude(0.05, -0.1, 7.0))["drive"].ranges
    np.testing.assert_array_equal(timed, bare)
    assert np.isfinite(bare).any()


@pytest.mark.parametrize(
    ("attitude", "stamp", "age"),
    [
        (Attitude(0, 0, 10.0), 10.25, 0.25),
        (Attitude(0, 0, 10.25), 10.0, -0.25),
        (Attitude(0, 0, 10.0), 10.5, 0.5),  # the limit itself is allowed
        (Attitude(0, 0, 10.0), None, None),
        (Attitude(0, 0, 10.0), math.nan, None),
        (Attitude(0, 0), 10.0, None),
        ((0.0, 0.0), 10.0, None),
        (None, 10.0, None),
    ],
)
def test_the_age_where_both_times_are_known(attitude, stamp, age):
    assert checked_age(attitude, stamp, 0.5) == age


@pytest.mark.parametrize(
    ("time", "stamp", "words"),
    [
        (10.0, 10.75, "0.75 s older than its frame, allowed are 0.5 s (health.attitude_stale)"),
        (10.75, 10.0, "0.75 s younger than its frame"),
        (math.nan, 10.0, "finite seconds"),
        (math.inf, None, "finite seconds"),
        ("noon", 10.0, "wanted seconds"),
        (10**400, 10.0, "wanted seconds"),
    ],
)
def test_what_is_stale_or_no_time_is_refused_in_one_line(time, stamp, words):
    with pytest.raises(AttitudeError) as caught:
        checked_age(Attitude(0.0, 0.0, time), stamp, 0.5)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


@given(st.floats(), st.floats(), st.floats(0.0, 3600.0, exclude_min=True))
def test_any_two_times_give_an_age_within_the_limit_or_the_error(time, stamp, stale):
    try:
        age = checked_age(Attitude(0.0, 0.0, time), stamp, stale)
    except AttitudeError:
        assert not abs(stamp - time) <= stale or not math.isfinite(time)
        return
    assert age is None if not math.isfinite(stamp) else abs(age) <= stale
