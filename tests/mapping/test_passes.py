"""Looks at one place laid over each other: known shifts are found; what cannot be told is said to be so."""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest

from flatten.mapping import Beams
from flatten.mapping import passes as module
from flatten.mapping.alignment import HALF, align
from flatten.mapping.passes import LOOP, SAME_PLACE, Passes, agreement

MIDDLE = (3.0, -2.0)


def place(rng: np.random.Generator, noise: float = 0.02) -> np.ndarray:
    """Two walls that meet, and posts in a row: hits (N, 2) about MIDDLE."""
    wall = np.stack([np.linspace(-10, 10, 400), np.full(400, 3.0)], axis=1)
    other = np.stack([np.full(200, 6.0), np.linspace(-8, 3, 200)], axis=1)
    turns = np.linspace(0, 6, 6)
    posts = [[x + 0.05 * math.cos(a), -4 + 0.05 * math.sin(a)] for x in range(-8, 8, 3) for a in turns]
    hits = np.concatenate([wall, other, np.array(posts)]) + MIDDLE
    return hits + rng.normal(0.0, noise, hits.shape)


@pytest.mark.parametrize(
    ("shift", "degrees"), [((0.0, 0.0), 0.0), ((0.33, -0.21), 0.0), ((-0.5, 0.2), 1.3), ((0.9, 0.9), -2.0)]
)
def test_a_known_shift_is_found(shift: tuple[float, float], degrees: float) -> None:
    """3 cm and a third of a degree, as the module says; 2 cm of noise."""
    rng = np.random.default_rng(0)
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    back = np.array([[c, -s], [s, c]])  # rows times this: turned clockwise by the angle
    second = (place(rng) - shift - MIDDLE) @ back + MIDDLE
    fit = align(place(rng), second, MIDDLE)
    assert fit is not None and not fit.slides
    np.testing.assert_allclose(fit.shift, shift, atol=0.03)
    assert abs(math.degrees(fit.turn) - degrees) < 0.34


def test_along_a_straight_way_nothing_is_told_of_that_direction() -> None:
    line = np.linspace(-14.0, 14.0, 900)
    walls = np.concatenate([np.stack([line, np.full(900, side)], axis=1) for side in (-2.0, 2.0)])
    fit = align(walls, walls + np.array([0.4, 0.3]), (0.0, 0.0))
    assert fit is not None and fit.slides
    np.testing.assert_allclose(fit.shift, (0.0, -0.3), atol=0.03)


def test_looks_that_have_nothing_in_common_do_not_fit() -> None:
    rng = np.random.default_rng(1)
    assert align(place(rng), rng.uniform(-HALF, HALF, (400, 2)) + MIDDLE, MIDDLE) is None
    assert align(place(rng), np.empty((0, 2)), MIDDLE) is None
    assert align(place(rng), place(rng) + 100.0, MIDDLE) is None


def test_agreement_by_hand() -> None:
    one = np.array([[1.05, 0.05], [2.05, 0.05], [3.05, 0.05]])
    near = one + np.array([0.1, -0.1])  # a cell aside
    assert agreement(one, near, (0.0, 0.0), (1.0, 0.0)) == 1.0
    assert agreement(one, near[:1], (0.0, 0.0), (1.0, 0.0)) == pytest.approx(2 / 4)
    far = one + np.array([50.0, 0.0])  # out of view: it counts on neither side
    assert agreement(one, np.concatenate([near, far]), (0.0, 0.0), (1.0, 0.0)) == 1.0
    assert math.isnan(agreement(far, far, (0.0, 0.0), (0.0, 0.0)))


def scan(x: float, y: float, yaw: float, time: int, off: tuple[float, float] = (0.0, 0.0)) -> Beams:
    """What a sensor at (x, y) sees of a ring with corners about the origin; its pose is told off by `off`."""
    bearings = np.linspace(-math.pi, math.pi, 720, endpoint=False)
    along = np.stack([np.cos(bearings + yaw), np.sin(bearings + yaw)], axis=1)
    low, high = np.array([-12.0, -9.0]), np.array([13.0, 8.0])
    with np.errstate(divide="ignore"):
        ends = np.maximum((low - (x, y)) / along, (high - (x, y)) / along)
    hits = ends.min(axis=1)
    none = np.zeros(720)
    return Beams(time, (x + off[0], y + off[1], yaw), bearings, hits, none, none)


@functools.cache
def circle(turns: float, drift: float) -> Passes:
    """Drive around in a circle of 5 m, odometry being off eastward by `drift` times the way."""
    kept = Passes()
    for k in range(int(turns * 120)):
        turn = k * 2.0 * math.pi / 120
        way = 5.0 * turn
        x, y = 5.0 * math.sin(turn), -5.0 * math.cos(turn)
        kept.add(scan(x, y, turn, k, (drift * way, 0.0)))
    return kept


def test_a_closing_error_is_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_PAIRS", 4)
    exact, off = circle(1.3, 0.0), circle(1.3, 0.01)
    for kept, expected in ((exact, 0.0), (off, 0.01 * 2.0 * math.pi * 5.0)):
        closings = kept.closings()
        assert closings
        lengths = [closing.fit.length for closing in closings if closing.fit is not None]
        # a place is seen again after 30 to 32 m of a circle of 31.4 m, and looks are 8 m long
        assert abs(np.median(lengths) - expected) < 0.05
        assert all(second.second - second.first > 60 for second in closings)
    agreed = [np.mean([c.agreement for c in kept.closings()]) for kept in (exact, off)]
    assert agreed[0] > 0.95 > agreed[1]
    assert math.isclose(exact.travelled, 5.0 * 1.3 * 2 * math.pi, rel_tol=0.02)


def test_a_place_that_is_not_left_is_not_seen_again() -> None:
    kept = circle(0.3, 0.0)
    assert kept.closings() == [] and LOOP > 5.0 * 0.3 * 2 * math.pi > SAME_PLACE
    assert Passes().closings() == [] and Passes().steps() == []


def test_scans_that_follow_each_other_show_poses_that_disagree(monkeypatch: pytest.MonkeyPatch) -> None:
    """A heading told by the wrong sign: every scan a metre later is turned away."""
    right, wrong = Passes(), Passes()
    for k in range(40):
        turn = k * 2.0 * math.pi / 120
        one = scan(5.0 * math.sin(turn), -5.0 * math.cos(turn), turn, k)
        right.add(one)
        wrong.add(one._replace(place=(one.place[0], one.place[1], 0.9 * turn)))
    monkeypatch.setattr(module, "MOST_PAIRS", 3)
    steps = [[abs(fit.turn) for fit in kept.steps()] for kept in (right, wrong)]
    assert np.median(steps[0]) < module.DISAGREE_TURN < np.median(steps[1])


def test_a_robot_that_stands_keeps_one_scan_and_memory_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    kept = Passes()
    for k in range(50):
        kept.add(scan(0.0, 0.0, 0.0, k))
    assert len(kept) == 1
    monkeypatch.setattr(module, "MOST_HITS", 20_000)
    thinned = circle.__wrapped__(1.0, 0.0)
    held = sum(len(hits) for hits in thinned._hits)
    assert held <= 20_000 and len(thinned) >= 10
    assert np.ptp(thinned.path[:, 0]) > 8.0  # still from all of the way
