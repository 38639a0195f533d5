"""Tables of what motion, windows and a fitted floor cost, and of how far walls are off meanwhile."""

from __future__ import annotations

import math
from typing import Any

from benchmarks import motion, record
from benchmarks.ground_tables import cent
from benchmarks.markdown import markdown, where
from benchmarks.speed_tables import digits, short

Row = dict[str, Any]


def cost() -> str:
    """Milliseconds a frame, beside what each is to be measured by."""
    told, rows = _rows(("motion", "window", "level"))
    lines = []
    for row in rows:
        times = f"{next(iter(row['ratios'].values())):.2f}" if row["ratios"] else "1"
        differing = f"{row['differ']} / {row['apart']}" if "differ" in row else "–"
        lines.append(
            [
                short(row["returns"]), row["clear"], row["case"], digits(row["ns"] / 1e6),
                f"{digits(row['low'] / 1e6)} – {digits(row['high'] / 1e6)}", times, differing,
            ]
        )  # fmt: skip
    head = [
        "returns a frame", "clear", "case", "ms a frame", "10 – 90 %", "times the first of each pair",
        "bins differing / apart",
    ]  # fmt: skip
    return markdown(head, lines) + "\n\n" + where(told)


def walls() -> str:
    """How far walls are off, and how many keep within the stated bound."""
    told, rows = _rows(("walls",))
    lines = [
        [
            row["sensor"], row["case"], *(f"{1000 * row[key]:.1f}" for key in ("median", "p95", "worst")),
            f"{1000 * motion.WALL:.0f} mm" + (f", {math.degrees(row['bound']):.2f}°" if row["bound"] else ""),
            cent(row["within_bound"], row["bins"]),
        ]
        for row in rows
    ]  # fmt: skip
    head = ["sensor", "poses, 100 Hz", "median, mm", "95 %, mm", "worst, mm", "bound", "HITs within, %"]
    return markdown(head, lines) + "\n\n" + where(told)


def _rows(groups: tuple[str, ...]) -> tuple[dict[str, Any], list[Row]]:
    told = record.read("motion")
    return told, [row for row in told["figures"] if row["group"] in groups]


TABLES = {"motion-cost": cost, "motion-walls": walls}
