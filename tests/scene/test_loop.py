"""The drive around the houses: its way, and its plan in closed form against the ray caster."""

from __future__ import annotations

import math

import numpy as np

from flatten.scene import loop


def test_the_way_is_smooth_closed_and_400_m_long() -> None:
    times = np.linspace(0.0, loop.AROUND / 1.5, 20_001)
    poses = loop.LoopDrive(1.5).at(times)
    steps = np.diff(poses[:, :2], axis=0)
    lengths = np.hypot(*steps.T)
    assert abs(loop.AROUND - 400.0) < 0.01 and abs(lengths.sum() - loop.AROUND) < 1e-3
    np.testing.assert_allclose(lengths, loop.AROUND / 20_000, rtol=1e-5)  # an even speed, chords for arcs
    heading = np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))
    np.testing.assert_allclose(heading, 0.5 * (poses[1:, 5] + poses[:-1, 5]), atol=2e-3)  # half a step
    np.testing.assert_allclose(poses[-1], poses[0] + [0, 0, 0, 0, 0, 2.0 * math.pi], atol=1e-6)
    assert not poses[:, 2:5].any()


def test_the_plan_is_that_of_the_triangles() -> None:
    """Level beams end on outlines, and a hair farther on is solid: Open3D against rectangles and circles."""
    place = loop.nursery_loop()
    solids = loop.solids_between(place, 0.2, 1.0)
    rng = np.random.default_rng(0)
    outline = loop.outlines(solids, 0.02)
    for pose in loop.LoopDrive().at(rng.uniform(0.0, 260.0, 6)):
        turns = rng.uniform(-math.pi, math.pi, 60)
        along = np.stack([np.cos(turns), np.sin(turns), np.zeros(60)], axis=1)
        start = np.array([pose[0], pose[1], 0.3])
        hits = place.raycaster().cast(start, along)
        ends = start + hits.distances[:, None] * along
        assert not loop.is_solid(solids, (ends - 1e-3 * along)[:, :2]).any()
        # round posts are cut into flats, 0.05 mm within the circle
        slanting = hits.cosines > 0.2
        assert loop.is_solid(solids, (ends + 1e-3 * along)[slanting, :2]).all()
        off = np.linalg.norm(ends[:, None, :2] - outline[None], axis=2).min(axis=1)
        assert off.max() < 0.011  # half of the points' distance, and the flats


def test_slices_take_what_reaches_into_them() -> None:
    place = loop.nursery_loop()
    low, high = loop.solids_between(place, 0.1, 0.3), loop.solids_between(place, 1.6, 2.0)
    names = {solid.name for solid in low} - {solid.name for solid in high}
    assert names and all(name.startswith("crates") for name in names)
    assert not loop.solids_between(place, 3.0, 4.0)
