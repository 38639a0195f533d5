"""A slow twin of the kernels: NumPy, float64, brute force, written from the rules and not from the kernels.

It says for a cloud and a profile what every bin must say, and which bins are touched by a return so
near to a gate (bin edge, slice, reach, zone face, drop) that rounding may decide either way: within
4 units in the last place of float32.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from flatten.profile import Profile
from flatten.scan import State

ULPS = 4 * 2.0**-23  # four float32 units in the last place, relative
CELLS = 256  # the documented resolution of the witnessed stretch: the reach in 256 cells


@dataclass
class TwinScan:
    """What the twin says of one slice."""

    states: np.ndarray
    ranges: np.ndarray
    heights: np.ndarray
    hits: np.ndarray
    clear_from: np.ndarray
    clear_to: np.ndarray
    unsure: np.ndarray = field(repr=False)


def rotation(roll: float, pitch: float, yaw: float) -> np.ndarray:
    """Fixed-axis roll, pitch, yaw (REP 103), written out element by element."""
    cr, sr, cp, sp, cy, sy = (f(a) for a in (roll, pitch, yaw) for f in (math.cos, math.sin))
    return np.array([
        [cy * cp, cy * sp * sr - sy * cr, cy * sp * cr + sy * sr],
        [sy * cp, sy * sp * sr + cy * cr, sy * sp * cr - cy * sr],
        [-sp, cp * sr, cp * cr],
    ])  # fmt: skip


def place(xyz: np.ndarray, profile: Profile, attitude) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Body coordinates, level coordinates about the fan's origin, and the sensor's place there."""
    m = profile.mount
    mount = np.array([m.x, m.y, m.z])
    body = xyz @ rotation(*np.radians([m.roll, m.pitch, m.yaw])).T + mount
    turn = rotation(*attitude, 0.0) if attitude is not None and profile.level == "gravity" else np.eye(3)
    origin = np.array([m.x, m.y, 0.0])
    return body, body @ turn.T - origin, turn @ mount - origin


