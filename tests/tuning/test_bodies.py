"""Few simple bodies around points: they hold all of them, and little else."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten import Flattener, Profile
from flatten.profile import BlindZone, Box, Cylinder, Mount, Sector
from flatten.tuning import bodies

MOUNT = Mount(x=0.3, y=-0.1, z=0.8)
HULL = (1.0, 0.7, 0.9)
PLAIN = {"mount": {"x": 0.3, "y": -0.1, "z": 0.8}, "slices": {"all": {"bottom": -100, "top": 100}}}

angles = st.integers(-180, 180).map(float)
zones = st.one_of(
    st.builds(
        lambda x, y, z: BlindZone(name="a", box=Box(x=(x, x + 0.7), y=(y, y + 0.5), z=(z, z + 0.4))),
        *[st.floats(-1.0, 1.0)] * 3,
    ),
    st.builds(
        lambda x, y, r: BlindZone(name="a", cylinder=Cylinder(x=x, y=y, radius=r, z=(0.1, 0.9))),
        *[st.floats(-1.0, 1.0)] * 2, st.floats(0.05, 1.0),
    ),
    st.builds(
        lambda a, w, n: BlindZone(
            name="a", sector=Sector(first=a, last=math.remainder(a + w, 360.0), near=n, far=1.2)
        ),
        angles, st.integers(5, 355).map(float), st.floats(0.0, 0.9),
    ),
)  # fmt: skip


@settings(max_examples=25, deadline=None)
@given(zones, st.integers(0, 1000))
def test_zones_hold_what_the_library_swallows(zone: BlindZone, seed: int) -> None:
    """`contains` against the kernel's own count; points within 1e-6 of a border may fall to either side."""
    points = np.random.default_rng(seed).uniform(-1.5, 1.5, (500, 3))
    profile = Profile.from_dict(PLAIN).model_copy(update={"blind_zones": (zone,)})
    scan = Flattener(profile, {"ranges"}).flatten(points - [0.3, -0.1, 0.8])["all"]
    assert abs(scan.counts.swallowed - bodies.contains(zone, points, MOUNT).sum()) <= 1


@settings(max_examples=100, deadline=None)
@given(
    st.integers(1, 60), st.integers(0, 10_000), st.floats(0.01, 1.0), st.floats(0.005, 0.1),
    st.sampled_from(["box", "bar", "arc", "disc"]),
)  # fmt: skip
def test_a_body_holds_all_its_points_and_a_margin(
    n: int, seed: int, size: float, margin: float, kind: str
) -> None:
    rng = np.random.default_rng(seed)
    points = rng.uniform(-0.5, 0.5, (n, 3)) * size + [0.0, 0.0, 0.6]
    if kind == "bar":
        points[:, :2] = rng.uniform(-1.0, 1.0, 2)
    if kind == "arc":
        turn = rng.uniform(2.0, 4.0, n)
        points[:, :2] = [0.3, -0.1] + 0.6 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    if kind == "disc":
        turn = rng.uniform(0.0, 6.3, n)
        points[:, :2] = size * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    zone = bodies.around(points, MOUNT, margin, "part")
    assert bodies.contains(zone, points, MOUNT).all()
    for way in itertools.product((-1.0, 0.0, 1.0), repeat=2):
        # a step of the margin to any side, less what rounding may take
        step = 0.99 * margin * np.array([*way, 0.0]) / max(1.0, math.hypot(*way))
        assert bodies.contains(zone, points + step, MOUNT).all()
    box = bodies.volume(points.min(axis=0), points.max(axis=0), margin + 0.01)
    assert bodies.zone_volume(zone) <= box + 1e-9


