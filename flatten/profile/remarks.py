"""Warnings: what a profile may say, and yet is worth a second look before a robot drives by it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from flatten.profile.models import CLEAR_TO, BlindZone, Cylinder, Sector, Slice

if TYPE_CHECKING:
    from flatten.profile.profile import Profile

OUTLINE_MARGIN = 0.05
"""How far a blind zone may reach beyond the outline unremarked, m (common practice, no source)."""
FINEST_STEP = 1e-4
"""Degrees: round((last - first) / increment) + 1 in float32 is sure to be the number of ranges above it.

Both ends are rounded by up to half of 2.4e-7 rad and the increment by 6e-8 of itself, so that
(2.4e-7 + 2π · 6e-8) / step stays below 0.5 for steps above 1.2e-6 rad = 7e-5 deg (computed).
"""
CELLS = 256
"""Cells over the reach in which what beams witnessed is kept: those of the kernels, by test."""
COARSE_CELL = 0.1
"""Share of clear.from beyond which a cell is worth a word (common practice, no source)."""
STEEP = math.radians(60.0)
"""Steeper than this from level an upright sensor hardly looks, rad (common practice, no source)."""


def find(profile: Profile) -> tuple[str, ...]:
    """List the warnings of a profile, each a line of words."""
    parts = (_undeclared, _mount, _fan, _slices, _driving_band, _clear, _blind_zones, _floor)
    return tuple(words for part in parts for words in part(profile))


def _undeclared(profile: Profile) -> Iterator[str]:
    declared = profile.model_fields_set
    if "robot" not in declared:
        robot = profile.robot
        yield (
            f"robot is not declared: the example robot is taken, {robot.length:g} m long, {robot.width:g} m "
            f"wide, {robot.height:g} m high, step {robot.step:g} m; declare yours"
        )
    elif missing := set(type(profile.robot).model_fields) - {"drop"} - profile.robot.model_fields_set:
        names = [name for name in type(profile.robot).model_fields if name in missing]
        taken = ", ".join(f"{name} {getattr(profile.robot, name):g} m" for name in names)
        yield f"robot is declared in part: {taken} taken from the example robot"
    if "mount" not in declared:
        yield "mount is not declared: the cloud is taken to be in body axes, z = 0 on the floor"
    rest = [name for name in ("level", "fan", "reach", "clear") if name not in declared]
    if rest:
        yield f"not declared, defaults taken: {', '.join(rest)}"
    if "blind_zones" not in declared:
        yield "blind_zones are not declared: returns from the robot's own parts count as obstacles"


def _mount(profile: Profile) -> Iterator[str]:
    if "mount" in profile.model_fields_set and profile.mount.z <= 0.0:
        yield (
            f"mount.z {profile.mount.z:g} m is not above the floor: heights are measured from the floor, "
            "so this is right only for a cloud that is already in body axes"
        )


def _fan(profile: Profile) -> Iterator[str]:
    step = (profile.fan.last - profile.fan.first) / profile.fan.bins
    if step < FINEST_STEP:
        yield (
            f"fan: bins of {step:g} deg are finer than float32 angles of a planar-scan message tell apart: "
            f"readers may count the ranges wrongly below {FINEST_STEP:g} deg"
        )


def _slices(profile: Profile) -> Iterator[str]:
    far, near, z = profile.reach.far, profile.reach.near, profile.mount.z
    for name, band in profile.slices.items():
        key = f"slices.{name}"
        if band.top <= 0.0:
            yield f"{key} lies wholly below the floor (top {band.top:g} m): nothing that stands is in it"
        elif band.bottom <= 0.0:
            yield f"{key}.bottom {band.bottom:g} m is not above the floor: the floor itself will be reported"
        if _closing(band) <= far:
            yield (
                f"{key} closes at {_closing(band):.2f} m, where its rising bottom meets its top; "
                f"reach.far is {far:g} m"
            )
        if "mount" not in profile.model_fields_set:
            continue
        if math.atan2(band.bottom - z, far) > STEEP:
            yield (
                f"{key} begins more than 60 deg above the sensor even {far:g} m away: "
                "hardly any beam gets there"
            )
        if 0.0 < band.top < z and math.atan2(z - band.top, near) > STEEP:
            seen = (z - band.top) / math.tan(STEEP)
            yield (
                f"{key} is near blind: nearer than {seen:.2f} m it lies more than 60 deg below the sensor; "
                f"reach.near is {near:g} m"
            )


def _closing(band: Slice) -> float:
    return (band.top - band.bottom) / band.rise if band.rise > 0.0 else math.inf


def _driving_band(profile: Profile) -> Iterator[str]:
    """Compare the heights that the nearest-picking slices cover with what the robot meets."""
    bands = {name: band for name, band in profile.slices.items() if band.pick == "nearest"}
    bands = dict(sorted((bands or profile.slices).items(), key=lambda item: item[1].bottom))
    robot = profile.robot
    head = robot.height + robot.clearance
    seen = -math.inf
    for name, band in bands.items():
        if seen == -math.inf and band.bottom > robot.step:
            yield (
                f"slices.{name}.bottom {band.bottom:g} m lies above robot.step {robot.step:g} m: steps and "
                "objects between, too tall to climb, are not seen"
            )
        elif band.bottom > max(seen, robot.step) and seen < head:
            yield (
                f"no slice that picks the nearest covers heights from {max(seen, robot.step):g} to "
                f"{band.bottom:g} m (below slices.{name}): what hangs there is not seen"
            )
        seen = max(seen, band.top)
    if seen < head:
        name = max(bands, key=lambda item: bands[item].top)
        yield (
            f"slices.{name}.top {seen:g} m lies below robot.height + robot.clearance = {head:g} m: "
            "overhangs between are not seen"
        )


def _clear(profile: Profile) -> Iterator[str]:
    clear = profile.clear
    if clear is None:
        yield "clear is off: no bin ever says CLEAR, so a mapper never clears space by these scans"
    elif "to" not in clear.model_fields_set and clear.to < CLEAR_TO:
        yield f"clear.to is limited to reach.far, {clear.to:g} m; its default is {CLEAR_TO:g} m"
    cell = profile.reach.far / CELLS
    if clear is not None and cell > COARSE_CELL * max(clear.from_, 0.01):
        yield (
            f"reach.far {profile.reach.far:g} m makes witnessed cells of {cell:.2g} m ({CELLS} a bin), "
            f"coarse beside clear.from {clear.from_:g} m: CLEAR becomes rare; take a shorter reach"
        )


def _blind_zones(profile: Profile) -> Iterator[str]:
    for zone in profile.blind_zones:
        if _holds_mount(zone, profile):
            yield (
                f"blind zone {zone.name!r} holds the mount: what returns from close around "
                "the sensor is swallowed; right for the hull it is built into, wrong for anything else"
            )
        beyond, side = max((over, side) for side, over in _excess(zone, profile).items())
        if beyond == math.inf:
            yield f"blind zone {zone.name!r} has no z: it swallows every height, far above the robot too"
        elif beyond > OUTLINE_MARGIN:
            yield (
                f"blind zone {zone.name!r} reaches {beyond:.2f} m beyond the robot's outline ({side}): "
                "whatever stands there, a person too, is not reported"
            )


def _floor(profile: Profile) -> Iterator[str]:
    if profile.level != "floor" and profile.floor != type(profile.floor)():
        yield (
            f"floor is declared and not used: level is {profile.level}; set level: floor to measure heights "
            "from a fitted floor"
        )
    dropping = [name for name, band in profile.slices.items() if band.drops]
    if dropping and profile.robot.drop == 0.0:
        yield (
            f"slices.{dropping[0]}.drops with robot.drop 0 m: every dent of the floor is reported as an "
            "edge; give the deepest drop that the robot takes"
        )


def _holds_mount(zone: BlindZone, profile: Profile) -> bool:
    """Tell whether the mount is inside; every sector has its tip there, so only a full turn counts."""
    mount, shape = profile.mount, zone.shape
    if shape.z is not None and not shape.z[0] <= mount.z <= shape.z[1]:
        return False
    if isinstance(shape, Sector):
        return shape.near == 0.0 and shape.width == 360.0
    if isinstance(shape, Cylinder):
        return math.hypot(mount.x - shape.x, mount.y - shape.y) <= shape.radius
    return bool(shape.x[0] <= mount.x <= shape.x[1] and shape.y[0] <= mount.y <= shape.y[1])


def _excess(zone: BlindZone, profile: Profile) -> dict[str, float]:
    """Measure how far the zone reaches beyond each side of the outline, in metres."""
    robot = profile.robot
    (x0, x1), (y0, y1), top = _extent(zone, profile)
    half_x, half_y = robot.length / 2, robot.width / 2
    return {
        "ahead": x1 - half_x,
        "behind": -half_x - x0,
        "left": y1 - half_y,
        "right": -half_y - y0,
        "above": top - robot.height,
    }


def _extent(zone: BlindZone, profile: Profile) -> tuple[tuple[float, float], tuple[float, float], float]:
    shape = zone.shape
    top = math.inf if shape.z is None else shape.z[1]
    if isinstance(shape, Cylinder):
        x, y, r = shape.x, shape.y, shape.radius
        return (x - r, x + r), (y - r, y + r), top
    if isinstance(shape, Sector):
        turns = [shape.first, shape.first + shape.width]
        turns += [turn for turn in range(-360, 721, 90) if turns[0] < turn < turns[1]]
        rays = [(math.cos(math.radians(turn)), math.sin(math.radians(turn))) for turn in turns]
        xs = [profile.mount.x + r * c for c, _ in rays for r in (shape.near, shape.far)]
        ys = [profile.mount.y + r * s for _, s in rays for r in (shape.near, shape.far)]
        return (min(xs), max(xs)), (min(ys), max(ys)), top
    return shape.x, shape.y, top
