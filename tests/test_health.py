"""Health told made-up streams whose faults are known; the figures are worked out beside each case."""

import json
import math
import pickle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import flatten
from flatten import frames
from flatten.health import BLOCKS, LONGEST_WAIT, PERIODS, WINDOW, Health, RunningMedian
from tests.conftest import make_profile

PERIOD = 0.1
START = 1.7e9  # as seconds since 1970, of which float64 knows 0.24 µs


def feed(health, stamps, answered=0.6, swallowed=5_000, returns=20_000, **told):
    for k, stamp in enumerate(stamps):
        share = answered[k] if isinstance(answered, (list, np.ndarray)) else answered
        health.note(stamp, share, swallowed, returns, **told)
    return health


def steady(frames_, first=START, period=PERIOD):
    return [first + k * period for k in range(frames_)]


def watch(**limits):
    return Health(make_profile(health=limits))


def kinds(health):
    return [trouble.kind for trouble in health.troubles]


def only(health):
    (trouble,) = health.troubles
    return trouble


def test_a_steady_stream_is_well():
    health = feed(watch(), steady(100), floor=(0.01, 0.0, 0.0), attitude_age=0.02)
    assert health.ok and health.troubles == ()
    assert (health.frames, health.late, health.missing, health.disorder) == (100, 0, 0, 0)
    assert health.rate == pytest.approx(10.0, rel=1e-6)  # stamps are rounded to 0.24 µs
    assert health.period == pytest.approx(PERIOD, rel=1e-5)  # one wait: 0.24 µs of 0.1 s
    assert health.missing_share == pytest.approx(0.0, abs=1e-5)
    assert (health.answered, health.usual_answered, health.swallowed) == (0.6, 0.6, 0.25)
    assert (health.floor_height, health.floor_tilt, health.attitude_age) == (0.01, 0.0, 0.02)


def test_nothing_is_judged_before_the_window_is_full():
    bad = {
        "answered": 0.0,
        "swallowed": 20_000,
        "returns": 20_000,
        "floor": (1.0, 1.0, 0.0),
        "attitude_age": 9.0,
    }
    health = feed(watch(rate=100), steady(WINDOW - 1), **bad)
    assert health.ok and health.late == WINDOW - 2  # counted already, from the declared rate
    feed(health, steady(1, START + 2.9), **bad)
    assert kinds(health) == ["late", "missing", "swallowed", "floor_height", "floor_tilt", "attitude_age"]


def test_before_any_frame_nothing_is_known():
    health = watch()
    known = {key for key, value in health.to_dict().items() if value is not None}
    assert known == {"ok", "frames", "late", "missing", "disorder", "troubles"}
    assert health.silence() is None


def test_a_late_frame_is_told_while_it_is_the_newest():
    health = feed(watch(), steady(60))
    feed(health, [START + 5.9 + 0.16])  # 1.6 periods, the limit is 1.5
    trouble = only(health)
    assert (trouble.kind, health.late) == ("late", 1)
    assert trouble.value == pytest.approx(0.16, abs=1e-6) and trouble.limit == pytest.approx(0.15, abs=1e-6)
    assert "came 0.16 s after the one before, due are 0.1 s" in trouble.words
    assert feed(health, [START + 5.9 + 0.2]).ok
    assert health.missing == 0  # 1.6 periods count one missing, the 0.4 after them take it back


def test_dropped_frames_are_counted_and_told():
    stamps = [stamp for k, stamp in enumerate(steady(120)) if k < 60 or k % 4]
    health = feed(watch(), stamps)
    assert health.missing == health.late == 15  # of frames 60 to 119 every fourth
    # 30 waits take 40 periods
    assert health.missing_share == pytest.approx(0.25, abs=1e-3)
    assert health.rate == pytest.approx(7.5, rel=1e-3)
    trouble = [trouble for trouble in health.troubles if trouble.kind == "missing"]
    assert "25 % of the frames do not come: 7.5 a second, due are 10" in trouble[0].words


