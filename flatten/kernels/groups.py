"""What kernels know and work on, in named groups, each handed from part to part as one argument.

A field more is one line here and one where the group is made (`Returns` in `flatten.returns`, `Frame` and
`Plan` in `flatten.plan`, all others in `flatten.tables`); nothing between has to be told.
"""

from __future__ import annotations

from typing import Annotated, Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba.extending import overload

from flatten.kernels.words import Words, open_compiled, open_words, size_of

Numbers = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Indices = npt.NDArray[np.int64]
Lanes = npt.NDArray[np.int32]
Counters = npt.NDArray[np.uint32]
Flags = npt.NDArray[np.uint8]
Masks = npt.NDArray[np.uint64]


class Axis(NamedTuple):
    """Where one coordinate of the returns lies."""

    start: int
    """Address of that of return 0."""
    row_step: int
    step: int
    """Bytes from row to row, and from column to column."""


class Returns(NamedTuple):
    """Where the returns of a cloud lie, and how to read them there."""

    code: int
    """What a coordinate is, as in `loads`."""
    columns: int
    """Returns a row."""
    stride: int
    """Bytes from return to return where each is a record of float32 x, y, z; 0 for all else."""
    n: int
    """Returns in the cloud."""
    starts: int
    """Bytes from a return to where its beam began, float32 x, y, z too; 0 where all begin at the sensor."""
    x: Axis
    y: Axis
    z: Axis


class Frame(NamedTuple):
    """Where a frame's sensor is: by the mount, and by the body's attitude at that time."""

    level_from_sensor: Annotated[Numbers, 2]
    """(3, 4), level axes about the fan's origin."""
    matrix: Annotated[Singles, 1]
    """(13,) the same as `sift` reads it."""
    half: float
    """Metres from the middle of the slices' heights within which the sieve lets returns through."""


class Plan(NamedTuple):
    """What a profile asks for; metres and quarter turns."""

    first_turn: float
    span: float
    """First edge and width of the fan, quarter turns."""
    bins: int
    edges: Annotated[Numbers, 2]
    """(bins + 1, 2) directions of the edges of the bins."""
    near_square: float
    far_square: float
    """Least and greatest square of a distance inside the reach."""
    far: float
    slices: Annotated[Numbers, 2]
    """(slices, 6), columns as in `gate`."""
    bands: Annotated[Singles, 2]
    """(slices, 6), columns as in `bands`."""
    spans: Annotated[Indices, 2]
    """(slices, 4), columns as in `spans`."""
    borders: Annotated[Singles, 2]
    """(2k, 2), as in `levels`."""
    row: int
    """Cells of a row of tables."""
    middle: float
    """Of the heights from the lowest bottom to the highest top."""
    body_from_sensor: Annotated[Numbers, 2]
    body_matrix: Annotated[Singles, 1]
    """(4, 4) pose of the sensor in the body; (13,) the same as `sift` reads it."""
    zones: Annotated[Numbers, 2]
    """(zones, 12), columns as in `zones`."""
    box: Annotated[Singles, 1]
    """(6,) the least x, y, z and the greatest of all blind zones, body frame; empty without any."""
    cell: float
    cells_per_metre: float
    """Width of a witnessed cell, and its inverse."""
    smallest: float
    clear_from: float
    clear_to: float
    """The `clear` section; clear_to is −1 where CLEAR is switched off."""
    drop: float


class Zones(NamedTuple):
    """What belongs to the robot itself; the same of a `Plan`, for what needs no more of it."""

    body_from_sensor: Annotated[Numbers, 2]
    matrix: Annotated[Singles, 1]
    """(4, 4) pose of the sensor in the body; (13,) the same as `sift` reads it."""
    rows: Annotated[Numbers, 2]
    """(zones, 12), columns as in `zones`."""
    box: Annotated[Singles, 1]
    """(6,) the least x, y, z and the greatest of all blind zones, body frame; empty without any."""


class Ground(NamedTuple):
    """The floor of a frame where it is fitted (see `ground`); of no bin where it is taken to be level."""

    heights: Annotated[Singles, 2]
    """(bins, cells + 1) in the level frame, at distances of whole cells."""
    known: Annotated[Flags, 2]
    """(bins, cells) whether it was seen, or is only continued from what was."""
    cells_per_metre: float
    lowest: float
    highest: float
    steepest: float
    """Least and greatest height; greatest rise from one distance to the next, m per m."""


