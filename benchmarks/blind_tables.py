"""Table of how well blind zones from recorded clouds cover the robot."""

from __future__ import annotations

from typing import Any

from benchmarks import record
from benchmarks.markdown import markdown, where


def blind() -> str:
    """Own returns held, others swallowed, zones, parts that move."""
    told = record.read("blind")
    rows: list[dict[str, Any]] = told["figures"]
    lines = [
        [
            row["case"], str(row["robots"]), str(row["refused"]),
            f"{100 * row['covered']:.3f} / {100 * row['covered worst']:.2f}",
            f"{100 * row['covered within']:.0f}",
            f"{100 * row['removed']:.4f} / {100 * row['removed worst']:.3f}",
            f"{100 * row['removed within']:.0f}", f"{row['zones']:g}", f"{100 * row['parts told']:.0f}",
            f"{100 * row['blocked']:.1f}",
        ]
        for row in rows
    ]  # fmt: skip
    head = [
        "clouds", "robots", "refused", "own returns covered, all / worst robot, %", "robots with 99.9 %, %",
        "others removed, all / worst, %", "robots below 0.1 %, %", "zones", "told to have moving parts, %",
        "bins that fall silent, median, %",
    ]  # fmt: skip
    return markdown(head, lines) + "\n\n" + where(told)


TABLES = {"blind": blind}
