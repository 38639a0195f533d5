"""Scans of bodies whose ranges are known in closed form, sampled densely in the test itself.

Sources: elementary geometry (line, circle and plane against a ray); sizes of test bodies ISO 3691-4
(from memory); heights ADA/ABA 902.3 (table tops), guide to ADA 404.2.3 (door), Hampshire kerbing
guide (kerb), EN 13698-1 (pallet), ADA/ABA 504.2 (stair riser).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from flatten.flattener import Flattener
from flatten.scan import Scan, State
from tests.outside.profiles import make_profile

BINS = 1440
STEP = 2 * math.pi / BINS
PARTS = 16  # samples a bin
BEARINGS = -math.pi + (np.arange(BINS * PARTS) + 0.5) * (STEP / PARTS)
HEIGHTS = np.array([0.1, 0.5, 0.9])
DRIVE = {"drive": {"bottom": 0.08, "top": 0.95}}
ROUNDING = 2.0**-22  # float32 cloud, float32 range: two roundings of half a unit in 2^23, relative

MOUNTS = [
    {"x": 0.0, "y": 0.0, "z": 0.0, "roll": 0.0, "pitch": 0.0, "yaw": 0.0},
    {"x": 0.34, "y": -0.09, "z": 0.61, "roll": 0.0, "pitch": 12.0, "yaw": 0.0},
    {"x": -0.2, "y": 0.15, "z": 0.78, "roll": 180.0, "pitch": -4.0, "yaw": 37.0},
    {"x": 0.1, "y": 0.3, "z": 0.5, "roll": 90.0, "pitch": 10.0, "yaw": -120.0},
]


def upright(ranges: np.ndarray, bearings: np.ndarray, heights: np.ndarray) -> np.ndarray:
    """(N, 3) points of an upright surface, about the fan's origin: every bearing at every height."""
    met = np.isfinite(ranges)
    flat = ranges[met, None] * np.stack([np.cos(bearings[met]), np.sin(bearings[met])], axis=1)
    return np.concatenate([np.column_stack([flat, np.full(len(flat), z)]) for z in heights])


def seen_by(mount: dict[str, float], level: np.ndarray, attitude=(0.0, 0.0)) -> np.ndarray:
    """Sensor coordinates, float32, of points of the level frame about the fan's origin (rotations: SciPy)."""
    place = np.array([mount["x"], mount["y"], mount["z"]])
    body = Rotation.from_euler("xyz", [*attitude, 0.0]).inv().apply(level + place * [1, 1, 0])
    turn = Rotation.from_euler("xyz", [mount["roll"], mount["pitch"], mount["yaw"]], degrees=True)
    return turn.inv().apply(body - place).astype(np.float32)


def flatten(level: np.ndarray, mount=MOUNTS[0], slices=DRIVE, attitude=(0.0, 0.0), far: float = 25.0) -> Scan:
    profile = make_profile(slices, mount=mount, reach={"near": 0.3, "far": far})
    return Flattener(profile).flatten(seen_by(mount, level, attitude), attitude)[next(iter(slices))]


def check_bracket(scan: Scan, ranges: np.ndarray, exact_least: np.ndarray) -> None:
    """Every bin against the body: `ranges` at the samples, `exact_least` at the edges and feet in the bin.

    The scan must say the least sample of the bin, and never less than the closed form's least.
    """
    by_bin = ranges.reshape(BINS, PARTS).min(axis=1)
    met = np.isfinite(by_bin)
    assert np.array_equal(scan.states == State.HIT, met) and met.any()
    # a sample lies half a sample, 0.14 mrad, from the edge of a bin: float32 cannot move it across
    slack = ROUNDING * (by_bin[met] + 1.0)  # 1 m for the mount, which shifts what is rounded
    assert np.all(np.abs(scan.ranges[met] - by_bin[met]) <= slack)
    assert np.all(scan.ranges[met] >= exact_least[met] - slack)


