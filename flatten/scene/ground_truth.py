"""What is true of frames taken on rough ground: returns, and drops by bearing."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from flatten import frames
from flatten.scene.capture import DUST, GHOST, MIXED, OWN_ROBOT, Capture
from flatten.scene.ground import Ground
from flatten.scene.layout import Fan, Mount
from flatten.scene.outdoors import Kind, Outdoors
from flatten.scene.standing import Stance

Values = npt.NDArray[np.float64]

FACE_STEP = 0.02
"""Metres: a bend that falls this much at one place is an edge."""
RUN = 0.4
"""Metres: what falls within so much of an edge belongs to it, as the steps of a stair do."""
LIP = 0.005
"""Metres before and above an edge: where one must look to see its lip."""


class KnownReturns(NamedTuple):
    """What each return of a frame really is; arrays (N,)."""

    kinds: npt.NDArray[np.uint8]
    """`Kind`."""
    heights: Values
    """Metres above the ground right below; of a face, above its foot; negative for ghosts."""
    tops: Values
    """Metres from the ground right below up to the top of the thing; NaN where it is no thing."""


class Drops(NamedTuple):
    """First way down in each bin, metres from the fan's origin; arrays (bins,), inf where there is none."""

    nearest: Values
    """Nearest of the bin's bearings (both edges and the middle)."""
    farthest: Values
    """Farthest of them; inf where not all of them have one."""
    depths: Values
    """How far the ground falls within RUN of the edge, least of the bearings; NaN where there is none."""
    seen: npt.NDArray[np.bool_]
    """Whether nothing stands between the sensor and the lip, at every bearing."""


def known_returns(place: Outdoors, shot: Capture) -> KnownReturns:
    """Say what the returns of a frame are, by their labels and true places."""
    x, y, z = shot.true_world().T
    of_solids = np.append(place.kinds, np.uint8(Kind.MOVER))
    kinds = of_solids[np.clip(shot.labels, 0, len(place.kinds))]
    kinds = np.where(np.isin(shot.labels, (OWN_ROBOT, DUST, MIXED)), Kind.OTHER, kinds)
    kinds = np.where(shot.labels == GHOST, Kind.GHOST, kinds).astype(np.uint8)
    ground = place.ground.height(x, y)
    foot = np.where(kinds == Kind.FACE, place.ground.lowest(x, y), ground)
    tops = np.append(place.tops, np.nan)[np.clip(shot.labels, 0, len(place.tops))]
    return KnownReturns(kinds, z - foot, np.where(shot.labels >= 0, tops - ground, np.nan))


def drops_in_bins(
    place: Outdoors,
    mount: tuple[float, float, float, float, float, float],
    fan: tuple[float, float, int] = Fan(),
    *,
    stance: Stance | None = None,
    deeper: float = 0.2,
    far: float = 15.0,
) -> Drops:
    """Find the first edge in each bin beyond which the ground falls by at least `deeper` metres within RUN.

    The rover has that stance (its own in the place if None) and looks from the fan's origin, (mount.x,
    mount.y, 0) of the level frame; the sensor is where the mount and the leaning body put it.
    """
    cut, held, sits = Fan(*fan), stance or place.stance, Mount(*mount)
    bearings = cut.bearings(2)
    origin = (held.world_from_level @ np.array([sits.x, sits.y, 0.0, 1.0]))[:2]
    world = bearings + held.yaw
    where, depths, lips = _first_drop(place.ground, origin, world, deeper, far)
    eye = (held.world_from_body @ np.array([sits.x, sits.y, sits.z, 1.0]))[:3]
    seen = _sees(place, eye, origin, world, where, lips)
    three = 2 * np.arange(cut.bins)[:, None] + np.arange(3)
    depth = np.where(np.isfinite(where), depths, np.nan)[three]
    none = np.isnan(depth).all(axis=1)
    least = np.where(none, np.nan, np.nanmin(np.where(none[:, None], 0.0, depth), axis=1))
    return Drops(where[three].min(axis=1), where[three].max(axis=1), least, seen[three].all(axis=1))


