"""The declared half, compiled once: a profile becomes plain numbers and arrays for the kernels."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten import frames
from flatten.kernels import zones as zone_rows
from flatten.profile import BlindZone, Mount, Profile, Slice

Numbers = npt.NDArray[np.float64]

CLEAR_WORDS = 4
"""64-bit words that hold a bin's witnessed cells: 256 cells over the reach, 98 mm at 25 m."""

QUARTER_DIRECTIONS = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))


@dataclass(frozen=True, eq=False)
class Plan:
    """What the kernels need to know, in metres, radians and quarter turns."""

    body_from_sensor: Numbers
    """(4, 4) pose of the sensor in the body."""
    fan_origin: tuple[float, float]
    """x and y of the fan's origin in the body frame, which the attitude does not move."""
    gravity: bool
    """Whether a given attitude is taken out."""
    first_turn: float
    span: float
    """First edge and width of the fan, quarter turns."""
    first: float
    step: float
    """First edge and width of a bin, radians."""
    bearings: npt.NDArray[np.float32]
    """(bins,) centres, radians."""
    edges: Numbers
    """(bins + 1, 2) directions of the edges of the bins."""
    near_square: float
    far_square: float
    """Least and greatest square of a distance inside the reach."""
    slices: Numbers
    """(slices, 6), columns as in kernels.gate."""
    bands: npt.NDArray[np.float32]
    """(slices, 6), columns as in kernels.sift."""
    zones: Numbers
    """(zones, 12), columns as in kernels.zones."""
    zone_square: float
    """No blind zone reaches farther than this from the fan's origin, squared."""
    cell: float
    """Width of a witnessed cell, metres."""
    smallest: float
    clear_from: float
    clear_to: float
    """The `clear` section; clear_to is −1 where CLEAR is switched off."""
    drop: float

    def level_from_body(self, attitude: tuple[float, float] | None) -> Numbers:
        """(4, 4) level frame moved to the fan's origin, from the body frame, at this attitude (rad)."""
        turn = frames.level_from_body(*attitude) if attitude is not None and self.gravity else np.eye(4)
        turn[0, 3] -= self.fan_origin[0]
        turn[1, 3] -= self.fan_origin[1]
        return turn


def make_plan(profile: Profile) -> Plan:
    """Compile a profile; nothing of it is looked at again while clouds flow."""
    fan, reach, clear = profile.fan, profile.reach, profile.clear
    step = math.radians((fan.last - fan.first) / fan.bins)
    slices = np.array([slice_row(s) for s in profile.slices.values()])
    ends = least_square(reach.near), greatest_square(reach.far)
    return Plan(
        body_from_sensor=mount_transform(profile.mount),
        fan_origin=(profile.mount.x, profile.mount.y),
        gravity=profile.level == "gravity",
        first_turn=(fan.first / 90.0 + 2.0) % 4.0 - 2.0,
        span=(fan.last - fan.first) / 90.0,
        first=math.radians(fan.first),
        step=step,
        bearings=(math.radians(fan.first) + (np.arange(fan.bins) + 0.5) * step).astype(np.float32),
        edges=directions(fan.first + np.arange(fan.bins + 1) * ((fan.last - fan.first) / fan.bins)),
        near_square=ends[0],
        far_square=ends[1],
        slices=slices,
        bands=bands_of(slices, *ends),
        zones=np.array([zone_row(z, profile.mount) for z in profile.blind_zones]).reshape(
            -1, zone_rows.COLUMNS
        ),
        zone_square=zone_square(profile),
        cell=reach.far / (64 * CLEAR_WORDS),
        smallest=clear.smallest if clear else 0.0,
        clear_from=clear.from_ if clear else 0.0,
        clear_to=clear.to if clear else -1.0,
        drop=profile.robot.drop,
    )


def mount_transform(mount: Mount) -> Numbers:
    """(4, 4) body_from_sensor of a mount, whose angles are in degrees."""
    angles = (math.radians(a) for a in (mount.roll, mount.pitch, mount.yaw))
    return frames.body_from_sensor(mount.x, mount.y, mount.z, *angles)