def least_in_bins(range_at, feet=()) -> np.ndarray:
    """Closed-form least range in each bin: at its edges and at the bearings of the feet that lie in it."""
    edges = -math.pi + np.arange(BINS + 1) * STEP
    at = range_at(edges)
    least = np.minimum(at[:-1], at[1:])
    for foot in feet:
        k = int((foot + math.pi) / STEP)
        least[k] = min(least[k], range_at(np.array([foot]))[0])
    return least


# ---------------------------------------------------------------- bodies


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("distance, normal", [(3.0, 0.0), (0.7, 2.0), (12.0, -2.5)])
def test_endless_wall(mount, distance, normal):
    """Range at a bearing = d / cos(bearing − normal)."""

    def range_at(bearings):
        toward = np.cos(bearings - normal)
        r = np.divide(distance, toward, out=np.full(len(bearings), np.inf), where=toward > 1e-9)
        return np.where(r <= 20.0, r, np.inf)

    scan = flatten(upright(range_at(BEARINGS), BEARINGS, HEIGHTS), mount)
    check_bracket(scan, range_at(BEARINGS), least_in_bins(range_at, [normal]))


@pytest.mark.parametrize("mount", MOUNTS)
def test_wall_with_two_ends(mount):
    """The endless wall where the crossing lies between its ends (4, −1.5) and (2.5, 3.0)."""
    start, end = np.array([4.0, -1.5]), np.array([2.5, 3.0])
    along = end - start
    normal = np.array([along[1], -along[0]]) / np.hypot(*along)

    def range_at(bearings):
        unit = np.stack([np.cos(bearings), np.sin(bearings)], axis=1)
        r = (start @ normal) / (unit @ normal)
        part = (r[:, None] * unit - start) @ along / (along @ along)
        return np.where((r > 0) & (part >= 0) & (part <= 1), r, np.inf)

    first, last = math.atan2(*start[::-1]), math.atan2(*end[::-1])
    foot = math.atan2(*normal[::-1])
    scan = flatten(upright(range_at(BEARINGS), BEARINGS, HEIGHTS), mount)
    check_bracket(scan, range_at(BEARINGS), least_in_bins(range_at, [first + 1e-9, last - 1e-9, foot]))


def circle_range(centre, radius: float, bearings: np.ndarray) -> np.ndarray:
    """Ray and circle: f = O − C, a = d·d = 1, b = 2 f·d, c = f·f − r²; the nearer root, none where Δ < 0."""
    b = -2 * (centre[0] * np.cos(bearings) + centre[1] * np.sin(bearings))
    c = centre[0] ** 2 + centre[1] ** 2 - radius**2
    under = b * b - 4 * c
    root = (-b - np.sqrt(np.maximum(under, 0))) / 2
    return np.where((under >= 0) & (root > 0), root, np.inf)


@pytest.mark.parametrize("mount", MOUNTS)
@pytest.mark.parametrize("centre, radius", [((5.0, 0.0), 0.5), ((-2.0, 0.01), 0.035), ((-3.0, -8.0), 1.5)])
def test_cylinder(mount, centre, radius):
    """Upright cylinder by ray and circle; the second straddles the bearing ±180°, where the fan closes."""

    def range_at(bearings):
        return circle_range(centre, radius, bearings)

    scan = flatten(upright(range_at(BEARINGS), BEARINGS, HEIGHTS), mount)
    check_bracket(scan, range_at(BEARINGS), least_in_bins(range_at, [math.atan2(*centre[::-1])]))


@pytest.mark.parametrize("mount", MOUNTS)
def test_corner_of_a_box(mount):
    """A box corner at (3, −1): front x = 3 for |y| ≤ 1, side y = −1 for 3 ≤ x ≤ 5, the lesser of both."""

    def range_at(bearings):
        c, s = np.cos(bearings), np.sin(bearings)
        with np.errstate(divide="ignore"):
            front, side = 3.0 / c, -1.0 / s
        front = np.where((c > 0) & (np.abs(front * s) <= 1.0), front, np.inf)
        side = np.where((s < 0) & (side * c >= 3.0) & (side * c <= 5.0), side, np.inf)
        return np.minimum(front, side)

    corner = math.atan2(-1.0, 3.0)
    scan = flatten(upright(range_at(BEARINGS), BEARINGS, HEIGHTS), mount)
    feet = [0.0, corner - 1e-9, corner + 1e-9, math.atan2(-1.0, 5.0)]
    check_bracket(scan, range_at(BEARINGS), least_in_bins(range_at, feet))
    k = int((corner + math.pi) / STEP)
    assert scan.ranges[k] <= math.hypot(3.0, 1.0) + ROUNDING * 4