def test_a_slower_sensor_is_noticed_by_the_declared_rate_alone():
    slow = steady(100, period=0.125)  # 8 Hz: no wait is late, none is two periods
    assert feed(watch(), slow).ok
    health = feed(watch(rate=10), slow)
    assert (health.late, health.missing) == (0, 0)
    assert only(health).value == pytest.approx(0.2, rel=1e-4)


def test_a_burst_after_a_pause_is_no_loss():
    stamps = [*steady(60), *(START + 6.4 + k * 1e-3 for k in range(5)), *steady(5, START + 6.5)]
    health = feed(watch(), stamps)
    assert (health.missing, health.late) == (0, 1)


def test_arrival_times_serve_where_there_are_no_stamps():
    health = watch()
    for k in range(60):
        health.note(None, 0.6, 0, 1000, wall=50.0 + 0.05 * k)
    assert health.rate == pytest.approx(20.0, rel=1e-9)
    assert health.silence(wall=53.0) == pytest.approx(0.05, abs=1e-9)
    # a stamp in between begins anew: no wait between two clocks, and no disorder
    health.note(7.0, 0.6, 0, 1000, wall=53.0)
    health.note(None, 0.6, 0, 1000, wall=99.0)
    assert (health.disorder, health.late, health.missing) == (0, 0, 0)


def test_the_clock_of_the_computer_serves_without_any_time():
    health = feed(watch(), [None, None, None])
    assert health.rate > 0.0 and 0.0 <= health.silence() < 60.0


@pytest.mark.parametrize(
    ("stamp", "after"),
    [
        (START + 4.0, START + 4.1),  # back
        (START + 5.9, START + 6.0),  # the same again
        (math.nan, START + 6.1),
        (-math.inf, START + 6.1),
        (0.0, PERIOD),
        (START + 5.9 + LONGEST_WAIT + 1.0, START + 5.9 + LONGEST_WAIT + 1.1),  # a clock set, a pause
        (1e300, 1e300 * 1.01),
    ],
)
def test_stamps_that_make_no_time_are_disorder_and_nothing_else(stamp, after):
    health = feed(watch(), [*steady(60), stamp])
    again = 1 if after < 1e200 else 2  # the next wait is as long
    assert health.disorder == 1 and (health.late, health.missing) == (0, 0)
    assert only(health).kind == "disorder" and "1 of the last 30 stamps" in only(health).words
    feed(health, [after])
    assert (health.disorder, health.late, health.missing) == (again, 0, 0)
    feed(health, steady(WINDOW, START + 1000.0))  # one more jump, at its first
    assert feed(health, steady(1, START + 1003.0)).ok


def test_mud_that_covers_the_window_slowly():
    # from 70 % of the bins to a fifth of them in 20 minutes, with noise of 2 % from frame to frame
    health = watch()
    noise = np.random.default_rng(5).normal(0.0, 0.02, 18_000)
    clean, covering = np.full(6_000, 0.7), np.linspace(0.7, 0.14, 12_000)
    answered = np.r_[clean, covering] + noise
    stamps = steady(18_000)
    told = []
    for first in range(0, 18_000, 100):
        feed(health, stamps[first : first + 100], answered=answered[first : first + 100])
        told.append(kinds(health))
    begin = told.index(["answered"])
    # a median of 30 is off by 1.25 · 0.02 / √30 = 0.005, what 100 frames of mud take: five hundred decide it
    assert told[begin + 5 :] == [["answered"]] * (len(told) - begin - 5)
    assert all(kind in ([], ["answered"]) for kind in told)
    # half of a usual that has sunk a little: while a third to a half of the bins still answer
    assert 0.23 < answered[100 * begin] < 0.37
    assert "the sensor's window may be dirty" in only(health).words
    assert "of 1,440 bins answer" in only(health).words


