"""Each part measures what it says, on clouds so small that it takes a moment; nothing here asserts a time."""

from __future__ import annotations

import shutil

import pytest

from benchmarks import (
    adapter,
    clouds,
    compiled,
    curves,
    instructions,
    latency,
    memory,
    profiles,
    speed,
    startup,
)  # fmt: skip
from flatten import Flattener


@pytest.fixture(scope="module")
def rows():
    return list(speed.frames(2_000, 0.0)) + list(speed.records(2_000, 0.0)) + list(speed.threads(2_000, 0.0))


def test_every_case_stands_beside_its_baselines_and_answers_the_same(rows):
    frames = [row for row in rows if row["group"] == "frames"]
    assert {row["order"] for row in frames} == {"scan order", "shuffled"}
    ours = [row for row in rows if not row["yardstick"]]
    assert {row["case"] for row in frames} >= {
        speed.READ,
        speed.COPY,
        speed.NUMPY,
        *map(str, (speed.BARE, speed.FULL)),
    }
    for row in ours:
        assert row.get("differ", 0) == row.get("apart", 0) == 0, row
        assert row["low"] <= row["ns"] <= row["high"] and row["samples"] >= 7
        two = row["case"].endswith(speed.TWO)
        assert all(base.endswith(speed.TWO) == two for base in row["ratios"])
        assert two or speed.READ in row["ratios"]
    kernel = [row["case"] for row in ours if row["case"] == speed.KERNEL]
    assert len(kernel) == 2 * adapter.has_kernel_call(Flattener(profiles.bare(), fields={"ranges"}))


def test_records_of_every_size_are_measured_aligned_or_not(rows):
    found = {(row["bytes"], row["shift"]) for row in rows if row["group"] == "records"}
    assert found == set(speed.RECORDS) and {16, 26, 32, 48} == {size for size, _ in found}


def test_threads_are_measured_against_one(rows):
    names = {row["case"] for row in rows if row["group"] == "threads"}
    assert {speed.BARE, speed.BARE + speed.TWO} <= names


def test_the_kernel_alone_is_the_whole_way_where_it_cannot_be_called():
    class WithoutSweep(Flattener):
        _sweep = None

    flattener = Flattener(profiles.bare(), fields={"ranges"})
    xyz = clouds.room(640)
    whole = flattener.flatten(xyz)["drive"].counts
    assert adapter.whole_call(flattener, xyz)()["drive"].counts == whole
    adapter.kernel_call(flattener, xyz)()
    hidden = object.__new__(WithoutSweep)
    assert not adapter.has_kernel_call(hidden)


def test_curves_have_all_their_points(monkeypatch):
    monkeypatch.setattr(curves, "BINS", (90, 1440))
    monkeypatch.setattr(curves, "SLICES", (1, 3))
    monkeypatch.setattr(curves, "SHARES", (0.0, 1.0))
    monkeypatch.setattr(curves, "RETURNS", (1000, 4000))
    rows = curves.measure(0.0, frame=1000, large=4000)
    found = {
        curve: {row["at"] for row in rows if row["curve"] == curve} for curve in {r["curve"] for r in rows}
    }
    assert found["bins"] == {90, 1440} and found["slices"] == {1, 3} and found["inside"] == {0.0, 1.0}
    assert found["returns"] == {1000, 4000} and found["order"] == set(clouds.ORDERS)
    assert {1, 2} <= found["threads"]
    assert all(row.get("differ", 0) == 0 for row in rows if row["case"] == speed.BARE)


def test_message_bytes_become_message_bytes():
    pytest.importorskip("rosbags")
    whole, *parts = latency.measure(returns=1_000, frames=20)
    assert whole["differ"] == 0 and whole["frames"] == 20
    assert [row["case"] for row in parts] == list(latency.PARTS)
    for row in (whole, *parts):
        assert 0 < row["median"] <= row["p95"] <= row["p99"] <= row["worst"]


def test_allocations_are_counted():
    rows = memory.measure((1_000, 8_000))
    assert len(rows) == 2 * len(memory.CASES)
    for row in rows:
        # whoever hands out ranges of 1,440 bins hands out an array of 4 bytes a bin at least
        assert row["peak"] >= row["array_bytes"] >= 4 * profiles.BINS and row["arrays"] >= 1
    kept: list[bytearray] = []
    grown = memory.traced(lambda: kept.append(bytearray(100_000)))
    assert 100_000 <= grown["peak"] < 110_000  # what is allocated is seen


def test_a_start_is_told_from_inside_a_fresh_process(tmp_path):
    shutil.copytree(startup.PROBE.parent.parent / "flatten", tmp_path / "flatten")
    told = startup.started(tmp_path, "import")
    assert set(told) == {
        "python_bytes", "numpy_seconds", "numpy_bytes", "import_seconds", "import_bytes",
    }  # fmt: skip
    assert 0 < told["numpy_seconds"] < told["import_seconds"]
    assert told["python_bytes"] <= told["numpy_bytes"] <= told["import_bytes"]
    with pytest.raises(RuntimeError, match="IndexError"):
        startup.run(tmp_path, ["-c", "[][0]"])


def test_what_the_counter_wrote_is_read(tmp_path):
    path = tmp_path / "counted.3"
    path.write_text("desc: Timerange: x\ndesc: Trigger: Client Request: bare/shuffled/10/2\ntotals: 1234\n")
    assert instructions.totals(path) == [("bare/shuffled/10/2", 1234)]
    path.write_text("desc: Trigger: Program termination\ntotals: 99\n")
    assert instructions.totals(path) == []


def test_instructions_a_return_are_a_difference_of_differences():
    """A frame of n returns that costs 500 + 20·n, and 7 whatever is run, must come out as 20 and 500."""
    counted = {
        f"{case}/{order}/{n}/{k}": 7 + k * (500 + 20 * n)
        for case, order in instructions.jobs()
        for n in (1000, 500)
        for k in (instructions.FEW, instructions.MANY)
    }
    for row in instructions.rows_of(counted, 1000):
        assert row["instructions"] == 20.0 and row["frame"] == 500.0
    assert any(row["yardstick"] for row in instructions.rows_of(counted, 1000))


def test_without_valgrind_there_is_a_note(monkeypatch):
    monkeypatch.setattr(compiled, "COMPILER", "no-such-compiler")
    assert "no no-such-compiler" in instructions.notes()[0]
    assert instructions.measure() == []
