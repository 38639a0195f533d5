"""Numbers and angles as short words, for titles, tables and alt texts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from flatten.files.writing import CAUTION
from flatten.profile import Profile
from flatten.scan import Counts, Scan, State
from flatten.version import __version__

Attitude = tuple[float, float]

SPAN_AHEAD = 60.0
"""Up to this many degrees to a side is still ahead; as many before the rear is behind."""


def one_line(text: str) -> str:
    """Put a text on one line: no line breaks, no control characters."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def shorten(text: str, most: int = 60) -> str:
    """Put a text on one line of at most `most` characters, cutting from its middle."""
    line = one_line(text)
    if len(line) <= most:
        return line
    tail = (most - 1) * 2 // 3
    return f"{line[: most - 1 - tail]}…{line[-tail:]}"


def file_words(name: str) -> str:
    """Last part of a path, for titles; "cloud" where there is no name."""
    return one_line(name.replace("\\", "/").rstrip("/").rsplit("/", 1)[-1]) or "cloud"


def bearing_words(bearing: float) -> str:
    """Say a bearing (rad, counter-clockwise, 0 ahead): "ahead left, 23°"."""
    degrees = math.degrees(bearing)
    size = abs(round(degrees))
    if size <= 2:
        return "straight ahead"
    if size >= 178:
        return "straight behind"
    side = "left" if degrees > 0.0 else "right"
    end = "ahead " if size < SPAN_AHEAD else "behind " if size > 180.0 - SPAN_AHEAD else ""
    return f"{end}{side}, {size}°"


def attitude_words(attitude: Attitude | None, profile: Profile | None = None) -> str:
    """Say an attitude (roll, pitch in rad): "roll 2.0° (left side up), pitch 5.0° (nose down)"."""
    if attitude is None:
        return "none given, taken as level"
    roll, pitch = (round(math.degrees(angle), 1) + 0.0 for angle in attitude)
    leaning = {1: " (left side up)", -1: " (right side up)", 0: ""}[(roll > 0) - (roll < 0)]
    nodding = {1: " (nose down)", -1: " (nose up)", 0: ""}[(pitch > 0) - (pitch < 0)]
    words = f"roll {roll:.1f}°{leaning}, pitch {pitch:.1f}°{nodding}".replace("-", "−")
    return f"{words}; ignored, level: body" if profile is not None and profile.level == "body" else words


def profile_words(profile: Profile) -> str:
    """Name a profile by its file."""
    return one_line(profile.source) or "made in a program, no file"


def slice_words(name: str, profile: Profile) -> str:
    """Say what a slice holds, in the form: 0.08 to 1.07 m, nearest."""
    band = profile.slices[name]
    rise = f", rising {band.rise:g} m per m" if band.rise else ""
    agreed = f", {band.min_hits} returns within {band.within:g} m" if band.min_hits > 1 else ""
    return f"{band.bottom:.2f} to {band.top:.2f} m{rise}, {band.pick}{agreed}"


def cloud_words(counts: Counts) -> str:
    """Say what became of the returns of a cloud: "19,088 returns, 5,780 in blind zones"."""
    parts = [f"{counts.returns:,} returns"]
    if counts.skipped:
        parts.append(f"{counts.skipped:,} not finite or zero")
    if counts.swallowed:
        parts.append(f"{counts.swallowed:,} in blind zones")
    return ", ".join(parts)


def count_words(scan: Scan) -> str:
    """Say the same of one slice: "19,088 returns, 5,780 in blind zones, 2,425 in this slice"."""
    return f"{cloud_words(scan.counts)}, {scan.counts.used:,} in this slice"


def named_counts(counts: Mapping[str, int] | None) -> str:
    """Say how many bins have which state: "137 HIT, 984 CLEAR, 47 TOO_NEAR, 272 UNSEEN"."""
    if counts is None:
        return "states not in the scan"
    return ", ".join(f"{number:,} {name}" for name, number in counts.items() if number)


def state_words(counts: Mapping[State, int] | None) -> str:
    """Say the same of counts by `State`."""
    return named_counts(None if counts is None else {state.name: n for state, n in counts.items()})


def made_by() -> str:
    """Name the library and its version."""
    return f"flatten {__version__}"


def share_words(share: float | None) -> str:
    """Say a share in percent, rounded down: 100 % is all of it; "not known" for None."""
    if share is None:
        return "not known"
    percent = math.floor(100.0 * share + 1e-9)
    return "under 1 %" if 0.0 < share < 0.01 else f"{percent} %"


def seconds_words(seconds: float) -> str:
    """Say a time: "2.1 ms" or "1.30 s"."""
    return f"{seconds:.2f} s" if seconds >= 1.0 else f"{1e3 * seconds:.1f} ms"


FLOOR_CAUTION = (
    "A fitted floor, and an edge that is told, keep nobody safe: walk the edges of the site and mark them. "
    "An edge may be missed, and a kerb may pass for a short ramp."
)
"""Where fitted floors are shown."""


def cautions(profiles: Sequence[Profile]) -> list[str]:
    """Say what must not be taken from scans, and how first runs are made."""
    tallest = sorted({profile.clear.smallest for profile in profiles if profile.clear is not None})
    least = " or ".join(f"{metres:g}" for metres in tallest)
    promise = (
        f"CLEAR speaks of things that stand on the slice's bottom, reach at least {least} m above it and "
        "fill the width of the bin. What hangs, is lower or is thinner may be there all the same."
        if tallest
        else "CLEAR is switched off in the profile: no bin says that the way is free."
    )
    return [
        f"{CAUTION} Keep the robot's own protective devices working, and follow the local codes.",
        promise,
        "UNSEEN and BLOCKED are not free: nothing is known there.",
        "Make first runs with the tracks off the ground and the emergency stop at hand.",
    ]
