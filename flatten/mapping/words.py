"""Maps in words: what was made, how good it is, and how two compare."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from flatten.mapping.comparing import Difference
from flatten.mapping.making import Made
from flatten.occupancy import OccupancyMap

ROWS = (
    ("occupied", "occupied", "cells"),
    ("free", "free", "cells"),
    ("wall thickness", "thickness", "m"),
    ("95 % at most", "thickness_most", "m"),
    ("entropy a seen cell", "entropy", "bit"),
    ("cleared, then occupied", "cleared_then_occupied", "%"),
    ("hits in free cells", "hits_in_free", "%"),
    ("agreement of passes", "agreement", "%"),
    ("closing error", "closing_error", "m"),
    ("scan to scan", "step_error", "m"),
)
"""Words, key of the figures, unit."""


def report(made: Made) -> str:
    """Tell of one map, line by line."""
    told, shown = made.figures, made.map
    left, right, bottom, top = shown.extent
    lines = [
        f"{shown.name}: {told.scans:,} scans along {made.travelled:.0f} m; {right - left:.1f} m × "
        f"{top - bottom:.1f} m of {shown.cell:g} m cells",
        f"  occupied {told.occupied:,} cells, free {told.free:,}, of {told.seen:,} seen",
        f"  walls are {told.thickness:.2f} m thick, 95 % of them at most {told.thickness_most:.2f} m",
        f"  entropy {told.entropy:.2f} bit a seen cell",
        f"  {percent(told.cleared_then_occupied)} of what was cleared is occupied in the end; "
        f"{percent(told.hits_in_free)} of the hits lie in free cells",
    ]
    shift, turn = made.disagreement
    if not math.isnan(shift):
        lines.append(
            f"  scans a metre apart fit each other within {shift:.3f} m and {math.degrees(turn):.2f}°"
        )
    return "\n".join([*lines, _passes(made)])


def _passes(made: Made) -> str:
    told = len(made.closings)
    if not told:
        return "  no place is seen twice: nothing tells how far the poses have drifted"
    fits = [closing.fit for closing in made.closings if closing.fit is not None]
    if not fits:
        return (
            f"  seen twice at {told} places, and the two passes fit at none of them: the poses have drifted"
        )
    middle, most = made.closing_error
    slides = sum(fit.slides for fit in fits)
    along = f" ({slides} of them tell nothing along their walls)" if slides else ""
    unfit = f"; at {told - len(fits)} they do not fit at all" if len(fits) < told else ""
    agreed = "" if math.isnan(made.agreement) else f"; {percent(made.agreement)} of what either hit both hit"
    return f"  seen twice at {told} places{along}: off by {middle:.2f} m, at most {most:.2f} m{unfit}{agreed}"


def percent(share: float) -> str:
    """Write a share in per cent: two digits that count, at most one hundredth."""
    if math.isnan(share):
        return "–"
    value = 100.0 * share
    digits = 0 if value >= 10.0 or value == 0.0 else 1 if value >= 1.0 else 2
    return f"{value:.{digits}f} %"


def view_lines(figures: Mapping[str, Any]) -> list[str]:
    """Tell the figures in few lines, for below a picture."""
    return [
        f"walls {cell(figures, 'thickness', 'm')} thick (95 %: {cell(figures, 'thickness_most', 'm')}), "
        f"entropy {cell(figures, 'entropy', 'bit')}",
        f"cleared, then occupied {cell(figures, 'cleared_then_occupied', '%')}, closing error "
        f"{cell(figures, 'closing_error', 'm')}",
    ]


def comparison(
    names: tuple[str, str], maps: tuple[OccupancyMap, OccupancyMap], found: Difference | None
) -> str:
    """Tell two maps side by side."""
    wide = max(24, *(len(name) for name in names))
    lines = [f"{'':26}{names[0]:>{wide}}  {names[1]:>{wide}}"]
    for words, key, unit in ROWS:
        values = [cell(made.figures, key, unit) for made in maps]
        lines.append(f"{words:26}{values[0]:>{wide}}  {values[1]:>{wide}}")
    if found is None:
        return "\n".join([*lines, "the two share no ground"])
    return "\n".join(
        [
            *lines,
            f"of {found.both:,} cells that both know: {found.same:,} of walls in both (within a cell), "
            f"{found.only_first:,} occupied in the first alone, {found.only_second:,} in the second alone",
        ]
    )


def cell(figures: Mapping[str, Any], key: str, unit: str) -> str:
    """Write one figure; a dash where there is none."""
    value = figures.get(key)
    if not isinstance(value, (int, float)) or math.isnan(value):
        return "–"
    if unit == "cells":
        return f"{value:,}"
    return (
        percent(float(value))
        if unit == "%"
        else f"{value:.{3 if unit == 'm' and value < 0.1 else 2}f} {unit}"
    )
