"""What maps are measured with: a short drive is judged right, and a map that is off is judged wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchmarks import map as part
from benchmarks import map_tables, record
from flatten.mapping import Grid


def test_a_short_drive_becomes_tables(monkeypatch: pytest.MonkeyPatch, tmp_path) -> None:
    """20 m of the drive: the targets hold there too; tables have a row each."""
    monkeypatch.setattr(record, "RESULTS", tmp_path)
    monkeypatch.setattr(part, "DRIFTS", (0.0,))
    rows = part.measure(metres=12.0, scans=30, rounds=1)
    truths = [row for row in rows if row["group"] == "truth"]
    for row in truths:
        assert row["near"] >= 0.99 * row["occupied"] > 500 and row["wrong"] <= 0.001 * row["free"]
    assert [row["seconds"] > 0 for row in rows if row["group"] == "speed"] == [True, True]
    assert all(row["places"] == 0 and row["step"] < 0.05 for row in rows if row["group"] == "drift")
    record.write("map", rows)
    for table in map_tables.TABLES.values():
        lines = [line for line in table().splitlines() if line.startswith("|")]
        assert len(lines) == 4 and all(line.count("|") == lines[0].count("|") for line in lines)


def test_a_map_that_is_off_is_judged_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    """Moved by four cells, its walls are no longer within one of the outlines."""
    finish = Grid.finish

    def moved(self: Grid, name: str = "map", frame: str = "odom"):
        made = finish(self, name, frame)
        return replace(made, corner=(made.corner[0] + 4, made.corner[1] + 4))

    monkeypatch.setattr(Grid, "finish", moved)
    (row,) = part.truth(part.drive(12.0), "drive")
    assert row["near"] < 0.3 * row["occupied"]
    assert row["wrong"] > 0 and row["found"] < row["visible"]


def test_points_are_laid_in_their_cells() -> None:
    made = part.entered(part.drive(12.0)[:1], "drive")[1]
    middles = (np.argwhere(made.occupied)[:, ::-1] + 0.5 + made.corner) * made.cell
    np.testing.assert_array_equal(part.laid(made, middles), made.occupied)
