"""The plan view: one slice from above, x forward up the page, y left to the left."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from flatten.cloud import Cloud, as_cloud
from flatten.errors import FlattenError
from flatten.pictures import bins, geometry, style, words
from flatten.pictures.geometry import Attitude, Numbers
from flatten.pictures.parts import load_matplotlib
from flatten.profile import Profile
from flatten.scan import Scan, State


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

    Raises FlattenError for a slice that is not there, MissingPartError without matplotlib.

    """
    scan = scan_of(scans, slice_name, profile)
    half = extent or plan_extent([scan], profile)
    centre = _set_frame(axes, scan, profile, half)
    _draw_returns(axes, as_cloud(cloud), profile, attitude, slice_name, centre, half)
    _draw_bins(axes, scan, profile, half)
    _draw_reach(axes, scan, profile, half)
    _draw_robot(axes, profile, attitude)
    _draw_zones(axes, profile, attitude)
    _draw_hits(axes, scan, profile, centre, half)
    _draw_scale_bar(axes, centre, half)
    _draw_title(axes, cloud, scan)
    if legend:
        axes.legend(
            handles=plan_legend([scan], profile), loc="upper center", bbox_to_anchor=(0.5, -0.1),
            ncols=3, fontsize=style.SMALL, frameon=False, handlelength=2.2,
        )  # fmt: skip


def scan_of(scans: Mapping[str, Scan], name: str, profile: Profile) -> Scan:
    """Look a scan up; FlattenError where the scans or the profile do not have the slice."""
    if name not in scans or name not in profile.slices:
        there = ", ".join(key for key in scans if key in profile.slices) or "none"
        raise FlattenError(f"no scan of a slice {name!r} to draw: there are {there}")
    return scans[name]


def plan_extent(scans: Iterable[Scan], profile: Profile) -> float:
    """Choose half the width of the view, metres: what CLEAR speaks of, three quarters of the HITs, no more."""
    found = [scan.ranges[bins.hit_mask(scan)] for scan in scans if scan.ranges is not None]
    ranges = np.concatenate([np.empty(0), *found])
    wanted = [2.0 * max(profile.robot.length, profile.robot.width), 1.5]
    if profile.clear is not None:
        wanted.append(1.15 * profile.clear.to)
    if ranges.size:
        wanted.append(1.1 * float(np.quantile(ranges, 0.75)))
    return min(max(wanted), max(1.06 * profile.reach.far, *wanted[:2]))


def plan_legend(scans: Iterable[Scan], profile: Profile) -> list[Any]:
    """Make the handles of the legend: what there is in these scans, and the fixed parts."""
    lines, patches = load_matplotlib("lines"), load_matplotlib("patches")
    seen = {state for scan in scans for state, number in (bins.state_counts(scan) or {}).items() if number}
    clear = profile.clear
    stretch = f" at least {clear.from_:g} to {clear.to:g} m" if clear else ""

    def dot(label: str, **look: Any) -> Any:
        return lines.Line2D([], [], linestyle="none", label=label, **look)

    def patch(label: str, face: str, edge: str, hatch: str = "", width: float = 0.6) -> Any:
        return patches.Patch(facecolor=face, edgecolor=edge, hatch=hatch, label=label, linewidth=width)

    states = {
        State.HIT: dot("HIT: obstacle of the slice", marker="o", ms=4, color=style.HIT),
        State.CLEAR: patch(f"CLEAR: witnessed free{stretch}", style.CLEAR, style.SOFT_INK),
        State.TOO_NEAR: patch(f"TOO_NEAR: under {profile.reach.near:g} m", style.NEAR, style.INK, "xxxx"),
        State.BLOCKED: patch("BLOCKED: by a blind zone", style.BLOCKED, style.BLOCKED_LINE, "////"),
        State.UNSEEN: patch("UNSEEN (white): nothing known", "#ffffff", style.RULE),
    }
    handles = [handle for state, handle in states.items() if state in seen]
    handles.insert(2, patch("witnessed for a part only", style.PARTLY, style.RULE))
    handles += [
        dot("return of the slice", marker=".", ms=4, color=style.SLICE_RETURN),
        dot("other return", marker=".", ms=4, color=style.RETURN),
        lines.Line2D([], [], color=style.INK, lw=1.3, label="robot, arrow ahead"),
        lines.Line2D([], [], color=style.ZONE, lw=1.1, ls=(0, (3, 1.5)), label="blind zone"),
        dot("fan's origin", marker="+", ms=7, color=style.INK),
        lines.Line2D([], [], color=style.INK, lw=0.9, ls="-.", label="reach, nearest and farthest"),
    ]
    return handles


