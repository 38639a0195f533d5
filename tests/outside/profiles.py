"""Profiles for the checks: short to write, everything that is not told left at a plain value."""

from __future__ import annotations

from flatten.profile import Profile

ROBOT = {"length": 0.95, "width": 0.72, "height": 0.88, "step": 0.06, "drop": 0.06, "clearance": 0.15}
LEVEL_MOUNT = {"x": 0.0, "y": 0.0, "z": 0.0, "roll": 0.0, "pitch": 0.0, "yaw": 0.0}


def make_profile(slices: dict[str, dict[str, object]], **sections: object) -> Profile:
    """A profile of these slices; sections (mount, fan, reach, clear, blind_zones, level) as in a file."""
    return Profile.from_dict({"robot": ROBOT, "mount": LEVEL_MOUNT, "slices": slices, **sections})
