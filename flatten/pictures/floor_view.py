"""The fitted floor: its heights from above, and a cut along the robot with the slices riding on it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from flatten.cloud import as_cloud
from flatten.fitted import FittedFloor
from flatten.pictures import bins, geometry, style
from flatten.pictures.choices import nice
from flatten.pictures.geometry import Attitude, Numbers
from flatten.pictures.legends import slice_look
from flatten.pictures.parts import load_matplotlib
from flatten.pictures.shapes import add_rings, flip, mark_edges
from flatten.profile import Profile
from flatten.scan import Scan

GRAIN = 320
"""Picture elements along each side of the view from above."""
SWATH = 0.5
"""Metres: width of the strip whose returns a cut shows."""
LEAST = 0.3
"""Metres: a floor that differs by less is drawn in the shades of so much."""


def draw_floor_plan(
    axes: Any, floor: FittedFloor, profile: Profile, attitude: Attitude | None, *, extent: float = 8.0
) -> None:
    """Draw the heights of a fitted floor from above on matplotlib axes, in their (y, x) as `draw_plan` does.

    Parameters
    ----------
    axes
        matplotlib axes, empty.
    floor
        What `Flattener.floor` gave after the frame.
    profile, attitude
        What the frame was flattened with; roll and pitch in rad.
    extent
        Half the width of the view, metres.

    Shades and the lines between them are those of the known floor; the rest is hatched. Raises
    MissingPartError without matplotlib.

    """
    load_matplotlib("figure")  # or say at once what is missing
    mount = profile.mount
    _set_plan_frame(axes, mount, extent)
    along = (np.arange(GRAIN) + 0.5) * (2.0 * extent / GRAIN) - extent
    x, y = along[:, None], along[None, :]
    heights = np.where(floor.is_known(x, y), floor.at(x, y), np.nan)
    _hatch_all(axes)
    _draw_heights(axes, heights, (mount.x, mount.y), extent)
    outline = flip(geometry.robot_footprint(profile, attitude))
    add_rings(axes, [outline], "robot", 3.5, facecolor=style.ROBOT, edgecolor=style.INK, linewidth=1.1)
    axes.plot(mount.y, mount.x, marker="+", ms=7, mew=1.1, color=style.INK, zorder=5, label="fan's origin")
    mark_edges(axes, flip(drop_points(floor, (mount.x, mount.y))), extent / 12.0, "edge")
    _plan_title(axes, floor)


def drop_points(floor: FittedFloor, origin: tuple[float, float]) -> Numbers:
    """Places (n, 2) of the ways down, x and y."""
    there = np.isfinite(floor.drops)
    bearing = floor.first + (np.arange(len(floor.drops))[there] + 0.5) * floor.step
    ways = np.stack([np.cos(bearing), np.sin(bearing)], axis=1)
    points: Numbers = np.array(origin) + floor.drops[there].astype(np.float64)[:, None] * ways
    return points


def _set_plan_frame(axes: Any, mount: Any, extent: float) -> None:
    axes.set_xlim(mount.y + extent, mount.y - extent)
    axes.set_ylim(mount.x - extent, mount.x + extent)
    axes.set_aspect("equal", adjustable="box")
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set(color=style.RULE, linewidth=0.6)
    step = nice(extent / 2.2)
    for radius in np.arange(1, 12) * step:
        if radius < 1.4 * extent:
            ring = flip(geometry.arc((mount.x, mount.y), radius, 0.0, math.tau))
            axes.plot(*ring.T, color=style.INK, lw=0.4, ls=":", zorder=2.5, label="_distance")
        if radius < 0.94 * extent:
            axes.annotate(
                f"{radius:g} m", (mount.y, mount.x + radius), (2, 1), textcoords="offset points",
                fontsize=style.SMALL, color=style.INK, zorder=6, annotation_clip=True, bbox=style.GROUND,
            )  # fmt: skip


def _hatch_all(axes: Any) -> None:
    """Hatch the whole view: what is drawn over it is known."""
    whole = load_matplotlib("patches").Rectangle(
        (0, 0), 1, 1, transform=axes.transAxes, facecolor=style.UNKNOWN, edgecolor=style.UNKNOWN_LINE,
        hatch="////", linewidth=0.0, zorder=0.5, label="not known",
    )  # fmt: skip
    axes.add_artist(whole)


def _draw_heights(axes: Any, heights: Numbers, centre: tuple[float, float], extent: float) -> None:
    """Draw shades, lines of equal height with their figures, and the bar that says what shades mean."""
    seen = heights[np.isfinite(heights)]
    if not seen.size:
        return
    greatest = max(LEAST, float(np.quantile(np.abs(seen), 0.99)))
    step = nice(greatest / 3.0)
    count = math.ceil(greatest / step)
    levels = (np.arange(-count, count + 2) - 0.5) * step  # a level floor lies in the middle of a shade
    colours = load_matplotlib("colors")
    shades = colours.LinearSegmentedColormap.from_list("floor", style.FLOOR_SHADES, 256)
    limits = (centre[1] - extent, centre[1] + extent, centre[0] - extent, centre[0] + extent)
    image = axes.imshow(
        heights, extent=limits, origin="lower", cmap=shades, interpolation="nearest", zorder=1.0,
        norm=colours.BoundaryNorm(levels, shades.N, extend="both"), aspect="auto", label="heights",
    )  # fmt: skip
    axes.set_xlim(limits[1], limits[0])  # an image turns the axes round
    axes.set_ylim(limits[2], limits[3])
    if seen.min() < levels[-1] and seen.max() > levels[0]:
        place = [np.linspace(limits[k], limits[k + 1], GRAIN) for k in (0, 2)]
        axes.contour(*place, heights, levels=levels, colors=style.INK, linewidths=0.5, zorder=1.5)
    bar = axes.figure.colorbar(
        image, cax=axes.inset_axes((1.02, 0.0, 0.035, 1.0)), extendfrac=0.04,
        ticks=np.arange(-count, count + 1) * step,
    )  # fmt: skip
    bar.ax.tick_params(labelsize=style.SMALL, colors=style.SOFT_INK, length=2, width=0.5)
    bar.set_label("height above the tracks [m]", fontsize=style.SMALL, color=style.SOFT_INK, labelpad=2)
    bar.outline.set_linewidth(0.5)


def _plan_title(axes: Any, floor: FittedFloor) -> None:
    roll, pitch = (math.degrees(angle) for angle in floor.tilt)
    words = "no floor was seen in this frame: nothing is known of it"
    if floor.is_seen:
        words = f"{floor.returns:,} returns on it; about the robot {floor.height:+.2f} m, "
        words += f"roll {roll:+.1f}°, pitch {pitch:+.1f}°"
    for text, up, size, colour, weight in (
        ("Fitted floor", 14, style.HEAD, style.INK, "bold"),
        (words.replace("-", "−"), 4, style.SMALL, style.SOFT_INK, "normal"),
    ):
        axes.annotate(
            text, (0, 1), (0, up), xycoords="axes fraction", textcoords="offset points", fontsize=size,
            color=colour, fontweight=weight, va="bottom", annotation_clip=False,
        )  # fmt: skip


def draw_cut(
    axes: Any,
    cloud: Any,
    scans: Mapping[str, Scan],
    profile: Profile,
    attitude: Attitude | None,
    floor: FittedFloor,
    *,
    slices: Sequence[str] | None = None,
    extent: float = 8.0,
) -> None:
    """Draw a cut along the robot's x axis through the fan's origin: true heights, the floor, the slices.

    Arguments as for `draw_elevation`; `floor` is what `Flattener.floor` gave after the frame. Drawn are the
    returns and the HITs of a strip SWATH metres wide, by their x; the floor of the bearings straight ahead
    and straight behind; and the slices, which ride on it. Raises FlattenError for a slice that is not
    there, MissingPartError without matplotlib.
    """
    load_matplotlib("figure")  # or say at once what is missing
    x = np.linspace(-extent, extent, 801)
    ground, known = floor.at(x, 0.0 * x), floor.is_known(x, 0.0 * x)
    placed = geometry.level_returns(as_cloud(cloud), profile, attitude, style.MOST_DRAWN)
    placed = placed - (profile.mount.x, profile.mount.y, 0.0)
    strip = placed[(np.abs(placed[:, 1]) <= SWATH / 2) & (np.abs(placed[:, 0]) <= extent)]
    bands = {name: profile.slices[name] for name in (slices or scans)}
    _set_cut_frame(axes, strip, ground[known], [band.top for band in bands.values()], extent)
    for number, (name, band) in enumerate(bands.items()):
        look, r = slice_look(number), np.abs(x)
        reached = (r >= profile.reach.near) & (r <= profile.reach.far)
        low, high = ground + band.bottom + band.rise * r, ground + band.top
        axes.fill_between(
            x, low, high, where=reached & (low < high), facecolor=look["fill"], alpha=0.75, edgecolor="none",
            zorder=1.0 + 0.01 * number, label=f"band {name}",
        )  # fmt: skip
        for edge in (low, high):
            axes.plot(
                x, np.where(reached & (low < high), edge, np.nan), color=look["colour"], lw=0.7,
                ls=look["line"], zorder=1.5, label="_border",
            )  # fmt: skip
    axes.plot(
        strip[:, 0], strip[:, 2], linestyle="none", marker=".", ms=2.0, mew=0, color=style.SLICE_RETURN,
        zorder=2.0, label="returns",
    )  # fmt: skip
    axes.axhline(0.0, color=style.RULE, lw=0.8, ls=(0, (5, 3)), zorder=1.8, label="level")
    axes.plot(x, np.where(known, ground, np.nan), color=style.INK, lw=2.2, zorder=3.0, label="floor")
    axes.plot(
        x, np.where(known, np.nan, ground), color=style.INK, lw=1.0, ls=(0, (1, 1.2)), zorder=2.9,
        label="floor not known",
    )  # fmt: skip
    _draw_robot_side(axes, profile, attitude)
    for number, name in enumerate(bands):
        _draw_strip_hits(axes, scans[name], floor, number)
    _draw_strip_drops(axes, floor)


def _set_cut_frame(axes: Any, strip: Numbers, ground: Numbers, tops: Sequence[float], extent: float) -> None:
    low, high = [0.0], [max(1.0, *tops)]
    if ground.size:
        low.append(float(ground.min()))
        high.append(float(ground.max()) + max(tops))
    if strip.size:
        low.append(max(float(np.quantile(strip[:, 2], 0.01)), min(low) - 1.5))
    axes.set_xlim(-extent, extent)
    axes.set_ylim(min(low) - 0.15, min(max(high), 4.0) + 0.15)
    axes.set_facecolor("#ffffff")
    axes.tick_params(labelsize=style.SMALL, colors=style.SOFT_INK, length=2.5, width=0.6)
    for side, spine in axes.spines.items():
        spine.set(color=style.RULE, linewidth=0.6, visible=side in ("left", "bottom"))
    axes.set_xlabel(
        f"← behind    forward of the fan's origin [m], returns of a strip {SWATH:g} m wide    ahead →",
        fontsize=style.SMALL, color=style.SOFT_INK, labelpad=2,
    )  # fmt: skip
    axes.set_ylabel("height above the tracks [m]", fontsize=style.SMALL, color=style.SOFT_INK, labelpad=2)
    low_end, high_end = axes.get_ylim()
    stretch = (axes.bbox.height / (high_end - low_end)) / (axes.bbox.width / (2.0 * extent))
    scale = "" if abs(stretch - 1.0) < 0.05 else f"heights drawn {stretch:.1f} times as large"
    for text, across, size, colour, weight, side in (
        ("Cut along the robot", 0.0, style.HEAD, style.INK, "bold", "left"),
        (scale, 1.0, style.SMALL, style.SOFT_INK, "normal", "right"),
    ):
        axes.annotate(
            text, (across, 1), (0, 6), xycoords="axes fraction", textcoords="offset points", fontsize=size,
            color=colour, fontweight=weight, va="bottom", ha=side, annotation_clip=False,
        )  # fmt: skip


def _draw_robot_side(axes: Any, profile: Profile, attitude: Attitude | None) -> None:
    outline = geometry.robot_side(profile, attitude) - (profile.mount.x, 0.0)
    add_rings(axes, [outline], "robot", 3.5, facecolor=style.ROBOT, edgecolor=style.INK, linewidth=1.3)
    pose = geometry.level_from_sensor(profile, attitude)
    axes.plot(
        pose[0, 3] - profile.mount.x, pose[2, 3], marker="o", ms=4, color=style.INK, zorder=6, label="sensor"
    )


def _draw_strip_hits(axes: Any, scan: Scan, floor: FittedFloor, number: int) -> None:
    """Draw the HITs of a scan that lie in the strip."""
    if scan.ranges is None or scan.heights is None:
        return
    look, solid = slice_look(number), bins.hit_mask(scan) & ~bins.drop_mask(scan)
    place = bins.hit_points(scan, (0.0, 0.0), solid)
    heights = floor.at(place[:, 0], place[:, 1]) + scan.heights[solid]
    inside = np.abs(place[:, 1]) <= SWATH / 2
    axes.plot(
        place[inside, 0], heights[inside], linestyle="none", marker=look["marker"], ms=3.2, mew=0.7,
        color=look["colour"], markerfacecolor=look["face"], zorder=5.0, label=f"HIT {scan.name}",
    )  # fmt: skip


def _draw_strip_drops(axes: Any, floor: FittedFloor) -> None:
    edge = drop_points(floor, (0.0, 0.0))
    edge = edge[np.abs(edge[:, 1]) <= SWATH / 2]
    axes.plot(
        edge[:, 0], floor.at(edge[:, 0], edge[:, 1]), linestyle="none", zorder=5.5, label="edge",
        **style.EDGE_MARK,
    )  # fmt: skip
