"""Time a return of the whole way, beside the same answer by vectorised NumPy, in one run."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten import Flattener, Profile
from flatten.plan import make_plan

BINS, NEAR, FAR, BOTTOM, TOP = 1440, 0.3, 25.0, 0.08, 0.95
BARE = {
    "mount": {"x": 0.34, "y": -0.09, "z": 0.61, "pitch": 12.0},
    "slices": {"drive": {"bottom": BOTTOM, "top": TOP}},
    "fan": {"first": -180, "last": 180, "bins": BINS},
    "reach": {"near": NEAR, "far": FAR},
    "clear": False,
}
FULL = {
    **BARE,
    "clear": {"smallest": 0.4, "from": 1.5, "to": 8.0},
    "slices": {"drive": {"bottom": BOTTOM, "top": TOP, "min_hits": 2}},
    "blind_zones": [
        {"name": "hull", "box": {"x": [-0.48, 0.48], "y": [-0.36, 0.36], "z": [0.0, 0.9]}},
        {"name": "mast", "sector": {"first": 170, "last": -170, "far": 0.6, "z": [0.0, 1.8]}},
        {"name": "lamp", "cylinder": {"x": 0.4, "y": 0.3, "radius": 0.06, "z": [0.5, 1.1]}},
    ],
}


def returns(n: int, order: str) -> npt.NDArray[np.float32]:
    """A room of a 64-beam sensor, column after column, or shuffled: (n, 3) float32 in sensor axes."""
    rng = np.random.default_rng(n)
    columns = -(-n // 64)
    azimuth = np.repeat(np.linspace(-np.pi, np.pi, columns, endpoint=False), 64)[:n]
    elevation = np.tile(np.radians(np.linspace(-25, 15, 64)), columns)[:n]
    walls = 4.0 + 3.0 * np.cos(3 * azimuth) + rng.normal(0, 0.02, n)
    floor = np.where(elevation < -0.02, 0.61 / np.tan(np.maximum(-elevation, 0.02)), np.inf)
    r = np.minimum(walls, floor)
    xyz = np.stack([r * np.cos(azimuth), r * np.sin(azimuth), r * np.tan(elevation)], axis=1)
    pitch = np.radians(12.0)  # as a sensor sees it that is mounted nose down
    xyz = xyz @ np.array([[np.cos(pitch), 0, np.sin(pitch)], [0, 1, 0], [-np.sin(pitch), 0, np.cos(pitch)]])
    return np.ascontiguousarray(rng.permutation(xyz) if order == "shuffled" else xyz, np.float32)


def by_numpy(matrix: npt.NDArray[np.float64]) -> Callable[[npt.NDArray[np.float32]], npt.NDArray[np.float32]]:
    """The same one-slice answer in vectorised NumPy, NaN where nothing is."""

    def flat(xyz: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        x, y, z = matrix[:3, :3] @ xyz.T + matrix[:3, 3:4]
        square = x * x + y * y
        keep = (z >= BOTTOM) & (z < TOP)
        bins = ((np.arctan2(y[keep], x[keep]) + np.pi) * (BINS / (2 * np.pi))).astype(np.int64) % BINS
        best = np.full(BINS, np.inf)
        np.minimum.at(best, bins, square[keep])
        r = np.sqrt(best)
        out = np.where(r < NEAR, -np.inf, np.where(r <= FAR, r, np.nan))
        return out.astype(np.float32)

    return flat


def median_ns(run: Callable[[], Any], n: int, seconds: float = 0.6) -> tuple[float, float]:
    """Median and spread (90 % − 10 %) of the time a return, ns, over at least 7 runs."""
    run()
    times, end = [], time.perf_counter() + seconds
    while len(times) < 7 or time.perf_counter() < end:
        start = time.perf_counter_ns()
        run()
        times.append((time.perf_counter_ns() - start) / n)
    deciles = statistics.quantiles(times, n=10)
    return statistics.median(times), deciles[-1] - deciles[0]


def measure() -> list[dict[str, Any]]:
    """All rows: time a return and the ratio to NumPy, after the answers were found equal."""
    bare, full = Profile.from_dict(BARE), Profile.from_dict(FULL)
    fast, whole = Flattener(bare, fields={"ranges"}), Flattener(full)
    plan = make_plan(bare)
    plain = by_numpy(plan.level_from_body(None) @ plan.body_from_sensor)
    rows = []
    for n in (20_000, 200_000, 4_000_000):
        for order in ("scan order", "shuffled"):
            xyz = returns(n, order)
            ours, theirs = fast.flatten(xyz)["drive"].ranges, plain(xyz)
            assert ours is not None
            differ = int((~((ours == theirs) | (np.isnan(ours) & np.isnan(theirs)))).sum())
            for case, run in {
                "NumPy, vectorised": lambda xyz=xyz: plain(xyz),
                "bare: ranges only, no clear": lambda xyz=xyz: fast.flatten(xyz),
                "everything: attitude, 3 zones, clear, min_hits 2, all fields": lambda xyz=xyz: whole.flatten(
                    xyz, (0.03, -0.02)
                ),
            }.items():
                ns, spread = median_ns(run, n)
                rows.append(
                    {"case": case, "returns": n, "order": order, "ns": ns, "spread": spread, "differ": differ}
                )
    for row in rows:
        base = next(
            r
            for r in rows
            if r["case"].startswith("NumPy") and (r["returns"], r["order"]) == (row["returns"], row["order"])
        )
        row["times_numpy"] = base["ns"] / row["ns"]
    return rows
