"""The whole picture: plan views, close-up and side view on one sheet, written as one file."""

from __future__ import annotations

import io
import os
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from flatten.cloud import Cloud, as_cloud
from flatten.errors import FlattenError, OutputError
from flatten.files.writing import target, write_all
from flatten.flattener import checked_attitude
from flatten.pictures import style, words
from flatten.pictures.elevation import draw_elevation, elevation_legend
from flatten.pictures.geometry import Attitude
from flatten.pictures.parts import load_matplotlib
from flatten.pictures.plan_view import draw_plan, plan_extent, plan_legend, scan_of
from flatten.profile import Profile
from flatten.scan import Scan

View = Literal["both", "plan", "elevation"]
VIEWS = ("both", "plan", "elevation")
SUFFIXES = (".png", ".svg", ".pdf")
DOTS_PER_INCH = 110

PLAN, SINGLE_PLAN = 3.55, 5.6
"""Width and height of a plan view, inches: one of several, or a single one."""
LEFT, BETWEEN, RIGHT = 0.55, 0.6, 0.25
HEAD, TITLE, BELOW = 0.62, 0.62, 0.42
"""Inches: above everything, above a view, below a view."""
LEGEND_ROW, FOOT = 0.17, 0.42
ELEVATION = 2.3
BRACKETS = 0.75
"""Inches to the right of the side view for the names of the slices."""


def save_picture(
    path: str | os.PathLike[str],
    cloud: Any,
    scans: Mapping[str, Scan],
    profile: Profile,
    attitude: Sequence[float] | None = None,
    *,
    title: str = "",
    slices: Sequence[str] | None = None,
    overwrite: bool = False,
    view: View = "both",
    swath: float | None = None,
    extent: float | None = None,
) -> Path:
    """Draw scans with their cloud on one sheet and write it: PNG, SVG or PDF by the suffix.

    Parameters
    ----------
    path
        The file; nothing is left behind where it cannot be written.
    cloud
        The Cloud (or array, or message) that was flattened.
    scans, profile, attitude
        What `Flattener.flatten` gave, and what it was given (roll and pitch in rad).
    title
        Headline; the name of the cloud where it is empty.
    slices
        Slices to draw, in this order; all if None.
    overwrite
        Whether a file of that name may be replaced.
    view
        Plan views from above, the side view ("elevation"), or both.
    swath, extent
        As for `draw_elevation` and `draw_plan`.

    Raises OutputError where the file cannot be written or has another suffix, FlattenError for a
    slice or a view that is not there, AttitudeError, CloudError, MissingPartError without matplotlib.

    """
    place = target(path)
    if place.suffix.lower() not in SUFFIXES:
        raise OutputError(f"{place}: pictures are written as {', '.join(SUFFIXES)}: choose one of these suffixes")
    if view not in VIEWS:
        raise FlattenError(f"view {view!r} is not known: choose one of {', '.join(VIEWS)}")
    names = list(scans) if slices is None else list(dict.fromkeys(slices))
    shown = {name: scan_of(scans, name, profile) for name in names}
    if not shown:
        raise FlattenError("there are no scans to draw: give at least one slice")
    checked = checked_attitude(attitude)
    sheet = Sheet(as_cloud(cloud), shown, profile, checked, view, swath, extent or plan_extent(shown.values(), profile))
    figure = sheet.draw(words.shorten(title, 90))
    write_all([(place, lambda stream: _save(figure, stream, place.suffix.lower()[1:]))], overwrite)
    return place


def _save(figure: Any, stream: io.BufferedIOBase, kind: str) -> None:
    """Write a figure; the files say who made them, and not when, so that equal pictures are equal files."""
    made = {
        "png": {"Software": words.made_by(), "Comment": words.CAUTION},
        "svg": {"Creator": words.made_by(), "Date": None},
        "pdf": {"Creator": words.made_by(), "Producer": None, "CreationDate": None},
    }[kind]
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # a box stands for it in the picture
        figure.savefig(stream, format=kind, dpi=DOTS_PER_INCH, metadata=made, facecolor="#ffffff")