# ---------------------------------------------------------------- a tilted body over the floor


FLOOR_BEARINGS = -math.pi + (np.arange(240) * 6 + 3.5) * STEP  # middles of bins


def floor(far: float) -> np.ndarray:
    """Level floor, returns 1 cm apart along 240 bearings."""
    b, r = np.meshgrid(FLOOR_BEARINGS, np.arange(0.5, far, 0.01))
    return np.column_stack([(r * np.cos(b)).ravel(), (r * np.sin(b)).ravel(), np.zeros(b.size)])


@pytest.mark.parametrize("degrees, meets", [(1, 28.64), (2, 14.32), (5, 5.72)])
def test_unknown_pitch_puts_the_floor_into_a_slice_at_the_known_distance(degrees, meets):
    """A tilted plane meets the floor at h / tan δ: 0.5 m at 1 / 2 / 5° = 28.64 / 14.32 / 5.72 m.

    Nose down by δ, floor at bearing φ reaches height h in body axes at h / (tan δ cos φ).
    """
    delta = math.radians(degrees)
    exact = 0.5 / math.tan(delta)
    assert exact == pytest.approx(meets, abs=0.005)  # as printed: two places
    cloud = seen_by(MOUNTS[0], floor(40.0), (0.0, delta))
    slices = {"drive": {"bottom": 0.5, "top": 1.2}}
    flattener = Flattener(make_profile(slices, reach={"near": 0.3, "far": 45.0}))
    blind = flattener.flatten(cloud)["drive"]
    hit = np.flatnonzero(blind.states == State.HIT)
    # the bins are those in which floor comes to 0.5 m before it ends, 40 m away
    reaches = 0.5 / (math.sin(delta) * np.maximum(np.cos(FLOOR_BEARINGS), 1e-9)) < 39.99
    turned = np.arctan2(np.sin(FLOOR_BEARINGS), np.cos(FLOOR_BEARINGS) * math.cos(delta))[reaches]
    assert hit.tolist() == np.unique(np.floor((turned + math.pi) / STEP)).astype(int).tolist()
    off = np.abs((hit + 0.5) * STEP - math.pi)
    earliest, latest = (exact / np.cos(np.abs(off + side * STEP / 2)) for side in (-1, 1))
    assert np.all(blind.ranges[hit] >= earliest * (1 - ROUNDING))
    assert np.all(blind.ranges[hit] <= latest + 0.01)  # returns 1 cm apart, closer in body axes
    assert flattener.flatten(cloud, (0.0, delta))["drive"].counts.used == 0


def test_unknown_roll_puts_the_floor_into_the_slice_on_the_low_side():
    """REP 103: roll > 0 is left side up, so the floor rises on the right: at h / tan δ, bearing −90°."""
    tilt = (math.radians(5), 0.0)
    cloud = seen_by(MOUNTS[0], floor(12.0), tilt)
    flattener = Flattener(make_profile({"drive": {"bottom": 0.5, "top": 1.2}}))
    blind = flattener.flatten(cloud)["drive"]
    hit = blind.states == State.HIT
    assert hit.any() and np.all(blind.bearings[hit] < 0)
    # the bin beside −90° looks 0.875 deg off it at most: 1 / cos adds 0.01 %, and samples are 1 cm apart
    assert blind.ranges[hit].min() == pytest.approx(0.5 / math.tan(tilt[0]), abs=0.011)
    assert flattener.flatten(cloud, tilt)["drive"].counts.used == 0