def in_zones(body: np.ndarray, profile: Profile, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Whether each return lies in a blind zone, and whether it lies too near a face to say."""
    inside, unsure = np.zeros(len(body), bool), np.zeros(len(body), bool)
    x, y, z = body.T
    slack = ULPS * (np.abs(body).max(axis=1, initial=1.0) + reach)
    for zone in profile.blind_zones:
        part = zone.box or zone.cylinder or zone.sector
        if zone.box:
            inside_by = np.minimum.reduce([x - part.x[0], part.x[1] - x, y - part.y[0], part.y[1] - y])
        elif zone.cylinder:
            inside_by = part.radius - np.hypot(x - part.x, y - part.y)
        else:
            px, py = x - profile.mount.x, y - profile.mount.y
            width = (part.last - part.first) % 360.0 or 360.0
            along = (np.degrees(np.arctan2(py, px)) - part.first) % 360.0
            by_angle = np.where(
                along <= width, np.minimum(along, width - along), -np.minimum(along - width, 360 - along)
            )
            distance = np.hypot(px, py)
            by_angle = (
                np.full(len(x), np.inf)
                if width == 360.0
                else np.radians(by_angle) * np.maximum(distance, 1e-6)
            )
            inside_by = np.minimum.reduce([by_angle, part.far - distance, distance - part.near])
        if part.z is not None:
            inside_by = np.minimum.reduce([inside_by, z - part.z[0], part.z[1] - z])
        inside |= inside_by >= 0
        unsure |= np.abs(inside_by) <= slack
    return inside, unsure


def bins_of(level: np.ndarray, profile: Profile) -> tuple[np.ndarray, np.ndarray]:
    """Bin of each return (−1 outside the fan), and whether its bearing is within 4 ulp of an edge."""
    fan = profile.fan
    bearing = np.degrees(np.arctan2(level[:, 1], level[:, 0]))
    beyond = (bearing - fan.first) % 360.0
    step = (fan.last - fan.first) / fan.bins
    exact = beyond / step
    bins = np.floor(exact).astype(np.int64)
    if fan.last - fan.first == 360.0:
        bins = bins % fan.bins
    bins[(bins < 0) | (bins >= fan.bins)] = -1
    from_edge = np.abs(exact - np.round(exact)) * step
    return bins, from_edge <= ULPS * 360.0


def accepted(r: np.ndarray, bins: np.ndarray, band, n_bins: int, full: bool) -> tuple[np.ndarray, np.ndarray]:
    """The min_hits rule, by comparing every return with every other; and where rounding may decide."""
    ok, unsure = np.zeros(len(r), bool), np.zeros(len(r), bool)
    for i in range(len(r)):
        apart = np.abs(bins - bins[i])
        beside = (apart <= 1) | (full & (apart >= n_bins - 1))
        beyond = r - r[i]
        others = (beside & (beyond >= ULPS * r[i]) & (beyond <= band.within - ULPS * r[i])).sum()
        maybe = (beside & (beyond >= -ULPS * r[i]) & (beyond <= band.within + ULPS * r[i])).sum()
        ok[i] = (beside & (r >= r[i]) & (r <= r[i] + band.within)).sum() >= band.min_hits
        unsure[i] = (others + 1 >= band.min_hits) != (maybe >= band.min_hits)
    return ok, unsure


def witnessed_cells(level, bins, good, sensor, band, profile, samples: int = 3) -> np.ndarray:
    """(bins, CELLS): whether some one beam passes all of a cell of a bin between the two heights.

    Looks at `samples` distances in each cell; with the sensor above the fan's origin everything is
    linear in the distance, so that the two ends of a cell decide.
    """
    fan, clear = profile.fan, profile.clear
    cell = profile.reach.far / CELLS
    seen = np.zeros((fan.bins, CELLS), bool)
    if clear is None:
        return seen
    at = (np.arange(CELLS)[:, None] + np.linspace(0, 1, samples)[None, :]) * cell
    for end, b in zip(level[good & (bins >= 0)], bins[good & (bins >= 0)], strict=True):
        d = end - sensor
        a, half, c = (
            d[0] ** 2 + d[1] ** 2,
            sensor[0] * d[0] + sensor[1] * d[1],
            sensor[0] ** 2 + sensor[1] ** 2,
        )
        if a < 1e-12 or a > 1e12:
            continue
        under = half * half - a * (c - at**2)  # |sensor + t d|² = r², outward branch
        t = (-half + np.sqrt(np.maximum(under, 0.0))) / a
        z = sensor[2] + t * d[2]
        low = band.bottom + band.rise * at
        ok = (
            (under >= 0)
            & (t >= 0)
            & (t <= 1)
            & (z >= low)
            & (z <= np.minimum(band.top, low + clear.smallest))
        )
        if end[2] < -profile.robot.drop:
            ok &= t <= (sensor[2] / (sensor[2] - end[2]) if sensor[2] > 0 else -1.0)
        if c == 0.0:
            seen[b] |= ok.all(axis=1)
            continue
        where, _ = bins_of(
            np.stack([sensor[0] + t * d[0], sensor[1] + t * d[1]], axis=-1).reshape(-1, 2), profile
        )
        where = where.reshape(t.shape)
        for k in np.flatnonzero(ok.all(axis=1) & (where == where[:, :1]).all(axis=1) & (where[:, 0] >= 0)):
            seen[where[k, 0], k] = True
    return seen


def first_run(cells: np.ndarray, cell: float, end: float) -> tuple[float, float]:
    """Begin and end of the first unbroken run, ended by the nearest return of the slice."""
    where = np.flatnonzero(cells)
    if len(where) == 0:
        return 0.0, 0.0
    stop = where[0] + np.argmin(np.append(cells[where[0] :], False))
    a, z = where[0] * cell, min(stop * cell, end)
    return (a, z) if z > a else (0.0, 0.0)


def twin(xyz: np.ndarray, profile: Profile, attitude=None, samples: int = 3) -> dict[str, TwinScan]:
    """What every bin of every slice must say."""
    xyz = np.asarray(xyz, np.float64).reshape(-1, np.shape(xyz)[-1])[:, :3]
    reach = profile.reach
    xyz = xyz[np.isfinite(xyz).all(axis=1) & (xyz != 0).any(axis=1)]
    body, level, sensor = place(xyz, profile, attitude)
    at_apex = np.hypot(level[:, 0], level[:, 1]) < 1e-6  # no bearing to speak of: any bin may have it
    swallowed, near_face = in_zones(body, profile, reach.far)
    bins, near_edge = bins_of(level, profile)
    r = np.hypot(level[:, 0], level[:, 1])
    scale = ULPS * np.maximum(np.abs(level).max(axis=1, initial=0.0), 1.0)
    dropped = level[:, 2] < -profile.robot.drop
    near_gate = near_face | near_edge | (np.abs(level[:, 2] + profile.robot.drop) <= scale)
    out = {}
    for name, band in profile.slices.items():
        low = band.bottom + band.rise * r
        z = level[:, 2]
        member = ~swallowed & (bins >= 0) & (z >= low) & (z < band.top)
        gates = [z - low, z - band.top, r - reach.near, r - reach.far]
        unsure = near_gate | (np.abs(np.array(gates)) <= scale).any(axis=0)
        cells = witnessed_cells(level, bins, np.ones(len(level), bool), sensor, band, profile, samples)
        out[name] = _one(band, profile, r, z, bins, member, swallowed, dropped, unsure, cells)
        out[name].unsure |= at_apex.any()
    return out


def _one(band, profile, r, z, bins, member, swallowed, dropped, unsure, cells) -> TwinScan:
    fan, reach, clear = profile.fan, profile.reach, profile.clear
    full = fan.last - fan.first == 360.0
    ok = np.zeros(len(r), bool)
    ok[member] = True
    if band.min_hits > 1:
        ok[member], doubt = accepted(r[member], bins[member], band, fan.bins, full)
        unsure[member] |= doubt
    scan = TwinScan(*(np.zeros(fan.bins) for _ in range(6)), unsure=_touched(bins[unsure], fan.bins, full))
    scan.ranges[:] = scan.heights[:] = np.nan
    for b in range(fan.bins):
        mine = np.flatnonzero(bins == b)
        here = mine[member[mine]]
        inside = here[(r[here] >= reach.near) & (r[here] <= reach.far)]
        good = here[ok[here]]
        good_inside = good[(r[good] >= reach.near) & (r[good] <= reach.far)]
        scan.hits[b] = len(inside)
        end = r[here].min() if len(here) else np.inf
        a, c = first_run(cells[b], reach.far / CELLS, end)
        scan.clear_from[b], scan.clear_to[b] = a, c
        choice = _choose(band.pick, r, good, good_inside, reach)
        if isinstance(choice, State):
            scan.states[b], scan.ranges[b] = choice, -np.inf
        elif choice is not None:
            scan.states[b], scan.ranges[b], scan.heights[b] = State.HIT, r[choice], z[choice]
        elif (
            clear
            and c > a
            and a <= clear.from_
            and c >= clear.to
            and len(good) == len(here)
            and not dropped[mine].any()
        ):
            scan.states[b], scan.ranges[b] = State.CLEAR, np.inf
        elif swallowed[mine].any():
            scan.states[b] = State.BLOCKED
    return scan


def _choose(pick, r, good, good_inside, reach):
    """Index of the HIT return, State.TOO_NEAR, or None."""
    if len(good) == 0:
        return None
    if pick == "nearest":
        first = good[np.argmin(r[good])]
        if r[first] < reach.near:
            return State.TOO_NEAR
        return first if r[first] <= reach.far else None
    if len(good_inside):
        return good_inside[np.argmax(r[good_inside])]
    return State.TOO_NEAR if (r[good] < reach.near).any() else None


def _touched(bins: np.ndarray, n_bins: int, full: bool) -> np.ndarray:
    """Bins in or beside which a return lies too near a gate to say."""
    touched = np.zeros(n_bins, bool)
    for shift in (-2, -1, 0, 1, 2):  # one bin off, and the bins beside that one
        near = bins[bins >= 0] + shift
        near = near % n_bins if full else near[(near >= 0) & (near < n_bins)]
        touched[near] = True
    return touched
