"""Tables of how right maps are, what entering scans costs, and what drift they show."""

from __future__ import annotations

from typing import Any

from benchmarks import record
from benchmarks.ground_tables import cent
from benchmarks.markdown import markdown, where

Row = dict[str, Any]


def truth() -> str:
    """Cells of a map against the closed form."""
    told, rows = _rows("truth")
    lines = [
        [
            row["slice"], f"{row['scans']:,}", f"{row['occupied']:,}", cent(row["near"], row["occupied"]),
            cent(row["found"], row["visible"]), f"{row['free']:,}", f"{100 * row['wrong'] / row['free']:.4f}",
            f"{row['thickness']:.2f}", f"{row['entropy']:.2f}",
        ]
        for row in rows
    ]  # fmt: skip
    head = [
        "slice", "scans", "occupied cells", "within a cell of an outline, %", "visible outline found, %",
        "free cells", "inside something, %", "thickness, m", "entropy, bit",
    ]  # fmt: skip
    return markdown(head, lines) + "\n\n" + where(told)


def speed() -> str:
    """Seconds for so many scans, on one core."""
    told, rows = _rows("speed")
    lines = [
        [
            row["slice"], f"{row['scans']:,} × {row['bins']:,}", f"{row['seconds']:.2f}",
            f"{row['low']:.2f} – {row['high']:.2f}", f"{row['cells'] / row['scans'] / 1000:.0f} k",
            f"{row['ns_a_cell']:.1f}", f"{row['bytes'] / 1e6:.0f}",
        ]
        for row in rows
    ]  # fmt: skip
    head = ["slice", "scans × bins", "s", "least – most", "cells a scan", "ns a cell", "map, MB"]
    return markdown(head, lines) + "\n\n" + where(told)


def drift() -> str:
    """What passes over the same ground say of poses that drift."""
    told, rows = _rows("drift")
    lines = [
        [
            f"{100 * row['drift']:.1f}", row["slice"], f"{row['fit']} of {row['places']}", str(row["slide"]),
            f"{row['true']:.2f}", f"{row['told']:.2f}", f"{row['worst_off']:.2f}",
            f"{100 * row['agreement']:.0f}", f"{row['step']:.3f}",
        ]
        for row in rows
    ]  # fmt: skip
    head = [
        "drift, %", "slice", "places fit", "without a direction", "true closing error, m", "told, m",
        "worst difference, m", "agreement, %", "scan to scan, m",
    ]  # fmt: skip
    return markdown(head, lines) + "\n\n" + where(told)


def _rows(group: str) -> tuple[dict[str, Any], list[Row]]:
    told = record.read("map")
    return told, [row for row in told["figures"] if row["group"] == group]


TABLES = {"map-truth": truth, "map-speed": speed, "map-drift": drift}
