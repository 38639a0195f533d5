"""A small place of its own: returns put where a test wants them, seen by a tilted sensor."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from flatten import Cloud, Flattener, Profile
from tests.twin import rotation

MOUNT = {"x": 0.34, "y": -0.09, "z": 0.61, "roll": 1.0, "pitch": 12.0, "yaw": -3.0}
ORIGIN = (MOUNT["x"], MOUNT["y"])
ZONES = [
    {"name": "hull", "box": {"x": [-0.48, 0.48], "y": [-0.36, 0.36], "z": [0.0, 0.9]}},
    {"name": "mast", "sector": {"first": 170, "last": -170, "near": 0.1, "far": 0.6, "z": [0.0, 1.8]}},
    {"name": "lamp", "cylinder": {"x": 0.4, "y": 0.3, "radius": 0.06, "z": [0.5, 1.1]}},
]
PROFILE: dict[str, Any] = {
    "mount": MOUNT,
    "slices": {"drive": {"bottom": 0.08, "top": 0.95}, "low": {"bottom": 0.06, "top": 0.4, "rise": 0.02}},
    "fan": {"first": -180, "last": 180, "bins": 720},
    "reach": {"near": 0.3, "far": 25.0},
    "blind_zones": ZONES,
}


def profile(**changes: Any) -> Profile:
    """The profile of the tests, with some sections replaced."""
    return Profile.from_dict({**PROFILE, **changes})


@lru_cache
def flattener(changed: tuple[tuple[str, Any], ...] = (), fields: frozenset[str] | None = None) -> Flattener:
    """A flattener for the profile of the tests, with overrides."""
    return Flattener(Profile.from_dict(PROFILE, dict(changed)), fields)


def seen(points: np.ndarray, attitude: tuple[float, float] | None = None, name: str = "made.pcd") -> Cloud:
    """A cloud in sensor axes of points (n, 3) given in the level frame about the robot's centre."""
    lean = rotation(*(attitude or (0.0, 0.0)), 0.0)
    turn = lean @ rotation(*np.radians([MOUNT["roll"], MOUNT["pitch"], MOUNT["yaw"]]))
    at = lean @ np.array([MOUNT["x"], MOUNT["y"], MOUNT["z"]])
    return Cloud.from_array((points - at) @ turn, name)


def at(bearing: float, distance: float, height: float) -> np.ndarray:
    """A point (3,) so far from the fan's origin at a bearing in degrees."""
    b = math.radians(bearing)
    return np.array([ORIGIN[0] + distance * math.cos(b), ORIGIN[1] + distance * math.sin(b), height])


def yard(returns: int = 20_000, seed: int = 3) -> np.ndarray:
    """Gravel, a wall all round at 9 m, a bench to the left, some returns of the robot itself."""
    rng = np.random.default_rng(seed)
    kinds = {  # distances and heights
        "gravel": (0.8, 9.0, 0.0, 0.01),
        "wall": (9.0, 9.0, 0.0, 2.4),
        "bench": (1.2, 1.6, 0.7, 0.75),
        "own": (0.1, 0.1, 0.3, 0.8),
    }
    parts = []
    for name, (near, far, low, high) in kinds.items():
        b = np.radians(rng.uniform(*((60.0, 110.0) if name == "bench" else (-180.0, 180.0)), returns // 4))
        d, z = rng.uniform(near, far, returns // 4), rng.uniform(low, high, returns // 4)
        parts.append(np.stack([ORIGIN[0] + d * np.cos(b), ORIGIN[1] + d * np.sin(b), z], axis=1))
    return np.concatenate(parts)


def clear_yard() -> np.ndarray:
    """A dense carpet of gravel returns, nothing else: every bin is witnessed and CLEAR."""
    bearing, distance = np.meshgrid(np.arange(-179.75, 180.0, 0.5), np.geomspace(0.7, 20.0, 150))
    b, d = np.radians(bearing.ravel()), distance.ravel()
    return np.stack([ORIGIN[0] + d * np.cos(b), ORIGIN[1] + d * np.sin(b), np.zeros_like(d)], axis=1)


def axes() -> Any:
    """Fresh square axes that no screen shows."""
    return Figure(figsize=(5, 5), dpi=100).add_axes((0.1, 0.1, 0.8, 0.8))


def artists(on: Any, label: str) -> list[Any]:
    """All artists of axes with exactly this label."""
    return [a for a in on.get_children() if a.get_label() == label]


def artist(on: Any, label: str) -> Any:
    """The one artist with this label."""
    found = artists(on, label)
    assert len(found) == 1, f"{len(found)} artists {label!r}"
    return found[0]


def line_xy(on: Any, label: str) -> np.ndarray:
    """Points of a line on a plan view, as x forward and y left: (n, 2)."""
    return np.stack(artist(on, label).get_data(), axis=1)[:, ::-1]


def rings_xy(on: Any, label: str) -> list[np.ndarray]:
    """Closed rings of a patch on a plan view, as x forward and y left."""
    return [ring[:, ::-1] for ring in artist(on, label).get_path().to_polygons(closed_only=False)]


def winding(rings: list[np.ndarray], points: np.ndarray) -> np.ndarray:
    """How often closed rings wind round each point (n,): a sum of signed angles."""
    total = np.zeros(len(points))
    for ring in rings:
        away = ring[None] - points[:, None]
        after = np.roll(away, -1, axis=1)
        cross = away[..., 0] * after[..., 1] - away[..., 1] * after[..., 0]
        total += np.arctan2(cross, (away * after).sum(axis=2)).sum(axis=1)
    return np.rint(total / (2.0 * math.pi)).astype(int)
