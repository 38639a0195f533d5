"""The plan view: one slice from above, x forward up the page, y left to the left."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from flatten.cloud import as_cloud
from flatten.fitted import FittedFloor
from flatten.pictures import bins, geometry, style, words
from flatten.pictures.choices import nice, plan_extent, scan_of
from flatten.pictures.geometry import Attitude, Numbers
from flatten.pictures.legends import plan_legend
from flatten.pictures.parts import load_matplotlib
from flatten.pictures.shapes import add_rings, flip, mark_edges
from flatten.profile import Profile
from flatten.scan import Scan, State

MOST_NAMES = 8
"""Blind zones that are named in a close view."""


def draw_plan(
    axes: Any,
    cloud: Any,
    scans: Mapping[str, Scan],
    profile: Profile,
    attitude: Attitude | None,
    slice_name: str,
    *,
    extent: float | None = None,
    legend: bool = True,
    title: str | None = None,
    counts: bool = True,
    floor: FittedFloor | None = None,
    wrong: bins.Mask | None = None,
) -> None:
    """Draw one slice from above on matplotlib axes.

    The axes get data coordinates (y, x) in metres about the robot's centre, y growing to the left,
    so that forward is up and left is left. Drawn are the returns, what every bin says, blind zones
    and robot (as they lean at `attitude`, roll and pitch in rad), the fan's origin and the reach.

    Parameters
    ----------
    axes
        matplotlib axes, empty.
    cloud
        The Cloud (or array, or message) that was flattened, in sensor axes.
    scans
        What `Flattener.flatten` gave for it; arrays that are None are left out.
    profile, attitude
        What it was flattened with.
    slice_name
        Which of the scans to draw.
    extent
        Half the width of the view, metres; chosen by the scan where it is None.
    legend
        Whether to put a legend below the axes.
    title
        Headline; file and slice if None.
    counts
        Whether to write what became of returns and bins below the headline, and how many HITs lie
        outside the view.
    floor
        The floor above which heights were taken: `Flattener.floor`; None where it is level.
    wrong
        Bins (bins,) whose HIT gets a cross, as a known truth denies it.

    Raises FlattenError for a slice that is not there, MissingPartError without matplotlib.

    """
    load_matplotlib("figure")  # or say at once what is missing
    scan = scan_of(scans, slice_name, profile)
    half = extent or plan_extent([scan], profile)
    centre = _set_frame(axes, scan, profile, half)
    placed = geometry.level_returns(as_cloud(cloud), profile, attitude, style.MOST_DRAWN)
    _draw_returns(axes, geometry.over_floor(placed, profile, floor), profile, slice_name, centre, half)
    _draw_bins(axes, scan, profile, half)
    _draw_reach(axes, scan, profile, half)
    fine = half > 4.0 * profile.robot.length
    _draw_robot(axes, profile, attitude, fine)
    _draw_zones(axes, profile, attitude, fine)
    beyond = _draw_hits(axes, scan, profile, centre, half)
    _draw_wrong(axes, scan, profile, wrong)
    _draw_scale_bar(axes, centre, half)
    file = words.shorten(words.file_words(getattr(cloud, "name", "")), 36)
    write_title(
        axes,
        f"{file} · {slice_name}" if title is None else title,
        _count_lines(scan, profile) if counts else [],
    )
    if counts:
        _note(axes, scan, beyond)
    if legend:
        axes.legend(
            handles=plan_legend([scan], profile), loc="upper center", bbox_to_anchor=(0.5, -0.06),
            ncols=3, fontsize=style.SMALL, frameon=False, handlelength=2.2,
        )  # fmt: skip


def _set_frame(axes: Any, scan: Scan, profile: Profile, half: float) -> tuple[float, float]:
    """Set limits and labels; give the centre (x, y) of the view: that of the fan and the robot."""
    mount, robot = profile.mount, profile.robot
    fan = geometry.arc((mount.x, mount.y), half, scan.first, scan.first + scan.bins * scan.step)
    rest = max(robot.length, robot.width)
    both = np.concatenate([fan, [[-rest, -rest], [rest, rest]]])
    low, high = both.min(axis=0), both.max(axis=0)
    x, y = (low + high) / 2 if scan.bins * scan.step < math.tau - 1e-9 else (mount.x, mount.y)
    axes.set_xlim(y + half, y - half)
    axes.set_ylim(x - half, x + half)
    axes.set_aspect("equal", adjustable="box")
    axes.set_facecolor("#ffffff")
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set(color=style.RULE, linewidth=0.6)
    axes.set_xlabel("← left      right →", fontsize=style.SMALL, color=style.SOFT_INK, labelpad=3)
    axes.set_ylabel("ahead →", fontsize=style.SMALL, color=style.SOFT_INK, labelpad=3)
    return float(x), float(y)


def _draw_returns(
    axes: Any, points: Numbers, profile: Profile, name: str, centre: tuple[float, float], half: float
) -> None:
    """Draw returns (n, 3), heights above the floor: those of the slice darker."""
    points = points[(np.abs(points[:, :2] - centre) <= half).all(axis=1)]
    band = profile.slices[name]
    distance = np.hypot(points[:, 0] - profile.mount.x, points[:, 1] - profile.mount.y)
    inside = geometry.in_band(distance, points[:, 2], band.bottom, band.top, band.rise)
    for label, part, colour in (
        ("returns", ~inside, style.RETURN),
        ("returns of the slice", inside, style.SLICE_RETURN),
    ):
        axes.plot(
            points[part, 1], points[part, 0], linestyle="none", marker=".", ms=1.6, mew=0, color=colour,
            rasterized=True, zorder=2.0, label=label,
        )  # fmt: skip


def _draw_bins(axes: Any, scan: Scan, profile: Profile, half: float) -> None:
    """Shade what bins say beside HIT: stretches witnessed free, bins too near, bins blocked."""
    origin = profile.mount.x, profile.mount.y
    rim = np.full(scan.bins, min(scan.far, 1.5 * half))
    begin, end = bins.witnessed(scan, profile)
    part, clear = bins.partly_witnessed(scan, profile), bins.clear_mask(scan) & (end > begin)
    _fill(axes, bins.bin_polygons(scan, part, begin, end, origin), "partly witnessed", 1.1, style.PARTLY)
    _fill(axes, bins.bin_polygons(scan, clear, begin, end, origin), "CLEAR", 1.2, style.CLEAR)
    states = bins.states_of(scan)
    if states is None:
        return
    blocked = bins.bin_polygons(scan, states == State.BLOCKED, np.minimum(end, rim), rim, origin)
    _fill(axes, blocked, "BLOCKED", 1.0, style.BLOCKED, style.BLOCKED_LINE, "////")
    near = np.full(scan.bins, scan.near)
    wedges = bins.bin_polygons(scan, states == State.TOO_NEAR, np.zeros(scan.bins), near, origin)
    _fill(axes, wedges, "TOO_NEAR", 4.5, style.NEAR, style.INK, "xxxx")


def _fill(
    axes: Any,
    polygons: list[Numbers],
    label: str,
    zorder: float,
    face: str,
    line: str = "none",
    hatch: str = "",
) -> None:
    rings = [flip(polygon) for polygon in polygons]
    add_rings(axes, rings, label, zorder, facecolor=face, edgecolor=line, linewidth=0.0, hatch=hatch or None)


def _draw_reach(axes: Any, scan: Scan, profile: Profile, half: float) -> None:
    """Draw the reach (near and far), a few distances between, the fan's origin and its edges."""
    origin = profile.mount.x, profile.mount.y
    first, last = scan.first, scan.first + scan.bins * scan.step
    step = nice(half / 2.2)
    for radius in np.arange(1, 12) * step:
        if radius < min(scan.far, 1.4 * half):
            ring = flip(geometry.arc(origin, radius, first, last))
            axes.plot(*ring.T, color=style.RULE, lw=0.5, ls=":", zorder=2.5, label="_distance")
        if radius < min(scan.far, 0.94 * half):
            middle = flip(geometry.arc(origin, radius, (first + last) / 2, (first + last) / 2))[0]
            axes.annotate(
                f"{radius:g} m", middle, (2, 1), textcoords="offset points", fontsize=style.SMALL,
                color=style.SOFT_INK, zorder=6, annotation_clip=True, bbox=style.GROUND,
            )  # fmt: skip
    look = {"color": style.INK, "lw": 0.9, "ls": "-.", "zorder": 4.6}
    for radius, label in ((scan.near, "reach near"), (scan.far, "reach far")):
        axes.plot(*flip(geometry.arc(origin, radius, first, last)).T, label=label, **look)
    if last - first < math.tau - 1e-9:
        for bearing in (first, last):
            edge = flip(np.array([origin, *geometry.arc(origin, scan.far, bearing, bearing)[:1]]))
            axes.plot(*edge.T, color=style.INK, lw=0.6, ls="-.", zorder=2.6, label="fan's edge")
    axes.plot(
        origin[1], origin[0], marker="+", ms=7, mew=1.1, color=style.INK, zorder=5, label="fan's origin"
    )


