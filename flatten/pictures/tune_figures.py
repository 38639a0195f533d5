"""Figures of a tuned profile: what each candidate gains and costs, shaking, test bodies, the near field."""

from __future__ import annotations

import io
import math
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.pictures import style
from flatten.pictures.parts import load_matplotlib
from flatten.pictures.sheet import save_figure
from flatten.tuning.candidates import Sweep
from flatten.tuning.recommend import LEAK, map_scores
from flatten.tuning.tune import Tuned

Numbers = npt.NDArray[np.float64]

LEAST_SHOWN = 1e-5
"""Share from which on a leak has a colour of its own."""
SHAKES = np.linspace(0.0, 3.0, 31)
"""Degrees."""


def picture(draw: Any, told: Tuned, size: tuple[float, float]) -> bytes:
    """Draw on a figure of so many inches and give it as PNG."""
    figure = load_matplotlib("figure").Figure(
        figsize=size, dpi=110, facecolor="#ffffff", layout="constrained"
    )
    draw(figure, told)
    stream = io.BytesIO()
    save_figure(figure, stream, ".png")
    return stream.getvalue()


def axes_of(figure: Any, place: Any, title: str, across: str, up: str) -> Any:
    """Add axes with their words."""
    axes = figure.add_subplot(*place)
    axes.set_title(title, fontsize=style.HEAD, loc="left", color=style.INK)
    axes.set_xlabel(across, fontsize=style.TEXT)
    axes.set_ylabel(up, fontsize=style.TEXT)
    axes.tick_params(labelsize=style.SMALL, colors=style.SOFT_INK)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return axes


