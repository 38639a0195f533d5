"""The profiles that are measured."""

from __future__ import annotations

from typing import Any

from flatten import Profile

BINS, NEAR, FAR, BOTTOM, TOP = 1440, 0.3, 25.0, 0.08, 0.95
HEIGHT, PITCH = 0.61, 12.0
"""Of the sensor: metres above the floor, degrees nose down."""
ATTITUDE = (0.03, -0.02)
"""Roll and pitch of the body where one is given, radians."""

BARE: dict[str, Any] = {
    "mount": {"x": 0.34, "y": -0.09, "z": HEIGHT, "pitch": PITCH},
    "slices": {"drive": {"bottom": BOTTOM, "top": TOP}},
    "fan": {"first": -180, "last": 180, "bins": BINS},
    "reach": {"near": NEAR, "far": FAR},
    "clear": False,
}
FULL: dict[str, Any] = {
    **BARE,
    "clear": {"smallest": 0.4, "from": 1.5, "to": 8.0},
    "slices": {"drive": {"bottom": BOTTOM, "top": TOP, "min_hits": 2}},
    "blind_zones": [
        {"name": "hull", "box": {"x": [-0.48, 0.48], "y": [-0.36, 0.36], "z": [0.0, 0.9]}},
        {"name": "mast", "sector": {"first": 170, "last": -170, "far": 0.6, "z": [0.0, 1.8]}},
        {"name": "lamp", "cylinder": {"x": 0.4, "y": 0.3, "radius": 0.06, "z": [0.5, 1.1]}},
    ],
}


def bare(bins: int = BINS) -> Profile:
    """One slice, no zone, CLEAR off: what every baseline does too."""
    return Profile.from_dict({**BARE, "fan": {**BARE["fan"], "bins": bins}})


def full() -> Profile:
    """Everything that a profile can ask for."""
    return Profile.from_dict(FULL)


def sliced(count: int) -> Profile:
    """The slice of `bare` and `count` − 1 others of the same thickness, each 0.1 m higher than the last."""
    slices = {"drive": BARE["slices"]["drive"]}
    for k in range(1, count):
        slices[f"slice-{k}"] = {"bottom": BOTTOM + 0.1 * k, "top": TOP + 0.1 * k}
    return Profile.from_dict({**BARE, "slices": slices})
