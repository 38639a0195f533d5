"""Scans of made-up places against an independent planar sensor: Open3D's ray casting along the bins' edges.

Fifty random places, two classes of sensor, several mounts and attitudes. What is compared, and how
closely, stands with each check; the planar sensor is in planar_sensor.py.
"""

from __future__ import annotations

import functools
import math
from typing import NamedTuple

import numpy as np
import pytest
from scipy import integrate, stats

pytest.importorskip("open3d")

from flatten import scene
from flatten.flattener import Flattener
from flatten.scan import Scan, State
from tests.outside.planar_sensor import Alone, PlanarSensor, solids_seen_from
from tests.outside.profiles import make_profile

BINS = 1440
SCENES = range(50)
SMALLEST = 0.4
ORIGIN = {"x": 0.3, "y": -0.09}
SLICES = {
    "drive": {"bottom": 0.08, "top": 0.95},
    "low": {"bottom": 0.06, "top": 0.40, "rise": 0.01},
    "walls": {"bottom": 1.20, "top": 1.80, "pick": "farthest"},
}
MOUNTS = {
    "rosette": [
        {"z": 0.78, "roll": 180.0, "pitch": -4.0, "yaw": 0.0},
        {"z": 0.6, "roll": 0.0, "pitch": 25.0, "yaw": 0.0},
        {"z": 0.7, "roll": 90.0, "pitch": 0.0, "yaw": 60.0},
    ],
    "rotating": [
        {"z": 0.78, "roll": 0.0, "pitch": 6.0, "yaw": 0.0},
        {"z": 0.45, "roll": 0.0, "pitch": 0.0, "yaw": 170.0},
        {"z": 1.3, "roll": -20.0, "pitch": 15.0, "yaw": -35.0},
    ],
}
SENSORS = {"rosette": scene.Rosette(), "rotating": scene.Rotating(columns=720)}
LEVEL, LEANING = None, (math.radians(3.0), math.radians(-6.0))

TOLERANCE = 4e-6
"""Metres. Coordinates up to 16 m are float32: half a unit is 0.5 µm an axis, under 1 µm of distance. The
level beams are float32 throughout: corner, direction and distance, under 1 µm each."""


class View(NamedTuple):
    """What the independent sensor says of one place."""

    brackets: dict[str, tuple[np.ndarray, np.ndarray]]
    alone: Alone
    low: np.ndarray
    high: np.ndarray


def yaw_of(seed: int) -> float:
    return 0.7 * seed


@functools.cache
def place_of(seed: int) -> scene.Place:
    return scene.random_place(seed)


@functools.cache
def view_of(seed: int) -> View:
    c, s = math.cos(yaw_of(seed)), math.sin(yaw_of(seed))
    x, y = ORIGIN["x"] * c - ORIGIN["y"] * s, ORIGIN["x"] * s + ORIGIN["y"] * c
    sensor = PlanarSensor(solids_seen_from(place_of(seed), x, y, yaw_of(seed)), BINS)
    brackets = {
        name: sensor.bracket(part["bottom"], part["top"], part.get("rise", 0.0))
        for name, part in SLICES.items()
    }
    return View(brackets, sensor.alone(0.03), sensor.solids.low, sensor.solids.high)


@functools.cache
def flattener_of(sensor: str, number: int) -> Flattener:
    return Flattener(
        make_profile(
            SLICES,
            mount=ORIGIN | MOUNTS[sensor][number],
            fan={"first": -180, "last": 180, "bins": BINS},
            clear={"smallest": SMALLEST, "from": 1.5, "to": 8.0},
        )
    )


def take(seed: int, sensor: str, attitude, **options) -> scene.Capture:
    mount = scene.Mount.of(flattener_of(sensor, seed % 3).profile)
    pose = (0.0, 0.0, yaw_of(seed))
    return scene.capture(
        place_of(seed), SENSORS[sensor], pose, mount, attitude=attitude or (0.0, 0.0), seed=seed, **options
    )


@functools.cache
def scans_of(seed: int, sensor: str, attitude) -> dict[str, Scan]:
    return flattener_of(sensor, seed % 3).flatten(take(seed, sensor, attitude).cloud, attitude)


def cases():
    leans = {"level": LEVEL, "leaning": LEANING}
    pairs = [pytest.param(s, leans[name], id=f"{s}-{name}") for s in SENSORS for name in leans]
    return pytest.mark.parametrize("sensor, attitude", pairs)


# ---------------------------------------------------------------- ranges


@cases()
def test_every_hit_lies_on_a_true_surface_of_its_slice_and_bin(sensor, attitude, record_property):
    """Clean model: each between the nearest and the farthest true face of the slice within the bin."""
    seen, worst = 0, -np.inf
    for seed in SCENES:
        for name, scan in scans_of(seed, sensor, attitude).items():
            near, far = view_of(seed).brackets[name]
            hit = scan.states == State.HIT
            outside = np.maximum(near[hit] - scan.ranges[hit], scan.ranges[hit] - far[hit])
            seen += int(hit.sum())
            worst = max(worst, outside.max(initial=-np.inf))
            assert np.all(outside <= TOLERANCE), (seed, name)
    record_property("hits", int(seen))
    record_property("farthest outside, m", float(worst))
    assert seen > 5000