def _draw_robot(axes: Any, profile: Profile, attitude: Attitude | None, fine: bool) -> None:
    robot = profile.robot
    outline = flip(geometry.robot_footprint(profile, attitude))
    width = 0.9 if fine else 1.4
    add_rings(axes, [outline], "robot", 3.5, facecolor=style.ROBOT, edgecolor=style.INK, linewidth=width)
    nose, side = robot.length / 2, robot.width / 5
    arrow = [(-0.6 * nose, 0.2 * side), (0.5 * nose, 0.2 * side), (0.5 * nose, side), (0.95 * nose, 0.0)]
    arrow += [(x, -y) for x, y in arrow[2::-1]]
    points = flip(geometry.in_robot_axes(arrow, profile, attitude))
    add_rings(axes, [points], "heading", 3.6, facecolor=style.INK, edgecolor="none", alpha=0.75)


def _draw_zones(axes: Any, profile: Profile, attitude: Attitude | None, fine: bool) -> None:
    """Outline each blind zone as the body leans; where the view is close, name the first few."""
    width = 0.7 if fine else 1.3
    tops = {}
    for zone in profile.blind_zones:
        rings = [flip(ring) for ring in geometry.zone_footprint(zone, profile, attitude)]
        add_rings(
            axes, rings, f"blind zone {zone.name}", 4.0,
            facecolor="none", edgecolor=style.ZONE, linewidth=width, linestyle=(0, (3, 1.5)),
        )  # fmt: skip
        tops[zone.name] = rings[0][np.argmin(rings[0].sum(axis=1) - 2 * rings[0][:, 1])]
    if not fine:
        _name_zones(axes, tops)


