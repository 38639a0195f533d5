"""What was measured, in words and small tables."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

from flatten.budget import startup
from flatten.budget.measuring import REST, Budget
from flatten.budget.startup import Start
from flatten.budget.timing import STAGES, Round, Spread
from flatten.budget.verdict import BARELY, NOT, ROOM, Limits, share_of

MEGA = 1e6
MEANT = {
    "message in": "message bytes decoded",
    "cloud": "the message's points found",
    "motion": "returns to one moment",
    "window": "older frames brought and kept",
    "floor": "fitted to the returns",
    "kernels": "all returns to bins",
    "scans": "bins to scans",
    "health": "the stream watched",
    "fields": "scans to message fields",
    "message out": "message bytes made",
}
MEANING = {
    ROOM: "99 of 100 frames keep within the budget, each by itself",
    BARELY: "the mean frame keeps within the budget, but single frames do not, or are late",
    NOT: "the mean frame costs more than the budget, or is not done when the next one comes",
}
HOLDS = "It holds for this board, profile and these clouds, as warm as the board was: measure in its housing."
CODER = "Messages were coded by rosbags, in Python; your middleware has a coder of its own."
WIDTH = 92


def words(found: Budget) -> list[str]:
    """Say all that was measured, line by line."""
    parts = [machine_words(found.machine), _task_words(found)]
    for name, one in found.rounds.items():
        parts += ["", *_round_lines(name, one, found.limits)]
    parts += ["", *(_memory_line(name, one) for name, one in found.rounds.items())]
    parts += [_dominating_words(found), "", *_gain_lines(found), "", verdict_words(found)]
    parts += [*_remarks(found)]
    return [line for part in parts for line in (textwrap.wrap(part, WIDTH) if len(part) > WIDTH else [part])]


def verdict_words(found: Budget) -> str:
    """Say whether it fits, and what was held against what."""
    share = share_of(Spread.of(found.deciding.busy).mean, found.limits)
    where = list(found.rounds)[-1]
    return (
        f"{found.verdict.upper()} ({where}): {percent(share)} of one core at {found.limits.rate:g} frames "
        f"a second, allowed are {percent(found.limits.share)}; {MEANING[found.verdict]}.{_most(found)}"
    )


def _most(found: Budget) -> str:
    """Name the stage that takes the most, where there is no room."""
    name, share = found.dominating()[0]
    return "" if found.verdict == ROOM else f" Most of it: {name}, {percent(share)}."


def machine_words(told: dict[str, Any]) -> str:
    """Name a board by its cores."""
    classes = ", ".join(f"{count} × {name}" for name, count in told["core_classes"].items())
    clock = f" to {told['clock_mhz']:,.0f} MHz" if told["clock_mhz"] else ""
    vector = f" with {told['vector'][0]}" if told["vector"] else ""
    return f"board: {classes or told['machine']}{clock}{vector}, {told['cores']} to use"


def percent(share: float) -> str:
    """Say a share: "4.2 %", "31 %"."""
    return f"{100.0 * share:.{1 if share < 0.0995 else 0}f} %"


def milliseconds(seconds: float) -> str:
    """Say a time in ms: "0.085", "12.80", "240.3"."""
    value = 1e3 * seconds
    return f"{value:.{3 if value < 1.0 else 2 if value < 100.0 else 1}f}"


def _task_words(found: Budget) -> str:
    counts = [count for _, count in found.clouds]
    size = f"{counts[0]:,}" if min(counts) == max(counts) else f"{min(counts):,} to {max(counts):,}"
    profile = found.profile
    return (
        f"{len(counts)} cloud{'' if len(counts) == 1 else 's'} of {size} returns, "
        f"{len(profile.slices)} slice{'' if len(profile.slices) == 1 else 's'}, "
        f"{profile.fan.bins:,} bins, clear {'off' if profile.clear is None else 'on'}, "
        f"{_stream_words(found)}fields: {', '.join(sorted(found.fields))}"
    )


def _stream_words(found: Budget) -> str:
    """Say what heights count from, how many frames are gathered, and what comes with each."""
    window, told = found.profile.window, f"level: {found.profile.level}, "
    if window is not None:
        size = f"{window.frames} frames" if window.frames else f"{window.seconds:g} s"
        told += f"a window of {size}, "
    return told + ("poses at 100 Hz, " if found.moving else "")


def _round_lines(name: str, one: Round, limits: Limits) -> list[str]:
    head = f"{name}, {one.frames:,} frames, ms"
    lines = [f"{head:42}" + "".join(f"{name:>9}" for name in ("median", "mean", "p95", "p99", "worst"))]
    for stage in STAGES:
        if stage in one.stages:
            lines.append(_row(f"  {stage}: {MEANT[stage]}", Spread.of(one.stages[stage])))
    whole, busy = Spread.of(one.whole), Spread.of(one.busy)
    lines += [_row("  whole frame, by the clock", whole), _row("  whole frame, processor time", busy)]
    shares = [share_of(value, limits) for value in _columns(busy)]
    lines.append(f"{'  share of one core':42}" + "".join(f"{percent(share):>9}" for share in shares))
    if one.cores_taken:
        lines.append(f"  meanwhile a stand-in for odometry took {one.cores_taken:.1f} cores")
    return lines


def _row(name: str, spread: Spread) -> str:
    return f"{name:42}" + "".join(f"{milliseconds(value):>9}" for value in _columns(spread))


def _columns(spread: Spread) -> tuple[float, ...]:
    return spread.median, spread.mean, spread.p95, spread.p99, spread.worst


def _memory_line(name: str, one: Round) -> str:
    grown = one.after.resident - one.before.resident
    return (
        f"memory {name}, this whole program with its clouds: {one.after.resident / MEGA:.0f} MB resident, "
        f"{grown / MEGA:+.1f} MB over the frames, peak {one.after.peak / MEGA:.0f} MB"
    )


def _dominating_words(found: Budget) -> str:
    told = [f"{name} {percent(share)}" for name, share in found.dominating() if share >= 0.05]
    return f"what takes the time: {', '.join(told)}"


def _gain_lines(found: Budget) -> list[str]:
    """Tabulate the leaner ways: what they cost, and whether the mean frame would then fit."""
    now = share_of(Spread.of(found.deciding.busy).mean, found.limits)
    lines = ["leaner ways, measured in turns with the profile as it is", f"{'':30}{'cost':>7}{'share':>9}"]
    for gain in found.gains:
        then = now * gain.times
        changed = (now <= found.limits.share) != (then <= found.limits.share)
        mark = ("  would fit" if then <= now else "  would not fit") if changed else ""
        lines.append(
            f"  {gain.name:28}{percent(gain.times):>7}{percent(then):>9}{mark}  (gives up {gain.gives_up})"
        )
    return lines


def _remarks(found: Budget) -> list[str]:
    told = []
    if not found.wire:
        told.append(
            "Not counted: decoding and encoding of messages (needs rosbags: pip install 'flatten[desk]')."
        )
    if found.deciding.frames < 1000:
        told.append(f"Only {found.deciding.frames:,} frames: the last columns are what happened to be met.")
    if REST in found.rounds and len(found.rounds) == 1:
        told.append("At rest only: other work slows memory and caches; see --loaded.")
    told.append(HOLDS + (f" {CODER}" if found.wire else ""))
    return told


def startup_words(starts: Sequence[Start]) -> list[str]:
    """Say what starts cost, and what the compiler's part of that is."""
    lines = [f"{'start of':28}{'s':>8}{'processor s':>13}{'resident MB':>13}{'peak MB':>9}{'starts':>8}"]
    for one in starts:
        lines.append(
            f"  {one.name:26}{one.seconds:8.2f}{one.busy_seconds:13.2f}{one.resident / MEGA:13.0f}"
            f"{one.peak / MEGA:9.0f}{one.repeats:8}"
        )
    found = {one.name: one for one in starts}
    warm, light = found[startup.WARM], found[startup.LIGHT]
    compiler, plain = found[startup.COMPILER], found[startup.NUMPY]
    lines += textwrap.wrap(
        f"numba alone, above numpy: {compiler.busy_seconds - plain.busy_seconds:.2f} s of processor time, "
        f"{(compiler.resident - plain.resident) / MEGA:.0f} MB. The first frame, above all that a node "
        f"imports but kernels and compiler: {warm.busy_seconds - light.busy_seconds:.2f} s, "
        f"{(warm.resident - light.resident) / MEGA:.0f} MB: no more than that could be saved by machine "
        "code that is loaded without numba.",
        WIDTH,
    )
    return lines