@cases()
def test_what_a_beam_meets_in_a_slice_is_told(sensor, attitude):
    """Nothing is lost: where a return lies on a solid inside a slice, its bin is HIT, and no farther.

    Which solid a beam met is in the labels of the frame; its place in the world and its bin are
    computed here. Left out is what float32 may move across an edge: 1e-5 m, 2e-6 rad.
    """
    compared = 0
    for seed in SCENES[:10]:
        shot = take(seed, sensor, attitude)
        c, s = math.cos(yaw_of(seed)), math.sin(yaw_of(seed))
        level = shot.world() @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) - [ORIGIN["x"], ORIGIN["y"], 0]
        r = np.hypot(level[:, 0], level[:, 1])
        exact = (np.arctan2(level[:, 1], level[:, 0]) + math.pi) / (2 * math.pi) * BINS
        sure = np.abs(exact - np.round(exact)) * 2 * math.pi / BINS > 2e-6
        for name in ("drive", "low"):
            part, scan = SLICES[name], scans_of(seed, sensor, attitude)[name]
            low = part["bottom"] + part.get("rise", 0.0) * r
            inside = sure & (shot.labels > 0) & (r > 0.31) & (r < 24.9)
            inside &= (level[:, 2] > low + 1e-5) & (level[:, 2] < part["top"] - 1e-5)
            b = np.floor(exact[inside]).astype(int)
            assert np.all(scan.states[b] == State.HIT) and np.all(scan.ranges[b] <= r[inside] + TOLERANCE)
            compared += int(inside.sum())
    assert compared > 5000


# ---------------------------------------------------------------- the promise of the witnessed stretch


def promised(seed: int, name: str) -> np.ndarray:
    """(solids, bins): stands on the floor, fills the bin, and is as tall as is promised at its far end."""
    view, part = view_of(seed), SLICES[name]
    front = view.alone.front[1]
    enough = np.minimum(part["top"], part["bottom"] + part.get("rise", 0.0) * front + SMALLEST)
    stands = (view.low <= 1e-9) & (view.high > 0.03)
    return stands[:, None] & (view.high[:, None] >= enough) & np.isfinite(front)


@cases()
def test_no_witnessed_stretch_passes_what_it_promises_to_see(sensor, attitude, record_property):
    """Clean model, exactly none: an object that stands, is tall enough and fills the bin ends the stretch.

    Two ways of passing are looked for: the stretch enters what the object fills at every bearing of
    the bin (from its farthest front to its nearest back), or it runs from before it to behind it.
    That holds for what fills the width at one distance; a thin sheet that slants through several cells
    within one bin could be passed by two beams, low before it and high behind it. None is here.
    """
    stretches, stopped, other = 0, 0, 0
    for seed in SCENES:
        alone = view_of(seed).alone
        for name in ("drive", "low"):
            scan, tall = scans_of(seed, sensor, attitude)[name], promised(seed, name)
            begin, end = scan.clear_from[None].astype(float), scan.clear_to[None].astype(float)
            inside = np.minimum(end, alone.back[0]) - np.maximum(begin, alone.front[1])
            core = alone.back[0] > alone.front[1]
            entered = tall & core & (end > begin) & (inside > TOLERANCE)
            passed = tall & (begin < alone.front[0] - TOLERANCE) & (end > alone.back[1] + TOLERANCE)
            assert not entered.any() and not passed.any(), (seed, name, np.argwhere(entered | passed)[:3])
            stretches += int((end > begin).sum())
            stopped += int((tall & (begin < alone.front[0]) & (np.abs(end - alone.front[0]) < 0.1)).sum())
            with np.errstate(invalid="ignore"):
                other += int((~tall & (begin < alone.front[0]) & (end > alone.back[1])).sum())
    record_property("stretches", int(stretches))
    record_property("ended by a tall object", int(stopped))
    record_property("passed something low", int(other))
    assert stretches > 20_000 and stopped > 500
    assert other > 0  # what is too low is passed: so the comparison can see a passing


@cases()
def test_no_clear_bin_holds_what_it_promises_to_see(sensor, attitude):
    """CLEAR speaks for clear.from to clear.to, 1.5 m to 8 m: no tall object begins there in such a bin."""
    clear = 0
    for seed in SCENES:
        front = view_of(seed).alone.front[0]
        for name in ("drive", "low"):
            scan = scans_of(seed, sensor, attitude)[name]
            wrong = promised(seed, name) & (scan.states == State.CLEAR) & (front >= 1.5) & (front < 7.9)
            assert not wrong.any(), (seed, name)
            clear += int((scan.states == State.CLEAR).sum())
    assert clear > 1000


