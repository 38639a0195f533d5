"""The tables and pictures of the documents are made from the JSON of the measurements."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchmarks import compiled, drawing, record, speed, speed_tables, tables

SIEVED, NUMPY = compiled.NAMES["sieved"], speed.NUMPY


def frame(case: str, ns: float, order: str, returns: int = 20_000, **more: Any) -> dict[str, Any]:
    """A row as `speed.rows_of` makes it."""
    bases = {NUMPY: 20.0, SIEVED: 2.0}
    ratios = {base: ns / of for base, of in bases.items() if base != case}
    labels = {"group": "frames", "case": case, "returns": returns, "order": order}
    spread = {"ns": ns, "low": 0.9 * ns, "high": 1.1 * ns, "samples": 9}
    return {**labels, **spread, "ratios": ratios, "yardstick": case in speed.YARDSTICKS, **more}


@pytest.fixture
def results(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(record, "RESULTS", tmp_path)
    return tmp_path


def cells(table: str) -> list[list[str]]:
    lines = [line for line in table.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def test_the_compact_table_says_times_and_how_many_times_as_fast(results):
    rows = [
        frame(case, ns * (1 + (order == "shuffled")), order, differ=0, apart=0)
        for order in ("scan order", "shuffled")
        for case, ns in ((NUMPY, 20.0), (SIEVED, 2.0), (speed.BARE, 2.5))
    ]
    record.write("speed", rows)
    head, _, *lines = cells(speed_tables.kernel())
    assert head == ["ns a return (× NumPy / × sieved)", "20 k, scan order", "20 k, shuffled"]
    assert lines == [
        [NUMPY, "20.0", "40.0"],
        [SIEVED, "2.00", "4.00"],
        [f"**{speed.BARE}**", "2.50 (8.00 / 0.80)", "5.00 (4.00 / 0.40)"],
    ]


def test_without_a_compiler_the_compact_table_does_without_it(results):
    row = frame(speed.BARE, 2.5, "shuffled")
    del row["ratios"][SIEVED]
    record.write("speed", [frame(NUMPY, 20.0, "shuffled"), row])
    head, _, *lines = cells(speed_tables.kernel())
    assert head[0] == "ns a return (× NumPy)" and lines[1][1] == "2.50 (8.00)"


def test_what_was_measured_where_stands_under_the_table_and_in_the_file(results):
    path = record.write("speed", [frame(speed.BARE, 2.5, "shuffled")], ["left out: this and that"])
    told = record.read("speed")
    assert told == record.read_file(path) and list(results.iterdir()) == [path]
    assert told["part"] == "speed" and told["notes"] == ["left out: this and that"]
    assert told["versions"]["numpy"] == np.__version__ and len(told["sources"]) == 12
    assert f"numpy {np.__version__}" in speed_tables.kernel().splitlines()[-1]


def test_tables_are_put_between_their_marks_and_nowhere_else(monkeypatch):
    monkeypatch.setitem(tables.TABLES, "kernel", lambda: "NEW")
    text = "a\n<!-- table: kernel -->\nold\n| x |\n<!-- end -->\nb\n"
    made = tables.filled(text)
    assert made == "a\n<!-- table: kernel -->\nNEW\n<!-- end -->\nb\n"
    assert tables.filled(made) == made
    with pytest.raises(KeyError, match="sideways"):
        tables.filled(text.replace("kernel", "sideways"))


def test_every_mark_of_the_documents_has_a_table():
    for document in tables.DOCUMENTS:
        for line in document.read_text().splitlines():
            if line.startswith("<!-- table: "):
                assert line.removeprefix("<!-- table: ").removesuffix(" -->") in tables.TABLES


def test_times_and_sizes_are_written_readably():
    assert [speed_tables.digits(value) for value in (0.0123, 0.123, 9.994, 12.34, 123.4)] == [
        "0.012", "0.12", "9.99", "12.3", "123",
    ]  # fmt: skip
    assert [speed_tables.short(n) for n in (1000, 20_000, 4_000_000)] == ["1 k", "20 k", "4 M"]
    assert speed_tables.amount({"bytes": 3 * 2**20}) == "3 MiB"
    assert speed_tables.amount({"seconds": 0.0021}) == "2.10 ms" and speed_tables.amount(None) == ""
    assert [drawing.short(n) for n in (90, 1440, 16_000, 4_096_000)] == ["90", "1440", "16k", "4.1M"]


def test_curves_become_pictures_with_the_library_first(results, monkeypatch):
    monkeypatch.setattr(drawing, "PICTURES", results / "pictures")
    rows = []
    for curve in drawing.AXES:
        points = ("scan order", "shuffled") if curve == "order" else (1, 2, 4)
        for k, at in enumerate(points):
            for case in (NUMPY, speed.BARE):
                rows.append({**frame(case, 2.0 + k, "scan order"), "curve": curve, "at": at})
    record.write("curves", rows)
    assert drawing.names_of(rows) == [speed.BARE, NUMPY]
    for path in drawing.draw_all():
        assert path.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n" and path.stat().st_size > 5000
    looks = {(str(look["marker"]), str(look["linestyle"])) for look in drawing.LOOKS}
    assert len(looks) == len(drawing.LOOKS)  # told apart without colour
