"""How late frames are, and which stage takes the time: one picture of a measured budget."""

from __future__ import annotations

import os
import textwrap
from pathlib import Path
from typing import Any

import numpy as np

from flatten.budget import STAGES, Budget, Spread
from flatten.budget.wording import machine_words, verdict_words
from flatten.errors import OutputError
from flatten.files.writing import CAUTION, target, write_all
from flatten.pictures import style, words
from flatten.pictures.parts import load_matplotlib
from flatten.pictures.sheet import DOTS_PER_INCH, SUFFIXES, save_figure

WIDTH, HEIGHT = 8.2, 6.6
"""Inches."""
LINES: tuple[dict[str, Any], ...] = (
    {"color": style.HIT, "linestyle": "-"},
    {"color": style.BAND_COLOURS[1], "linestyle": (0, (6, 2))},
)
"""By the clock, round by round; processor time is the same, thin."""
FILLS = (
    "#ffffff", "#c4c4c4", "#d8ecd8", "#b9d3b0", "#e3cfa4", "#8fc1ea", "#f5e8d8", "#ffffff", "#9a9a9a",
    "#ebebeb",
)  # fmt: skip
HATCHES = ("", "...", "---", "", "xxx", "", "///", "|||", "", "\\\\\\")
WIDE = 30.0
"""Times farther apart than this are drawn on a logarithmic axis."""
LETTERS = 100
"""Letters that fit on a line."""


def save_latency(path: str | os.PathLike[str], found: Budget, *, overwrite: bool = False) -> Path:
    """Draw what was measured and write it: PNG, SVG or PDF by the suffix.

    Above, how many frames take longer than so many milliseconds, by the clock and in processor
    time, with the budget and the time to the next frame; below, the medians of the stages.

    Raises OutputError where the file cannot be written or has another suffix, MissingPartError
    without matplotlib.
    """
    place = target(path)
    kind = place.suffix.lower()
    if kind not in SUFFIXES:
        raise OutputError(f"{place}: no picture format by that suffix: choose {', '.join(SUFFIXES)}")
    figure = draw_latency(found)
    write_all([(place, lambda stream: save_figure(figure, stream, kind))], overwrite)
    return place


def draw_latency(found: Budget) -> Any:
    """Draw a budget as a figure that no screen shows; MissingPartError without matplotlib."""
    figure = load_matplotlib("figure").Figure(figsize=(WIDTH, HEIGHT), dpi=DOTS_PER_INCH)
    draw_spread(figure.add_axes((0.13, 0.40, 0.83, 0.39)), found)
    draw_stages(figure.add_axes((0.16, 0.155, 0.80, 0.07 * len(found.rounds))), found)
    head, *more = _wrapped(verdict_words(found))
    _write(figure, HEIGHT - 0.3, head, 11.0, style.INK, "bold")
    for number, line in enumerate(more):
        _write(figure, HEIGHT - 0.5 - 0.17 * number, line, style.TEXT, style.INK)
    _write(figure, HEIGHT - 0.86, machine_words(found.machine), style.TEXT, style.SOFT_INK)
    made = f"profile: {words.shorten(words.profile_words(found.profile), 70)} · {words.made_by()}"
    _write(figure, 0.28, made, style.SMALL, style.SOFT_INK)
    _write(figure, 0.12, CAUTION, style.SMALL, style.INK, "bold")
    return figure


def draw_spread(on: Any, found: Budget) -> None:
    """Draw the share of frames that take longer, over milliseconds."""
    least = min(1.0 / one.frames for one in found.rounds.values())
    for (name, one), line in zip(found.rounds.items(), LINES, strict=False):
        for times, kind, width in ((one.whole, "by the clock", 1.8), (one.busy, "processor time", 0.9)):
            label = f"{name}, {kind}"
            share = np.arange(one.frames, 0, -1) / one.frames
            on.plot(1e3 * np.sort(times), share, drawstyle="steps-pre", linewidth=width, label=label, **line)
    on.set_yscale("log")
    on.set_ylim(0.7 * least, 1.5)
    parts = [part for part in (1, 10, 100, 1000, 10_000, 100_000) if 1.0 / part >= 0.7 * least]
    on.set_yticks([1.0 / part for part in parts], ["all" if k == 1 else f"1 in {k:,}" for k in parts])
    _mark(on, 1e3 * found.limits.cost, f"budget: {found.limits.share:g} of a core", ":")
    _mark(on, 1e3 * found.limits.period, "next frame comes", (0, (6, 2, 1, 2)))
    low, high = on.get_xlim()
    if high > WIDE * min(1e3 * float(one.busy.min()) for one in found.rounds.values()):
        on.set_xscale("log")
        on.set_xlim(0.8e3 * min(float(one.busy.min()) for one in found.rounds.values()), high)
        on.xaxis.set_major_formatter("{x:g}")
    else:
        on.set_xlim(max(low, 0.0), high)
    on.set_xlabel("a frame takes, ms", fontsize=style.TEXT)
    on.set_ylabel("frames that take as long or longer", fontsize=style.TEXT)
    on.legend(
        fontsize=style.SMALL, loc="lower left", bbox_to_anchor=(0.0, 1.01), ncols=3, frameon=False,
        borderaxespad=0.0, columnspacing=1.4, handlelength=2.8,
    )  # fmt: skip
    _plain(on)


def draw_stages(on: Any, found: Budget) -> None:
    """Draw the medians of the stages as one bar a round."""
    for row, one in enumerate(found.rounds.values()):
        left = 0.0
        for place, stage in enumerate(STAGES):
            if stage not in one.stages:
                continue
            wide = 1e3 * Spread.of(one.stages[stage]).median
            on.barh(
                row, wide, 0.62, left, color=FILLS[place], hatch=HATCHES[place], edgecolor=style.INK,
                linewidth=0.6, label=stage if row == 0 else None,
            )  # fmt: skip
            left += wide
    on.set_yticks(range(len(found.rounds)), list(found.rounds))
    on.set_ylim(len(found.rounds) - 0.5, -0.5)
    on.set_xlabel("stages of a frame, medians by the clock, ms", fontsize=style.TEXT)
    on.legend(
        fontsize=style.SMALL, loc="lower left", bbox_to_anchor=(0.0, 1.02), ncols=len(STAGES) // 2,
        frameon=False, borderaxespad=0.0, columnspacing=1.4, handlelength=2.2,
    )  # fmt: skip
    _plain(on)


def _mark(on: Any, at: float, text: str, line: Any) -> None:
    on.axvline(at, color=style.INK, linewidth=1.0, linestyle=line, label=f"{text}, {at:.3g} ms")


def _plain(on: Any) -> None:
    on.tick_params(labelsize=style.SMALL, color=style.RULE)
    on.grid(axis="x", color=style.RULE, linewidth=0.4, alpha=0.6)
    on.set_axisbelow(True)
    for side in ("top", "right"):
        on.spines[side].set_visible(False)


def _wrapped(text: str) -> list[str]:
    """Put the verdict on the first line, the figures and the rest below it."""
    head, _, rest = text.partition(": ")
    return [head, *textwrap.wrap(rest, LETTERS)]


def _write(figure: Any, height: float, text: str, size: float, colour: str, weight: str = "normal") -> None:
    figure.text(
        0.5 / WIDTH, height / HEIGHT, text, fontsize=size, color=colour, fontweight=weight, parse_math=False
    )
