"""Closed forms: where a beam meets simple bodies, without triangles.

An independent check of the ray caster and of the truth. Planar ones take an origin (2,) and
bearings (N,) and return ranges (N,), inf where there is no hit; all float64, metres and radians.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

Values = npt.NDArray[np.float64]


def wall_ranges(
    origin: Sequence[float], bearings: Values, through: Sequence[float], normal: Sequence[float]
) -> Values:
    """Endless wall, a line through a point with a normal: r = (P − O)·n / (d·n)."""
    toward = _unit(bearings) @ np.asarray(normal, np.float64)
    gap = float(np.dot(np.subtract(through, origin), normal))
    ranges = np.full(len(bearings), np.inf)
    np.divide(gap, toward, out=ranges, where=toward != 0.0)
    return np.where(ranges > 0.0, ranges, np.inf)


def stretch_ranges(
    origin: Sequence[float], bearings: Values, start: Sequence[float], end: Sequence[float]
) -> Values:
    """Wall from start to end: the endless one, kept where the hit lies between the two."""
    along = np.subtract(end, start).astype(np.float64)
    ranges = wall_ranges(origin, bearings, start, (-along[1], along[0]))
    hits = np.asarray(origin) + np.where(np.isfinite(ranges), ranges, 0.0)[:, None] * _unit(bearings)
    part = (hits - np.asarray(start)) @ along / float(along @ along)
    return np.where((part >= 0.0) & (part <= 1.0), ranges, np.inf)


def post_ranges(origin: Sequence[float], bearings: Values, centre: Sequence[float], radius: float) -> Values:
    """Round post: f = O − C, a = d·d, b = 2 f·d, c = f·f − r²; the nearer root of a t² + b t + c."""
    f = np.subtract(origin, centre).astype(np.float64)
    return _nearer_root(
        np.ones(len(bearings)), 2.0 * (_unit(bearings) @ f), np.full(len(bearings), f @ f - radius**2)
    )


def box_ranges(
    origin: Sequence[float], bearings: Values, centre: Sequence[float], size: Sequence[float], yaw: float
) -> Values:
    """Upright box seen from outside: the latest entry into, before the first exit from, its two slabs."""
    c, s = math.cos(yaw), math.sin(yaw)
    box_from_world = np.array([[c, s], [-s, c]])
    start = box_from_world @ np.subtract(origin, centre)
    toward = _unit(bearings) @ box_from_world.T
    half = 0.5 * np.asarray(size, np.float64)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        one, two = (-half - start) / toward, (half - start) / toward
    enter = np.nanmax(np.minimum(one, two), axis=1)
    leave = np.nanmin(np.maximum(one, two), axis=1)
    return np.where((enter <= leave) & (enter > 0.0), enter, np.inf)


def cylinder_distances(
    origin: Sequence[float], directions: Values, start: Sequence[float], end: Sequence[float], radius: float
) -> Values:
    """Meet a closed round bar from outside along unit directions (N, 3): distances (N,)."""
    length = math.dist(start, end)
    axis = np.subtract(end, start) / length
    f = np.subtract(origin, start).astype(np.float64)
    along, at = directions @ axis, float(f @ axis)
    flat, foot = directions - np.outer(along, axis), f - at * axis
    a = np.einsum("ij,ij->i", flat, flat)
    side = _nearer_root(a, 2.0 * (flat @ foot), np.full(len(a), foot @ foot - radius**2))
    part = at + np.where(np.isfinite(side), side, 0.0) * along
    best = np.where((part >= 0.0) & (part <= length), side, np.inf)
    for disc in (0.0, length):
        reach = np.full(len(a), np.inf)
        np.divide(disc - at, along, out=reach, where=along != 0.0)
        off = foot + np.where(np.isfinite(reach), reach, 0.0)[:, None] * flat
        inside = (np.linalg.norm(off, axis=1) <= radius) & (reach > 0.0)
        best = np.where(inside, np.minimum(best, reach), best)
    return best


def floor_distances(height: float, directions: Values) -> Values:
    """Level floor `height` below the origin, along unit directions (N, 3): h / −d_z."""
    down = -directions[:, 2]
    distances = np.full(len(down), np.inf)
    np.divide(height, down, out=distances, where=down > 0.0)
    return distances


def _unit(bearings: Values) -> Values:
    return np.stack([np.cos(bearings), np.sin(bearings)], axis=1)


def _nearer_root(a: Values, b: Values, c: Values) -> Values:
    disc = b * b - 4.0 * a * c
    root = np.full(len(a), np.inf)
    np.divide(-b - np.sqrt(np.maximum(disc, 0.0)), 2.0 * a, out=root, where=(disc >= 0.0) & (a > 0.0))
    return np.where(root > 0.0, root, np.inf)
