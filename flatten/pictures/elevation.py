"""The side view: distance against height, over the height bands of the slices."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from flatten.cloud import as_cloud
from flatten.fitted import FittedFloor
from flatten.pictures import bins, geometry, style
from flatten.pictures.choices import plan_extent, scan_of
from flatten.pictures.geometry import Attitude, Numbers
from flatten.pictures.legends import elevation_legend, slice_look
from flatten.pictures.parts import load_matplotlib
from flatten.pictures.shapes import add_rings
from flatten.profile import Profile
from flatten.scan import Scan

View = tuple[float, float, float, float]
"""Limits: left, right, lowest, highest, metres."""


def draw_elevation(
    axes: Any,
    cloud: Any,
    scans: Mapping[str, Scan],
    profile: Profile,
    attitude: Attitude | None,
    *,
    slices: Sequence[str] | None = None,
    swath: float | None = None,
    extent: float | None = None,
    legend: bool = True,
    floor: FittedFloor | None = None,
) -> None:
    """Draw distance against height on matplotlib axes, metres.

    To the right of 0 stand the returns and the HITs of all bearings by their distance from the
    fan's origin; the robot stands with its nose to the right and its sensor at 0 when it is level.

    Parameters
    ----------
    axes
        matplotlib axes, empty.
    cloud, scans, profile, attitude
        As for `draw_plan`. A HIT is drawn where its scan has ranges and heights.
    slices
        Slices to draw; all of the profile that were scanned if None.
    swath
        Width in metres: instead of all bearings only what lies in a strip of that width along x
        through the fan's origin, drawn by its x from there (behind the robot to the left).
    extent
        Largest distance in view, metres; chosen by the scans where it is None.
    legend
        Whether to put a legend below the axes.
    floor
        The floor above which heights were taken, and are drawn: `Flattener.floor`; None where it is level.

    Raises FlattenError for a slice that is not there, MissingPartError without matplotlib.

    """
    load_matplotlib("figure")  # or say at once what is missing
    shown = {name: scan_of(scans, name, profile) for name in (slices or scans)}
    placed = geometry.level_returns(as_cloud(cloud), profile, attitude, style.MOST_DRAWN)
    placed = geometry.over_floor(placed, profile, floor)
    if floor is not None:  # drawn as if it were level, and the robot stands on it
        attitude = None
    points = _in_view_axes(placed, profile, swath)
    view = _limits(points, shown, profile, attitude, swath, extent)
    _set_frame(axes, view, swath, "above the fitted floor" if floor is not None else "above the floor")
    for number, name in enumerate(shown):
        _draw_band(axes, profile, name, number, view)
    _draw_returns(axes, points, view)
    _draw_floor(axes, view, profile, swath)
    _draw_robot(axes, profile, attitude)
    beyond = sum(_draw_hits(axes, scan, number, swath, view) for number, scan in enumerate(shown.values()))
    _draw_title(axes, view, beyond, shown.values())
    if legend:
        axes.legend(
            handles=elevation_legend(list(shown)), loc="upper center", bbox_to_anchor=(0.5, -0.2),
            ncols=4, fontsize=style.SMALL, frameon=False, handlelength=2.2,
        )  # fmt: skip


def _in_view_axes(points: Numbers, profile: Profile, swath: float | None) -> Numbers:
    """Turn level coordinates (n, 3) into distance and height (m, 2), for all bearings or in a swath."""
    x, y = points[:, 0] - profile.mount.x, points[:, 1] - profile.mount.y
    if swath is None:
        return np.stack([np.hypot(x, y), points[:, 2]], axis=1)
    inside = np.abs(y) <= swath / 2
    return np.stack([x, points[:, 2]], axis=1)[inside]


def _limits(
    points: Numbers, scans: Mapping[str, Scan], profile: Profile, attitude: Attitude | None,
    swath: float | None, extent: float | None,
) -> View:  # fmt: skip
    far = extent or plan_extent(scans.values(), profile)
    robot = geometry.robot_side(profile, attitude) - (profile.mount.x, 0.0)
    left = float(robot[:, 0].min()) - 0.03 * far
    bands = [profile.slices[name] for name in scans]
    left = -far if swath is not None else left
    near = points[(points[:, 0] <= far) & (points[:, 0] >= left), 1]
    sensor = float(geometry.level_from_sensor(profile, attitude)[2, 3])
    low, high = [0.0, *(b.bottom for b in bands)], [sensor, robot[:, 1].max(), *(b.top for b in bands)]
    if near.size:  # a share of the returns may lie beyond: single ones must not flatten the view
        bottom, top = np.quantile(near, [0.005, 0.98])
        low.append(max(float(bottom), -3.0))
        high.append(min(float(top), max(high) + 1.5))
    margin = 0.06 * (max(high) - min(low))
    return left, far, min(low) - 2.0 * margin, float(max(high)) + margin


def _set_frame(axes: Any, view: View, swath: float | None, over: str) -> None:
    axes.set_xlim(view[0], view[1])
    axes.set_ylim(view[2], view[3])
    axes.set_facecolor("#ffffff")
    axes.tick_params(labelsize=style.SMALL, colors=style.SOFT_INK, length=2.5, width=0.6)
    for side, spine in axes.spines.items():
        spine.set(color=style.RULE, linewidth=0.6, visible=side in ("left", "bottom"))
    across = "distance from the fan's origin, all bearings [m]"
    if swath is not None:
        across = f"forward of the fan's origin, in a strip {swath:g} m wide [m]"
    axes.set_xlabel(across, fontsize=style.SMALL, color=style.SOFT_INK, labelpad=2)
    axes.set_ylabel(f"height {over} [m]", fontsize=style.SMALL, color=style.SOFT_INK, labelpad=2)


def _draw_title(axes: Any, view: View, beyond: int, scans: Iterable[Scan]) -> None:
    """Write the headline, how much heights are stretched, and how many HITs lie outside the view."""
    stretch = (axes.bbox.height / (view[3] - view[2])) / (axes.bbox.width / (view[1] - view[0]))
    scale = "" if abs(stretch - 1.0) < 0.05 else f"heights drawn {stretch:.1f} times as large as distances"
    note = f"{beyond:,} HIT beyond this view" if beyond else ""
    if any(scan.ranges is None or scan.heights is None for scan in scans):
        note = "HIT are drawn only where a scan has ranges and heights"
    for text, across, size, colour, weight, side in (
        ("Side view", 0.0, style.HEAD, style.INK, "bold", "left"),
        (scale, 1.0, style.SMALL, style.SOFT_INK, "normal", "right"),
        (note, 0.5, style.SMALL, style.HIT, "normal", "center"),
    ):
        axes.annotate(
            text, (across, 1), (0, 6), xycoords="axes fraction", textcoords="offset points", fontsize=size,
            color=colour, fontweight=weight, va="bottom", ha=side, annotation_clip=False,
        )  # fmt: skip


def _draw_band(axes: Any, profile: Profile, name: str, number: int, view: View) -> None:
    """Fill a slice's band, its bottom rising with distance, and bracket it at the right with its name."""
    band, look = profile.slices[name], slice_look(number)
    near, far = profile.reach.near, min(profile.reach.far, max(abs(view[0]), view[1]))
    end = far if band.rise == 0.0 else min(far, (band.top - band.bottom) / band.rise)
    for side in (1.0, -1.0) if -view[0] > view[1] / 2 else (1.0,):
        ring = np.array([
            [near, band.bottom + band.rise * near], [end, band.bottom + band.rise * end],
            [end, band.top], [near, band.top],
        ]) * (side, 1.0)  # fmt: skip
        add_rings(axes, [ring], f"band {name}", 1.0, facecolor=look["fill"], edgecolor="none", alpha=0.75)
        for edge in (ring[:2], ring[3:1:-1]):
            axes.plot(*edge.T, color=look["colour"], lw=0.8, ls=look["line"], zorder=1.5, label="_border")
    at_right = axes.get_yaxis_transform()
    away = load_matplotlib("transforms").offset_copy(at_right, axes.figure, x=8 + 15 * number, units="points")
    axes.plot(
        (1.0, 1.0), (band.bottom, band.top), transform=away, color=look["colour"], lw=1.4, clip_on=False,
        marker=look["marker"], ms=3.5, mew=0.9, markerfacecolor=look["face"], zorder=5, label="_bracket",
    )  # fmt: skip
    axes.annotate(
        name, (1.0, (band.bottom + band.top) / 2), (4, 0), xycoords=away, textcoords="offset points",
        rotation=90, va="center", ha="left", fontsize=style.SMALL, color=look["colour"], parse_math=False,
        annotation_clip=False,
    )  # fmt: skip


