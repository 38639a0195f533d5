"""What a report holds about one cloud, and the rows that page and text share."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from flatten.pictures import bins, words
from flatten.scan import Scan, State


@dataclass(frozen=True)
class TruthCheck:
    """How one scan compares with the known truth of a made-up place."""

    hits_within: int
    """HIT bins whose range lies between the nearest and the farthest true surface of the bin."""
    hits_outside: int
    """HIT bins whose range does not."""
    false_free: int
    """CLEAR bins in which something stands that CLEAR denies."""


@dataclass(frozen=True, eq=False)
class Entry:
    """One cloud of a report."""

    name: str
    """Its file, or whatever names it."""
    scans: Mapping[str, Scan]
    """What `Flattener.flatten` gave."""
    attitude: Sequence[float] | None = None
    """Roll and pitch in rad that it was flattened with."""
    sensor: str = ""
    """The sensor, in words of its class."""
    shows: str = ""
    """What there is to see, or where the cloud comes from."""
    picture: bytes | str | os.PathLike[str] | None = None
    """A PNG picture: a file, or its bytes; None for none."""
    seconds: float | None = None
    """How long flattening took; None where it was not measured."""
    truth: Mapping[str, TruthCheck] = field(default_factory=dict)
    """Comparison with a known truth by slice; empty where there is none."""
    profile: str = ""
    """Which profile it was flattened with, where a report has several."""


@dataclass(frozen=True, eq=False)
class PairEntry:
    """What a report holds about one cloud that was flattened in two ways."""

    name: str
    """Its file, or whatever names it."""
    shows: str
    """What there is to see."""
    ways: tuple[str, ...]
    """Names of the ways, the plainer first."""
    figures: tuple[tuple[str, tuple[str, ...]], ...]
    """Figures: what each is, and its value in each way."""
    attitude: Sequence[float] | None = None
    """Roll and pitch in rad that it was flattened with."""
    picture: bytes | str | os.PathLike[str] | None = None
    """A PNG picture of both: a file, or its bytes; None for none."""


@dataclass(frozen=True)
class SliceRow:
    """What one slice says, in numbers and words."""

    name: str
    bins: int
    states: dict[str, int] | None
    """Bins by state; None where the scan has neither states nor ranges."""
    answered: str
    nearest: str
    used: str
    truth: TruthCheck | None


def slice_rows(entry: Entry) -> list[SliceRow]:
    """Sum up the scans of an entry."""
    return [_row(scan, entry.truth.get(name)) for name, scan in entry.scans.items()]


def _row(scan: Scan, truth: TruthCheck | None) -> SliceRow:
    counts = bins.state_counts(scan)
    return SliceRow(
        name=scan.name,
        bins=scan.bins,
        states=None if counts is None else {state.name: number for state, number in counts.items()},
        answered=words.share_words(bins.share_answered(scan)),
        nearest=nearest_words(scan),
        used=f"{scan.counts.used:,} returns",
        truth=truth,
    )


def nearest_words(scan: Scan) -> str:
    """Say where the nearest HIT is: "0.78 m, left, 88°"."""
    if scan.ranges is None:
        return "ranges not in the scan"
    found = bins.nearest_hit(scan)
    return "no HIT" if found is None else f"{found[0]:.2f} m, {words.bearing_words(found[1])}"


def nearest_of_all(entry: Entry) -> str:
    """Say where the nearest HIT of all slices is, and in which; a bin too near goes before all."""
    too_near = [name for name, scan in entry.scans.items() if _count(scan, State.TOO_NEAR)]
    if too_near:
        return f"TOO_NEAR in {', '.join(too_near)}"
    found = [(hit[0], name) for name, scan in entry.scans.items() if (hit := bins.nearest_hit(scan))]
    if not found:
        return "no HIT"
    name = min(found)[1]
    return f"{nearest_words(entry.scans[name])} ({name})"


def _count(scan: Scan, state: State) -> int:
    counts = bins.state_counts(scan)
    return 0 if counts is None else counts[state]
