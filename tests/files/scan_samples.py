"""Scans to write: one that was flattened, and one by hand with every state and odd value."""

from __future__ import annotations

import math

import numpy as np

from flatten import Counts, Flattener, Profile, Scan, State

PROFILE = Profile.from_dict(
    {
        "robot": {
            "length": 0.95,
            "width": 0.72,
            "height": 0.88,
            "step": 0.06,
            "drop": 0.06,
            "clearance": 0.15,
        },
        "mount": {"x": 0.34, "y": -0.09, "z": 0.61, "roll": 0.0, "pitch": 12.0, "yaw": 0.0},
        "slices": {
            "drive": {"bottom": 0.08, "top": 0.95},
            "walls": {"bottom": 1.2, "top": 1.8, "pick": "farthest", "min_hits": 2},
        },
        "fan": {"first": -180, "last": 180, "bins": 360},
        "reach": {"near": 0.3, "far": 25.0},
        "clear": {"smallest": 0.4, "from": 0.5, "to": 2.0},
        "blind_zones": [{"name": "hull", "box": {"x": [-0.48, 0.48], "y": [-0.36, 0.36], "z": [0.0, 0.9]}}],
    }
)
WANTED = ("ranges", "states", "bearings", "heights", "intensities", "hits", "clear_from", "clear_to")


def flattened(fields=None):
    """Scans of 20,000 made-up returns about the sensor, with intensities."""
    random = np.random.default_rng(11)
    cloud = np.column_stack([random.uniform(-6, 6, (20_000, 3)), random.uniform(0, 255, 20_000)])
    cloud[:, 2] *= 0.2
    return Flattener(PROFILE, fields=fields).flatten(cloud.astype(np.float32), attitude=(0.02, -0.01))


def by_hand():
    """Five bins, one a state, with values that float32 and float64 spell differently."""
    nan, inf = math.nan, math.inf
    step = 2 * math.pi / 5
    return Scan(
        name="drive",
        first=-math.pi,
        step=step,
        bins=5,
        near=0.1,
        far=25.0,
        counts=Counts(9, 1, 2, 3),
        ranges=np.array([nan, 0.1, inf, -inf, nan], np.float32),
        states=np.array([State.UNSEEN, State.HIT, State.CLEAR, State.TOO_NEAR, State.BLOCKED], np.uint8),
        bearings=(-math.pi + (np.arange(5) + 0.5) * step).astype(np.float32),
        heights=np.array([nan, 1e-7, nan, nan, nan], np.float32),
        intensities=np.array([nan, 3.4028235e38, nan, nan, nan], np.float32),
        hits=np.array([0, 4294967295, 0, 1, 0], np.uint32),
        clear_from=np.array([0, 0, 1 / 3, 0, 0], np.float32),
        clear_to=np.array([0, 0, 24.9, 0, 0], np.float32),
    )
