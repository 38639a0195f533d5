"""The robot's own returns and its blind zones, from above and from the side, to one scale."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from flatten.errors import OutputError
from flatten.files.writing import CAUTION, target, write_all
from flatten.pictures import geometry, style, words
from flatten.pictures.choices import nice
from flatten.pictures.geometry import PLAN, SIDE, Numbers
from flatten.pictures.parts import load_matplotlib
from flatten.pictures.shapes import add_rings
from flatten.pictures.sheet import DOTS_PER_INCH, SUFFIXES, save_figure
from flatten.profile import BlindZone, Profile

INCHES = 7.6
"""Width of the sheet."""
EDGE, HEAD, FOOT = 0.45, 0.45, 0.75
"""Inches left around the views, above for the headline and below for the legend."""
AROUND = 0.12
"""Metres shown around the robot, its returns and its zones."""
LOOKS = (
    ("others near it", style.RETURN, ".", 2.0),
    ("own returns", style.INK, ".", 1.6),
    ("own returns in no zone", style.HIT, "x", 5.0),
    ("of parts that move", style.BAND_COLOURS[1], "^", 2.4),
)
"""Label, colour, marker and size of the returns, in the order in which they are drawn."""


def save_blind(
    path: str | os.PathLike[str],
    profile: Profile,
    own: Numbers,
    others: Numbers,
    moving: Sequence[Numbers] = (),
    *,
    overwrite: bool = False,
) -> Path:
    """Draw returns at the robot with the profile's blind zones and write it: PNG, SVG or PDF.

    Parameters
    ----------
    path
        The file; nothing is left behind where it cannot be written.
    profile
        Robot, mount and blind zones.
    own, others, moving
        Returns (N, 3), body frame, metres: of the robot, of anything else, of each part that moves.
    overwrite
        Whether a file of that name may be replaced.

    Raises OutputError where the file cannot be written or has another suffix, MissingPartError
    without matplotlib.

    """
    place = target(path)
    kind = place.suffix.lower()
    if kind not in SUFFIXES:
        raise OutputError(f"{place}: no picture format by that suffix: choose {', '.join(SUFFIXES)}")
    figure = draw_blind(profile, own, others, moving)
    write_all([(place, lambda stream: save_figure(figure, stream, kind))], overwrite)
    return place


def draw_blind(profile: Profile, own: Numbers, others: Numbers, moving: Sequence[Numbers] = ()) -> Any:
    """Draw the two views as a figure that no screen shows; see `save_blind`."""
    low, high = _limits(profile, own, moving)
    size = high - low
    scale = (INCHES - 2 * EDGE) / size[0]
    heights = scale * size[1], scale * size[2]
    tall = HEAD + FOOT + sum(heights) + 2 * EDGE
    figure = load_matplotlib("figure").Figure(figsize=(INCHES, tall), dpi=DOTS_PER_INCH)
    inside = in_zones(profile, own)
    groups = (others, own[inside], own[~inside], np.concatenate([np.empty((0, 3)), *moving]))
    bottom = FOOT + EDGE
    for view, height, name in ((SIDE, heights[1], "from the right"), (PLAN, heights[0], "from above")):
        axes = figure.add_axes((EDGE / INCHES, bottom / tall, 1.0 - 2 * EDGE / INCHES, height / tall))
        _draw_view(axes, view, name, profile, groups, low, high)
        bottom += height + EDGE
    figure.text(
        EDGE / INCHES, 1.0 - 0.25 / tall, "what the sensor sees of its own robot", fontsize=style.HEAD,
        color=style.INK, fontweight="bold",
    )  # fmt: skip
    figure.legend(
        *axes.get_legend_handles_labels(), loc="lower center", ncols=4, frameon=False, fontsize=style.SMALL,
        bbox_to_anchor=(0.5, 0.3 / tall), markerscale=2.0,
    )  # fmt: skip
    figure.text(EDGE / INCHES, 0.12 / tall, CAUTION, fontsize=style.SMALL, color=style.INK, fontweight="bold")
    return figure


def in_zones(profile: Profile, points: Numbers) -> Any:
    """Tell which of (N, 3) points lie in a zone, by the outlines that are drawn and the heights."""
    path = load_matplotlib("path").Path
    inside = np.zeros(len(points), bool)
    for zone in profile.blind_zones:
        z = zone.shape.z or (-np.inf, np.inf)
        held = (points[:, 2] >= z[0]) & (points[:, 2] <= z[1])
        outer, *holes = geometry.zone_rings(zone, profile.mount)
        held &= path(outer).contains_points(points[:, :2], radius=1e-6)
        for hole in holes:
            held &= ~path(hole).contains_points(points[:, :2])
        inside |= held
    return inside


def _limits(profile: Profile, own: Numbers, moving: Sequence[Numbers]) -> tuple[Numbers, Numbers]:
    """Corners (3,) of what is shown."""
    robot, mount = profile.robot, profile.mount
    half = np.array([robot.length / 2, robot.width / 2])
    corners = [np.array([[*-half, 0.0], [*half, robot.height], [mount.x, mount.y, mount.z]]), own, *moving]
    corners += [box_of(zone, profile) for zone in profile.blind_zones]
    both = np.concatenate(corners)
    return both.min(axis=0) - AROUND, both.max(axis=0) + AROUND


def box_of(zone: BlindZone, profile: Profile) -> Numbers:
    """(2, 3) corners of a zone."""
    ring = np.concatenate(geometry.zone_rings(zone, profile.mount))
    z = geometry.zone_heights(zone, profile)
    return np.array([[*ring.min(axis=0), z[0]], [*ring.max(axis=0), z[1]]])


def _draw_view(
    axes: Any, view: tuple[int, int], name: str, profile: Profile, groups: Sequence[Numbers],
    low: Numbers, high: Numbers,
) -> None:  # fmt: skip
    across, along = view
    axes.set_xlim(low[across], high[across])
    axes.set_ylim(low[along], high[along])
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set(color=style.RULE, linewidth=0.6)
    robot = geometry.robot_footprint(profile, None) if view == PLAN else geometry.robot_side(profile, None)
    add_rings(axes, [robot], "declared hull", 1.0, facecolor="none", edgecolor=style.INK, linewidth=1.0)
    for order, ((label, colour, marker, size), points) in enumerate(zip(LOOKS, groups, strict=True)):
        shown = points if len(points) <= style.MOST_DRAWN else _some(points)
        axes.plot(
            shown[:, across], shown[:, along], linestyle="none", marker=marker, ms=size,
            mew=1.0 if marker == "x" else 0.0, color=colour, label=label, zorder=2.0 + order, rasterized=True,
        )  # fmt: skip
    for zone in profile.blind_zones:
        _draw_zone(axes, zone, profile, view)
    mount = profile.mount
    axes.plot(
        (mount.x, mount.y, mount.z)[across], (mount.x, mount.y, mount.z)[along], linestyle="none", marker="+",
        ms=9, mew=1.4, color=style.INK, zorder=7, label="sensor",
    )  # fmt: skip
    axes.set_title(
        f"{name}, ahead is to the right", fontsize=style.TEXT, color=style.SOFT_INK, loc="left", pad=3
    )
    _draw_scale(axes, low, high, view)


def _draw_zone(axes: Any, zone: BlindZone, profile: Profile, view: tuple[int, int]) -> None:
    low, high = box_of(zone, profile)
    if view == PLAN:
        rings = geometry.zone_rings(zone, profile.mount)
    else:
        rings = [geometry.box_ring((low[0], high[0]), (low[2], high[2]))]
    add_rings(
        axes, rings, "blind zone" if zone is profile.blind_zones[0] else "_", 6.0,
        facecolor="none", edgecolor=style.ZONE, linewidth=1.3, linestyle=(0, (3, 1.5)),
    )  # fmt: skip
    axes.annotate(
        words.shorten(zone.name, 14), (low[0], high[view[1]]), (2, 2), textcoords="offset points",
        fontsize=style.SMALL, color=style.ZONE, zorder=8, parse_math=False, annotation_clip=True,
        bbox=style.GROUND,
    )  # fmt: skip


def _draw_scale(axes: Any, low: Numbers, high: Numbers, view: tuple[int, int]) -> None:
    """Draw a bar of a round length in the lower right corner."""
    length = nice(0.25 * float(high[0] - low[0]))
    right, level = float(high[0]) - 0.05, float(low[view[1]]) + 0.04
    axes.plot(
        (right - length, right), (level, level), color=style.INK, lw=2.4, solid_capstyle="butt", zorder=8
    )
    axes.annotate(
        f"{length:g} m", (right - length / 2, level), (0, 3), textcoords="offset points", ha="center",
        fontsize=style.SMALL, color=style.INK, zorder=8, bbox=style.GROUND,
    )  # fmt: skip


def _some(points: Numbers) -> Numbers:
    """An even random choice, always the same one."""
    return points[np.random.default_rng(0).choice(len(points), style.MOST_DRAWN, replace=False)]
