"""Maps from above: what is occupied, free and unseen, the way that was driven, a scale; side by side."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from flatten.errors import OutputError
from flatten.files.writing import CAUTION, Job, target
from flatten.occupancy import OccupancyMap
from flatten.pictures import style
from flatten.pictures.choices import nice
from flatten.pictures.parts import load_matplotlib
from flatten.pictures.sheet import DOTS_PER_INCH, SUFFIXES, save_figure

Numbers = npt.NDArray[np.float64]

WIDEST, TALLEST = 11.0, 7.5
"""Inches of a sheet."""
EDGE, HEAD, FOOT, LINE = 0.3, 0.5, 0.55, 0.16
"""Inches left around the views, above and below them, and for a line of words."""
SHADES = ("#f1f1f1", "#bcd9ef", "#1a1a1a")
"""Unseen, free, occupied."""
NAMES = ("not seen", "free", "occupied")
WAY = "#b35900"


class MapView(NamedTuple):
    """One map to draw."""

    title: str
    map: OccupancyMap
    path: Numbers
    """(k, 3) x, y, yaw."""
    lines: Sequence[str] = ()
    """Words below it."""


def map_view_job(path: str | os.PathLike[str], views: Sequence[MapView]) -> Job:
    """Draw maps side by side to one scale: what writes PNG, SVG or PDF, for `files.writing.write_all`.

    Raises OutputError for another suffix, MissingPartError without matplotlib.
    """
    place: Path = target(path)
    kind = place.suffix.lower()
    if kind not in SUFFIXES:
        raise OutputError(f"{place}: no picture format by that suffix: choose {', '.join(SUFFIXES)}")
    figure = draw_maps(views)
    return place, lambda stream: save_figure(figure, stream, kind)


def draw_maps(views: Sequence[MapView]) -> Any:
    """Draw maps side by side, to one scale and over the same ground where they share it."""
    left, right, bottom, top = _extent(views)
    count, lines = len(views), max(len(view.lines) for view in views)
    foot = FOOT + LINE * lines
    across = (WIDEST - EDGE * (count + 1)) / (count * (right - left))
    scale = min(across, (TALLEST - HEAD - foot) / (top - bottom))
    wide, tall = max(scale * (right - left), 2.6), max(scale * (top - bottom), 0.8)
    size = (count * wide + EDGE * (count + 1), tall + HEAD + foot)
    figure = load_matplotlib("figure").Figure(figsize=size, dpi=DOTS_PER_INCH)
    for k, view in enumerate(views):
        at = EDGE + k * (wide + EDGE)
        axes = figure.add_axes((at / size[0], foot / size[1], wide / size[0], tall / size[1]))
        _draw(axes, view, scale * DOTS_PER_INCH)
        axes.set_xlim(left, right)
        axes.set_ylim(bottom, top)
        axes.set_aspect("equal", adjustable="datalim")
        _draw_scale(axes)
        axes.set_title(view.title, fontsize=style.HEAD, color=style.INK, loc="left", pad=4, parse_math=False)
        for number, line in enumerate(view.lines):
            figure.text(
                at / size[0], (foot - 0.2 - LINE * number) / size[1], line, fontsize=style.TEXT,
                color=style.SOFT_INK, parse_math=False,
            )  # fmt: skip
    _draw_legend(figure, size)
    return figure


def _extent(views: Sequence[MapView]) -> tuple[float, float, float, float]:
    """Metres: left, right, bottom, top of what is shown in each view."""
    sides = np.array([view.map.extent for view in views])
    low, high = sides.min(axis=0), sides.max(axis=0)
    return float(low[0]), float(high[1]), float(low[2]), float(high[3])


def _draw(axes: Any, view: MapView, pixels_a_metre: float) -> None:
    shades = np.where(view.map.occupied, 2, np.where(view.map.free, 1, 0)).astype(np.uint8)
    # several cells make a pixel: left to the library, thin walls would fall between two of them
    step = max(1, round(1.0 / (pixels_a_metre * view.map.cell)))
    colours = load_matplotlib("colors").ListedColormap(SHADES)
    left, _, bottom, _ = view.map.extent
    drawn = _coarser(shades, step)
    rows, columns = (side * step * view.map.cell for side in drawn.shape)
    axes.imshow(
        drawn, cmap=colours, vmin=0, vmax=2, origin="lower", interpolation="nearest",
        extent=(left, left + columns, bottom, bottom + rows),
    )  # fmt: skip
    axes.set_facecolor(SHADES[0])
    if len(view.path):
        axes.plot(view.path[:, 0], view.path[:, 1], color=WAY, lw=0.9)
        axes.plot(*view.path[0, :2], marker="o", ms=3.5, color=WAY, markerfacecolor="#ffffff")
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set(color=style.RULE, linewidth=0.6)


def _coarser(shades: npt.NDArray[np.uint8], step: int) -> npt.NDArray[np.uint8]:
    """Let the greatest of step × step cells stand for them: what is occupied stays to be seen."""
    if step <= 1:
        return shades
    rows, columns = (-(-side // step) for side in shades.shape)
    padded = np.zeros((rows * step, columns * step), np.uint8)
    padded[: shades.shape[0], : shades.shape[1]] = shades
    return np.asarray(padded.reshape(rows, step, columns, step).max(axis=(1, 3)))


def _draw_scale(axes: Any) -> None:
    """Draw a bar of a round length in the lower right corner."""
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    length = nice(0.25 * (right - left))
    end, level = right - 0.03 * (right - left), bottom + 0.05 * (top - bottom)
    axes.plot((end - length, end), (level, level), color=style.INK, lw=2.4, solid_capstyle="butt", zorder=8)
    axes.annotate(
        f"{length:g} m", (end - length / 2, level), (0, 3), textcoords="offset points", ha="center",
        fontsize=style.SMALL, color=style.INK, zorder=8, bbox=style.GROUND,
    )  # fmt: skip


def _draw_legend(figure: Any, size: tuple[float, float]) -> None:
    patch, line = load_matplotlib("patches").Patch, load_matplotlib("lines").Line2D
    shown: list[Any] = [
        patch(facecolor=colour, edgecolor=style.RULE, linewidth=0.5, label=name)
        for name, colour in zip(NAMES, SHADES, strict=True)
    ]
    shown.append(line([], [], color=WAY, lw=0.9, marker="o", ms=3.5, markerfacecolor="#ffffff", label="way"))
    figure.legend(
        handles=shown, loc="lower left", ncols=4, frameon=False, fontsize=style.SMALL, borderpad=0.0,
        bbox_to_anchor=(EDGE / size[0], 0.18 / size[1]), handlelength=1.4, columnspacing=1.2,
    )  # fmt: skip
    figure.text(EDGE / size[0], 0.06 / size[1], CAUTION, fontsize=style.SMALL, color=style.INK)