def test_mud_all_at_once_and_cleaned_again():
    health = feed(watch(), steady(300))
    feed(health, steady(10, START + 30.0), answered=0.1)
    assert health.ok  # ten frames of thirty may be a person standing before the sensor
    feed(health, steady(20, START + 31.0), answered=0.1)
    trouble = only(health)
    assert (trouble.kind, trouble.value, trouble.limit) == ("answered", 0.1, 0.3)
    assert "144 of 1,440 bins answer, usual are 864" in trouble.words
    assert feed(health, steady(30, START + 33.0)).ok


def test_empty_frames_are_told_and_teach_nothing():
    health = feed(watch(), steady(60))
    feed(health, steady(600, START + 6.0), answered=0.0, swallowed=0, returns=0)
    assert kinds(health) == ["empty"] and "no returns" in only(health).words
    assert health.usual_answered == 0.6


def test_a_leaf_on_the_sensor_fills_a_blind_zone():
    trouble = only(feed(watch(), steady(60), swallowed=15_000))
    assert (trouble.kind, trouble.value, trouble.limit) == ("swallowed", 0.75, 0.5)
    assert "swallow 75 % of the returns" in trouble.words


def floor_seen(declared, true):
    """Height and slopes of the floor under the robot, as the declared mount places what the true one sees."""
    x, y = (part.ravel() for part in np.meshgrid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 9)))
    ground = np.stack([x, y, np.zeros_like(x), np.ones_like(x)])
    placed = mount(declared) @ np.linalg.inv(mount(true)) @ ground
    rows = np.stack([np.ones_like(x), placed[0], placed[1]], axis=1)
    return tuple(np.linalg.lstsq(rows, placed[2], rcond=None)[0])


def mount(pose):
    roll, pitch, yaw = (math.radians(pose[key]) for key in ("roll", "pitch", "yaw"))
    turn = frames.rotation(roll, pitch, yaw)
    return frames.transform(turn, (pose["x"], pose["y"], pose["z"]))


DECLARED = {"x": 0.34, "y": -0.09, "z": 0.61, "roll": 0.0, "pitch": 0.0, "yaw": 0.0}


@pytest.mark.parametrize(
    ("slip", "words"),
    [
        ({"pitch": 3.0}, "mount.pitch were off by +3.0° and mount.roll by +0.0°"),
        ({"pitch": -3.0}, "mount.pitch were off by -3.0°"),
        ({"roll": 4.0}, "mount.roll by +4.0°"),
        ({"roll": -4.0}, "mount.roll by -4.0°"),
        ({"z": 0.53}, "the sensor stands 0.08 m lower over the floor than declared"),
        ({"z": 0.69}, "the sensor stands 0.08 m higher over the floor than declared"),
    ],
)
def test_a_slipped_mount_is_told_with_its_direction(slip, words):
    health = feed(watch(), steady(60), floor=floor_seen(DECLARED, {**DECLARED, **slip}))
    text = " ".join(trouble.words for trouble in health.troubles)
    assert words.replace("+0.0°", "") in text.replace("+0.0°", "").replace("-0.0°", "")
    if "z" not in slip:
        angle = math.radians(abs(next(iter(slip.values()))))
        assert health.floor_tilt == pytest.approx(angle, abs=1e-9)  # a plane turns by what the mount turns


def test_a_floor_found_now_and_then_is_not_judged():
    health = watch()
    for k, stamp in enumerate(steady(90)):
        health.note(stamp, 0.6, 0, 1000, floor=(1.0, 1.0, 0.0) if k % 3 == 0 else None)
    assert health.ok and health.floor_height is None and health.floor_tilt is None
    assert feed(health, steady(60, START + 9.0), floor=(math.nan, math.nan, math.inf)).ok


@pytest.mark.parametrize(("age", "side"), [(0.25, "older"), (-0.25, "younger")])
def test_attitudes_of_another_time(age, side):
    trouble = only(feed(watch(), steady(60), attitude_age=age))
    assert (trouble.kind, trouble.value, trouble.limit) == ("attitude_age", age, 0.1)
    assert f"0.25 s {side} than their frames" in trouble.words
    assert feed(watch(attitude_age=0.3), steady(60), attitude_age=age).ok