def test_round_things_become_cylinders_and_arcs_sectors() -> None:
    turn = np.linspace(0.0, 2.0 * math.pi, 100)
    ring = np.column_stack([0.1 * np.cos(turn), 0.1 * np.sin(turn), np.linspace(0.5, 0.9, 100)])
    made = bodies.around(ring, MOUNT, 0.03, "post")
    assert made.cylinder == Cylinder(x=0.0, y=0.0, radius=0.13, z=(0.47, 0.93))
    bend = np.linspace(math.radians(100.0), math.radians(200.0), 100)
    arc = np.column_stack([0.3 + 0.6 * np.cos(bend), -0.1 + 0.6 * np.sin(bend), np.linspace(0.5, 0.6, 100)])
    sector = bodies.around(arc, MOUNT, 0.03, "rail").sector
    assert sector is not None and sector.first < 100.0 and sector.last > -160.0 and sector.near == 0.57


def grid(low: tuple[float, ...], high: tuple[float, ...], step: float = 0.04) -> np.ndarray:
    """Points that fill a box."""
    sides = [np.arange(a, b + 1e-9, step) for a, b in zip(low, high, strict=True)]
    return np.stack(np.meshgrid(*sides, indexing="ij"), axis=-1).reshape(-1, 3)


def test_parts_are_told_apart_and_named() -> None:
    deck = grid((-0.5, -0.35, 0.5), (0.5, 0.35, 0.5))
    mast = grid((0.3, 0.0, 0.5), (0.3, 0.0, 0.9))
    crate = grid((-0.4, -0.2, 0.5), (-0.2, 0.2, 0.7))
    points = np.concatenate([deck, mast, crate])
    made = bodies.bodies(points, points, points, MOUNT, HULL, 0.03, taken=["post"])
    assert [body.zone.name for body in made] == ["hull", "part", "post 2"]
    assert sum(body.volume for body in made) < 0.15  # one box around all has 0.37 m³
    for body in made:
        assert body.returns == bodies.contains(body.zone, points, MOUNT).sum() > 0
    held = np.logical_or.reduce([bodies.contains(body.zone, points, MOUNT) for body in made])
    assert held.all()


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 80), st.integers(0, 10_000), st.floats(0.0001, 0.1))
def test_groups_are_a_partition_that_saves_volume(n: int, seed: int, worth: float) -> None:
    rng = np.random.default_rng(seed)
    low = rng.uniform(-0.5, 0.5, (n, 3))
    high = low + rng.uniform(0.0, 0.05, (n, 3))
    groups = bodies.split(low, high, 0.03, worth)
    np.testing.assert_array_equal(np.sum(groups, axis=0), np.ones(n))
    assert 1 <= len(groups) <= bodies.MOST_BODIES
    total = sum(float(bodies.volume(low[g].min(axis=0), high[g].max(axis=0), 0.03)) for g in groups)
    whole = float(bodies.volume(low.min(axis=0), high.max(axis=0), 0.03))
    assert total <= whole - worth * (len(groups) - 1) + 1e-9 or len(groups) == 1


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 12), st.integers(0, 10_000))
def test_the_best_cut_is_the_best_of_all(n: int, seed: int) -> None:
    """Against trying every plane between two middles, one by one."""
    rng = np.random.default_rng(seed)
    low = rng.uniform(-0.5, 0.5, (n, 3))
    high = low + rng.uniform(0.0, 0.2, (n, 3))
    gain, first = bodies.best_cut(low, high, np.ones(n, bool), 0.03)

    def cost(members: np.ndarray) -> float:
        return float(bodies.volume(low[members].min(axis=0), high[members].max(axis=0), 0.03))

    whole, best = cost(np.ones(n, bool)), 0.0
    for axis, k in itertools.product(range(3), range(n)):
        below = low[:, axis] + high[:, axis] <= low[k, axis] + high[k, axis]
        if not below.all():
            best = max(best, whole - cost(below) - cost(~below))
    assert gain == pytest.approx(best, abs=1e-12)
    if gain > 0.0:
        assert whole - cost(first) - cost(~first) == pytest.approx(gain, abs=1e-12)


def test_nothing_makes_no_bodies() -> None:
    none = np.empty((0, 3))
    assert bodies.split(none, none, 0.03, 0.01) == []


def test_names_are_free() -> None:
    assert bodies.free_name("hull", set()) == "hull"
    assert bodies.free_name("hull", {"hull", "hull 2"}) == "hull 3"
