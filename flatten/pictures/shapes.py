"""Outlines as matplotlib artists: few of them, however many pieces they have."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from flatten.pictures.geometry import Numbers
from flatten.pictures.parts import load_matplotlib


def flip(points: Numbers) -> Numbers:
    """Turn (n, 2) of x and y into the plan axes' (y, x)."""
    return points[:, ::-1]


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
