"""Outlines as matplotlib artists: few of them, however many pieces they have."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from flatten.pictures import style
from flatten.pictures.geometry import Numbers
from flatten.pictures.parts import load_matplotlib


def flip(points: Numbers) -> Numbers:
    """Turn (n, 2) of x and y into the plan axes' (y, x)."""
    return points[:, ::-1]


def sparse(points: Numbers, gap: float) -> Numbers:
    """Leave points (n, 2) out that lie within `gap` of the last one that was kept."""
    kept: list[Numbers] = []
    for point in points:
        if not kept or float(np.hypot(*(point - kept[-1]))) >= gap:
            kept.append(point)
    return np.array(kept).reshape(-1, 2)


def mark_edges(axes: Any, points: Numbers, gap: float, label: str) -> None:
    """Mark an edge of the floor: a dot a point (n, 2), in the axes' coordinates, now and then a triangle."""
    look: dict[str, Any] = {"linestyle": "none", "zorder": 5.5}
    axes.plot(*points.T, label=label, **style.EDGE_DOT, **look)
    axes.plot(*sparse(points, gap).T, label=f"_{label}", **style.EDGE_MARK, **look)


def rings_path(rings: Sequence[Numbers]) -> Any:
    """Join closed rings (n, 2) to one path; what winds round it (non-zero) is its inside."""
    path = load_matplotlib("path").Path
    vertices = np.concatenate([np.concatenate([ring, ring[:1]]) for ring in rings])
    codes = np.full(len(vertices), path.LINETO, path.code_type)
    ends = np.cumsum([len(ring) + 1 for ring in rings])
    codes[ends - 1] = path.CLOSEPOLY
    codes[np.concatenate([[0], ends[:-1]])] = path.MOVETO
    return path(vertices, codes)


def add_rings(axes: Any, rings: Sequence[Numbers], label: str, zorder: float, **look: Any) -> None:
    """Add closed rings, in the axes' coordinates, as one patch; the view's limits stay as they are.

    One patch, since a hatch is drawn anew for every piece of a collection.
    """
    if rings:
        patch = load_matplotlib("patches").PathPatch(rings_path(rings), label=label, zorder=zorder, **look)
        axes.add_artist(patch)