@pytest.mark.parametrize("degrees", [-3, 1, 2])
def test_height_error_of_a_tilt_grows_with_distance(degrees):
    """r·tan δ: 10 m and 1° = 0.175 m. A floor return 10 m ahead in body axes seems that much higher."""
    delta = math.radians(degrees)
    body = np.array([[10.0, 0.0, 10.0 * math.tan(delta)]])
    flattener = Flattener(make_profile({"all": {"bottom": -2.0, "top": 2.0}}))
    blind = flattener.flatten(body)["all"]
    (k,) = np.flatnonzero(blind.states == State.HIT)
    assert blind.heights[k] == np.float32(10.0 * math.tan(delta)) and blind.ranges[k] == 10.0
    if degrees == 1:
        assert blind.heights[k] == pytest.approx(0.175, abs=5e-4)
    told = flattener.flatten(body, (0.0, delta))["all"]
    assert abs(told.heights[k]) <= 1e-14 and told.ranges[k] == np.float32(10.0 / math.cos(delta))


# ---------------------------------------------------------------- test bodies


def bins_covered(half: float) -> tuple[int, int]:
    """Least and greatest number of bins that a body may fill: its width, and one more at either side."""
    width = 2 * half / STEP
    return math.floor(width), math.floor(width) + 2


def check_body(scan: Scan, middle: float, half: float, nearest: float, deepest: float) -> None:
    """The hits are one unbroken run about the middle, as wide as the body, and lie on its front."""
    hit = np.flatnonzero(scan.states == State.HIT)
    off = (hit + 0.5) * STEP - math.pi - middle
    off = np.sort((off + math.pi) % (2 * math.pi) - math.pi)
    assert np.allclose(np.diff(off), STEP, atol=1e-9)
    assert np.all(np.abs(off) - STEP / 2 < half + 1e-6)  # every bin touches the body; 1 µrad for float32
    least, most = bins_covered(half)
    assert least <= len(hit) <= most
    assert scan.ranges[hit].min() == pytest.approx(nearest, abs=1e-4)  # samples under 2 mm apart: 1 µm deep
    assert np.all(scan.ranges[hit] <= deepest + 1e-5)


@pytest.mark.parametrize("bearing", [0.0, 0.7, -2.2, math.pi])
@pytest.mark.parametrize("distance, degrees", [(2.0, 2.005), (5.0, 0.80), (10.0, 0.40)])
def test_upright_body_fills_the_bins_of_its_visible_width(distance, degrees, bearing):
    """Ø70 × 400 mm upright (ISO 3691-4, from memory): 2 asin(r/d), 0.80° at 5 m and 0.40° at 10 m."""
    half = math.asin(0.035 / distance)
    assert math.degrees(2 * half) == pytest.approx(degrees, abs=0.005)
    bearings = bearing + half * np.linspace(-1, 1, 401) * (1 - 1e-9)
    centre = distance * np.array([math.cos(bearing), math.sin(bearing)])
    points = upright(circle_range(centre, 0.035, bearings), bearings, np.linspace(0.0, 0.4, 21))
    scan = flatten(points, MOUNTS[1])
    check_body(scan, bearing, half, distance - 0.035, math.sqrt(distance**2 - 0.035**2))
    assert np.nanmax(scan.heights) <= 0.4 + 1e-6


@pytest.mark.parametrize("bearing", [0.0, 0.7, -2.2, math.pi])
@pytest.mark.parametrize("distance, degrees", [(2.0, 5.72), (5.0, 2.29), (10.0, 1.15)])
def test_lying_body_seen_end_on_fills_the_bins_of_its_visible_width(distance, degrees, bearing):
    """Ø200 × 600 mm lying (ISO 3691-4, from memory), its end disc facing: 2 atan(r/d), 2.29° and 1.15°."""
    half = math.atan(0.1 / distance)
    assert math.degrees(2 * half) == pytest.approx(degrees, abs=0.01)
    radius, turn = np.meshgrid(0.1 * np.linspace(0, 1, 51), np.linspace(-math.pi, math.pi, 181))
    across, z = (radius * np.cos(turn)).ravel(), 0.1 + (radius * np.sin(turn)).ravel()
    c, s = math.cos(bearing), math.sin(bearing)
    points = np.column_stack([distance * c - across * s, distance * s + across * c, z])
    scan = flatten(points, MOUNTS[2])
    check_body(scan, bearing, half, distance, math.hypot(distance, 0.1))
    assert np.all(scan.heights[scan.states == State.HIT] <= 0.2 + 1e-6)


