"""Table of how good the recommended slices are."""

from __future__ import annotations

from typing import Any

from benchmarks import record
from benchmarks.markdown import markdown, where


def tune() -> str:
    """Shown, leak, free and halves, and what was never returned, a case a row."""
    told = record.read("tune")
    rows: list[dict[str, Any]] = told["figures"]
    lines = [
        [
            f"{row['sensor']}, {row['window']}", row["level"], f"{row['shake']:g}", str(row["scenes"]),
            f"{share(row['shown'], row['wanted'])} of {row['wanted']:,}", share(row["leaks"], row["bins"], 3),
            f"{share(row['free'] - row['blocked'], row['free'])} of {row['free']:,}",
            f"{row['limit']:.0f}",
            f"{100 * row['halves']:.0f} / {100 * (row['halves_map'] or 0.0):.0f}",
            f"{share(row['stand_returned'], row['stand'], 0)} / "
            f"{share(row['stand_outside'], row['stand'], 1)}",
        ]
        for row in rows
    ]  # fmt: skip
    head = [
        "sensor, frames in a scan", "heights by", "attitude off by, °", "places", "shown, % of bins",
        "leak, % of bins", "free ways left free, %", "counted to, m", "halves within 2 cm, drive / map, %",
        "of what stands there: returned / outside the field, %",
    ]  # fmt: skip
    return markdown(head, lines) + "\n\n" + where(told)


def share(part: int, whole: int, digits: int = 2) -> str:
    """A share in per cent; a dash where there is nothing to share."""
    return "–" if whole == 0 else f"{100 * part / whole:.{digits}f}"


TABLES = {"tune": tune}