@dataclass(frozen=True, eq=False)
class Sheet:
    """What is to be drawn, and where on the sheet it goes (inches from the lower left corner)."""

    cloud: Cloud
    scans: Mapping[str, Scan]
    profile: Profile
    attitude: Attitude | None
    view: View
    swath: float | None
    extent: float

    @property
    def plan_side(self) -> float:
        """Side of a plan view."""
        return SINGLE_PLAN if self.columns == 1 else PLAN

    @property
    def columns(self) -> int:
        """Plan views beside each other."""
        return min(3, len(self.scans))

    @property
    def rows(self) -> int:
        """Rows of plan views."""
        return 0 if self.view == "elevation" else -(-len(self.scans) // self.columns)

    @property
    def width(self) -> float:
        """Width of the sheet."""
        plans = LEFT + self.columns * self.plan_side + (self.columns - 1) * BETWEEN + RIGHT
        return max(7.4, plans) if self.view != "elevation" else 11.0

    def draw(self, title: str) -> Any:
        """Draw everything; give the figure."""
        parts = self._parts()
        height = HEAD + FOOT + sum(parts.values())
        figure = load_matplotlib("figure").Figure(figsize=(self.width, height), dpi=DOTS_PER_INCH, facecolor="#ffffff")
        top = height - HEAD
        if self.view != "elevation":
            top = self._draw_plans(figure, top)
        if self.view != "plan":
            self._draw_side(figure, top)
        self._write_round(figure, title, height)
        return figure

    def _parts(self) -> dict[str, float]:
        """Heights of what stands below each other."""
        parts = {}
        if self.view != "elevation":
            parts["plans"] = self.rows * (TITLE + self.plan_side + BELOW) + self._legend_height(12, self._across)
        if self.view != "plan":
            parts["side"] = 0.4 + ELEVATION + BELOW + self._legend_height(len(self.scans) + 4, self._across)
        return parts

    @property
    def _across(self) -> int:
        """Columns of a legend."""
        return 3 if self.width < 9 else 5

    @staticmethod
    def _legend_height(entries: int, across: int) -> float:
        return 0.15 + LEGEND_ROW * -(-entries // across)

    def _axes(self, figure: Any, left: float, bottom: float, width: float, height: float) -> Any:
        w, h = figure.get_size_inches()
        return figure.add_axes((left / w, bottom / h, width / w, height / h))

    def _draw_plans(self, figure: Any, top: float) -> float:
        """Draw the plan views from `top` downwards; give where they end."""
        side = self.plan_side
        start = LEFT + (self.width - LEFT - RIGHT - self.columns * side - (self.columns - 1) * BETWEEN) / 2
        for number, name in enumerate(self.scans):
            row, column = divmod(number, self.columns)
            bottom = top - row * (TITLE + side + BELOW) - TITLE - side
            axes = self._axes(figure, start + column * (side + BETWEEN), bottom, side, side)
            draw_plan(
                axes, self.cloud, self.scans, self.profile, self.attitude, name, extent=self.extent, legend=False
            )
            if column:
                axes.set_ylabel("")
        top -= self.rows * (TITLE + side + BELOW)
        handles = plan_legend(self.scans.values(), self.profile)
        self._legend(figure, handles, top)
        return top - self._legend_height(12, self._across)

    def _draw_side(self, figure: Any, top: float) -> None:
        """Draw the side view from `top` downwards, and beside it the close-up of the robot."""
        bottom = top - 0.4 - ELEVATION
        axes = self._axes(figure, LEFT, bottom, self.width - LEFT - BRACKETS, ELEVATION)
        draw_elevation(
            axes, self.cloud, self.scans, self.profile, self.attitude, swath=self.swath, extent=self.extent, legend=False
        )
        self._legend(figure, elevation_legend(list(self.scans)), bottom - BELOW)

    def _legend(self, figure: Any, handles: list[Any], top: float) -> None:
        w, h = figure.get_size_inches()
        figure.legend(
            handles=handles, loc="upper left", bbox_to_anchor=(LEFT / w, top / h), ncols=self._across,
            fontsize=style.SMALL, frameon=False, handlelength=2.2, borderpad=0.0, borderaxespad=0.0, columnspacing=1.6,
        )  # fmt: skip

    def _write_round(self, figure: Any, title: str, height: float) -> None:
        """Write the headline above and, small, where all this comes from below."""
        name = words.file_words(self.cloud.name)
        lines = (
            (height - 0.3, title or name, 12.0, style.INK, "bold"),
            (height - 0.5, f"attitude: {words.attitude_words(self.attitude, self.profile)}", style.TEXT, style.SOFT_INK, "normal"),
            (0.26, f"profile: {words.shorten(words.profile_words(self.profile), 80)} · {words.made_by()}", style.SMALL, style.SOFT_INK, "normal"),
            (0.1, words.CAUTION, style.SMALL, style.INK, "bold"),
        )  # fmt: skip
        for level, text, size, colour, weight in lines:
            figure.text(
                LEFT / self.width, level / height, text, fontsize=size, color=colour, fontweight=weight, parse_math=False
            )