def _name_zones(axes: Any, tops: Mapping[str, Numbers]) -> None:
    """Write names below each other at the right edge, in the order of their zones, each with a line."""
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    corner = np.array([right, high])

    def slope(item: tuple[str, Numbers]) -> float:
        away = np.abs(corner - item[1]) / (abs(right - left), high - low)
        return float(np.arctan2(away[1], away[0]))

    named = sorted(list(tops.items())[:MOST_NAMES], key=slope)  # so that the lines do not cross
    for number, (name, top) in enumerate(named):
        axes.annotate(
            words.shorten(name, 14), top, (0.985, 0.86 - 0.075 * number), textcoords="axes fraction",
            fontsize=style.SMALL, color=style.ZONE, ha="right", va="center", zorder=6, parse_math=False,
            annotation_clip=True, bbox=style.GROUND,
            arrowprops={"arrowstyle": "-", "color": style.ZONE, "lw": 0.6, "shrinkA": 0, "shrinkB": 0},
        )  # fmt: skip


def _draw_hits(axes: Any, scan: Scan, profile: Profile, centre: tuple[float, float], half: float) -> int:
    """Draw the HITs; give the number of those outside the view."""
    origin, drops = (profile.mount.x, profile.mount.y), bins.drop_mask(scan)
    hits = bins.hit_points(scan, origin)
    inside = (np.abs(hits - centre) <= half).all(axis=1)
    solid = bins.hit_points(scan, origin, ~drops)
    look: dict[str, Any] = {"linestyle": "none", "zorder": 5.5}
    axes.plot(solid[:, 1], solid[:, 0], marker="o", ms=2.8, mew=0, color=style.HIT, label="HIT", **look)
    if drops.any():
        mark_edges(axes, flip(bins.hit_points(scan, origin, drops)), half / 20.0, "HIT, edge")
    return int(np.count_nonzero(~inside))