@pytest.mark.parametrize(
    ("limits", "told"),
    [
        ({"swallowed": 0.2}, "swallowed"),
        ({"floor_height": 0.02}, "floor_height"),
        ({"floor_tilt": 1.0}, "floor_tilt"),
        ({"attitude_age": 0.04}, "attitude_age"),
        ({"rate": 12}, "missing"),
    ],
)
def test_each_limit_comes_from_the_profile(limits, told):
    # just inside the defaults: tilt 0.03 is 1.7 deg
    usual = {"floor": (0.03, 0.03, 0.0), "attitude_age": 0.05}
    assert feed(watch(), steady(60), **usual).ok
    assert only(feed(watch(**limits), steady(60), **usual)).kind == told


def test_it_can_be_written_as_json_and_begun_again():
    health = feed(watch(), steady(100), swallowed=15_000, attitude_age=np.float32(0.5), floor=(0, 0.0, 0.0))
    plain = json.loads(json.dumps(health.to_dict(), allow_nan=False))
    assert plain["frames"] == 100 and plain["ok"] is False
    assert [trouble["kind"] for trouble in plain["troubles"]] == ["swallowed", "attitude_age"]
    assert set(plain["troubles"][0]) == {"kind", "value", "limit", "words"}
    again = pickle.loads(pickle.dumps(health))
    assert again.to_dict() == health.to_dict()
    health.reset()
    assert health.to_dict() == Health(make_profile()).to_dict()
    assert flatten.Health is Health


numbers = st.floats() | st.none()
frame = st.tuples(
    numbers,
    numbers,
    st.integers(0, 10_000),
    st.integers(0, 10_000),
    st.none() | st.tuples(st.floats(), st.floats(), st.floats()),
    numbers,
    numbers,
)


@given(st.lists(frame, max_size=80), st.sampled_from([{}, {"rate": 10}, {"rate": 0.1, "late": 100}]))
def test_no_stream_breaks_it(stream, limits):
    health = watch(**limits)
    for told in stream:
        health.note(*told)
    plain = json.loads(json.dumps(health.to_dict(), allow_nan=False))
    assert plain["frames"] == len(stream) >= plain["late"]
    assert plain["missing"] >= 0 and 0 <= plain["disorder"] <= len(stream)
    assert plain["ok"] == (not plain["troubles"])
    assert all("\n" not in trouble.words for trouble in health.troubles)


@given(st.lists(st.floats(0.0, 1.0), min_size=31, max_size=120))
def test_jitter_below_half_a_period_loses_nothing(parts):
    stamps = [10.0 * k + 2.4 * part for k, part in enumerate(parts)]
    health = feed(watch(rate=0.1), stamps)
    assert (health.late, health.missing, health.disorder) == (0, 0, 0)
    assert health.ok


@given(st.lists(st.floats(allow_nan=False), max_size=60), st.integers(1, 20))
def test_the_running_median_is_that_of_the_last_ones(stream, size):
    running = RunningMedian(size)
    for k, number in enumerate(stream):
        running.add(number)
        last = sorted(stream[max(0, k + 1 - size) : k + 1])
        assert running.value == last[len(last) // 2] and len(running) == len(last)
    assert (running.value is None) == (not stream)


def test_what_is_remembered_is_bounded():
    health = watch()
    sizes = []
    for first in (0, 40_000):
        for k in range(first, first + 40_000):
            health.note(
                0.1 * k + 0.01 * (k % 3), 0.5 + 0.001 * (k % 7), 10, 1000, (0.0, 0.0, 0.0), 0.01, 0.1 * k
            )
        sizes.append(len(pickle.dumps(health._usual_answers)) + len(pickle.dumps(health._recent)))
    assert len(health._usual_answers) == BLOCKS and len(health._usual_wait) == PERIODS
    assert len(health._recent) == len(health._waits) == WINDOW
    assert sizes[1] == pytest.approx(sizes[0], rel=0.01)  # numbers are pickled in as many bytes, or nearly so
