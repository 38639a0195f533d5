"""Where the knots lie, and how far the parabolas between them are off: against SciPy's slerp, in float64."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from flatten import frames, knots
from flatten.kernels.instants import TICKS
from flatten.motion import Motion
from tests.rigid import Way, shaking

MOUNT = frames.body_from_sensor(0.34, -0.09, 0.61, 0.02, 0.2, -0.3)


def turning(angles: list[float]) -> tuple[Any, Any]:
    """Poses every 0.04 s that turn by these angles about one slanting axis."""
    turned = Rotation.from_rotvec(np.cumsum([0.0, *angles])[:, None] * np.array([0.6, 0.0, 0.8]))
    times = 0.04 * np.arange(len(angles) + 1)
    return times, np.hstack([np.random.default_rng(3).normal(size=(times.size, 3)), turned.as_quat()])


@pytest.mark.parametrize("angles", [[0.05, 0.0], [0.3, 0.3], [0.6, -0.6], [2.9, -2.9], [0.008, 0.0081]])
def test_the_parabolas_are_off_by_less_than_a_micrometre_at_100_m(angles: list[float]) -> None:
    times, poses = turning(angles)
    last = float(times[-1])
    way, ticks = Way(times, poses), knots.knot_ticks(Motion(times, poses), 0.0, last)
    edges = np.append(ticks, TICKS) * (last / TICKS)
    now = way.matrices(np.array([last]))[0]

    def change(t: Any) -> Any:
        return knots.sensor_change(way.matrices(np.minimum(t, last)), now, MOUNT)

    fitted = knots.fit_parabolas(change(edges), change(0.5 * (edges[:-1] + edges[1:])))
    worst = 0.0
    for s in np.linspace(0, 1, 41):
        found = fitted[:, 0] + s * (fitted[:, 1] + s * fitted[:, 2])
        off = (found - change(edges[:-1] + s * np.diff(edges))).reshape(-1, 4, 4)[:, :3, :3]
        worst = max(worst, float(np.linalg.norm(off, ord=2, axis=(1, 2)).max()))
    bound = knots.TURN**3 * math.sqrt(3) / 216
    at_poses = abs(angles[1] - angles[0]) / 0.04 * last / TICKS / 2
    assert 100.0 * worst < 1e-6
    assert worst <= bound + at_poses + 1e-15
    if min(np.abs(angles)) > 0.1:
        assert worst > 0.9 * bound  # no looser than it has to be


@given(st.integers(0, 10**6), st.integers(2, 9), st.floats(0, 1.5), st.floats(0, 1), st.floats(0, 1))
def test_knots_stand_at_every_pose_and_near_each_other(
    seed: int, k: int, turn: float, a: float, b: float
) -> None:
    times, poses = shaking(np.random.default_rng(seed), k, turn)
    motion = Motion(times, poses)
    first, last = sorted((a * times[-1], b * times[-1]))
    table, now = knots.make_knots(motion, first, last, last, MOUNT)
    starts = table.starts[:-1].astype(np.int64)
    assert starts[0] == 0 and (np.diff(starts) > 0).all() and table.starts[-1] > TICKS
    assert len(table.parabolas) == len(table.inverses) == len(starts)
    np.testing.assert_array_equal(now, motion.matrices(np.array([last]))[0])
    if last - first > 1e-3:
        seconds = first + np.append(starts, TICKS) * ((last - first) / TICKS)
        for inner in times[(times > first) & (times < last)]:
            assert np.abs(seconds - inner).min() <= (last - first) / TICKS
        between = np.searchsorted(times, 0.5 * (seconds[:-1] + seconds[1:]), "right") - 1
        rate = motion.angles[between] / np.diff(times)[between]
        assert (rate * np.diff(seconds) <= knots.TURN * (1 + 1e-6) + 1e-9).all()
    # from the cell on, the knot before a tick is found by going forward only, and not far
    cells = np.arange(len(table.cells), dtype=np.int64) << table.shift
    assert (starts[table.cells] <= cells).all()
    assert len(table.cells) > min(4 * len(starts), 2**knots.MOST_BITS)


def test_what_does_not_move_is_exactly_nothing() -> None:
    pose = np.eye(4)
    pose[:3, :3] = Rotation.from_rotvec([0.3, -0.4, 1.9]).as_matrix()
    pose[:3, 3] = 4e6, -7e6, 123.4  # an odom in some grid's coordinates
    table, _ = knots.make_knots(Motion([0.0, 0.3, 1.0], [pose] * 3), 0.1, 0.9, 0.9, MOUNT)
    assert not table.parabolas.any() and len(table.inverses) == 2
