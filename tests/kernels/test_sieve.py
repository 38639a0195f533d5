"""The sieve never holds back a return that matters, and counts what is no return."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from flatten.kernels import sieve, zones
from flatten.kernels.workroom import BLOCK, FLAG, LANES, NO, OWN, PX, PY, PZ, SINGLES, YES
from flatten.plan import Plan, make_plan
from tests.conftest import make_profile
from tests.kernels.compiled import compiled

flag_heights = compiled(sieve.flag_heights)
flag_own = compiled(sieve.flag_own)
in_zone = compiled(zones.in_zone)

ZONES = [
    {"name": "hull", "box": {"x": [-0.5, 0.5], "y": [-0.4, 0.4], "z": [0.0, 0.9]}},
    {"name": "mast", "sector": {"first": 170, "last": -170, "far": 0.6, "z": [0.0, 1.8]}},
    {"name": "lamp", "cylinder": {"x": 1.4, "y": 0.3, "radius": 0.3}},
]
finite = st.floats(allow_nan=False, allow_infinity=False, width=32)
coordinates = st.one_of(
    st.floats(-9, 9, width=32),
    finite,
    st.sampled_from([0.0, -0.0, 1e-45, 3e38, -3e38, np.nan, np.inf, -np.inf]),
)
returns = st.lists(st.tuples(coordinates, coordinates, coordinates), min_size=1, max_size=BLOCK).map(
    lambda rows: np.array(rows, np.float32)
)
angle, place = st.floats(-180, 180), st.floats(-100, 100)
mounts = st.fixed_dictionaries(
    {"x": place, "y": place, "z": place, "roll": angle, "pitch": st.floats(-90, 90), "yaw": angle}
)
attitudes = st.none() | st.tuples(st.floats(-1.5, 1.5), st.floats(-1.5, 1.5))
seeds = st.integers(0, 2**32 - 1)


def workroom(xyz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    work, lanes = np.full(SINGLES, np.nan, np.float32), np.full(LANES, 7, np.int32)
    for row, axis in ((PX, 0), (PY, 1), (PZ, 2)):
        work[row : row + len(xyz)] = xyz[:, axis]
    return work, lanes


def sieved(plan: Plan, attitude: tuple[float, float] | None, xyz: np.ndarray) -> tuple[np.ndarray, int]:
    """Which returns are flagged for their height, and how many are no returns."""
    frame, (work, lanes) = plan.frame(attitude), workroom(xyz)
    middle, half = np.float32(plan.numbers.middle), np.float32(frame.half)
    skipped = flag_heights(len(xyz), frame.matrix, middle, half, work, lanes)
    flags = lanes[FLAG : FLAG + len(xyz)]
    assert np.isin(flags, (NO, YES)).all() and lanes[FLAG + len(xyz)] == 7
    return flags == YES, skipped


@given(returns, mounts, attitudes)
def test_what_is_of_a_height_is_flagged(xyz: np.ndarray, mount: dict, attitude: tuple | None) -> None:
    slices = {"low": {"bottom": -0.7, "top": 0.2}, "high": {"bottom": 1.0, "top": 33.3}}
    plan = make_plan(make_profile(mount=mount, slices=slices))
    flags, skipped = sieved(plan, attitude, xyz)
    good = np.isfinite(xyz).all(axis=1) & (xyz != 0).any(axis=1)
    assert skipped == np.count_nonzero(~good) and not flags[~good].any()
    matrix, exact = plan.frame(attitude).level_from_sensor, xyz[good].astype(np.float64)
    height = exact @ matrix[2, :3] + matrix[2, 3]
    assert flags[good][(height >= -0.7) & (height < 33.3)].all()
    size = np.abs(exact).sum(axis=1)  # where float32 cannot hold it, any height is let through
    beyond = (np.abs(height - 16.3) > 17.01 + 1e-6 * size) & (size < 3e38)
    assert not flags[good][beyond].any()


@given(seeds, mounts, st.floats(-100, 100), st.integers(-9, 4))
def test_returns_on_the_outermost_borders_are_flagged(
    seed: int, mount: dict, bottom: float, power: int
) -> None:
    rng = np.random.default_rng(seed)
    top = bottom + 10.0**power
    if not bottom < top <= 100:
        return
    plan = make_plan(make_profile(mount=mount, slices={"drive": {"bottom": bottom, "top": top}}))
    matrix = plan.standing.level_from_sensor
    level = rng.normal(size=(BLOCK, 3)) * 10.0 ** rng.uniform(-3, 4, (BLOCK, 1))
    level[:, 2] = rng.choice([bottom, top], BLOCK)
    xyz = ((level - matrix[:, 3]) @ matrix[:, :3]).astype(np.float32)
    height = xyz.astype(np.float64) @ matrix[2, :3] + matrix[2, 3]
    flags, _ = sieved(plan, None, xyz)
    assert flags[(height >= bottom) & (height < top)].all()


@given(seeds, mounts, st.floats(-12, 0))
def test_what_is_of_a_zone_is_flagged_as_own(seed: int, mount: dict, power: float) -> None:
    rng = np.random.default_rng(seed)
    plan = make_plan(make_profile(mount=mount, blind_zones=ZONES)).numbers
    low, high = plan.box[:3].clip(-200), plan.box[3:].clip(None, 200)
    on_faces = rng.choice([-0.5, 0.5, -0.4, 0.4, 0.9, 0.0, 1.8, 1.4], (BLOCK, 3))
    body = np.where(rng.random((BLOCK, 3)) < 0.5, on_faces, rng.uniform(low, high, (BLOCK, 3)))
    body += rng.normal(size=(BLOCK, 3)) * 10.0**power
    matrix = plan.body_from_sensor
    xyz = ((body - matrix[:3, 3]) @ matrix[:3, :3]).astype(np.float32)
    exact = xyz.astype(np.float64) @ matrix[:3, :3].T + matrix[:3, 3]
    work, lanes = workroom(xyz)
    lanes[FLAG : FLAG + BLOCK] = NO
    flag_own(BLOCK, plan.body_matrix, plan.box, work, lanes)
    own = lanes[OWN : OWN + BLOCK]
    inside = [any(in_zone(plan.zones, k, *point) for k in range(len(ZONES))) for point in exact.tolist()]
    assert (own[inside] == YES).all() and np.isin(own, (NO, YES)).all()
    np.testing.assert_array_equal(lanes[FLAG : FLAG + BLOCK], own)


def test_no_return_is_own() -> None:
    plan = make_plan(make_profile(mount={}, blind_zones=ZONES)).numbers
    work, lanes = workroom(np.array([[0, 0, 0], [np.nan, 0, 0], [0.1, 0, 0.1], [5, 0, 0]], np.float32))
    lanes[FLAG : FLAG + 4] = NO, NO, NO, YES
    flag_own(4, plan.body_matrix, plan.box, work, lanes)
    assert lanes[OWN : OWN + 4].tolist() == [NO, NO, YES, NO]
    assert lanes[FLAG : FLAG + 4].tolist() == [NO, NO, YES, YES]
