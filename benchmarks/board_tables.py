"""The tables of board budgets and of portability, from their JSON."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from benchmarks import board_classes, record
from benchmarks.board_budgets import LOADS
from benchmarks.markdown import markdown, where
from benchmarks.speed_tables import digits

Row = dict[str, Any]


def rows_of(told: dict[str, Any], group: str) -> list[Row]:
    """The rows of a kind."""
    return [row for row in told["figures"] if row["group"] == group]


def finished(told: dict[str, Any], head: list[str], lines: list[list[str]]) -> str:
    """A table and what it was measured on; only the notes where nothing was measured."""
    table = [markdown(head, lines)] if lines else []
    return "\n\n".join([*table, *told["notes"], where(told)])


def ends(values: Sequence[float], write: Callable[[float], str] = digits) -> str:
    """A range, or one figure where both ends are written alike."""
    low, high = (write(value) for value in values)
    return low if low == high else f"{low} – {high}"


def off(value: float, measured: float) -> str:
    """How far a figure is off, in per cent with its sign."""
    return f"{100 * (value / measured - 1):+.0f}"


def boards() -> str:
    """What a frame costs on each core."""
    told = record.read("boards")
    lines = []
    for row in rows_of(told, "board"):
        name = row["core"] + ("" if row["own_model"] else " ¹")
        fast = [ends(row["load"][load]) for load in LOADS]
        bound = row["bound"] + (f" {digits(row['memory_ns'])}" if row["bound"] == "memory" else "")
        lines.append(
            [
                name, row["case"], ends(row["cycles"]), ends(row["ns"]), f"{row['overhead_us']:.0f}", *fast,
                ends(row["frames_a_second"], lambda value: f"{value:,.0f}"), bound,
            ]
        )  # fmt: skip
    loads = [f"% of a core, {returns / 1e6:g} M returns/s at {name}" for name, (returns, _) in LOADS.items()]
    head = [
        "core", "stages", "cycles a return", "ns a return", "µs a call on top", *loads,
        "frames/s of 20 k", "bound by",
    ]  # fmt: skip
    models = {row["core"]: row["model"] for row in rows_of(told, "board") if not row["own_model"]}
    stood = ", ".join(f"{model} for {core}" for core, model in models.items())
    notes = [f"¹ Another core's model stood in for the vector loops: {stood}."] if models else []
    return finished({**told, "notes": [*told["notes"], *notes]}, head, lines)


def classes() -> str:
    """What was taken for each class."""
    lines = []
    for board in board_classes.boards():
        model = board.model if board.own_model else f"{board.model}: {board.why_model}"
        lines.append(
            [
                board.core, "in order" if board.in_order else "out of order", str(board.width),
                str(board.cores), ends(board.clock_ghz, "{:g}".format),
                ends(board.memory_gb_s, "{:g}".format), model,
            ]
        )  # fmt: skip
    head = [
        "core", "order", "instructions a cycle", "cores", "GHz", "memcpy GB/s, one core",
        "model of vector loops",
    ]  # fmt: skip
    return markdown(head, lines)


def method() -> str:
    """How far the method is off on this machine."""
    told = record.read("boards")
    lines = [
        [
            row["case"], digits(row["measured"]), ends(row["cycles"]),
            " … ".join(off(value, row["measured"]) for value in row["cycles"]),
            off(row["static"], row["measured"]), f"{100 * row['vectors']:.0f}",
        ]
        for row in rows_of(told, "error")
    ]  # fmt: skip
    head = [
        "on this machine", "cycles a return, measured", "told", "off by %", "static model alone, off by %",
        "vector loops, % of the cycles",
    ]  # fmt: skip
    return finished(told, head, lines)


def portability() -> str:
    """What differs on other cores."""
    told = record.read("portability")
    lines = [
        [
            row["core"], row["case"], digits(sum(row["instructions"].values())), str(row["calls"]),
            f"{row['elements']:,}", f"{row['differ']:,}", f"{row['nans']:,}",
        ]
        for row in rows_of(told, "answers")
    ]  # fmt: skip
    notes = [
        f"{row['core']}: of {row['pairs']:,} results of the C library have other bits: "
        + ", ".join(f"{name} {differ:,}" for name, differ in row["differ"].items())
        + "."
        for row in rows_of(told, "library")
    ]
    head = [
        "core", "stages", "instructions a return", "kernel calls", "elements compared", "differ",
        "NaN with other bits",
    ]  # fmt: skip
    return finished({**told, "notes": [*told["notes"], *notes]}, head, lines)


TABLES: dict[str, Callable[[], str]] = {
    "boards": boards,
    "board-classes": classes,
    "boards-method": method,
    "portability": portability,
}