class Bins(NamedTuple):
    """What is known of every bin; (slices, bins) where nothing else is said. Reset by the kernels."""

    best: Annotated[Numbers, 2]
    winner: Annotated[Indices, 2]
    """Square of the distance of the deciding return, and its number; as in `gate`."""
    ends: Annotated[Numbers, 2]
    """Square of the nearest return of the slice, of any kind."""
    closest: Annotated[Numbers, 2]
    """Square of the nearest accepted return; without min_hits the same memory as `ends`."""
    hits: Annotated[Counters, 2]
    doubtful: Annotated[Flags, 2]
    """Whether there are returns of the slice that were not accepted."""
    blocked: Annotated[Flags, 1]
    dropped: Annotated[Flags, 1]
    """(bins,) whether a blind zone swallowed a return, whether one lies beyond an edge."""
    masks: Annotated[Masks, 3]
    """(slices, bins, words) witnessed cells; of no slice where nothing is witnessed."""
    used: Annotated[Indices, 1]
    """(slices,) returns in the reach, but for slices with min_hits."""
    tally: Annotated[Indices, 1]
    """(2,) returns skipped and swallowed."""


class Tables(NamedTuple):
    """Where the fast half enters its keys: rows of cells, TABLES rows a group, and room to merge them."""

    keys: Annotated[Indices, 1]
    counters: Annotated[Counters, 1]
    """(cells,) the least key, and how many were entered in the reach; empty if none counts."""
    aside: Annotated[Indices, 1]
    """What waits for the exact half."""
    least: Annotated[Indices, 2]
    second: Annotated[Indices, 2]
    """(groups, bins)"""
    joined: Annotated[Indices, 2]
    """(2, bins)"""
    points: Annotated[Numbers, 2]
    """(4, bins)"""


class Lists(NamedTuple):
    """The returns of slices with min_hits, a list a slice (see `lists`), and room to judge them."""

    listed: Annotated[Indices, 1]
    """(lists,) returns in each."""
    bins: Annotated[Lanes, 2]
    keys: Annotated[Indices, 2]
    """(lists, room) of each return."""
    starts: Annotated[Indices, 2]
    """(lists, bins + 2), as in `sort_by_bin`."""
    sorted_keys: Annotated[Indices, 1]
    distances: Annotated[Numbers, 1]
    """(room,)"""
    ordered: Annotated[Flags, 1]
    """(bins,)"""
    moving: Annotated[Indices, 2]
    """(2, 3)"""


class Work(NamedTuple):
    """Room for one block of returns (see `workroom`)."""

    singles: Annotated[Singles, 1]
    lanes: Annotated[Lanes, 1]
    keys: Annotated[Indices, 1]
    halves: Annotated[Counters, 1]
    """The keys, seen as 32-bit numbers."""


class Tile(NamedTuple):
    """Room for one tile of beams (see `stretches` and `strides`)."""

    kept: Annotated[Lanes, 1]
    room: Annotated[Singles, 1]
    side: Annotated[Singles, 1]
    exact: Annotated[Numbers, 1]
    steps: Annotated[Lanes, 1]
    turns: Annotated[Singles, 1]


class Answers(NamedTuple):
    """What every bin says, (slices, bins); what is not asked for has no bins."""

    states: Annotated[Flags, 2]
    stretches: Annotated[Singles, 3]
    """(2, slices, bins) where the witnessed stretch begins and ends."""
    ranges: Annotated[Singles, 2]
    heights: Annotated[Singles, 2]


class Newest(NamedTuple):
    """The newest of several gathered frames; its returns come first (see `newest`)."""

    returns: int
    """How many it has. Blind zones are asked about these alone: older ones were asked in their own time."""
    followed: int
    """Returns whose beams were followed before: their marks stand, and the others' join them."""
    stretches: Annotated[Singles, 3]
    """(2, slices, bins) where it alone witnesses free, metres; of no slice where it overrules nothing."""


class Rules(NamedTuple):
    """What counts as floor; metres, m per m, level axes about the fan's origin."""

    step: float
    """Greatest jump of a floor that can be driven."""
    slope: float
    """Tangent of the steepest slope."""
    drop: float
    far: float
    left: float
    right: float
    back: float
    front: float
    """The robot's outline: least and greatest y, least and greatest x."""


