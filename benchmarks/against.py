"""Has anything got worse? Ratios are compared with those of an earlier run, not times.

A ratio is a case's time divided by that of a baseline of the same run, so that a busy or slower machine
counts on both sides. Where a row has several baselines, the middle one of the changes counts.
Instructions and allocations are compared as they are: they do not depend on how busy a machine is.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterator
from typing import Any

TOLERANCE = 0.25
"""A ratio may grow by this share before it counts as worse. Two runs of the same code on a busy machine with
two cores differed by at most 15 % a row on one core, 3.5 % in the middle."""
EXACT = {"instructions": 0.03, "peak": 0.10, "arrays": 0.0}
"""Quantities that are compared as they are, and the share by which each may grow: hash seeds and the
interpreter's own tables move the first two a little."""
LABELS = ("group", "curve", "at", "case", "order", "returns", "bytes", "shift", "start", "clear", "sensor")

Row = dict[str, Any]


def compare(
    old: dict[str, Any], new: dict[str, Any], tolerance: float = TOLERANCE
) -> tuple[list[str], list[str], int]:
    """Lines for the rows that got worse, notes, and how many rows were compared.

    Yardsticks have no say: they are not what is measured, but what it is measured by.
    """
    if old.get("part") != new.get("part"):
        raise ValueError(f"cannot compare part {old.get('part')!r} with part {new.get('part')!r}")
    known = {name_of(row): row for row in new["figures"]}
    worse, notes, compared = [], [], 0
    same = all(old["machine"].get(key) == new["machine"].get(key) for key in ("machine", "vector"))
    for row in old["figures"]:
        name = name_of(row)
        if row.get("yardstick"):
            continue
        if name not in known:
            notes.append(f"not measured now: {name}")
            continue
        if row.get("ratios") and not set(row["ratios"]) & set(known[name].get("ratios", {})):
            notes.append(f"no baseline in common: {name}")
            continue
        compared += 1
        worse += [f"{name}: {what}" for what in changes(row, known[name], tolerance, same)]
    return worse, notes, compared


def name_of(row: Row) -> str:
    """What tells a row from all others of its part."""
    labels = [f"{row[key]:,}" if isinstance(row[key], int) else f"{row[key]}" for key in LABELS if key in row]
    return " | ".join(labels)


def changes(old: Row, new: Row, tolerance: float, same_machine: bool) -> Iterator[str]:
    """What got worse in a row, in words."""
    shared = [base for base in old.get("ratios", {}) if base in new.get("ratios", {})]
    growths = {base: new["ratios"][base] / old["ratios"][base] for base in shared}
    if growths and statistics.median(growths.values()) > 1.0 + tolerance:
        told = ", ".join(
            f"{old['ratios'][base]:.3g} → {new['ratios'][base]:.3g} × {base}" for base in growths
        )
        yield f"{statistics.median(growths.values()) - 1.0:+.0%} ({told})"
    for key, allowed in EXACT.items():
        if key == "instructions" and not same_machine:
            continue  # other instruction sets count otherwise
        if key in old and key in new and new[key] > old[key] * (1.0 + allowed):
            yield f"{key} {old[key]:,.6g} → {new[key]:,.6g}"
    for key in ("differ", "apart"):
        if new.get(key, 0) > old.get(key, 0):
            yield f"answers: {key} in {old.get(key, 0)} → {new[key]} bins"
