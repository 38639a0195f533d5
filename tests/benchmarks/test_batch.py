"""The part about whole recordings runs on small ones, and its tables say what it measured."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchmarks import batch, batch_tables, record


def test_costs_are_of_both_ways(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batch, "FRAMES", {300: 12})
    monkeypatch.setattr(batch, "CASES", ((batch.ONE, True),))
    (row,) = batch.costs(tmp_path, 0.0)
    # the whole reads the same recording, by another reader: it cannot be quicker by much
    assert row["added"] > -0.5 and row[batch.WHOLE] > 0.0 and row[batch.DECODED] > 0.0
    assert batch.read_alone(tmp_path / "300.mcap") == 12 + 12 * 10 + 30


def test_tables_say_what_was_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    rows: list[dict[str, Any]] = [
        {
            "group": "cost", "returns": 20_000, "profile": "one", "corrected": True, "added": 0.5,
            "read_mb": 0.2, "written_mb": 0.05, batch.DECODED: 1e6, batch.WHOLE: 1.5e6,
        },
        {"group": "jobs", "gained": 1.9, "frames": 3000, "seconds_1": 19.0, "seconds_2": 10.0},
        {"group": "resident", "gigabytes": 10.0, "frames": 25_000, "mb": 300.4, "seconds": 99.0},
        {"group": "memory", "memories": 4, "seconds": 4.0, "bins": 100, "states": 2, "apart": 1},
    ]  # fmt: skip
    told = {**record.read("motion"), "figures": rows}
    monkeypatch.setattr(record, "read", lambda name: told)
    assert "| 1.00 | 1.50 | 50 |" in batch_tables.cost()
    assert "1.90 times one" in batch_tables.whole() and "300 MB resident" in batch_tables.whole()
    assert "| 4 | 4 | 100 | 2 | 1 |" in batch_tables.memory()