# ---------------------------------------------------------------- noise, dust, mixed pixels

SIGMA = 0.01


@functools.cache
def expected_least(n: int) -> float:
    """Expectation of the least of n standard normals: ∫ x n φ(x) (1 − Φ(x))^(n−1) dx."""
    value, _ = integrate.quad(lambda x: x * n * stats.norm.pdf(x) * stats.norm.sf(x) ** (n - 1), -10, 10)
    return value


@pytest.mark.parametrize("n, known", [(1, 0.0), (2, 0.56419), (5, 1.16296), (10, 1.53875), (30, 2.04276)])
def test_the_nearest_of_n_noisy_returns_is_short_by_the_known_bias(n, known):
    """Nearest-of-n bias: the least of n normals, −0.56 σ for two, −1.54 σ for ten; never below −σ√(2 ln n).

    Source: tables of normal order statistics (from memory, and computed here by the integral).
    """
    assert expected_least(n) == pytest.approx(-known, abs=2e-5)
    rng = np.random.default_rng(n)
    bearings = np.repeat(-math.pi + (np.arange(BINS) + 0.5) * 2 * math.pi / BINS, n)
    r = 5.0 + SIGMA * rng.standard_normal(BINS * n)
    xyz = np.stack([r * np.cos(bearings), r * np.sin(bearings), np.full(BINS * n, 0.5)], axis=1)
    scan = Flattener(make_profile({"drive": SLICES["drive"]})).flatten(xyz)["drive"]
    off = scan.ranges.astype(float) - 5.0
    # 1440 bins, each of standard deviation at most σ: four standard errors of the mean
    assert abs(off.mean() + SIGMA * known) <= 4 * SIGMA / math.sqrt(BINS)
    assert -SIGMA * math.sqrt(2 * math.log(n)) - 4 * SIGMA / math.sqrt(BINS) <= off.mean()


@pytest.mark.parametrize("sensor", list(SENSORS))
def test_noise_shortens_by_no_more_than_the_bound_of_the_nearest_of_n(sensor, record_property):
    """The same beams with and without noise, in bins in which as many returns lie in the slice.

    Returns at d₁ … dₙ are moved by normals of at most σ (σ along the beam). The expected least of them
    is at most min dᵢ, and at least min dᵢ + σ·eₙ with eₙ the expected least of n standard normals:
    min(dᵢ + zᵢ) ≥ min dᵢ + min zᵢ. So the mean of noisy − clean lies between the mean of σ·eₙ and
    0, each with four standard errors. Only a front at right angles comes near the lower bound.
    """
    differences, bounds = [], []
    noise = scene.Effects(range_noise=SIGMA)
    for seed in SCENES:
        clean = scans_of(seed, sensor, LEVEL)["drive"]
        shot = take(seed, sensor, LEVEL, effects=noise)
        noisy = flattener_of(sensor, seed % 3).flatten(shot.cloud)["drive"]
        both = (clean.states == State.HIT) & (noisy.states == State.HIT) & (clean.hits == noisy.hits)
        differences.append(noisy.ranges[both].astype(float) - clean.ranges[both])
        bounds.append([SIGMA * expected_least(int(n)) for n in noisy.hits[both]])
    off, bound = np.concatenate(differences), np.concatenate(bounds)
    error = 4 * off.std() / math.sqrt(len(off))
    record_property("bins", len(off))
    record_property("nearest-of-n bias, m", float(off.mean()))
    record_property("bound, m", float(bound.mean()))
    assert bound.mean() - error <= off.mean() <= error
    assert len(off) > 3000


@pytest.mark.parametrize("sensor", list(SENSORS))
def test_dust_and_mixed_pixels_explain_every_hit_off_the_surfaces(sensor, record_property):
    """With noise, dust and mixed pixels on: a hit outside its bracket by more than 5 σ is one of theirs.

    A normal passes 5 σ on one side once in 3.5 million; the 50 frames have under a million returns.
    Each dust or mixed return spoils one bin at most, so they bound the rate from above.
    """
    effects = scene.Effects(range_noise=SIGMA, dust=0.003, mixed=0.3)
    outside = spoilt = hits = 0
    for seed in SCENES:
        shot = take(seed, sensor, LEVEL, effects=effects)
        scan = flattener_of(sensor, seed % 3).flatten(shot.cloud)["drive"]
        near, far = view_of(seed).brackets["drive"]
        hit = scan.states == State.HIT
        off = np.maximum(near[hit] - scan.ranges[hit], scan.ranges[hit] - far[hit]) > 5 * SIGMA + TOLERANCE
        stray = int(np.isin(shot.labels, (scene.DUST, scene.MIXED)).sum())
        assert off.sum() <= stray, seed
        outside, spoilt, hits = outside + int(off.sum()), spoilt + stray, hits + int(hit.sum())
    record_property("hits", int(hits))
    record_property("off the surfaces", int(outside))
    record_property("dust and mixed returns", int(spoilt))
    assert 0 < outside <= 0.5 * hits
