"""What goes where on the sheet: plan views, close-up, side view, legends, headline and foot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from flatten.cloud import Cloud
from flatten.files.writing import CAUTION
from flatten.fitted import FittedFloor
from flatten.pictures import style, words
from flatten.pictures.elevation import draw_elevation
from flatten.pictures.floor_view import draw_cut, draw_floor_plan
from flatten.pictures.geometry import Attitude
from flatten.pictures.legends import elevation_legend, floor_legend, plan_legend
from flatten.pictures.parts import load_matplotlib
from flatten.pictures.plan_view import draw_plan
from flatten.profile import Profile
from flatten.scan import Scan

View = Literal["both", "plan", "elevation"]
VIEWS = ("both", "plan", "elevation")

# all in inches
MARGIN, BETWEEN = 0.5, 0.4
HEAD, FOOT = 0.6, 0.46
TITLE, BELOW = 0.74, 0.3
SINGLE_PLAN, PLAN = 5.7, 3.7
CLOSE_UP = 2.7
SIDE_TITLE, SIDE, SIDE_BELOW = 0.36, 2.3, 0.4
LEGEND_ROW = 0.168
FLOOR, FLOOR_TITLE, FLOOR_BAR, FLOOR_BELOW = 2.9, 0.62, 1.3, 0.4
FLOOR_FAR = 9.0
"""Metres from the robot to the rim of the views of a fitted floor, at most."""
BRACKET = 0.21
"""Room at the right of the side view for the name of one slice."""

Place = tuple[float, float, float, float]
"""Left, top, width, height: top is counted downwards from the upper edge of the sheet."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """What is to be drawn. One or two plan views have close-up and legend at their right, more below."""

    cloud: Cloud
    scans: Mapping[str, Scan]
    profile: Profile
    attitude: Attitude | None
    view: View
    swath: float | None
    extent: float
    floor: FittedFloor | None = None
    """The fitted floor, to be drawn below in a row of its own."""

    def draw(self, title: str, dots_per_inch: int) -> Any:
        """Draw everything; give the figure."""
        places, handles = self._places(), plan_legend(list(self.scans.values()), self.profile)
        width, height = self._width(), FOOT + max(top + tall for _, top, _, tall in places.values())
        figure = load_matplotlib("figure").Figure(
            figsize=(width, height), dpi=dots_per_inch, facecolor="#ffffff"
        )
        for name, place in places.items():
            if name == "side":
                self._draw_side(figure, place)
            elif name == "plan legend":
                self._legend(figure, place, handles)
            elif name in ("floor plan", "floor cut"):
                self._draw_floor(figure, place, name)
            elif name == "floor legend":
                self._legend(figure, place, floor_legend(list(self.scans)))
            elif name == "side legend":
                self._legend(figure, place, elevation_legend(list(self.scans)))
            else:
                self._draw_plan(figure, place, name)
        self._write_round(figure, title, width, height)
        return figure

    def _columns(self) -> int:
        return min(3, len(self.scans))

    def _plan_side(self) -> float:
        return SINGLE_PLAN if len(self.scans) == 1 else PLAN

    def _width(self) -> float:
        if self.view == "elevation":
            return 11.0
        columns = self._columns()
        plans = 2 * MARGIN + columns * self._plan_side() + (columns - 1) * BETWEEN
        return plans + BETWEEN + CLOSE_UP if columns < 3 else plans

    def _places(self) -> dict[str, Place]:
        """Lay out the parts from above; plan views go by the name of their slice after "plan "."""
        places: dict[str, Place] = {}
        top = HEAD
        if self.view != "elevation":
            top = self._place_plans(places, top)
        if self.view != "plan":
            top = self._place_side(places, top)
        if self.floor is not None:
            self._place_floor(places, top)
        return places

    def _place_plans(self, places: dict[str, Place], top: float) -> float:
        side, columns = self._plan_side(), self._columns()
        for number, name in enumerate(self.scans):
            row, column = divmod(number, columns)
            left = MARGIN + column * (side + BETWEEN)
            places[f"plan {name}"] = (left, top + row * (TITLE + side + BELOW) + TITLE, side, side)
        end = top + -(-len(self.scans) // columns) * (TITLE + side + BELOW)
        handles = len(plan_legend(list(self.scans.values()), self.profile))
        if columns == 3:
            rows = -(-handles // self._across())
            places["plan legend"] = (MARGIN, end, self._width() - 2 * MARGIN, rows * LEGEND_ROW)
            return end + rows * LEGEND_ROW + 0.1
        left = MARGIN + columns * (side + BETWEEN)
        places["close-up"] = (left, top + TITLE, CLOSE_UP, CLOSE_UP)
        below = top + TITLE + CLOSE_UP + BELOW + 0.1
        places["plan legend"] = (left, below, CLOSE_UP, handles * LEGEND_ROW)
        return max(end, below + handles * LEGEND_ROW) + 0.1

    def _place_floor(self, places: dict[str, Place], top: float) -> None:
        """Lay out the row of the fitted floor: from above at the left, cut at the right."""
        top, left, width = top + FLOOR_TITLE, MARGIN, self._width() - 2 * MARGIN
        if self.view != "elevation":
            places["floor plan"] = (left, top, FLOOR, FLOOR)
            left += FLOOR + FLOOR_BAR
        if self.view != "plan":
            places["floor cut"] = (left, top, self._width() - MARGIN - left, FLOOR)
        rows = -(-len(floor_legend(list(self.scans))) // self._across())
        places["floor legend"] = (MARGIN, top + FLOOR + FLOOR_BELOW, width, rows * LEGEND_ROW)

    def _place_side(self, places: dict[str, Place], top: float) -> float:
        brackets = 0.15 + BRACKET * len(self.scans)
        width = self._width() - 2 * MARGIN - brackets
        if self._columns() == 3 and self.view == "both":
            left = self._width() - MARGIN - CLOSE_UP
            places["close-up"] = (left, top + SIDE_TITLE, CLOSE_UP, CLOSE_UP)
            width -= CLOSE_UP + BETWEEN
        places["side"] = (MARGIN, top + SIDE_TITLE, width, SIDE)
        rows = -(-(len(self.scans) + 4) // self._across())
        below = top + SIDE_TITLE + SIDE + SIDE_BELOW
        places["side legend"] = (MARGIN, below, width, rows * LEGEND_ROW)
        return below + rows * LEGEND_ROW + 0.1

    def _across(self) -> int:
        """Columns of a legend that lies below its view."""
        return 6 if self._width() > 11.5 else 5

    @staticmethod
    def _axes(figure: Any, place: Place) -> Any:
        left, top, width, tall = place
        w, h = figure.get_size_inches()
        return figure.add_axes((left / w, (h - top - tall) / h, width / w, tall / h))

    def _draw_plan(self, figure: Any, place: Place, name: str) -> None:
        """Draw the plan view of a slice, or the close-up of the robot with the first slice."""
        wide = name.startswith("plan ")
        chosen = name.removeprefix("plan ") if wide else next(iter(self.scans))
        robot = self.profile.robot
        draw_plan(
            self._axes(figure, place), self.cloud, self.scans, self.profile, self.attitude, chosen,
            extent=self.extent if wide else min(self.extent, 1.35 * max(robot.length, robot.width)),
            legend=False, title=chosen if wide else f"{chosen}, close by", counts=wide, floor=self.floor,
        )  # fmt: skip

    def _draw_side(self, figure: Any, place: Place) -> None:
        draw_elevation(
            self._axes(figure, place), self.cloud, self.scans, self.profile, self.attitude,
            swath=self.swath, extent=self.extent, legend=False, floor=self.floor,
        )  # fmt: skip

    def _draw_floor(self, figure: Any, place: Place, name: str) -> None:
        assert self.floor is not None  # or there would be no place for it
        axes, extent = self._axes(figure, place), min(self.extent, FLOOR_FAR)
        if name == "floor plan":
            draw_floor_plan(axes, self.floor, self.profile, self.attitude, extent=extent)
            return
        draw_cut(
            axes, self.cloud, self.scans, self.profile, self.attitude, self.floor, extent=extent,
        )  # fmt: skip

    def _legend(self, figure: Any, place: Place, handles: list[Any]) -> None:
        w, h = figure.get_size_inches()
        narrow = place[2] <= CLOSE_UP
        figure.legend(
            handles=handles, loc="upper left", bbox_to_anchor=(place[0] / w, 1.0 - place[1] / h),
            ncols=1 if narrow else self._across(), fontsize=style.SMALL, frameon=False, handlelength=2.2,
            borderpad=0.0, borderaxespad=0.0, columnspacing=1.5, labelspacing=0.55,
        )  # fmt: skip

    def _write_round(self, figure: Any, title: str, width: float, height: float) -> None:
        """Write the headline above and, small, where all this comes from below."""
        headline = title or words.shorten(words.file_words(self.cloud.name), 90)
        attitude = f"attitude: {words.attitude_words(self.attitude, self.profile)}"
        source = f"profile: {words.shorten(words.profile_words(self.profile), 80)} · {words.made_by()}"
        for level, text, size, colour, weight in (
            (height - 0.32, headline, 12.0, style.INK, "bold"),
            (height - 0.53, attitude, style.TEXT, style.SOFT_INK, "normal"),
            (0.28, source, style.SMALL, style.SOFT_INK, "normal"),
            (0.12, CAUTION, style.SMALL, style.INK, "bold"),
        ):
            figure.text(
                MARGIN / width, level / height, text, fontsize=size, color=colour, fontweight=weight,
                parse_math=False,
            )  # fmt: skip
