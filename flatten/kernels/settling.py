"""The whole way from returns to a floor."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from flatten.kernels import edges as ends
from flatten.kernels import limits, outward
from flatten.kernels import memory as remembering
from flatten.kernels import surface as sheet
from flatten.kernels.groups import Cells, Edges, Listed, Returns, Rings, Rules, Surface
from flatten.kernels.jit import kernel
from flatten.kernels.survey import survey

Singles = npt.NDArray[np.float32]
Flags = npt.NDArray[np.uint8]
Numbers = npt.NDArray[np.float64]


@kernel
def fit_floor(
    returns: Returns,
    matrix: Singles,
    tracks: Numbers,
    now_from_last: Numbers,
    last_from_now: Numbers,
    elapsed: float,
    memory: float,
    keep: float,
    top: float,
    rules: Rules,
    rings: Rings,
    listed: Listed,
    cells: Cells,
    surface: Surface,
    edges: Edges,
    work: Singles,
    places: Singles,
    nodes: Singles,
    heights: Singles,
    known: Flags,
) -> tuple[float, float, float]:
    """Fit the floor to a frame and hand it out; give its least and greatest height and its steepest rise."""
    n = survey(returns, matrix, rules, rings, listed, cells, work)
    remembering.recall(last_from_now, elapsed, memory, rings, cells, surface)
    outward.start(tracks, top, rules, rings, cells, surface)
    sheet.fit(tracks, rules, rings, cells, surface)
    sheet.weigh(n, rules, rings, listed, cells, surface)
    sheet.refine(tracks, rules, rings, cells, surface)
    sheet.weigh(n, rules, rings, listed, cells, surface)
    sheet.refine(tracks, rules, rings, cells, surface)
    remembering.remember(rings, cells, surface)
    ends.find_edges(n, top, now_from_last, keep, rules, rings, listed, cells, surface, edges)
    limits.bound(rules, rings, cells, surface)
    return limits.hand_out(places, rules, rings, surface, nodes, heights, known)