def heat(figure: Any, axes: Any, values: Numbers, columns: Numbers, rows: Numbers, label: str) -> None:
    """Draw shares as tiles: per cent, the darker the more; tiles that are narrow stay narrow."""
    shown = axes.pcolormesh(
        np.arange(len(columns)),
        np.arange(len(rows)),
        100.0 * values,
        cmap="Blues",
        shading="nearest",
        vmin=0.0,
    )
    axes.set_xticks(np.arange(len(columns))[:: 1 + len(columns) // 10])
    axes.set_xticklabels([f"{value:g}" for value in columns[:: 1 + len(columns) // 10]])
    axes.set_yticks(np.arange(len(rows))[:: 1 + len(rows) // 10])
    axes.set_yticklabels([f"{value:g}" for value in rows[:: 1 + len(rows) // 10]])
    bar = figure.colorbar(shown, ax=axes)
    bar.set_label(label, fontsize=style.SMALL)
    bar.ax.tick_params(labelsize=style.SMALL)


def mark(axes: Any, columns: Numbers, rows: Numbers, column: float, row: float) -> None:
    """Mark the chosen candidate."""
    x = np.interp(column, columns, np.arange(len(columns)))
    y = np.interp(row, rows, np.arange(len(rows)))
    axes.plot(
        [x], [y], "s", markersize=11, markerfacecolor="none", markeredgecolor=style.HIT, markeredgewidth=2
    )


def draw_trade(figure: Any, told: Tuned) -> None:
    """Heat maps over bottom and rise: what is missed, and how much floor gets in."""
    sweep, grid = told.sweep, told.sweep.driving.grid
    top = int(np.argmin(np.abs(grid.tops - told.drive.top)))
    missed = sweep.driving.missed[:, :, top].sum(axis=-1) / max(int(sweep.wanted.sum()), 1)
    leaks = leaks_of(sweep, told.shake.sigma)
    across, up = "bottom, m", "rise, m per m"
    one = axes_of(figure, (1, 2, 1), "missed of what must be seen", across, up)
    heat(figure, one, missed, grid.bottoms, grid.rises, "% of bins")
    two = axes_of(
        figure, (1, 2, 2), f"floor gets in, at {math.degrees(told.shake.sigma):.2f}° shaking", across, up
    )
    heat(figure, two, leaks, grid.bottoms, grid.rises, "% of bins")
    two.contour(
        np.arange(len(grid.bottoms)), np.arange(len(grid.rises)), leaks, levels=[LEAK], colors=style.INK,
        linewidths=1.5,
    )  # fmt: skip
    for axes in (one, two):
        mark(axes, grid.bottoms, grid.rises, told.drive.bottom, told.drive.rise)


def leaks_of(sweep: Sweep, sigma: float) -> Numbers:
    """(rises, bottoms) expected leaks."""
    return np.array([sweep.leak(float(rise), sigma) for rise in sweep.driving.grid.rises])


def draw_tops(figure: Any, told: Tuned) -> None:
    """Curves over the top: overhangs missed, free ways blocked."""
    sweep, grid = told.sweep, told.sweep.driving.grid
    missed = sweep.driving.missed[0, 0].sum(axis=-1) / max(int(sweep.wanted.sum()), 1)
    blocked = sweep.driving.blocked[0, 0] / max(sweep.free_under, 1)
    axes = axes_of(figure, (1, 1, 1), "the top of the slice", "top, m", "% of bins")
    axes.plot(
        grid.tops, 100.0 * missed, "-o", color=style.HIT, label="missed of what must be seen", markersize=4
    )
    axes.plot(
        grid.tops,
        100.0 * blocked,
        "--^",
        color="#0063a6",
        label="free ways under something blocked",
        markersize=4,
    )
    axes.axvline(told.limits.head, color=style.RULE, linewidth=1)
    axes.annotate(
        "height + clearance",
        (told.limits.head, axes.get_ylim()[1]),
        fontsize=style.SMALL,
        ha="right",
        va="top",
        rotation=90,
    )
    axes.legend(fontsize=style.SMALL, frameon=False)


def lines_of(chosen: float) -> list[tuple[float, str]]:
    """Rises to draw, each with its line: the chosen one, and others beside it."""
    return [
        (chosen, "-"),
        *((r, line) for r, line in ((0.0, "--"), (0.01, ":"), (0.03, "-.")) if r != chosen),
    ]


def draw_shaking(figure: Any, told: Tuned) -> None:
    """Curves over the shaking: how much floor gets in, and where."""
    choice, sweep = told.drive, told.sweep
    at = int(np.argmin(np.abs(sweep.driving.grid.bottoms - choice.bottom)))
    one = axes_of(
        figure, (1, 2, 1), "what shaking does", "shaking, °, one sigma", "floor gets into % of bins"
    )
    for rise, line in lines_of(choice.rise):
        leaks = [100.0 * sweep.leak(rise, math.radians(float(angle)))[at] for angle in SHAKES]
        one.plot(
            SHAKES,
            leaks,
            line,
            label=f"rise {rise:g}" + (" (chosen)" if line == "-" else ""),
            color=style.INK if line == "-" else "#0063a6",
        )
    one.axvline(math.degrees(told.shake.sigma), color=style.RULE, linewidth=1)
    one.legend(fontsize=style.SMALL, frameon=False)
    two = axes_of(figure, (1, 2, 2), "where the floor enters", "tilt, °", "distance, m")
    tilts = np.linspace(0.1, 5.0, 200)
    for rise, line in lines_of(choice.rise):
        slope = np.tan(np.radians(tilts)) - rise
        far = np.where(slope > 0.0, choice.bottom / np.maximum(slope, 1e-9), np.inf)
        two.plot(tilts, np.minimum(far, 1e3), line, color=style.INK if line == "-" else "#0063a6")
    two.set_ylim(0.0, told.before.reach.far)
    two.axvline(3.0 * math.degrees(told.shake.sigma), color=style.RULE, linewidth=1)


def draw_mapping(figure: Any, told: Tuned) -> None:
    """Heat map over bottom and top: bins answered steadily."""
    grid = told.sweep.mapping.grid
    axes = axes_of(
        figure, (1, 1, 1), "bins answered alike, frame after frame (farthest return)", "top, m", "bottom, m"
    )
    heat(figure, axes, map_scores(told.sweep), grid.tops, grid.bottoms, "% of bins")
    if told.mapping is not None:
        mark(axes, grid.tops, grid.bottoms, told.mapping.top, told.mapping.bottom)


def draw_bodies(figure: Any, told: Tuned) -> None:
    """Curves over the distance: how often a test body is hit, and how often it is shown."""
    kinds = list(dict.fromkeys(row.kind for row in told.bodies))
    for k, kind in enumerate(kinds, 1):
        axes = axes_of(
            figure, (1, len(kinds), k), kind, "distance, m", "% of frames and bearings" if k == 1 else ""
        )
        rows = [row for row in told.bodies if row.kind == kind]
        far = [row.distance for row in rows]
        axes.plot(
            far, [100.0 * row.returned for row in rows], "--", color=style.SOFT_INK, label="hit by a beam"
        )
        axes.plot(
            far,
            [100.0 * row.shown[told.names[0]] for row in rows],
            "-o",
            color=style.HIT,
            label=f"shown by {told.names[0]}",
            markersize=3,
        )
        axes.set_ylim(-3.0, 103.0)
        if k == 1:
            axes.legend(fontsize=style.SMALL, frameon=False)


def draw_near(figure: Any, told: Tuned) -> None:
    """Plan of the robot, and from where on low things are met by a beam."""
    axes = axes_of(
        figure, (1, 1, 1), "from here on the top of a thing is met", "left of the sensor, m", "ahead, m"
    )
    lines = ("-", "--", ":")
    far = 1.2 * max(min(max(near), 6.0) for near in told.unseen.nearest.values())
    for (height, near), line in zip(told.unseen.nearest.items(), lines, strict=True):
        turn = -math.pi + (np.arange(len(near) + 1) + 0.5) * 2.0 * math.pi / len(near)
        r = np.minimum(np.array([*near, near[0]]), far)
        axes.plot(
            -r * np.sin(turn), r * np.cos(turn), linestyle=line, color=style.INK, label=f"{height:g} m high"
        )
    robot, mount = told.before.robot, told.before.mount
    x = np.array([-1, 1, 1, -1, -1]) * 0.5 * robot.length - mount.x
    y = np.array([-1, -1, 1, 1, -1]) * 0.5 * robot.width - mount.y
    axes.fill(-y, x, facecolor="#ececec", edgecolor=style.RULE)
    axes.set_aspect("equal")
    axes.set_xlim(-far, far)
    axes.set_ylim(-far, far)
    axes.legend(fontsize=style.SMALL, frameon=False)
