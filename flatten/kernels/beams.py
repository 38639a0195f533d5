"""The second pass, where CLEAR is wanted: what the beams of all returns passed."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from flatten.kernels.gather import Bytes, Layout, gather_packed, gather_singles
from flatten.kernels.jit import kernel
from flatten.kernels.place import exact_bin, place_return
from flatten.kernels.sift import sift
from flatten.kernels.witness import Masks, witness
from flatten.kernels.workroom import BIN, BLOCK, DOUBT, PX

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Lanes = npt.NDArray[np.int32]


@kernel
def follow_beams(
    source: Bytes,
    packed: Singles,
    code: int,
    layout: Layout,
    columns: int,
    n_returns: int,
    level_from_sensor: Numbers,
    matrix: Singles,
    slices: Numbers,
    first_turn: float,
    span: float,
    smallest: float,
    drop: float,
    cells_per_metre: float,
    edges: Numbers,
    masks: Masks,
    dropped: npt.NDArray[np.uint8],
    work: Singles,
    lanes: Lanes,
) -> None:
    """Mark the witnessed cells of all slices, and the bins with a return beyond an edge.

    Arguments as for `sweep`; `masks` (slices, bins, words) and `dropped` (bins,) arrive empty.
    """
    n_bins, sensor = masks.shape[1], level_from_sensor[:, 3]
    width = abs(edges[0, 0] * edges[1, 1] - edges[0, 1] * edges[1, 0])
    for first in range(0, n_returns, BLOCK):
        n = n_returns - first if n_returns - first < BLOCK else BLOCK
        if packed.size > 0:
            gather_packed(packed, first, n, work)
        else:
            gather_singles(source, code, layout, columns, first, n, work)
        sift(n, matrix, np.float32(first_turn), np.float32(span), np.float32(n_bins), work, lanes)
        for j in range(n):
            if math.isnan(work[PX + j]) or (lanes[BIN + j] < 0 and lanes[DOUBT + j] == 0):
                continue
            x, y, z = place_return(source, code, layout, columns, first + j, level_from_sensor)
            b = np.int64(lanes[BIN + j])
            if lanes[DOUBT + j] != 0:
                b = exact_bin(x, y, first_turn, span, n_bins)
            if b < 0 or not (math.isfinite(x) and math.isfinite(y) and math.isfinite(z)):
                continue
            if z < -drop:
                dropped[b] = 1
            witness(
                x, y, z, b, sensor, slices, smallest, drop, cells_per_metre, width, edges, span >= 4.0, masks
            )  # fmt: skip
