"""Tables of how scans cope with rough ground, drops and a moving body."""

from __future__ import annotations

from typing import Any

from benchmarks import record
from benchmarks.markdown import markdown, where

Row = dict[str, Any]


def cent(part: int, whole: int, digits: int = 1) -> str:
    """Per cent, or a dash where there is nothing to share."""
    return f"{100 * part / whole:.{digits}f}" if whole else "–"


def leak() -> str:
    """Leak and kept, a line a setting, level and sensor."""
    told, rows = _rows("leak")
    lines = [
        [
            row["setting"], row["sensor"], row["level"],
            cent(row["leaks"], row["bins"], 2), cent(row["leaks"], row["hits"], 2),
            cent(row["terraces"], row["bins"]), cent(row["ledges"], row["bins"]),
            cent(row["by_grass"], row["bins"]), str(row["by_ghost"]),
            str(row["unmatched"]),
            cent(row["wanted_kept"], row["wanted"]), cent(row["things_kept"], row["things"]),
        ]
        for row in rows
    ]  # fmt: skip
    head = [
        "ground", "sensor", "level", "leak, % of all bins", "% of HITs", "behind kerbs, %", "behind drops, %",
        "grass, %", "ghosts, bins", "by unknown returns, bins", "kept, %", "kept with low returns, %",
    ]  # fmt: skip
    return markdown(head, lines) + "\n\n" + where(told)


def short() -> str:
    """Leak and kept over slopes, and with the floor fitted; for the README."""
    told, rows = _rows("leak")
    lines = [
        [
            row["setting"], row["sensor"], row["level"],
            f"{cent(row['leaks'], row['bins'], 2)} %", f"{cent(row['wanted_kept'], row['wanted'])} %",
        ]
        for row in [row for row in rows if "20°" in row["setting"]] or rows
    ]  # fmt: skip
    places = min(row["scenes"] for row in rows)
    head = [f"ground, {places} places", "sensor", "level", "leak", "kept"]
    return markdown(head, lines) + "\n\n" + where(told)


def drops() -> str:
    """Drops told, by distance, and false ones."""
    told, rows = _rows("drops")
    lines = [
        [
            row["sensor"], row["motion"],
            cent(row["told_3"], row["edges_3"]), cent(row["told_5"], row["edges_5"]),
            cent(row["false"], row["said"]), cent(row["false"], row["bins"], 2),
        ]
        for row in rows
    ]  # fmt: skip
    if not lines:
        return "Drops are not told yet."
    head = ["sensor", "rover", "told up to 3 m, %", "up to 5 m, %", "false, % of those told", "% of all bins"]
    return markdown(head, lines) + "\n\n" + where(told)


def walls() -> str:
    """Errors of walls while the rover turns and drives."""
    told, rows = _rows("walls")
    lines = [
        [
            row["sensor"], "yes" if row["shake"] else "no", row["case"],
            *(f"{1000 * row[key]:.0f}" for key in ("median", "p95", "worst")),
            cent(row["own"], row["own"] + row["bins"]),
        ]
        for row in rows
    ]  # fmt: skip
    head = ["sensor", "shaking", "poses", "median, mm", "95 %, mm", "worst, mm", "HITs on itself, %"]
    return markdown(head, lines) + "\n\n" + where(told)


def _rows(part: str) -> tuple[dict[str, Any], list[Row]]:
    told = record.read("ground")
    return told, [row for row in told["figures"] if row["part"] == part]


TABLES = {
    "rough-ground": short,
    "rough-drops": drops,
    "ground-leak": leak,
    "ground-drops": drops,
    "ground-walls": walls,
}
