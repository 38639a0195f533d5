"""One cloud flattened in two ways, side by side; below, the floor that was fitted."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flatten.cloud import as_cloud
from flatten.errors import OutputError
from flatten.files.writing import CAUTION, target, write_all
from flatten.fitted import FittedFloor
from flatten.pictures import bins, style, words
from flatten.pictures.choices import plan_extent, scan_of
from flatten.pictures.floor_view import draw_cut, draw_floor_plan
from flatten.pictures.geometry import Attitude
from flatten.pictures.legends import floor_legend, plan_legend, wrong_legend
from flatten.pictures.parts import load_matplotlib
from flatten.pictures.plan_view import draw_plan, write_title
from flatten.pictures.sheet import DOTS_PER_INCH, save_figure
from flatten.profile import Profile
from flatten.scan import Scan

# all in inches
WIDTH, MARGIN, BETWEEN = 11.0, 0.5, 0.4
HEAD, FOOT, TITLE, BELOW, ROW = 0.6, 0.46, 0.84, 0.3, 0.168
PLAN = (WIDTH - 2 * MARGIN - BETWEEN) / 2
FLOOR, FLOOR_TITLE, FLOOR_BAR, FLOOR_BELOW = 2.9, 0.5, 1.3, 0.4
ACROSS = 5
"""Columns of the legends."""
FAR = 10.0
"""Metres from the robot to the rim of the views, at most."""


@dataclass(frozen=True, eq=False)
class Side:
    """One of the two: what was flattened, how, and what came out."""

    name: str
    cloud: Any
    scans: Mapping[str, Scan]
    profile: Profile
    attitude: Attitude | None
    floor: FittedFloor | None = None
    wrong: bins.Mask | None = None
    """HITs (bins,) that get a cross."""
    lines: tuple[str, ...] = ()
    """Small lines below the name; four have room."""


def save_pair(
    path: str | os.PathLike[str],
    sides: Sequence[Side],
    slice_name: str,
    *,
    title: str = "",
    wrong_words: str = "",
    overwrite: bool = False,
) -> Path:
    """Draw one slice of a cloud flattened in two ways, from above, and write it as PNG.

    Parameters
    ----------
    path
        The file; nothing is left behind where it cannot be written.
    sides
        The ways, from left to right. The last one with a fitted floor has it drawn in a row below.
    slice_name
        Which slice to draw.
    title, wrong_words
        Headline; what the crosses mean.
    overwrite
        Whether a file of that name may be replaced.

    Raises OutputError where the file cannot be written or has another suffix, FlattenError for a slice
    that is not there, MissingPartError without matplotlib.

    """
    place = target(path)
    if place.suffix.lower() != ".png":
        raise OutputError(f"{place}: two ways are drawn as PNG: give that suffix")
    scans = [scan_of(side.scans, slice_name, side.profile) for side in sides]
    extent = min(FAR, max(plan_extent([scan], side.profile) for scan, side in zip(scans, sides, strict=True)))
    handles = plan_legend(scans, sides[0].profile)
    if wrong_words and any(side.wrong is not None and side.wrong.any() for side in sides):
        handles.insert(1, wrong_legend(wrong_words))
    fitted = next((side for side in reversed(sides) if side.floor is not None), None)
    top = HEAD + TITLE + PLAN + BELOW
    rows = -(-len(handles) // ACROSS) * ROW
    floor_top = top + rows + FLOOR_TITLE
    end = top + rows if fitted is None else floor_top + FLOOR + FLOOR_BELOW + 2 * ROW
    figure = load_matplotlib("figure").Figure(
        figsize=(WIDTH, end + FOOT), dpi=DOTS_PER_INCH, facecolor="#ffffff"
    )
    for number, side in enumerate(sides):
        left = MARGIN + number * (PLAN + BETWEEN)
        axes = _axes(figure, (left, HEAD + TITLE, PLAN, PLAN))
        _draw_side(axes, side, slice_name, extent)
    _legend(figure, top, handles)
    if fitted is not None:
        _draw_floor(figure, fitted, slice_name, floor_top, extent)
    _write_round(figure, title, slice_name, sides[-1])
    write_all([(place, lambda stream: save_figure(figure, stream, ".png"))], overwrite)
    return place


def _draw_side(axes: Any, side: Side, slice_name: str, extent: float) -> None:
    draw_plan(
        axes, side.cloud, side.scans, side.profile, side.attitude, slice_name, extent=extent, legend=False,
        title="", counts=False, floor=side.floor, wrong=side.wrong,
    )  # fmt: skip
    write_title(axes, side.name, side.lines[:4])


def _draw_floor(figure: Any, side: Side, slice_name: str, top: float, extent: float) -> None:
    assert side.floor is not None  # or it would not have been chosen
    draw_floor_plan(
        _axes(figure, (MARGIN, top, FLOOR, FLOOR)), side.floor, side.profile, side.attitude, extent=extent
    )
    left = MARGIN + FLOOR + FLOOR_BAR
    draw_cut(
        _axes(figure, (left, top, WIDTH - MARGIN - left, FLOOR)), as_cloud(side.cloud), side.scans,
        side.profile, side.attitude, side.floor, slices=[slice_name], extent=extent,
    )  # fmt: skip
    _legend(figure, top + FLOOR + FLOOR_BELOW, floor_legend([slice_name]))


def _axes(figure: Any, place: tuple[float, float, float, float]) -> Any:
    """Axes at left, top, width and height; top is counted downwards."""
    left, top, width, tall = place
    w, h = figure.get_size_inches()
    return figure.add_axes((left / w, (h - top - tall) / h, width / w, tall / h))


def _legend(figure: Any, top: float, handles: list[Any]) -> None:
    w, h = figure.get_size_inches()
    legend = figure.legend(
        handles=handles, loc="upper left", bbox_to_anchor=(MARGIN / w, 1.0 - top / h), ncols=ACROSS,
        fontsize=style.SMALL, frameon=False, handlelength=2.2, borderpad=0.0, borderaxespad=0.0,
        columnspacing=1.5, labelspacing=0.55,
    )  # fmt: skip
    figure.add_artist(legend)


def _write_round(figure: Any, title: str, slice_name: str, side: Side) -> None:
    """Write the headline above and, small, where all this comes from below."""
    width, height = figure.get_size_inches()
    slice_line = f"slice {slice_name}, above the floor: {words.slice_words(slice_name, side.profile)}"
    source = f"profile: {words.shorten(words.profile_words(side.profile), 80)} · {words.made_by()}"
    for level, text, size, colour, weight in (
        (height - 0.32, words.shorten(title, 125), 10.5, style.INK, "bold"),
        (height - 0.53, slice_line, style.TEXT, style.SOFT_INK, "normal"),
        (0.28, source, style.SMALL, style.SOFT_INK, "normal"),
        (0.12, CAUTION, style.SMALL, style.INK, "bold"),
    ):
        figure.text(
            MARGIN / width, level / height, text, fontsize=size, color=colour, fontweight=weight,
            parse_math=False,
        )  # fmt: skip
