"""Table of what a recheck tells of generated drives."""

from __future__ import annotations

from typing import Any

from benchmarks import record
from benchmarks.markdown import markdown, where

WORDS = {
    "unmoved": "nothing has changed: passes",
    "hair": "mount turned by 0.05°: passes",
    "remount": "mount turned by 0.5°: told as the mount",
    "bolted on": "a box on the hull: told as own returns",
}


def recheck() -> str:
    """How often the answer is right, and how well the mount is known."""
    told = record.read("recheck")
    rows: list[dict[str, Any]] = told["figures"]
    lines = [
        [
            WORDS[row["case"]], str(row["runs"]), str(row["refused"]), str(row["right"]),
            " / ".join(str(row["failing"][what]) for what in ("mount", "zones", "slices")),
            " / ".join(f"{row['errors'][name]['p95']:.3f}" for name in ("roll", "pitch", "yaw")),
            f"{1e3 * row['errors']['z']['p95']:.1f}",
            " / ".join(
                f"{100 * row['errors'][name]['two sigma']:.0f}" for name in ("roll", "pitch", "z", "yaw")
            ),
        ]
        for row in rows
    ]  # fmt: skip
    head = [
        "case: right answer", "drives", "refused", "right", "fail by mount / zones / slices",
        "95 % of roll / pitch / yaw errors, °", "of z errors, mm",
        "truth within 2 sigma, roll / pitch / z / yaw, %",
    ]  # fmt: skip
    return markdown(head, lines) + "\n\n" + where(told)


TABLES = {"recheck": recheck}