def profile_along(
    ground: Ground, origin: npt.ArrayLike, bearings: Values, far: float
) -> tuple[Values, Values, Values]:
    """Give the ground along level bearings (B,) from an origin (x, y): distances, heights before and after.

    Distances (B, K) ascend from 0 to `far` and are where the ground may bend or break (and `far` again
    and again, so that all rows are of one length); between two of them it is straight.
    """
    toward = np.stack([np.cos(bearings), np.sin(bearings)], axis=1) @ ground.axes.T
    start = ground.uv(*(np.asarray(part, np.float64) for part in np.asarray(origin, np.float64)))
    found = [np.zeros((len(bearings), 1)), np.full((len(bearings), 1), far)]
    for axis, creases in enumerate(ground.creases):
        with np.errstate(divide="ignore", invalid="ignore"):
            met = (creases - start[axis]) / toward[:, axis : axis + 1]
        found.append(np.where((met > 0.0) & (met < far), met, far))
    s = np.sort(np.concatenate(found, axis=1), axis=1)
    middle = 0.5 * (s[:, 1:] + s[:, :-1])
    u, v = (start[k] + s * toward[:, k : k + 1] for k in (0, 1))
    mu, mv = (start[k] + middle * toward[:, k : k + 1] for k in (0, 1))
    ends = ground.sum_at((u[:, 1:], v[:, 1:]), (mu, mv))  # of each straight part
    begins = ground.sum_at((u[:, :-1], v[:, :-1]), (mu, mv))
    return s, np.concatenate([begins[:, :1], ends], axis=1), np.concatenate([begins, ends[:, -1:]], axis=1)


def _first_drop(
    ground: Ground, origin: Values, bearings: Values, deeper: float, far: float
) -> tuple[Values, Values, Values]:
    """Distance, depth and height of the lip of the first drop along each bearing."""
    s, before, after = profile_along(ground, origin, bearings, far + RUN)
    where, depth, lip = np.full(len(s), np.inf), np.zeros(len(s)), np.zeros(len(s))
    for k in range(1, s.shape[1] - 1):
        falls = (before[:, k] - after[:, k] > FACE_STEP) & (s[:, k] <= far) & np.isinf(where)
        if not falls.any():
            continue
        row, at = s[falls], s[falls, k : k + 1]
        within = (row >= at) & (row <= at + RUN)
        within[:, :k] = False
        low = np.where(within, after[falls], np.inf).min(axis=1)
        within[:, k] = False  # before the edge is the lip itself
        low = np.minimum(low, np.where(within, before[falls], np.inf).min(axis=1))
        low = np.minimum(low, _at_run(row, before[falls], after[falls], at[:, 0] + RUN))
        found = np.flatnonzero(falls)
        gone = before[falls, k] - low
        deep = gone >= deeper
        where[found[deep]], depth[found[deep]] = at[deep, 0], gone[deep]
        lip[found[deep]] = before[found[deep], k]
    return where, depth, lip


def _at_run(s: Values, before: Values, after: Values, at: Values) -> Values:
    """Height of the profile at one distance a row, (R,)."""
    part = np.clip((s <= at[:, None]).sum(axis=1) - 1, 0, s.shape[1] - 2)
    rows = np.arange(len(s))
    width = s[rows, part + 1] - s[rows, part]
    share = np.clip((at - s[rows, part]) / np.where(width > 0.0, width, 1.0), 0.0, 1.0)
    return np.asarray(after[rows, part] + share * (before[rows, part + 1] - after[rows, part]))


def _sees(
    place: Outdoors, eye: Values, origin: Values, bearings: Values, where: Values, lips: Values
) -> npt.NDArray[np.bool_]:
    """Say at which bearings nothing stands between the sensor and the lip of the drop."""
    found = np.isfinite(where)
    reach = np.where(found, where, 1.0) - LIP
    flat = origin + reach[:, None] * np.stack([np.cos(bearings), np.sin(bearings)], axis=1)
    lip = np.column_stack([flat, np.where(found, lips, 0.0) + LIP])
    ways = lip - eye
    blocked = place.raycaster().cast(eye, ways).distances < 1.0 - 1e-3
    return np.asarray(found & ~blocked)


def scan_places(
    points: Values, stance: Stance, mount: tuple[float, float, float, float, float, float]
) -> tuple[Values, Values, Values]:
    """Bearing, range and height of world points (N, 3) in the level frame about the fan's origin."""
    moved = frames.transform(np.eye(3), (mount[0], mount[1], 0.0))
    level = np.linalg.inv(stance.world_from_level @ moved)
    x, y, z = (points @ level[:3, :3].T + level[:3, 3]).T
    return np.arctan2(y, x), np.hypot(x, y), z
