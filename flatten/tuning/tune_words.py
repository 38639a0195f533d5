"""What tuning found, in words and as plain values."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from flatten.tuning.candidates import BANDS
from flatten.tuning.labels import Label
from flatten.tuning.proving import Checked
from flatten.tuning.recommend import LEAK, Choice
from flatten.tuning.tune import Tuned
from flatten.tuning.unseen import Unseen

LABELS = {
    Label.FLOOR: "floor",
    Label.CLIMBED: "low enough to climb, or near a border",
    Label.MUST: "must be seen",
    Label.PASSED: "passed under",
    Label.HIGH: "high over something that must be seen",
    Label.LOW: "below the floor",
    Label.UNSURE: "where no floor is known, low or high",
    Label.SLOPE: "floor that leaves its plane: ramps, bumps, misfits",
    Label.OWN: "the robot's own",
    Label.BEYOND: "outside of the reach",
    Label.SKIPPED: "outside of the fan",
}
LEANING = math.radians(0.5)
"""Radians by which the floor may lean before that is worth a word."""
MUCH_UNSURE, MUCH_CLIMBING, MUCH_MISSED = 0.05, 0.002, 0.01
"""Shares from which on something is worth a word."""


def percent(part: float, digits: int = 1) -> str:
    """Say a share in per cent; a dash where there is nothing to share."""
    if math.isnan(part):
        return "–"
    shown = f"{100.0 * part:.{digits}f}"
    least = f"{10.0**-digits:.{digits}f}"
    return f"under {least} %" if 0.0 < part < 0.5 * 10.0 ** (-digits - 2) else f"{shown} %"


def band_words(k: int) -> str:
    """Say a band of distances."""
    low, high = BANDS[k], BANDS[k + 1]
    return f"beyond {low:g} m" if math.isinf(high) else f"{low:g} to {high:g} m"


def slice_text(choice: Choice) -> str:
    """Say a slice: "0.08 to 1.03 m, rising 0.01 m per m"."""
    rise = f", rising {choice.rise:g} m per m" if choice.rise else ""
    return f"{choice.bottom:.2f} to {choice.top:.2f} m{rise}"


def range_words(metres: float, reach: float) -> str:
    """Say a distance that may lie beyond the reach."""
    return "nowhere in reach" if metres > reach else f"{metres:.1f} m away"


def report(told: Tuned) -> str:
    """Describe what was found in lines of about 90 columns."""
    lines = [
        f"{told.sweep.frames} frames, {told.sweep.bins:,} bins; floor even to "
        f"{1e3 * told.limits.margin:.0f} mm (three sigma)",
        f"floor tilts against the slices by {math.degrees(told.shake.sigma):.2f}° (one sigma), "
        f"{told.shake.comes_from}",
        "",
        *drive_lines(told),
        "",
        *map_lines(told),
        "",
        *body_lines(told),
        "",
        *unseen_lines(told.unseen),
    ]
    return "\n".join(lines)


def drive_lines(told: Tuned) -> list[str]:
    """Say what to drive by, and why."""
    name, choice, checked = told.names[0], told.drive, told.checked[told.names[0]]
    enters = told.shake.entering(choice.bottom, choice.rise)
    lines = [f"to drive by, {name}: {slice_text(choice)}"]
    if told.before.slices.get(name) is not None:
        old = told.before.slices[name]
        rise = f", rising {old.rise:g} m per m" if old.rise else ""
        lines[0] += f"   (was {old.bottom:.2f} to {old.top:.2f} m{rise})"
    lines += [
        f"  shows {percent(1.0 - checked.missed_share)} of {int(checked.wanted.sum()):,} bins in which what "
        f"must be seen was returned{was(told)}",
        f"  the floor gets into {percent(checked.leak, 2)} of all bins; with the shaking "
        f"{percent(choice.leak, 2)} are expected (before: {percent(told.leak_before, 2)})",
        *(
            [] if choice.sound
            else [f"  that is more than the {percent(LEAK, 2)} wanted: no candidate does better"]
        ),
        f"  floor enters {range_words(enters, told.before.reach.far)} when it tilts by three sigma",
        *(
            ["  nothing hangs over a free way in these frames"] if checked.free_under == 0
            else [f"  of {checked.free_under:,} bins with a free way under something it blocks "
                  f"{percent(checked.blocked_share)}"]
        ),
        f"  answers {percent(choice.answered)} of bins{steady_words(told, choice)}",
    ]  # fmt: skip
    missed = missed_words(checked)
    return [*lines, f"  missed by distance: {missed}"] if missed else lines


def was(told: Tuned) -> str:
    """Say what the slice showed before."""
    before = told.checked.get("before")
    return "" if before is None else f" (before: {percent(1.0 - before.missed_share)})"


def steady_words(told: Tuned, choice: Choice) -> str:
    """Say how steady a slice is, where frames in a row show the same place."""
    return f", {percent(choice.steady)} of them alike in the next frame" if told.same_place else ""


def missed_words(checked: Checked) -> str:
    """Say what is missed, band by band."""
    parts = [
        f"{band_words(k)} {int(missed)} of {int(wanted):,}"
        for k, (missed, wanted) in enumerate(zip(checked.missed, checked.wanted, strict=True))
        if wanted
    ]
    return ", ".join(parts)


def map_lines(told: Tuned) -> list[str]:
    """Say what to map by, and why."""
    if told.mapping is None:
        return ["to map by: nothing; no candidate answers any bin and keeps the floor out"]
    checked = told.checked[told.names[1]]
    return [
        f"to map by, {told.names[1]}: {slice_text(told.mapping)}, farthest",
        f"  answers {percent(told.mapping.answered)} of bins{steady_words(told, told.mapping)}; the floor "
        f"gets into {percent(checked.leak, 2)}",
    ]


def body_lines(told: Tuned) -> list[str]:
    """Say how often the test bodies are shown, in one frame."""
    wanted = (2.0, 5.0, 10.0, 15.0)
    rows = [row for row in told.bodies if row.distance in wanted]
    if not rows:
        return []
    shown = sorted({row.distance for row in rows})
    lines = [
        "test bodies put into single frames (hit by a beam / shown to drive by), by distance",
        f"  {'':14}" + "".join(f"{d:>16g} m" for d in shown),
    ]
    for kind in dict.fromkeys(row.kind for row in rows):
        cells = [
            f"{percent(row.returned, 0)} / {percent(row.shown[told.names[0]], 0)}"
            for row in rows if row.kind == kind
        ]  # fmt: skip
        lines.append(f"  {kind:14}" + "".join(f"{cell:>18}" for cell in cells))
    return lines


def unseen_lines(unseen: Unseen) -> list[str]:
    """Say what no slice of this mount sees."""
    lines = ["what no slice of this mount can see"]
    for height, near in unseen.nearest.items():
        best, worst = min(near), max(near)
        far = f"up to {worst:.1f} m" if worst < 100.0 else "all distances"
        lines.append(
            f"  things {height:g} m high nearer than {best:.1f} m where it looks best, {far} where worst"
        )
    if unseen.blind:
        lines.append(f"  anything at bearings {bearings_words(unseen.blind)}: no return in any frame")
    lines.append(
        "  ways down: a slice reports what stands, never what is missing; `level: floor` with drops: on "
        "tells some"
    )
    return lines


def bearings_words(ranges: Sequence[tuple[float, float]]) -> str:
    """Say bearings in degrees, counter-clockwise from ahead."""
    shown = [f"{math.degrees(a):.0f}° to {math.degrees(b):.0f}°" for a, b in ranges[:6]]
    return ", ".join(shown) + (" and others" if len(ranges) > 6 else "")


def cautions(told: Tuned) -> list[str]:
    """Say what must be looked at before these figures are believed."""
    lines = []
    lean = math.hypot(*told.lean)
    if math.atan(lean) > LEANING:
        lines.append(
            f"the floor leans by {math.degrees(math.atan(lean)):.1f}° against the slices: the mount is off "
            "(`flatten mount` finds it), or the body leans (give --poses, or --roll and --pitch)"
        )
    total = max(sum(told.labels.values()), 1)
    unsure = told.labels.get(Label.UNSURE, 0) / total
    if unsure > MUCH_UNSURE:
        lines.append(f"of {percent(unsure)} of the returns nobody can say whether they are floor: left out")
    if not told.drive.sound:
        lines.append(
            f"the floor gets into {percent(told.drive.leak, 2)} of bins whatever the slice: pass the "
            "attitude in, take `level: floor`, or shorten the reach"
        )
    climbing = climbing_share(told)
    if climbing > MUCH_CLIMBING:
        lines.append(
            f"floor off its plane (ramps, bumps, or fitted wrongly) gets into {percent(climbing)} of bins; "
            "no bottom keeps it out: `level: floor` counts heights from it"
        )
    if told.drive.rise > 0.0 and told.drive.missed > MUCH_MISSED:
        lines.append(
            f"keeping the shaking floor out costs {percent(told.drive.missed)} of what must be seen, low and "
            "far: take the shaking out instead, by attitudes of the right time or `level: floor`"
        )
    if int(told.sweep.wanted.sum()) < 100:
        lines.append("hardly anything that must be seen stands in these frames: record where things stand")
    if told.sweep.frames < 5:
        lines.append(f"{told.sweep.frames} frames are few: what they did not meet is not in these figures")
    return lines


def climbing_share(told: Tuned) -> float:
    """Share of bins that floor off its plane enters, whatever the shaking."""
    grid = told.sweep.driving.grid
    return float(np.interp(told.drive.bottom, grid.bottoms, told.sweep.climbing)) / max(told.sweep.bins, 1)


def plain(told: Tuned) -> dict[str, Any]:
    """Give the same as plain values: metres, degrees, shares of 1; None for what is not known."""
    return {
        "frames": told.sweep.frames,
        "bins": told.sweep.bins,
        "returns": {LABELS[Label(key)]: count for key, count in sorted(told.labels.items())},
        "limits": told.limits._asdict(),
        "climbing": climbing_share(told),
        "shake": {
            "sigma": math.degrees(told.shake.sigma), "comes_from": told.shake.comes_from,
            "floor": degrees_or_none(told.shake.floor), "attitudes": degrees_or_none(told.shake.attitudes),
        },
        "lean": {
            way: math.degrees(math.atan(part)) for way, part in zip(("ahead", "left"), told.lean, strict=True)
        },
        "drive": {"name": told.names[0], **plain_choice(told.drive), **entering(told)},
        "map": None if told.mapping is None else {"name": told.names[1], **plain_choice(told.mapping)},
        "checked": {name: plain_checked(checked) for name, checked in told.checked.items()},
        "bodies": [
            {"body": row.kind, "distance": row.distance, "returned": row.returned, "shown": dict(row.shown)}
            for row in told.bodies
        ],
        "unseen": {
            "nearest": {f"{height:g}": list(near) for height, near in told.unseen.nearest.items()},
            "blind": [[math.degrees(a), math.degrees(b)] for a, b in told.unseen.blind],
            "own": told.unseen.own, "never": told.unseen.never, "below_floor": told.unseen.low,
        },
        "cautions": cautions(told),
        "refused": [{"cloud": left.name, "reason": left.reason} for left in told.refused],
        "millimetres": list(told.millimetres),
    }  # fmt: skip


def entering(told: Tuned) -> dict[str, Any]:
    """Where the floor enters the driving slice, by how many sigma it tilts; None for nowhere."""
    ranges = {k: told.shake.entering(told.drive.bottom, told.drive.rise, float(k)) for k in (1, 2, 3)}
    return {"floor_enters": {str(k): None if math.isinf(r) else r for k, r in ranges.items()}}


def plain_choice(choice: Choice) -> dict[str, Any]:
    """Give a choice."""
    return {
        "bottom": choice.bottom, "top": choice.top, "rise": choice.rise, "leak": choice.leak,
        "missed": number_or_none(choice.missed), "blocked": number_or_none(choice.blocked),
        "answered": choice.answered, "steady": number_or_none(choice.steady), "sound": choice.sound,
    }  # fmt: skip


def plain_checked(checked: Checked) -> dict[str, Any]:
    """Give the counts of a slice that was run for real."""
    return {
        "bins": checked.bins, "hits": checked.hits, "answered": checked.answered, "leaks": checked.leaks,
        "wanted": checked.wanted.tolist(), "missed": checked.missed.tolist(), "bands": [*BANDS[:-1], None],
        "free_under": checked.free_under, "blocked": checked.blocked,
    }  # fmt: skip


def number_or_none(value: float) -> float | None:
    """Give None for what is not a number, as JSON has no word for it."""
    return None if math.isnan(value) else value


def degrees_or_none(angle: float | None) -> float | None:
    """Give degrees."""
    return None if angle is None else math.degrees(angle)
