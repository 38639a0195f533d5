"""What a frame comes to under a slice, in plain values: bins by state, leak, misses, leak when shaking."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.page.looking import Look
from flatten.pictures.bins import nearest_hit, state_counts
from flatten.pictures.words import bearing_words
from flatten.tuning.candidates import BANDS, Grid, leaking, slopes_of
from flatten.tuning.labels import Label, nearest
from flatten.tuning.proving import Checked, judge
from flatten.tuning.seen import Seen

SHAKES = tuple(0.25 * k for k in range(13))
"""Degrees, one sigma, at which the curve of the leak is drawn."""


def of_scan(look: Look, name: str) -> dict[str, Any]:
    """Figures that need no labels."""
    scan = look.scans[name]
    counts = state_counts(scan) or {}
    found = nearest_hit(scan)
    near = None if found is None else {"metres": found[0], "where": bearing_words(found[1])}
    return {
        "bins": scan.bins,
        "states": {state.name: number for state, number in counts.items()},
        "nearest": near,
        "returns": scan.counts.returns,
        "skipped": scan.counts.skipped,
        "swallowed": scan.counts.swallowed,
        "used": scan.counts.used,
    }


def of_labels(look: Look, name: str, shake: float) -> tuple[dict[str, Any], npt.NDArray[np.bool_]]:
    """Figures by the floor under the frame, and the HITs it decided (bins,); `shake`: degrees, one sigma."""
    if look.seen is None:
        return {"why": look.why}, np.zeros(look.scans[name].bins, bool)
    checked = Checked(name)
    decided = judge(look.scans[name], look.seen, checked)
    ends = [None if math.isinf(end) else end for end in BANDS]
    missed = [
        {"from": ends[k], "to": ends[k + 1], "wanted": int(wanted), "missed": int(missed)}
        for k, (wanted, missed) in enumerate(zip(checked.wanted, checked.missed, strict=True))
    ]
    told = {
        "why": "",
        "leaks": checked.leaks,
        "missed": missed,
        "under": {"free": checked.free_under, "blocked": checked.blocked},
        "shaken": shaken(look, look.seen, name, shake),
        "floor": {
            "scatter": look.seen.scatter,
            "ahead": math.degrees(math.atan(look.seen.lean[0])),
            "left": math.degrees(math.atan(look.seen.lean[1])),
        },
    }
    return told, decided == Label.FLOOR


def shaken(look: Look, seen: Seen, name: str, shake: float) -> dict[str, Any]:
    """Share of bins into which the floor gets when the body tilts at random, by standard deviation, degrees.

    Floor behind what stands in front of it does not count, as in `flatten.tuning.candidates`.
    """
    band, number = look.profile.slices[name], look.profile.fan.bins
    must_at = seen.of(Label.MUST)
    must = nearest(seen.bins[must_at], seen.distances[must_at], number)
    floor = seen.of(Label.FLOOR) & (seen.distances < must[np.maximum(seen.bins, 0)])
    grid = Grid(np.array([band.bottom]), np.array([band.top]), np.array([band.rise]))
    slopes = [slopes_of(grid, seen, floor, number)]

    def leak(degrees: float) -> float:
        return float(leaking(slopes, band.rise, math.radians(degrees))[0])

    slope = math.tan(3.0 * math.radians(shake)) - band.rise
    return {
        "at": shake,
        "leak": leak(shake),
        "curve": [[degrees, leak(degrees)] for degrees in SHAKES],
        "enters": band.bottom / slope if slope > 0.0 else None,
    }