class Rings(NamedTuple):
    """How the distances are cut."""

    edges: Annotated[Numbers, 1]
    """(K + 1,) metres, from 0 to the reach, in whole PARTs."""
    middles: Annotated[Numbers, 1]
    """(K,)"""
    ring_at: Annotated[Lanes, 1]
    """Ring of a distance in PARTs."""


class Listed(NamedTuple):
    """The returns that may be of the floor, (n,) of each."""

    cell: Annotated[Lanes, 1]
    """Ring · SECTORS + sector."""
    r: Annotated[Singles, 1]
    aside: Annotated[Singles, 1]
    """Sectors from the middle of their own, −½ … ½."""
    z: Annotated[Singles, 1]


class Cells(NamedTuple):
    """What lies in each cell, (K, SECTORS)."""

    n: Annotated[Lanes, 2]
    """Returns."""
    low: Annotated[Singles, 2]
    low_r: Annotated[Singles, 2]
    low_aside: Annotated[Singles, 2]
    """Height and place of the lowest."""
    high: Annotated[Singles, 2]
    high_r: Annotated[Singles, 2]
    """Height and distance of the highest."""
    next_: Annotated[Singles, 2]
    next_r: Annotated[Singles, 2]
    next_aside: Annotated[Singles, 2]
    """Height and place of the lowest that lies clearly above the lowest; inf where there is none."""
    on: Annotated[Lanes, 1]
    off: Annotated[Lanes, 1]
    """(K · SECTORS,) returns on the surface, and by how much they lie above it together, in tenths of a
    millimetre."""


class Surface(NamedTuple):
    """The floor, (K, SECTORS) at the middles of the cells; behind a break it is another surface."""

    height: Annotated[Numbers, 2]
    outward: Annotated[Numbers, 2]
    """Slope, m per m."""
    across: Annotated[Numbers, 2]
    """Rise from sector to sector, m."""
    state: Annotated[Flags, 2]
    """As in `outward`."""
    broken: Annotated[Flags, 2]
    """Whether a way down lies between this ring and the one before."""
    target: Annotated[Numbers, 2]
    weight: Annotated[Numbers, 2]
    """Height that the returns ask for, and how firmly, 1 / m²."""
    room: Annotated[Numbers, 3]
    """(5, K, SECTORS) to solve in."""
    planes: Annotated[Singles, 2]
    """(4, K · SECTORS) as in `surface`."""
    past: Annotated[Singles, 3]
    """(4, K, SECTORS) the floor of the last frame, as in `memory`."""
    recalled: Annotated[Singles, 2]
    """How long ago what stands in for returns was seen, seconds; inf where there is none."""
    highest: Annotated[Numbers, 2]
    """The highest floor that is possible."""
    ring: Annotated[Numbers, 2]
    """(2, SECTORS + 2) a row with its ends joined."""
    tally: Annotated[Lanes, 1]
    """(2,) returns on the floor, below it."""


class Edges(NamedTuple):
    """Where the floor ends, (K, SECTORS)."""

    late: Annotated[Lanes, 2]
    """Late returns that say that the floor ends here."""
    flat: Annotated[Numbers, 2]
    rise: Annotated[Numbers, 2]
    """Height of the floor, continued where it is not seen, at the middles of the cells; slope, m per m."""
    reach: Annotated[Singles, 2]
    level: Annotated[Singles, 2]
    """Distance and height of the farthest return on that floor; 0 without one."""
    held: Annotated[Singles, 2]
    """(4, SECTORS) the edges of frames before, as in `edges`."""
    drops: Annotated[Singles, 1]
    """(SECTORS,) distance of the nearest edge, inf without one."""


GROUPS = (Returns, Frame, Ground, Plan, Bins, Tables, Lists, Work, Tile, Answers, Newest)
"""In their order in the row of words."""
PLACES: dict[Any, int] = {
    group: sum(size_of(before) for before in GROUPS[:number]) for number, group in enumerate(GROUPS)
}
SIZE = sum(size_of(group) for group in GROUPS)
"""Words of a row."""


def opened(words: Words, group: Any) -> Any:
    """Open one group of a kernel's words."""
    return open_words(words, PLACES[group], group)


@overload(opened)
def _compiled_opened(words, group):  # type: ignore[no-untyped-def]  # numba compares the signatures
    at = PLACES[group.instance_class]
    return lambda words, group: open_compiled(words, at, group)
