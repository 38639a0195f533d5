"""From a source of scans to maps, read top to bottom."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.errors import MapError
from flatten.mapping.alignment import Fit
from flatten.mapping.figures import Figures, figures
from flatten.mapping.grid import CELL, Grid
from flatten.mapping.passes import DISAGREE, DISAGREE_TURN, Closing, Passes
from flatten.mapping.sources import Source
from flatten.occupancy import OccupancyMap

DENIED = 0.25
"""Share of the cells hit that the map held for free, from which on something is wrong, or much moves: with
exact poses 0.04 at most in full frames (`benchmarks map`), 0.14 in the sparse ones of the sample drive."""
SOUND, FEWEST_STEPS = 0.4, 4
"""Fit of two scans by which something can be told, and how many such pairs there must be."""


@dataclass(frozen=True, eq=False)
class Made:
    """A map, and how good it is."""

    map: OccupancyMap
    figures: Figures
    path: npt.NDArray[np.float64]
    """(k, 3) x, y, yaw of the scans that were kept for comparing."""
    travelled: float
    """Metres."""
    steps: tuple[Fit, ...]
    """How scans fit those shortly after them."""
    closings: tuple[Closing, ...]
    """What passes of the same places say of each other."""

    @property
    def sound_steps(self) -> list[Fit]:
        """Those of `steps` that fit well enough to be told by."""
        return [fit for fit in self.steps if fit.fit >= SOUND]

    @property
    def disagreement(self) -> tuple[float, float]:
        """Median shift (m) and turn (rad) between scans that follow each other; NaN where few compare."""
        sound = self.sound_steps
        if len(sound) < FEWEST_STEPS:
            return math.nan, math.nan
        lengths, turns = [fit.length for fit in sound], [abs(fit.turn) for fit in sound]
        return float(np.median(lengths)), float(np.median(turns))

    @property
    def closing_error(self) -> tuple[float, float]:
        """Median and greatest shift between passes of one place, metres; NaN where no place is seen twice."""
        shifts = [closing.fit.length for closing in self.closings if closing.fit is not None]
        return (float(np.median(shifts)), max(shifts)) if shifts else (math.nan, math.nan)

    @property
    def agreement(self) -> float:
        """Median agreement of passes of one place; NaN where there is none."""
        known = [c.agreement for c in self.closings if not math.isnan(c.agreement)]
        return float(np.median(known)) if known else math.nan

    def warnings(self) -> list[str]:
        """Say where poses and scans disagree."""
        told = []
        shift, turn = self.disagreement
        if shift >= DISAGREE or turn >= DISAGREE_TURN:
            told.append(
                f"{self.map.name}: poses and scans disagree: scans a metre apart are off by {shift:.2f} m "
                f"and {math.degrees(turn):.1f}°, typically: check the clocks, whose poses these are "
                "(--poses-of), the mount's yaw (`flatten mount`), and whether floor gets into the slice"
            )
        if self.figures.hits_in_free >= DENIED:
            told.append(
                f"{self.map.name}: {100 * self.figures.hits_in_free:.0f} % of what is hit lies where the map "
                "was free before: poses are off, or much has moved"
            )
        return told


@dataclass(eq=False)
class _Making:
    grid: Grid
    passes: Passes = field(default_factory=Passes)


def make_maps(
    source: Source, *, cell: float = CELL, step: Callable[[], None] = lambda: None
) -> tuple[list[Made], Counter[str]]:
    """Make a map of each slice; give why scans were left out, too. `step` is called a moment.

    Raises MapError where there is nothing to map.
    """
    making: dict[str, _Making] = {}
    for moment in source.moments():
        for name, beams in moment.items():
            if name not in making:
                making[name] = _Making(Grid(cell))
            making[name].grid.enter(beams)
            making[name].passes.add(beams)
        step()
    if not making:
        why = "; ".join(f"{words} ({count})" for words, count in source.left_out.most_common(3))
        raise MapError(f"no scan could be placed{': ' + why if why else ''}: check poses and clocks")
    return [_finished(name, one, source.frame or "odom") for name, one in making.items()], source.left_out


def _finished(name: str, making: _Making, frame: str) -> Made:
    found = making.grid.finish(name, frame)
    told = figures(found, making.grid.counted)
    passes = making.passes
    made = Made(found, told, passes.path, passes.travelled, tuple(passes.steps()), tuple(passes.closings()))
    return replace(made, map=replace(found, figures=plain_figures(made)))


def plain_figures(made: Made) -> dict[str, Any]:
    """Give the figures as plain values: metres, shares 0 to 1, bits; NaN where there is nothing to tell."""
    shift, turn = made.disagreement
    closing, worst = made.closing_error
    return {
        **made.figures._asdict(),
        "travelled": made.travelled,
        "places_seen_twice": len(made.closings),
        "agreement": made.agreement,
        "closing_error": closing,
        "closing_error_most": worst,
        "step_error": shift,
        "step_turn_rad": turn,
    }