def _draw_wrong(axes: Any, scan: Scan, profile: Profile, wrong: bins.Mask | None) -> None:
    """Put a cross on the HITs that the truth denies."""
    if wrong is None:
        return
    places = bins.hit_points(scan, (profile.mount.x, profile.mount.y), wrong)
    axes.plot(
        places[:, 1], places[:, 0], linestyle="none", zorder=5.8, label="HIT, denied", **style.WRONG_MARK
    )


def _note(axes: Any, scan: Scan, beyond: int) -> None:
    """Write in the lower left corner what is not drawn."""
    good = scan.counts.returns - scan.counts.skipped
    lines = [f"{style.MOST_DRAWN:,} of {good:,} returns drawn"] if good > style.MOST_DRAWN else []
    lines += [f"{beyond:,} HIT beyond this view"] if beyond else []
    axes.annotate(
        "\n".join(lines), (0, 0), (4, 4), xycoords="axes fraction", textcoords="offset points",
        fontsize=style.SMALL, color=style.HIT, zorder=7, bbox=style.GROUND,
    )  # fmt: skip


def _draw_scale_bar(axes: Any, centre: tuple[float, float], half: float) -> None:
    """Draw a bar of a round length in the lower right corner, in data coordinates."""
    length = nice(0.5 * half)
    right, level = centre[1] - 0.94 * half, centre[0] - 0.94 * half
    ends = (right + length, right)
    halo = load_matplotlib("patheffects").withStroke(linewidth=6.0, foreground="#ffffff")
    axes.plot(
        ends, (level, level), color=style.INK, lw=2.4, solid_capstyle="butt", zorder=7, label="scale bar",
        path_effects=[halo],
    )  # fmt: skip
    axes.text(
        sum(ends) / 2, level + 0.035 * half, f"{length:g} m", ha="center", va="bottom", fontsize=style.TEXT,
        color=style.INK, zorder=7.1, bbox=style.GROUND,
    )  # fmt: skip


def _count_lines(scan: Scan, profile: Profile) -> list[str]:
    states = words.state_words(bins.state_counts(scan))
    if scan.ranges is None:
        states += "; ranges not in the scan"
    return [
        words.slice_words(scan.name, profile),
        words.count_words(scan),
        f"{scan.bins:,} bins: {states}",
    ]


def write_title(axes: Any, title: str, lines: Sequence[str]) -> None:
    """Write a headline above a view, and small lines below it."""
    above = ((title, 4 + 10 * len(lines), style.HEAD, style.INK, "bold"),)
    below = (("\n".join(lines), 4, style.SMALL, style.SOFT_INK, "normal"),)
    for text, up, size, colour, weight in above + below * bool(lines):
        axes.annotate(
            text, (0, 1), (0, up), xycoords="axes fraction", textcoords="offset points", fontsize=size,
            color=colour, fontweight=weight, va="bottom", linespacing=1.25, parse_math=False,
            annotation_clip=False,
        )  # fmt: skip