@pytest.mark.parametrize("distance", [2.0, 5.0, 10.0])
def test_lying_body_seen_from_the_side(distance):
    """The same cylinder across the way: in a slice from 0.08 m up its nearest line is at half its height."""
    along, turn = np.meshgrid(np.linspace(-0.3, 0.3, 601), np.linspace(-math.pi / 2, math.pi / 2, 91))
    x = distance - 0.1 * np.cos(turn)
    points = np.column_stack([x.ravel(), along.ravel(), (0.1 + 0.1 * np.sin(turn)).ravel()])
    scan = flatten(points)
    half = math.atan(0.3 / (distance - 0.1))
    check_body(scan, 0.0, half, distance - 0.1, math.hypot(distance, 0.3))


# ---------------------------------------------------------------- heights of known things

HEIGHTS_OF_THINGS = [
    # name, lowest and highest z of the surface that is sampled (m), source
    ("table top, lowest", 0.71, 0.71, "ADA/ABA 902.3"),
    ("table top, highest", 0.865, 0.865, "ADA/ABA 902.3"),
    ("door head", 2.032, 2.4, "guide to ADA 404.2.3"),
    ("kerb", 0.0, 0.100, "Hampshire kerbing guide"),
    ("kerb at a crossing", 0.0, 0.025, "Hampshire kerbing guide"),
    ("pallet", 0.0, 0.144, "EN 13698-1"),
    ("stair riser, lowest", 0.0, 0.100, "ADA/ABA 504.2"),
    ("stair riser, highest", 0.0, 0.180, "ADA/ABA 504.2"),
    ("level change", 0.0, 0.013, "page citing ADA 303"),
]
BANDS = {
    "low": (0.02, 0.06),
    "drive": (0.08, 0.95),
    "over_kerb": (0.12, 0.95),
    "over_pallet": (0.15, 0.95),
    "over_stair": (0.19, 0.95),
    "boards": (0.71, 0.90),
    "overhead": (0.95, 2.03),
    "door": (2.03, 2.10),
}
IN_SLICES = {
    "table top, lowest": {"drive", "over_kerb", "over_pallet", "over_stair", "boards"},
    "table top, highest": {"drive", "over_kerb", "over_pallet", "over_stair", "boards"},
    "door head": {"door"},
    "kerb": {"low", "drive"},
    "kerb at a crossing": {"low"},
    "pallet": {"low", "drive", "over_kerb"},
    "stair riser, lowest": {"low", "drive"},
    "stair riser, highest": {"low", "drive", "over_kerb", "over_pallet"},
    "level change": set(),
}


@pytest.mark.parametrize("name, low, high, source", HEIGHTS_OF_THINGS)
@pytest.mark.parametrize("mount", MOUNTS[:3])
def test_things_of_known_height_are_in_the_slices_that_cover_them(name, low, high, source, mount):
    """Sampled every 2 mm from its lowest to its highest point; sources above."""
    # the highest 10 µm up, so that 0.71 m is inside [0.71, …) in float32 too, whatever the mount
    heights = np.append(np.arange(low, high, 0.002), high + 1e-5)
    points = np.column_stack([np.full_like(heights, 4.0), np.zeros_like(heights) + 0.01, heights])
    slices = {key: {"bottom": bottom, "top": top} for key, (bottom, top) in BANDS.items()}
    cloud = seen_by(mount, points - [mount["x"], mount["y"], 0])
    scans = Flattener(make_profile(slices, mount=mount)).flatten(cloud)
    found = {key for key, scan in scans.items() if (scan.states == State.HIT).any()}
    assert found == IN_SLICES[name], source