def slice_row(band: Slice) -> list[float]:
    """Numbers of a slice, as kernels.gate reads them."""
    return [band.bottom, band.top, band.rise, float(band.pick == "farthest"), band.min_hits, band.within]


def bands_of(slices: Numbers, near_square: float, far_square: float) -> npt.NDArray[np.float32]:
    """Rows of the slices as kernels.sift reads them: bottom, top, rise, rounding, near² and far²."""
    rounding = 4 * 2.0**-24 * np.abs(slices[:, :2]).max(axis=1)
    ends = np.broadcast_to([near_square, far_square], (len(slices), 2))
    return np.column_stack([slices[:, :3], rounding, ends]).astype(np.float32)


def zone_square(profile: Profile) -> float:
    """Bound on the squared level distance from the fan's origin of anything in a blind zone.

    The body's lean moves no point farther from the body's origin than it is.
    """
    mount, farthest = math.hypot(profile.mount.x, profile.mount.y), 0.0
    for zone in profile.blind_zones:
        heights: tuple[float, float] | None
        if zone.box is not None:
            across, heights = (
                math.hypot(*(max(map(abs, pair)) for pair in (zone.box.x, zone.box.y))),
                zone.box.z,
            )
        elif zone.cylinder is not None:
            across, heights = (
                math.hypot(zone.cylinder.x, zone.cylinder.y) + zone.cylinder.radius,
                zone.cylinder.z,
            )
        else:
            assert zone.sector is not None  # the profile has seen to it that a zone has one body
            across, heights = mount + zone.sector.far, zone.sector.z
        farthest = max(farthest, math.hypot(across, *heights) if heights is not None else math.inf)
    return float((1.01 * (farthest + mount) + 0.01) ** 2)  # the hundredths are for rounding


def zone_row(zone: BlindZone, mount: Mount) -> list[float]:
    """Numbers of a blind zone, as kernels.zones reads them."""
    if zone.box is not None:
        return [zone_rows.BOX, *zone.box.x, *zone.box.y, 0.0, 0.0, 0.0, 0.0, 0.0, *zone.box.z]
    if zone.cylinder is not None:
        c = zone.cylinder
        z = c.z or (-math.inf, math.inf)
        return [zone_rows.CYLINDER, c.x, c.y, greatest_square(c.radius), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, *z]
    sector = zone.sector
    assert sector is not None  # the profile has seen to it that a zone has one body
    edges = directions(np.array([sector.first, sector.last])).ravel()
    squares = least_square(sector.near), greatest_square(sector.far)
    z = sector.z or (-math.inf, math.inf)
    return [zone_rows.SECTOR, mount.x, mount.y, *edges, float(sector.width > 180.0), *squares, *z]


def directions(degrees: npt.NDArray[np.floating[Any]]) -> Numbers:
    """Unit vectors (n, 2) of bearings in degrees; exact on the axes."""
    out = np.stack([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))], axis=1)
    on_axis = degrees % 90.0 == 0.0
    quarters = (degrees[on_axis] / 90.0).astype(int) % 4
    out[on_axis] = np.array(QUARTER_DIRECTIONS)[quarters]
    return out


def greatest_square(distance: float) -> float:
    """Greatest float64 whose square root, as rounded, is not above `distance`.

    Comparing squares with it is exactly comparing distances: the square root is monotonic.
    """
    square = distance * distance
    while math.sqrt(square) > distance:
        square = math.nextafter(square, 0.0)
    while math.sqrt(math.nextafter(square, math.inf)) <= distance:
        square = math.nextafter(square, math.inf)
    return square


def least_square(distance: float) -> float:
    """Least float64 whose square root, as rounded, is not below `distance`."""
    if distance <= 0.0:
        return 0.0
    return math.nextafter(greatest_square(math.nextafter(distance, 0.0)), math.inf)
