"""What a scan says in a standard message, against the published conventions and message definitions.

Sources: REP 103 (units, axes, order of rotations), REP 117 (values of ranges), REP 138 (first and
last angle), the definitions of sensor_msgs/LaserScan and PointCloud2 (common_interfaces), and the
CDR encoding (OMG XTypes) by the independent library rosbags.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from rosbags.typesys import Stores, get_typestore
from scipy.spatial.transform import Rotation

from flatten import frames
from flatten.flattener import Flattener
from flatten.scan import Counts, Scan, State
from tests.outside.profiles import make_profile

STORE = get_typestore(Stores.ROS2_HUMBLE)
TYPES = STORE.types
FLOAT32, FLOAT64, UINT16 = 7, 8, 4  # codes of sensor_msgs/PointField
DRIVE = {"drive": {"bottom": 0.08, "top": 0.95}}

# (name, offset, code, dtype): 26 bytes a point, so that nothing but the first point is aligned
POINT_LAYOUT = (
    ("x", 0, FLOAT32, "f4"),
    ("y", 4, FLOAT32, "f4"),
    ("z", 8, FLOAT32, "f4"),
    ("intensity", 12, FLOAT32, "f4"),
    ("ring", 16, UINT16, "u2"),
    ("time", 18, FLOAT64, "f8"),
)


def header(frame: str = "laser", seconds: int = 1700000000, nanoseconds: int = 123456789):
    stamp = TYPES["builtin_interfaces/msg/Time"](seconds, nanoseconds)
    return TYPES["std_msgs/msg/Header"](stamp, frame)


def cloud_message(xyz: np.ndarray, *, rows: int = 1, bigendian: bool = False, padding: int = 0):
    """A real PointCloud2 of (N, 3) points with intensity 0, 1, 2 …, ring and time; rows may be padded."""
    order = ">" if bigendian else "<"
    dtype = np.dtype({
        "names": [name for name, *_ in POINT_LAYOUT],
        "offsets": [offset for _, offset, *_ in POINT_LAYOUT],
        "formats": [order + kind for *_, kind in POINT_LAYOUT],
        "itemsize": 26,
    })  # fmt: skip
    records = np.zeros(len(xyz), dtype)
    records["x"], records["y"], records["z"] = xyz.T
    records["intensity"] = records["ring"] = np.arange(len(xyz))
    lines = records.reshape(rows, -1).view(np.uint8).reshape(rows, -1)
    data = np.pad(lines, ((0, 0), (0, padding)), constant_values=255).reshape(-1)
    fields = [TYPES["sensor_msgs/msg/PointField"](n, offset, code, 1) for n, offset, code, _ in POINT_LAYOUT]
    width = len(xyz) // rows
    return TYPES["sensor_msgs/msg/PointCloud2"](
        header(), rows, width, fields, bigendian, 26, width * 26 + padding, data, False
    )


def random_points(seed: int, count: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    xyz = rng.uniform([-12, -12, -0.2], [12, 12, 2.0], (count, 3)).astype(np.float32)
    xyz[:: count // 10] = np.nan  # as a sensor writes what it did not see
    return xyz


def empty_scan(first: float, last: float, bins: int) -> Scan:
    """A scan of this fan (degrees), as the library makes it, without anything in it."""
    step = math.radians((last - first) / bins)
    nothing = np.full(bins, np.nan, np.float32)
    return Scan("s", math.radians(first), step, bins, 0.3, 25.0, Counts(0, 0, 0, 0), ranges=nothing)


# ---------------------------------------------------------------- values of ranges


def beams_that_witness() -> np.ndarray:
    """Floor returns straight left, from 0.2 m to 12 m: a bin witnessed free by beams from 0.6 m up."""
    y = np.arange(0.2, 12.0, 0.02)
    return np.stack([np.zeros_like(y), y, np.full_like(y, -0.6)], axis=1)


def scan_of_all_states() -> Scan:
    profile = make_profile(
        DRIVE,
        mount={"z": 0.6},
        fan={"first": -180, "last": 180, "bins": 36},
        reach={"near": 0.5, "far": 25.0},
        blind_zones=[{"name": "tail", "box": {"x": [-0.4, -0.2], "y": [-0.1, 0.1], "z": [0.0, 1.0]}}],
    )
    marks = [[3.0, 0.1, 0.0], [0.1, -0.2, 0.0], [-0.3, 0.02, 0.0]]
    return Flattener(profile).flatten(np.concatenate([beams_that_witness(), marks]))["drive"]


def test_every_state_has_the_value_that_rep_117_gives_it():
    """REP 117: −inf too close, NaN erroneous or missing, +inf nothing within range."""
    scan = scan_of_all_states()
    found = {State(state): scan.ranges[scan.states == state] for state in np.unique(scan.states)}
    assert set(found) == set(State)
    assert found[State.HIT] == np.float32(math.hypot(3.0, 0.1))
    assert np.all(found[State.TOO_NEAR] == -np.inf)
    assert np.all(found[State.CLEAR] == np.inf)
    assert np.all(np.isnan(found[State.UNSEEN])) and np.all(np.isnan(found[State.BLOCKED]))


def test_a_consumer_that_tests_for_valid_finds_the_hits():
    """REP 117: valid is range_min ≤ r ≤ range_max; and «r < min or r > max is invalid» lets NaN through."""
    scan = scan_of_all_states()
    told = scan.message_fields()
    with np.errstate(invalid="ignore"):
        valid = (told["ranges"] >= told["range_min"]) & (told["ranges"] <= told["range_max"])
        not_invalid = ~((told["ranges"] < told["range_min"]) | (told["ranges"] > told["range_max"]))
    assert np.array_equal(valid, scan.states == State.HIT)
    assert np.array_equal(not_invalid & ~valid, np.isnan(told["ranges"]))


@pytest.mark.parametrize("near, far", [(0.5, 8.0), (0.3, 19.9), (0.1, 20.1), (0.7, 24.7), (1 / 3, 100 / 3)])
def test_both_ends_of_the_reach_are_valid_in_float32_too(near, far):
    """REP 117: both ends inclusive, whichever way float32 rounds near and far."""
    fan = {"first": -2, "last": 358, "bins": 90}
    too_near, too_far = math.nextafter(near, 0), far * (1 + 1e-15)
    points = np.array([[near, 0, 0.5], [0, far, 0.5], [-too_near, 0, 0.5], [0, -too_far, 0.5]])
    scan = Flattener(make_profile(DRIVE, fan=fan, reach={"near": near, "far": far})).flatten(points)["drive"]
    told = scan.message_fields()
    lowest, highest = np.float32(told["range_min"]), np.float32(told["range_max"])
    ahead, left, behind, right = scan.ranges[[0, 23, 45, 68]]
    assert lowest <= ahead <= highest and lowest <= left <= highest
    assert abs(float(ahead) - near) <= np.spacing(np.float32(near))
    assert abs(float(left) - far) <= np.spacing(np.float32(far)) and left <= far
    assert behind == -np.inf and np.isnan(right)  # one float64 step nearer; a few float64 steps beyond


# ---------------------------------------------------------------- angles


FULL = [(-180, 180, 1440), (0, 360, 720), (-10, 350, 36000), (-360, 0, 3)]
PARTIAL = [(90, 270, 720), (-45, 45, 91), (0, 7, 1)]


@pytest.mark.parametrize("first, last, bins", FULL + PARTIAL)
def test_first_and_last_angle_are_those_of_the_first_and_last_measurement(first, last, bins):
    """REP 138; LaserScan.msg: range i is at angle_min + i·angle_increment, counter-clockwise, 0 = +x."""
    fan = {"first": first, "last": last, "bins": bins}
    scan = Flattener(make_profile(DRIVE, fan=fan)).flatten(np.zeros((0, 3)))["drive"]
    told = scan.message_fields()
    step = (last - first) / bins
    # one unit in the last place of float32 at 2π, 4.8e-7, for the rounding of either side
    assert told["angle_min"] == pytest.approx(math.radians(first + step / 2), abs=5e-7)
    assert told["angle_max"] == pytest.approx(math.radians(last - step / 2), abs=5e-7)
    assert told["angle_increment"] == pytest.approx(math.radians(step), rel=2**-24)
    placed = told["angle_min"] + np.arange(bins) * told["angle_increment"]
    # the increment's own rounding, half a unit in 2^24, adds up over the bins
    assert np.abs(placed - scan.bearings).max() <= 5e-7 + math.radians(last - first) * 2**-24
    assert (scan.first, scan.step) == (math.radians(first), math.radians(step))


def test_a_return_comes_back_where_it_was():
    """A consumer places range i at angle_min + i·angle_increment: at most half a bin from the return."""
    rng = np.random.default_rng(5)
    bearing, r = rng.uniform(-math.pi, math.pi, 300), rng.uniform(1.0, 20.0, 300)
    xyz = np.stack([r * np.cos(bearing), r * np.sin(bearing), np.full(300, 0.5)], axis=1)
    flattener = Flattener(make_profile(DRIVE))
    for point, distance in zip(xyz, r, strict=True):
        told = flattener.flatten(point[None])["drive"].message_fields()
        (k,) = np.flatnonzero(np.isfinite(told["ranges"]))
        angle = told["angle_min"] + k * told["angle_increment"]
        seen = told["ranges"][k] * np.array([math.cos(angle), math.sin(angle)])
        # chord of half a bin, and 1e-6 of the distance for float32 angles and ranges
        limit = distance * (2 * math.sin(math.radians(0.125) / 2) + 1e-6)
        assert math.dist(seen, point[:2]) <= limit


def count_as_consumers_do(told: dict, number: type) -> int:
    low, high, step = (number(told[key]) for key in ("angle_min", "angle_max", "angle_increment"))
    quotient = (high - low) / step
    assert type(quotient) is number
    return int(np.round(quotient)) + 1


# full circles, front and rear halves, quarters, and fans that begin off the axes
FANS = [(-180, 180), (0, 360), (-360, 0), (90, 270), (-90, 90), (-135, 135), (-29.5, 30.25), (170, 190)]


@pytest.mark.parametrize("first, last", FANS)
def test_the_count_rule_of_mappers_holds_for_every_number_of_bins(first, last):
    """Mappers count round((max − min)/increment) + 1 in float32 or float64 and refuse a scan that differs.

    Checked down to steps of 0.01 deg: 36,000 bins on the full circle, in proportion on a part of it.
    """
    most = math.floor((last - first) / 0.01 + 0.5)
    for bins in {*range(1, min(most, 2000)), *range(2000, most, 97), 3600, 7200, 14400, most}:
        if bins <= most:
            told = empty_scan(first, last, bins).message_fields()
            assert count_as_consumers_do(told, np.float32) == bins
            assert count_as_consumers_do(told, np.float64) == bins


def test_the_count_rule_needs_the_centres_and_rounding():
    """Computed counter-examples: by the outer edges one too many is counted, by floor() often one too few."""
    short = 0
    for bins in range(1, 3601):
        told = empty_scan(-180, 180, bins).message_fields()
        edges = {**told, "angle_min": -math.pi, "angle_max": math.pi}
        assert count_as_consumers_do(edges, np.float64) == bins + 1
        low, high, step = (np.float32(told[key]) for key in ("angle_min", "angle_max", "angle_increment"))
        short += int(math.floor((high - low) / step) + 1 != bins)
    assert short > 100


# ---------------------------------------------------------------- on the wire


@pytest.mark.parametrize("with_intensities, size", [(False, 80), (True, 100)])
def test_a_scan_of_five_ranges_has_the_size_on_the_wire(with_intensities, size):
    """CDR: 4 bytes of encapsulation, stamp, frame, seven floats, sequences: 80 B, with intensities 100 B."""
    fan = {"first": -25, "last": 25, "bins": 5}
    columns = [[2.0, 0.0, 0.5, 7.0], [0.0, 3.0, 0.5, 9.0]]
    cloud = np.array(columns, np.float32)[:, : 4 if with_intensities else 3]
    scan = Flattener(make_profile(DRIVE, fan=fan)).flatten(cloud)["drive"]
    message = TYPES["sensor_msgs/msg/LaserScan"](header(), **scan.message_fields())
    assert len(STORE.serialize_cdr(message, message.__msgtype__)) == size


def test_a_cloud_of_two_points_has_the_size_on_the_wire_and_is_read_there():
    """CDR: PointCloud2 of frame "laser", x, y, z float32 and 2 points: 137 B."""
    fields = [TYPES["sensor_msgs/msg/PointField"](n, 4 * k, FLOAT32, 1) for k, n in enumerate("xyz")]
    xyz = np.array([[2.0, 0.0, 0.5], [0.0, 3.0, 0.5]], np.float32)
    message = TYPES["sensor_msgs/msg/PointCloud2"](
        header(), 1, 2, fields, False, 12, 24, xyz.view(np.uint8).reshape(-1), True
    )
    raw = STORE.serialize_cdr(message, message.__msgtype__)
    assert len(raw) == 137
    heard = STORE.deserialize_cdr(raw, message.__msgtype__)
    scan = Flattener(make_profile(DRIVE)).flatten(heard)["drive"]
    assert sorted(scan.ranges[scan.states == State.HIT]) == [2.0, 3.0]


LAYOUTS = [(1, False, 0), (1, True, 0), (6, False, 10), (6, True, 3)]


@pytest.mark.parametrize("rows, bigendian, padding", LAYOUTS)
def test_from_a_real_cloud_message_to_a_real_scan_message(rows, bigendian, padding):
    """Both messages go over the wire; the scan is that of the same points in an array, bit for bit."""
    xyz = random_points(11, 3000)
    sent = cloud_message(xyz, rows=rows, bigendian=bigendian, padding=padding)
    cloud = STORE.deserialize_cdr(STORE.serialize_cdr(sent, sent.__msgtype__), sent.__msgtype__)
    flattener = Flattener(make_profile(DRIVE))
    scan = flattener.flatten(cloud)["drive"]
    plain = flattener.flatten(np.column_stack([xyz, np.arange(3000)]).astype(np.float32))["drive"]

    fields = scan.message_fields(scan_time=0.1)
    said = TYPES["sensor_msgs/msg/LaserScan"](cloud.header, **fields)
    heard = STORE.deserialize_cdr(STORE.serialize_cdr(said, said.__msgtype__), said.__msgtype__)
    for name in ("ranges", "intensities"):
        assert getattr(heard, name).tobytes() == getattr(plain, name).tobytes()
    for name in ("angle_min", "angle_max", "angle_increment", "time_increment", "range_min", "range_max"):
        assert getattr(heard, name) == fields[name]  # already float32: nothing is lost on the way
    assert heard.scan_time == np.float32(0.1)
    stamp = heard.header.stamp
    assert (stamp.sec, stamp.nanosec, heard.header.frame_id) == (1700000000, 123456789, "laser")
    assert scan.counts.skipped == np.isnan(xyz).any(axis=1).sum() and scan.counts.used > 500


def test_a_cloud_without_intensities_makes_a_message_without():
    """LaserScan.msg: if the device does not provide intensities, leave the array empty."""
    scan = Flattener(make_profile(DRIVE)).flatten(random_points(3, 500))["drive"]
    assert scan.message_fields()["intensities"].size == 0


# ---------------------------------------------------------------- rotations


def test_roll_pitch_yaw_turn_about_the_fixed_axes_in_that_order():
    """REP 103, fixed-axis roll, pitch, yaw; the quaternion is computed, given to five places: half a unit."""
    quaternion = np.array([0.06407, -0.09116, 0.15344, 0.98186])
    from_flatten = Rotation.from_matrix(frames.rotation(0.1, -0.2, 0.3)).as_quat()
    assert np.abs(from_flatten - quaternion).max() <= 5e-6
    from_library = Rotation.from_euler("xyz", [0.1, -0.2, 0.3])  # small letters: fixed axes
    assert np.abs(from_library.as_quat() - quaternion).max() <= 5e-6
    # the same product of sines and cosines in another order of sums: a few float64 roundings
    assert np.abs(from_library.as_matrix() - frames.rotation(0.1, -0.2, 0.3)).max() <= 4 * 2**-52


@pytest.mark.parametrize("seed", range(5))
def test_mount_and_attitude_move_a_return_as_rotations_of_another_library_do(seed):
    """REP 103 by SciPy: body ← sensor by mount, level ← body by attitude, then less the fan's origin."""
    rng = np.random.default_rng(seed)
    x, y, z = (round(float(v), 3) for v in rng.uniform([-0.5, -0.5, 0.3], [0.5, 0.5, 1.0]))
    roll, pitch, yaw = (round(float(v), 2) for v in rng.uniform(-80, 80, 3))
    attitude = rng.uniform(-0.3, 0.3, 2)
    points = rng.uniform(-8, 8, (400, 3))
    place = np.array([x, y, z])
    body = Rotation.from_euler("xyz", [roll, pitch, yaw], degrees=True).apply(points) + place
    level = Rotation.from_euler("xyz", [*attitude, 0.0]).apply(body) - [x, y, 0.0]
    flattener = Flattener(
        make_profile(
            {"all": {"bottom": -20, "top": 20}},
            mount={"x": x, "y": y, "z": z, "roll": roll, "pitch": pitch, "yaw": yaw},
            reach={"near": 0.0, "far": 30.0},
        )
    )
    bins = np.floor((np.degrees(np.arctan2(level[:, 1], level[:, 0])) + 180) / 0.25).astype(int) % 1440
    for point, expected, b in zip(points, level, bins, strict=True):
        scan = flattener.flatten(point[None], attitude)["all"]
        assert np.flatnonzero(scan.states == State.HIT).tolist() == [b]
        # one rounding to float32 of float64 numbers that agree to 1e-14
        assert abs(scan.ranges[b] - np.hypot(*expected[:2])) <= np.spacing(scan.ranges[b])
        assert abs(scan.heights[b] - expected[2]) <= np.spacing(np.abs(scan.heights[b])) + 1e-14