def flip(points: Numbers) -> Numbers:
    """Turn (n, 2) of x and y into the axes' (y, x)."""
    return points[:, ::-1]


def chosen(count: int) -> slice | Numbers:
    """Choose which of `count` returns to draw: all, or an even random choice, always the same."""
    if count <= style.MOST_DRAWN:
        return slice(None)
    return np.random.default_rng(0).choice(count, style.MOST_DRAWN, replace=False)


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
    axes.tick_params(labelsize=style.SMALL, colors=style.SOFT_INK, length=2.5, width=0.6)
    for spine in axes.spines.values():
        spine.set(color=style.RULE, linewidth=0.6)
    axes.set_xlabel("left  +      [m]      −  right", fontsize=style.SMALL, color=style.SOFT_INK, labelpad=2)
    axes.set_ylabel("forward of the robot's centre [m]", fontsize=style.SMALL, color=style.SOFT_INK, labelpad=2)
    return float(x), float(y)


def _draw_returns(
    axes: Any, cloud: Cloud, profile: Profile, attitude: Attitude | None, name: str,
    centre: tuple[float, float], half: float,
) -> None:  # fmt: skip
    points = geometry.level_returns(cloud, profile, attitude)
    points = points[chosen(len(points))]
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
    states = bins.states_of(scan)
    begin, end = bins.witnessed(scan, profile)
    stretch = end > begin
    clear = stretch & (states == State.CLEAR) if states is not None else np.zeros(scan.bins, bool)
    _fill(axes, bins.bin_polygons(scan, stretch & ~clear, begin, end, origin), "partly witnessed", 1.1, style.PARTLY)
    _fill(axes, bins.bin_polygons(scan, clear, begin, end, origin), "CLEAR", 1.2, style.CLEAR)
    if states is None:
        return
    blocked = bins.bin_polygons(scan, states == State.BLOCKED, np.minimum(end, rim), rim, origin)
    _fill(axes, blocked, "BLOCKED", 1.0, style.BLOCKED, style.BLOCKED_LINE, "////")
    near = np.full(scan.bins, scan.near)
    wedges = bins.bin_polygons(scan, states == State.TOO_NEAR, np.zeros(scan.bins), near, origin)
    _fill(axes, wedges, "TOO_NEAR", 4.5, style.NEAR, style.INK, "xxxx")


def _fill(
    axes: Any, polygons: list[Numbers], label: str, zorder: float, face: str, line: str = "none", hatch: str = ""
) -> None:
    if not polygons:
        return
    collection = load_matplotlib("collections").PolyCollection(
        [flip(polygon) for polygon in polygons],
        facecolor=face, edgecolor=line, linewidth=0.0, hatch=hatch or None, zorder=zorder, label=label,
    )  # fmt: skip
    axes.add_collection(collection, autolim=False)


def _draw_reach(axes: Any, scan: Scan, profile: Profile, half: float) -> None:
    """Draw the reach (near and far), a few distances between, the fan's origin and its edges."""
    origin = profile.mount.x, profile.mount.y
    first, last = scan.first, scan.first + scan.bins * scan.step
    step = nice(half / 3)
    for radius in np.arange(1, 12) * step:
        if radius < min(scan.far, 1.4 * half):
            ring = flip(geometry.arc(origin, radius, first, last))
            axes.plot(*ring.T, color=style.RULE, lw=0.5, ls=":", zorder=2.5, label="_distance")
            middle = flip(geometry.arc(origin, radius, (first + last) / 2, (first + last) / 2))[0]
            axes.annotate(
                f"{radius:g} m", middle, (2, 1), textcoords="offset points", fontsize=style.SMALL,
                color=style.SOFT_INK, zorder=6, annotation_clip=True,
            )  # fmt: skip
    for radius, label in ((scan.near, "reach near"), (scan.far, "reach far")):
        axes.plot(
            *flip(geometry.arc(origin, radius, first, last)).T, color=style.INK, lw=0.9, ls="-.", zorder=4.6, label=label
        )
    if last - first < math.tau - 1e-9:
        for bearing in (first, last):
            edge = flip(np.array([origin, *geometry.arc(origin, scan.far, bearing, bearing)[:1]]))
            axes.plot(*edge.T, color=style.INK, lw=0.6, ls="-.", zorder=2.6, label="fan's edge")
    axes.plot(origin[1], origin[0], marker="+", ms=7, mew=1.1, color=style.INK, zorder=5, label="fan's origin")


