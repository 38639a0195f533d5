"""What one scan says to a map: where its beams begin, what each hits, and the stretch each knows to be free.

| bin | occupies | frees |
| --- | --- | --- |
| HIT | the cell at its distance | the witnessed stretch |
| CLEAR | nothing | the witnessed stretch |
| TOO_NEAR, UNSEEN, BLOCKED | nothing | nothing |

An UNSEEN bin may still have a witnessed stretch, shorter than `clear` asks for: it frees nothing all the
same, as nobody says what ended it.

A bare planar-scan message has no witnessed stretch; its NaN and −inf say nothing. What a range, or +inf, says
of the way there is decided by whoever knows the sensor, in `Bare`.
"""

from __future__ import annotations

import enum
import math
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from flatten.errors import MapError
from flatten.scan import Scan, State

Numbers = npt.NDArray[np.float64]
Place = tuple[float, float, float]
"""x, y (m) and yaw (rad)."""


class Mounted(Protocol):
    """Where the fan's origin sits in the body frame."""

    @property
    def x(self) -> float:
        """Metres ahead."""

    @property
    def y(self) -> float:
        """Metres to the left."""


class Bare(enum.Enum):
    """What a bare planar-scan message frees."""

    NOTHING = "nothing"
    """Ranges occupy and free nothing: for scans flattened from clouds whose witnessed stretches are lost."""
    HITS = "hits"
    """A range frees the way to it: a planar sensor's beam was there."""
    ALL = "all"
    """+inf frees the way to the greatest range too: for sensors that give +inf only where nothing is."""


class Beams(NamedTuple):
    """The beams of one scan, metres."""

    time: int
    """Nanoseconds, by the recording's clock; 0 where there is none."""
    place: Place
    """Where they begin and how the scan is turned, in the map's frame."""
    bearings: Numbers
    """(bins,) radians from the scan's x axis, counter-clockwise."""
    hits: Numbers
    """(bins,) distance of what is hit, NaN where nothing is."""
    free_from: Numbers
    """(bins,) where the free stretch begins."""
    free_to: Numbers
    """(bins,) where it ends; not beyond its beginning where there is none."""

    def ends(self) -> Numbers:
        """(hits, 2) what is hit, in the map's frame."""
        hit = np.isfinite(self.hits)
        turned, far = self.bearings[hit] + self.place[2], self.hits[hit]
        return np.stack([self.place[0] + far * np.cos(turned), self.place[1] + far * np.sin(turned)], axis=1)


def beams_of_scan(scan: Scan, body: Place, mount: Mounted, *, time: int = 0, bare: Bare = Bare.HITS) -> Beams:
    """Tell what a scan says, its body standing at `body`, roll and pitch taken out.

    A scan without states and stretches is taken as a bare message. Raises MapError for one without ranges.
    """
    if scan.ranges is None:
        raise MapError(f"slice {scan.name}: the scan has no ranges: make it with fields={{'ranges', …}}")
    x, y, yaw = body
    place = (
        x + mount.x * math.cos(yaw) - mount.y * math.sin(yaw),
        y + mount.x * math.sin(yaw) + mount.y * math.cos(yaw),
        yaw,
    )
    bearings = _double(scan.first + (np.arange(scan.bins) + 0.5) * scan.step)
    if scan.states is None or scan.clear_from is None or scan.clear_to is None:
        return bare_beams(scan.ranges, bearings, (scan.near, scan.far), place, time=time, bare=bare)
    hit = scan.states == State.HIT
    tells = hit | (scan.states == State.CLEAR)
    return Beams(
        time, place, bearings, _double(np.where(hit, scan.ranges, np.nan)), _double(scan.clear_from),
        _double(np.where(tells, scan.clear_to, 0.0)),
    )  # fmt: skip


def bare_beams(
    ranges: npt.ArrayLike,
    bearings: Numbers,
    reach: tuple[float, float],
    place: Place,
    *,
    time: int = 0,
    bare: Bare = Bare.HITS,
) -> Beams:
    """Tell what the ranges of a bare planar-scan message say (REP 117).

    They begin at `place`; `reach` is (least, greatest range), both inclusive.
    """
    near, far = reach
    seen = np.asarray(ranges, np.float64)
    with np.errstate(invalid="ignore"):
        hit = (seen >= near) & (seen <= far) & np.isfinite(seen)
        none = np.isposinf(seen)
    to = np.where(hit, seen, np.where(none & (bare is Bare.ALL) & math.isfinite(far), far, 0.0))
    if bare is Bare.NOTHING:
        to = np.zeros(seen.shape)
    return Beams(time, place, bearings, np.where(hit, seen, np.nan), np.full(seen.shape, max(near, 0.0)), to)


def _double(values: npt.ArrayLike) -> Numbers:
    return np.asarray(values, np.float64)
