"""The rover of the sample clouds: its profiles, and its own solids that ride with the body."""

from __future__ import annotations

import math
from typing import Any

import yaml

from flatten.scene.layout import Fan, Mount, Slice
from flatten.scene.solids import Box, Cylinder, Solid

_COMMON = """\
robot:
  length: 0.95
  width: 0.72
  height: 0.92        # the arm that carries the sensor
  step: 0.06
  drop: 0.06
  clearance: 0.15

{mount}
level: gravity

slices:
  drive: {{bottom: 0.08, top: 1.07}}                                        # what the rover could hit
  low:   {{bottom: 0.06, top: 0.40, rise: 0.01}}                            # kerbs, pallets, test bodies
  walls: {{bottom: 1.20, top: 1.80, pick: farthest, min_hits: 2, within: 0.2}}  # what a mapper wants

fan:   {{first: -180, last: 180, bins: 1440}}
reach: {{near: 0.30, far: 25.0}}
clear: {{smallest: 0.4, from: 1.5, to: 8.0}}

{zones}"""

_HEAD = """\
# Profile of the sample rover with its {sensor}. Metres; angles in degrees.
# A planar scan is not a personnel-safety device: first runs with lifted tracks, emergency stop at
# hand, and by the local codes.

"""

_ROSETTE_MOUNT = """\
# Wide-field rosette sensor, hung upside-down from an arm over the bow: ahead it sees the floor
# from 0.7 m on, and up to 11 degrees above the horizon.
mount: {x: 0.47, y: -0.09, z: 0.78, roll: 180.0, pitch: -4.0, yaw: 0.0}
"""

_ROTATING_MOUNT = """\
# Rotating 32-beam sensor under the same arm, upright and 6 degrees nose down.
mount: {x: 0.47, y: -0.09, z: 0.78, roll: 0.0, pitch: 6.0, yaw: 0.0}
"""

_ROSETTE_ZONES = """\
blind_zones:          # the solids of the rover with 45 to 50 mm around them, for a range noise of 10 mm
  - {name: hull, box: {x: [-0.52, 0.52], y: [-0.405, 0.405], z: [0.0, 0.55]}}
  - {name: mast, cylinder: {x: 0.29, y: -0.09, radius: 0.075, z: [0.45, 0.97]}}
  - {name: lamp, cylinder: {x: 0.40, y: 0.28, radius: 0.085, z: [0.45, 0.77]}}
"""

_ROTATING_ZONES = """\
blind_zones:          # the solids of the rover with 45 to 50 mm around them, for a range noise of 10 mm
  - {name: hull, box: {x: [-0.52, 0.52], y: [-0.405, 0.405], z: [0.0, 0.55]}}
  - {name: mast, sector: {first: 160, last: -160, far: 0.26, z: [0.45, 0.97]}}
  - {name: lamp, box: {x: [0.315, 0.485], y: [0.195, 0.365], z: [0.45, 0.77]}}
"""

_DRIVE_ZONES = """\
blind_zones:          # what the drawings say; of mast and lamp nobody has thought yet
  - {name: hull, box: {x: [-0.52, 0.52], y: [-0.405, 0.405], z: [0.0, 0.55]}}
"""

PROFILES = {
    "rover.yaml": _HEAD.format(sensor="rosette sensor")
    + _COMMON.format(mount=_ROSETTE_MOUNT, zones=_ROSETTE_ZONES),
    "rover_rotating.yaml": _HEAD.format(sensor="rotating sensor")
    + _COMMON.format(mount=_ROTATING_MOUNT, zones=_ROTATING_ZONES),
}
"""Text of the profiles of the sample clouds by file name."""

DRIVE_PROFILE = _HEAD.format(sensor="rosette sensor, as it was before the recorded drive") + _COMMON.format(
    mount=_ROSETTE_MOUNT, zones=_DRIVE_ZONES
)
"""Text of the profile that goes with the recorded drive: its mount is by the drawings, and off."""


def own_solids() -> tuple[Solid, ...]:
    """Hull with tracks, mast behind the sensor, arm above it, and a lamp: in the body frame, metres."""
    return (
        Box(name="hull", x=0.0, y=0.0, length=0.95, width=0.72, bottom=0.05, top=0.50, reflectance=0.4),
        Cylinder(name="mast", start=(0.29, -0.09, 0.50), end=(0.29, -0.09, 0.92), radius=0.025),
        Box(name="arm", x=0.39, y=-0.09, length=0.24, width=0.05, bottom=0.88, top=0.92),
        Cylinder(name="lamp", start=(0.40, 0.28, 0.50), end=(0.40, 0.28, 0.72), radius=0.035),
    )


def layout_of(profile_name: str) -> tuple[Mount, dict[str, Slice], Fan]:
    """Read mount, slices and fan, in radians, from the text of a sample profile."""
    told: dict[str, Any] = yaml.safe_load(PROFILES[profile_name])
    mount, fan = told["mount"], told["fan"]
    angles = (math.radians(mount[key]) for key in ("roll", "pitch", "yaw"))
    slices = {
        name: Slice(part["bottom"], part["top"], part.get("rise", 0.0))
        for name, part in told["slices"].items()
    }
    bearings = (math.radians(fan["first"]), math.radians(fan["last"]))
    return Mount(mount["x"], mount["y"], mount["z"], *angles), slices, Fan(*bearings, fan["bins"])


def clear_and_reach_of(profile_name: str) -> tuple[dict[str, float], dict[str, float]]:
    """Read the sections `clear` and `reach` from the text of a sample profile."""
    told: dict[str, Any] = yaml.safe_load(PROFILES[profile_name])
    return told["clear"], told["reach"]