def _draw_robot(axes: Any, profile: Profile, attitude: Attitude | None) -> None:
    robot = profile.robot
    outline = flip(geometry.robot_footprint(profile, attitude))
    axes.fill(*outline.T, facecolor=style.ROBOT, edgecolor=style.INK, lw=1.3, zorder=3.5, label="robot")
    nose, side = robot.length / 2, robot.width / 5
    arrow = [(0.0, 0.0), (0.7 * nose, 0.0), (0.7 * nose, side), (nose, 0.0), (0.7 * nose, -side), (0.7 * nose, 0.0)]
    points = flip(geometry.in_robot_axes(arrow, profile, attitude))
    axes.fill(*points.T, facecolor=style.INK, edgecolor=style.INK, lw=0.9, zorder=3.6, label="heading")


def _draw_zones(axes: Any, profile: Profile, attitude: Attitude | None) -> None:
    """Outline each blind zone as the body leans; its inside is what winds round, holes stay open."""
    patches, paths = load_matplotlib("patches"), load_matplotlib("path")
    for zone in profile.blind_zones:
        rings = geometry.zone_footprint(zone, profile, attitude)
        path = paths.Path.make_compound_path(*(paths.Path(flip(np.vstack([r, r[:1]])), closed=True) for r in rings))
        patch = patches.PathPatch(
            path, facecolor="none", edgecolor=style.ZONE, lw=1.1, ls=(0, (3, 1.5)), zorder=4.0,
            label=f"blind zone {zone.name}",
        )  # fmt: skip
        axes.add_artist(patch)


def _draw_hits(axes: Any, scan: Scan, profile: Profile, centre: tuple[float, float], half: float) -> None:
    hits = bins.hit_points(scan, (profile.mount.x, profile.mount.y))
    inside = (np.abs(hits - centre) <= half).all(axis=1)
    axes.plot(
        hits[:, 1], hits[:, 0], linestyle="none", marker="o", ms=2.8, mew=0, color=style.HIT, zorder=5.5, label="HIT"
    )
    beyond = int(np.count_nonzero(~inside))
    if beyond:
        axes.text(
            0.02, 0.02, f"{beyond:,} HIT beyond this view", transform=axes.transAxes, fontsize=style.SMALL,
            color=style.HIT, zorder=7, bbox={"facecolor": "#ffffff", "edgecolor": "none", "pad": 1.2},
        )  # fmt: skip


def nice(length: float) -> float:
    """Round a length down to 1, 2 or 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(length))
    return max(part * power for part in (1.0, 2.0, 5.0) if part * power <= length * (1 + 1e-9))


def _draw_scale_bar(axes: Any, centre: tuple[float, float], half: float) -> None:
    """Draw a bar of a round length in the lower right corner, in data coordinates."""
    length = nice(0.5 * half)
    right, level = centre[1] - 0.93 * half, centre[0] - 0.91 * half
    ends = (right + length, right)
    load = load_matplotlib("patches")
    axes.add_patch(load.Rectangle(
        (right - 0.04 * half, level - 0.06 * half), length + 0.08 * half, 0.2 * half, facecolor="#ffffff",
        edgecolor="none", zorder=6.5, label="_scale ground",
    ))  # fmt: skip
    axes.plot(ends, (level, level), color=style.INK, lw=2.4, solid_capstyle="butt", zorder=7, label="scale bar")
    axes.text(
        sum(ends) / 2, level + 0.03 * half, f"{length:g} m", ha="center", va="bottom", fontsize=style.TEXT,
        color=style.INK, zorder=7,
    )  # fmt: skip


def _draw_title(axes: Any, cloud: Any, scan: Scan) -> None:
    name = words.shorten(words.file_words(getattr(cloud, "name", "")), 36)
    axes.set_title(
        f"{name} · {scan.name}", loc="left", fontsize=style.HEAD, fontweight="bold", pad=26, parse_math=False
    )
    below = f"{words.count_words(scan)}\n{scan.bins:,} bins: {words.state_words(bins.state_counts(scan))}"
    axes.annotate(
        below, (0, 1), (0, 4), xycoords="axes fraction", textcoords="offset points", fontsize=style.SMALL,
        color=style.SOFT_INK, va="bottom", linespacing=1.3, parse_math=False, annotation_clip=False,
    )  # fmt: skip
