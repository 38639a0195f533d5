"""The fitted floor's parts: the band solver against SciPy, the surface against a dense solution, bounds."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import solveh_banded

from flatten.floor import rings_to, surface_of
from flatten.kernels import limits, surface
from flatten.kernels.groups import Rules
from flatten.kernels.surface import DAMPED, DIAGONAL, FIRST, RIGHT, SECOND
from flatten.kernels.survey import SECTORS
from tests.kernels.compiled import compiled

solve = compiled(surface.solve)
relax = compiled(surface.relax)
spread_bound = compiled(limits.spread_bound)
RINGS = rings_to(16.0)
K = len(RINGS.middles)
RULES = Rules(0.06, 0.364, 0.15, 16.0, 0.4, -0.4, -0.6, 0.6)


def test_the_bands_are_solved_as_scipy_solves_them() -> None:
    """Positive definite bands of five, all sectors at once (scipy.linalg.solveh_banded, lower form)."""
    rng = np.random.default_rng(1)
    room = surface_of(K)
    room.room[FIRST] = rng.uniform(-1.0, 1.0, (K, SECTORS))
    room.room[SECOND] = rng.uniform(-1.0, 1.0, (K, SECTORS))
    room.room[DIAGONAL] = rng.uniform(4.5, 9.0, (K, SECTORS))  # more than all beside it: positive definite
    room.room[RIGHT] = rng.uniform(-1.0, 1.0, (K, SECTORS))
    room.height[:] = rng.uniform(-1.0, 1.0, (K, SECTORS))
    before, bands = room.height.copy(), room.room.copy()
    solve(RINGS, room)
    for s in range(0, SECTORS, 7):
        lower = np.stack([bands[row, :, s] for row in (DIAGONAL, FIRST, SECOND)])
        x = solveh_banded(lower, bands[RIGHT, :, s], lower=True)
        # float64, conditioned by less than 10
        np.testing.assert_allclose(room.height[:, s], before[:, s] + DAMPED * (x - before[:, s]), atol=1e-14)


@pytest.mark.parametrize("slope", [0.0, 0.1, -0.3])
def test_a_plane_is_left_as_it_is(slope: float) -> None:
    """It bends nowhere, and lies where returns want it: nothing pulls."""
    room = surface_of(K)
    turn = (np.arange(SECTORS) + 0.5) * (2.0 * np.pi / SECTORS) - np.pi
    plane = slope * RINGS.middles[:, None] * np.cos(turn)
    room.height[:], room.target[:], room.weight[:] = plane, plane, 1.0 / 0.015**2
    relax(3, RULES, RINGS, room)
    # straight outward exactly; to the sides the chord of two neighbours lies 1 − cos 4° nearer the axis
    np.testing.assert_allclose(room.height, plane, atol=0.0025 * abs(slope) * RINGS.middles[-1] + 1e-12)
    middle = slice(1, K - 1)
    outward = np.broadcast_to(slope * np.cos(turn), room.outward.shape)[middle]
    np.testing.assert_allclose(room.outward[middle], outward, atol=0.0025 * abs(slope) * 4 + 1e-12)


def test_what_is_pulled_at_once_gives_way_and_the_rest_follows_by_half() -> None:
    """One ring wanted 10 cm up by all sectors: it goes there, its neighbours less and less."""
    room = surface_of(K)
    room.weight[:] = 1.0
    room.weight[20], room.target[20] = 1.0 / 0.005**2, 0.1
    relax(20, RULES, RINGS, room)
    assert np.ptp(room.height, axis=1).max() < 1e-9  # all sectors alike
    assert room.height[20, 0] == pytest.approx(0.1, abs=0.02)
    assert np.all(np.diff(room.height[14:21, 0]) > 0.0)
    assert abs(room.height[2, 0]) < 0.02


def test_a_bound_rises_by_the_slope_and_no_more() -> None:
    """From one cell that is known: slope times the way, by the rings and around."""
    room = surface_of(K)
    bound = np.full((K, SECTORS), 1e3)
    bound[10, 30] = 0.0
    spread_bound(RINGS, 0.3, bound, room)
    d = RINGS.middles - RINGS.middles[10]
    np.testing.assert_allclose(bound[11:, 30], 0.3 * d[11:], rtol=1e-12)  # straight outward
    straight = place(np.arange(K)[:, None], np.arange(SECTORS)) - place(10, 30)[:, None, None]
    shortest = 0.3 * np.hypot(straight[0], straight[1])
    # chords are shorter than arcs: no bound is lower than floor can rise, but for what a step aslant saves,
    # √(d² + w²) with w at the outer ring for both (less than a sector's width, a step)
    slack = 0.3 * 0.5 * (2.0 * np.pi / SECTORS) * RINGS.middles[:, None]
    assert np.all(bound >= shortest - slack - 1e-9)
    beside = slice(28, 33)  # it is handed on by three sectors a ring
    assert np.all(bound[11:, beside] <= shortest[11:, beside] + slack[11:])


def place(k: object, s: object) -> np.ndarray:
    """Where the middle of a cell lies, (2, …)."""
    turn = (np.asarray(s) + 0.5) * (2.0 * np.pi / SECTORS)
    r = RINGS.middles[np.asarray(k)]
    return np.stack(np.broadcast_arrays(r * np.cos(turn), r * np.sin(turn)))


def test_what_lies_behind_a_way_down_bounds_nothing_before_it() -> None:
    room = surface_of(K)
    room.room[limits.BEHIND, 20:] = 1.0  # one way down before ring 20, all round
    bound = np.full((K, SECTORS), 1e3)
    bound[20:] = -0.5
    spread_bound(RINGS, 0.3, bound, room)
    assert bound[:20].min() >= 900.0
