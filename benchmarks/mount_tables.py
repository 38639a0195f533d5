"""Table of how well mounts are found from floors."""

from __future__ import annotations

from typing import Any

from benchmarks import record
from benchmarks.markdown import markdown, where


def mount() -> str:
    """Shares within the limits, errors, and how often the truth is within two stated sigma."""
    told = record.read("mount")
    rows: list[dict[str, Any]] = told["figures"]
    lines = [
        [
            row["case"], str(row["runs"]), str(row["refused"]),
            f"{100 * row['tilt within']:.1f}", f"{100 * row['z within']:.1f}",
            " / ".join(f"{row[name]['p95']:.3f}" for name in ("roll", "pitch")),
            f"{1e3 * row['z']['p95']:.1f}",
            " / ".join(f"{100 * row[name]['two sigma']:.1f}" for name in ("roll", "pitch", "z")),
        ]
        for row in rows
    ]  # fmt: skip
    head = [
        "set-ups", "runs", "refused", "tilt within 0.05°, %", "z within 5 mm, %",
        "95 % of roll / pitch errors, °", "of z errors, mm", "truth within 2 sigma, roll / pitch / z, %",
    ]  # fmt: skip
    return markdown(head, lines) + "\n\n" + where(told)


TABLES = {"mount": mount}
