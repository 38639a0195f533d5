"""What there is to move: a slider a number of the profile, in the order and the words of the page."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from flatten.profile import BlindZone, Profile

M, DEG, SLOPE = "m", "deg", "m/m"


@dataclass(frozen=True)
class Slider:
    """One number: where it stands in the profile, and from where to where the slider goes."""

    key: str
    label: str
    unit: str
    low: float
    high: float
    step: float
    value: float
    says: str = ""
    """What it is, for those who ask."""


@dataclass(frozen=True)
class Group:
    """Sliders that belong together."""

    title: str
    sliders: tuple[Slider, ...]
    slice: str = ""
    """Name of the slice whose these are, "" for none."""
    zone: str = ""
    """Name of the blind zone whose these are, "" for none."""
    on: bool = True
    """Whether that blind zone is in the profile."""
    note: str = ""

    def plain(self) -> dict[str, Any]:
        """Give plain values for the page."""
        return asdict(self)


def groups_of(profile: Profile, off: frozenset[str], file: Profile) -> list[Group]:
    """List what there is to move.

    Parameters
    ----------
    profile:
        What the values are now, with all blind zones.
    off:
        Names of the blind zones that are left out.
    file:
        As the file says it: the sliders' ends do not move with their values.

    """
    return [
        *(_slice(name, profile, file) for name in profile.slices),
        _mount(profile, file),
        _fan(profile),
        _reach(profile),
        *(_zone(k, zone, zone.name not in off) for k, zone in enumerate(profile.blind_zones)),
    ]


def _slice(name: str, profile: Profile, file: Profile) -> Group:
    band, before, key = profile.slices[name], file.slices.get(name, profile.slices[name]), f"slices.{name}"
    low, high = min(-0.2, before.bottom), max(2.0, before.top + 0.5)
    sliders = (
        slider(f"{key}.bottom", "bottom", M, low, high, 0.005, band.bottom, "lowest height that counts"),
        slider(f"{key}.top", "top", M, low, high, 0.005, band.top, "height from which nothing counts"),
        slider(f"{key}.rise", "rise", SLOPE, 0.0, 0.05, 0.0005, band.rise, "by how much the bottom grows"),
    )
    return Group(name, sliders, slice=name, note=f"picks the {band.pick}")


def _mount(profile: Profile, file: Profile) -> Group:
    now, before = profile.mount, file.mount
    places = [
        slider(f"mount.{key}", key, M, round(at - 1.0, 3), round(at + 1.0, 3), 0.005, getattr(now, key), says)
        for key, at, says in (
            ("x", before.x, "forward of the robot's centre"),
            ("y", before.y, "left of the robot's centre"),
            ("z", before.z, "above the floor"),
        )
    ]
    angles = [
        slider(
            f"mount.{key}", key, DEG, max(-most, round(at - 10.0, 1)), min(most, round(at + 10.0, 1)), 0.1,
            getattr(now, key), says,
        )
        for key, at, most, says in (
            ("roll", before.roll, 180.0, "positive: left side up"),
            ("pitch", before.pitch, 90.0, "positive: nose down"),
            ("yaw", before.yaw, 180.0, "positive: to the left"),
        )
    ]  # fmt: skip
    return Group("Mount", (*places, *angles))


def _fan(profile: Profile) -> Group:
    fan = profile.fan
    return Group(
        "Fan",
        (
            slider("fan.bins", "bins", "", 90, 7200, 10, fan.bins, "how many bearings the scan has"),
            slider("fan.first", "first", DEG, -360.0, 360.0, 1.0, fan.first, "where it begins; 0 is ahead"),
            slider("fan.last", "last", DEG, -360.0, 360.0, 1.0, fan.last, "where it ends, counter-clockwise"),
        ),
    )


def _reach(profile: Profile) -> Group:
    reach = profile.reach
    return Group(
        "Reach",
        (
            slider("reach.near", "near", M, 0.0, 3.0, 0.05, reach.near, "nearer returns are TOO_NEAR"),
            slider("reach.far", "far", M, 1.0, 100.0, 0.5, reach.far, "farther returns do not count"),
        ),
    )


def _zone(k: int, zone: BlindZone, on: bool) -> Group:
    key = f"blind_zones[{k}]"
    note = "" if zone.shape.z is not None else "every height"
    if zone.box is not None:
        sliders = tuple(_pairs(f"{key}.box", {axis: getattr(zone.box, axis) for axis in "xyz"}))
    elif zone.cylinder is not None:
        round_, key = zone.cylinder, f"{key}.cylinder"
        sliders = (
            slider(f"{key}.x", "x", M, -1.5, 1.5, 0.005, round_.x),
            slider(f"{key}.y", "y", M, -1.5, 1.5, 0.005, round_.y),
            slider(f"{key}.radius", "radius", M, 0.005, 1.0, 0.005, round_.radius),
            *_pairs(key, {"z": round_.z}),
        )
    else:
        part, key = zone.shape, f"{key}.sector"
        sliders = (
            slider(f"{key}.first", "first", DEG, -360.0, 360.0, 1.0, part.first),
            slider(f"{key}.last", "last", DEG, -360.0, 360.0, 1.0, part.last),
            slider(f"{key}.near", "near", M, 0.0, 5.0, 0.01, part.near),
            slider(f"{key}.far", "far", M, 0.01, 5.0, 0.01, part.far),
            *_pairs(key, {"z": part.z}),
        )
    return Group(zone.name, sliders, zone=zone.name, on=on, note=note)


def _pairs(key: str, pairs: dict[str, tuple[float, float] | None]) -> Iterator[Slider]:
    for axis, pair in pairs.items():
        for k, value in enumerate(pair or ()):
            low, high = (-0.5, 3.0) if axis == "z" else (-1.5, 1.5)
            yield slider(f"{key}.{axis}[{k}]", f"{axis} {('from', 'to')[k]}", M, low, high, 0.005, value)


def slider(
    key: str, label: str, unit: str, low: float, high: float, step: float, value: float, says: str = ""
) -> Slider:
    """Make a slider whose ends hold its value."""
    return Slider(key, label, unit, min(low, value), max(high, value), step, value, says)
