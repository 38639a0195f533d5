"""What is wrong with the order of poses: stamps that go back or come twice, gaps, jumps.

What can be told is told; nothing is smoothed. A row that is not later than all before it is left out.
A step that is a gap or a jump is torn: nobody reads a pose within it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

Numbers = npt.NDArray[np.float64]
Times = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

GAP_STEPS = 5.0
"""A step is a gap from so many times the usual (median) step on …"""
GAP_SECONDS = 0.25
"""… if it lasts so long at least: a robot of 1 m/s is a quarter of a metre further then."""
JUMP_TIMES = 4.0
"""A step is a jump from so many times the usual greatest speed (95 of 100 steps) on …"""
JUMP_SPEED, JUMP_TURN = 3.0, 2.0
"""… if that is as fast at least, m/s and rad/s, …"""
JUMP_METRES, JUMP_RADIANS = 0.05, 0.035
"""… and goes as far at least: below lies what filters of odometry do all the time. No source: practice."""


def put_in_order(times: Times, poses: Numbers) -> tuple[Flags, list[str]]:
    """Which rows (m,) are later than all before them, and in words what the others are.

    Of rows with one time the first counts. (A clock that was set back leaves out all until it has caught
    up.)
    """
    latest = np.maximum.accumulate(times)
    kept = np.ones(times.size, bool)
    kept[1:] = times[1:] > latest[:-1]
    twice = ~kept
    twice[1:] &= times[1:] == latest[:-1]
    back = ~kept & ~twice
    faults = []
    if twice.any():
        # the row that counts for each time is the first one with it
        first = np.searchsorted(latest, times[twice])
        same = np.array_equal(poses[first], poses[twice])
        what = "with the same pose" if same else "some with another pose; the first counts"
        faults.append(f"{int(twice.sum())} stamps come twice, {what}: from {_at(times, twice, 0)} on")
    if back.any():
        worst = int((latest - times)[back].max())
        faults.append(
            f"time runs backward: {int(back.sum())} poses are up to {worst / 1e9:.3g} s older than "
            f"one before them and are left out, the first at {_at(times, back, 0)}"
        )
    return kept, faults


def torn_steps(times: Times, poses: Numbers) -> tuple[Flags, list[str]]:
    """Which steps (n − 1,) are gaps or jumps, and what they are in words."""
    if times.size < 2:
        return np.zeros(0, bool), []
    steps = np.diff(times) / 1e9
    usual = float(np.median(steps))
    gaps = steps > max(GAP_STEPS * usual, GAP_SECONDS)
    far = np.linalg.norm(np.diff(poses[:, :3], axis=0), axis=1)
    turn = turns(poses)
    jumps = ~gaps & (
        ((far > JUMP_METRES) & (far / steps > _fastest(far / steps, JUMP_SPEED)))
        | ((turn > JUMP_RADIANS) & (turn / steps > _fastest(turn / steps, JUMP_TURN)))
    )
    faults = []
    if gaps.any():
        faults.append(
            f"{_times(int(gaps.sum()), 'gap')} without poses, {steps[gaps].sum():.3g} s in all, the longest "
            f"{steps[gaps].max():.3g} s (usual step {usual:.3g} s), the first at {_at(times, gaps, 0)}"
        )
    if jumps.any():
        k = int(np.argmax(np.where(jumps, far, -1.0)))
        faults.append(
            f"{_times(int(jumps.sum()), 'jump')} of the poses, the farthest {far[k]:.3g} m and "
            f"{np.degrees(turn[k]):.3g}° in {steps[k]:.3g} s, the first at {_at(times, jumps, 0)}"
        )
    return gaps | jumps, faults


def turns(poses: Numbers) -> Numbers:
    """Angles (n − 1,), radians, from each pose (n, 7) to the next."""
    one, other = poses[:-1, 3:], poses[1:, 3:]
    other = np.where((one * other).sum(axis=1, keepdims=True) < 0, -other, other)
    less, more = np.linalg.norm(one - other, axis=1), np.linalg.norm(one + other, axis=1)
    angles: Numbers = 4.0 * np.arctan2(less, more)
    return angles


def _fastest(speeds: Numbers, floor: float) -> float:
    return max(JUMP_TIMES * float(np.percentile(speeds, 95)), floor)


def _at(times: Times, which: Any, k: int) -> str:
    """The time of the k-th marked row in seconds after the first row."""
    return f"{(int(times[np.flatnonzero(which)[k]]) - int(times[0])) / 1e9:.3f} s"


def _times(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"