def _draw_returns(axes: Any, points: Numbers, view: View) -> None:
    inside = (points[:, 0] >= view[0]) & (points[:, 0] <= view[1])
    axes.plot(
        *points[inside].T, linestyle="none", marker=".", ms=1.6, mew=0, color=style.SLICE_RETURN,
        rasterized=True, zorder=2.0, label="returns",
    )  # fmt: skip


def _draw_floor(axes: Any, view: View, profile: Profile, swath: float | None) -> None:
    """Draw the floor (z = 0) and the ends of the reach."""
    axes.plot((view[0], view[1]), (0.0, 0.0), color=style.INK, lw=1.1, zorder=2.5, label="floor")
    axes.annotate(
        "floor", (view[1], 0.0), (-3, -2), textcoords="offset points", ha="right", va="top",
        fontsize=style.SMALL, color=style.INK, zorder=6,
    )  # fmt: skip
    for side in (1.0,) if swath is None else (1.0, -1.0):
        for radius in (profile.reach.near, profile.reach.far):
            if view[0] <= side * radius <= view[1]:
                axes.axvline(side * radius, color=style.INK, lw=0.9, ls="-.", zorder=2.4, label="reach")


def _draw_robot(axes: Any, profile: Profile, attitude: Attitude | None) -> None:
    """Draw the robot's outline, and its sensor with the directions of its own x and z axes."""
    origin = profile.mount.x, 0.0
    outline = geometry.robot_side(profile, attitude) - origin
    add_rings(axes, [outline], "robot", 3.5, facecolor=style.ROBOT, edgecolor=style.INK, linewidth=1.3)
    pose = geometry.level_from_sensor(profile, attitude)
    place = pose[[0, 2], 3] - origin
    length = 0.7 * max(profile.robot.length, 0.3)
    tip = place + length * pose[[0, 2], 0]
    axes.annotate(
        "", tip, place, zorder=6, annotation_clip=False,
        arrowprops={"arrowstyle": "-|>", "color": style.INK, "lw": 1.0, "shrinkA": 0, "shrinkB": 0},
    )  # fmt: skip
    axes.plot(*place, marker="o", ms=4, color=style.INK, zorder=6, label="sensor")
    pitch = math.degrees(math.asin(max(-1.0, min(1.0, -float(pose[2, 0])))))
    tilt = "level" if abs(pitch) < 0.05 else f"{abs(pitch):.1f}° {'down' if pitch > 0 else 'up'}"
    axes.annotate(
        f"sensor, {tilt}", (outline[:, 0].min(), outline[:, 1].max()), (0, 4), textcoords="offset points",
        fontsize=style.SMALL, color=style.INK, zorder=6, annotation_clip=False, bbox=style.GROUND,
    )  # fmt: skip


def _draw_hits(axes: Any, scan: Scan, number: int, swath: float | None, view: View) -> int:
    """Draw the HITs of a scan; give the number of those outside the view."""
    if scan.ranges is None or scan.heights is None:
        return 0
    look, hit = slice_look(number), bins.hit_mask(scan)
    offset = bins.hit_points(scan, (0.0, 0.0))
    across = scan.ranges[hit].astype(np.float64)
    heights = np.where(bins.drop_mask(scan), 0.0, scan.heights)[hit].astype(np.float64)  # edges have none
    if swath is not None:
        inside = np.abs(offset[:, 1]) <= swath / 2
        across, heights = offset[inside, 0], heights[inside]
    axes.plot(
        across, heights, linestyle="none", marker=look["marker"], ms=2.6, mew=0.6, color=look["colour"],
        markerfacecolor=look["face"], zorder=5.0, label=f"HIT {scan.name}",
    )  # fmt: skip
    inside = (across >= view[0]) & (across <= view[1]) & (heights >= view[2]) & (heights <= view[3])
    return int(np.count_nonzero(~inside))
