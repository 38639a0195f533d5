"""Tables of what whole recordings cost, and of where remembered floor may be cut off."""

from __future__ import annotations

from typing import Any

from benchmarks import batch, record
from benchmarks.markdown import markdown, where
from benchmarks.speed_tables import digits, short

Row = dict[str, Any]


def cost() -> str:
    """Milliseconds of processor time a cloud, beside the library alone."""
    told, rows = _rows("cost")
    lines = [
        [
            short(row["returns"]), row["profile"], "no" if row["corrected"] else "yes",
            f"{row['read_mb']:.2f}", f"{row['written_mb']:.3f}",
            digits(row[batch.DECODED] / 1e6), digits(row[batch.WHOLE] / 1e6), f"{100 * row['added']:.0f}",
        ]
        for row in rows
    ]  # fmt: skip
    head = [
        "returns a cloud", "profile", "motion taken out", "MB read a cloud", "MB written",
        f"{batch.DECODED}, ms a cloud",
        f"{batch.WHOLE}, ms a cloud", "added, %",
    ]  # fmt: skip
    return markdown(head, lines) + "\n\n" + where(told)


def whole() -> str:
    """A second process, and resident memory."""
    told, rows = _rows("jobs", "resident")
    lines = []
    for row in rows:
        if row["group"] == "jobs":
            took = f"{row['seconds_1']:.1f} s and {row['seconds_2']:.1f} s"
            lines.append([f"two processes, {row['frames']:,} clouds", took, f"{row['gained']:.2f} times one"])
        else:
            words = f"one process, {row['gigabytes']:.2g} GB, {row['frames']:,} clouds"
            lines.append([words, f"{row['seconds']:.0f} s", f"{row['mb']:.0f} MB resident at most"])
    return markdown(["run", "took", "what counts"], lines) + "\n\n" + where(told)


def memory() -> str:
    """Bins answered otherwise than by an unbroken run, by what is run before a piece."""
    told, rows = _rows("memory")
    apart = f"HITs more than {100 * batch.APART:.0f} cm apart"
    lines = [
        [
            f"{row['memories']}",
            f"{row['seconds']:g}",
            f"{row['bins']:,}",
            f"{row['states']}",
            f"{row['apart']}",
        ]
        for row in rows
    ]
    head = ["floor memories run before", "s", "bins", "other state", apart]
    return markdown(head, lines) + "\n\n" + where(told)


def _rows(*groups: str) -> tuple[dict[str, Any], list[Row]]:
    told = record.read("batch")
    return told, [row for row in told["figures"] if row["group"] in groups]


TABLES = {"batch-cost": cost, "batch-whole": whole, "batch-memory": memory}
