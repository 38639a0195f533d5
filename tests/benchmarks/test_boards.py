"""Board budgets: what they are made from, how machine code is read, and how far the method is off."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml

from benchmarks import (
    board_budgets,
    board_classes,
    board_parts,
    board_tables,
    emulator,
    machine_code,
    record,
    retarget,
    vector_sample,
)
from benchmarks.board_parts import Parts
from benchmarks.emulator import Counted, Program, Stretch
from benchmarks.machine_code import Block, Modelled
from benchmarks.recorded import STAGES
from benchmarks.retarget import AARCH64, Target

NEON = """
0000000000401000 <kernel_sample>:
  401000:      	cbz	x0, 0x401040 <kernel_sample+0x40>
  401004:      	mov	x8, xzr
  401008:      	ldr	q0, [x1, x8]
  40100c:      	fmul	v1.4s, v0.4s, v0.4s
  401010:      	fmla	v1.4s, v2.4s, v2.4s
  401014:      	str	q1, [x2, x8]
  401018:      	subs	x9, x9, #0x4
  40101c:      	b.ne	0x401008 <kernel_sample+0x8>
  401020:      	ldr	w10, [x3, x8, lsl #2]
  401024:      	ldr	x11, [x4, x10, lsl #3]
  401028:      	cmp	x11, x12
  40102c:      	csel	x11, x11, x12, lo
  401030:      	str	x11, [x4, x10, lsl #3]
  401034:      	subs	x13, x13, #0x1
  401038:      	b.ne	0x401020 <kernel_sample+0x20>
  40103c:      	bl	0x402000 <atan2>
  401040:      	ret
"""
AVX = """
  402000:      	vmovups	0x1000(%r10,%rdx), %ymm1
  402008:      	vmulps	0x40(%rip), %ymm1, %ymm1  # 0x48f000 <constants>
  402010:      	vmovups	%ymm1, (%r10,%rdx)
  402018:      	addq	$0x20, %rdx
  40201c:      	jne	0x402000 <kernel_sample>
  402022:      	vmovss	(%r10,%rdx), %xmm0
  402028:      	vaddss	%xmm0, %xmm1, %xmm1
  40202c:      	jne	0x402022 <kernel_sample+0x22>
  402032:      	retq
"""
HERE_NEEDS = emulator.missing([Target(AARCH64, "cortex-a72")], board_budgets.TOOLS)


@pytest.fixture
def results(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(record, "RESULTS", tmp_path)
    return tmp_path


def cells(table: str) -> list[list[str]]:
    lines = [line for line in table.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def test_every_class_is_complete_and_has_sources():
    boards = board_classes.boards()
    assert {board.core for board in boards} >= {"Cortex-A55", "Cortex-A72", "Cortex-A76", "Cortex-A78AE"}
    assert any(board.target.machine == "x86_64" for board in boards)
    assert len({board.core for board in boards}) == len(boards)
    for board in boards:
        assert set(board.sources) >= board_classes.SOURCED and all(map(str.strip, board.sources.values()))
        assert board.width >= 2 and board.cores >= 1 and board.why_model
        assert board.own_model or board.model != board.target.cpu


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"width": None}, "missing or unknown: width"),
        ({"colour": "red"}, "missing or unknown: colour"),
        ({"sources": {"clock_ghz": "a", "memory_gb_s": " ", "width": "b", "cores": "c"}}, "for memory_gb_s"),
        ({"clock_ghz": {"low": 2.0, "high": 1.0}}, "0 < low ≤ high"),
        ({"model": {"cpu": "cortex-a57", "own": True, "why": "no"}}, "its name, and no other"),
    ],
)
def test_a_class_without_something_or_without_its_source_is_refused(tmp_path, change, complaint):
    told = yaml.safe_load((board_classes.FOLDER / "cortex-a72.yaml").read_text())
    told = {key: value for key, value in {**told, **change}.items() if value is not None}
    path = tmp_path / "board.yaml"
    path.write_text(yaml.safe_dump(told))
    with pytest.raises(ValueError, match=complaint):
        board_classes.read(path)


def test_the_vector_loop_is_found_and_the_scatter_is_not_taken_for_one():
    found = machine_code.blocks(NEON, "aarch64")
    assert [(block.address, len(block.instructions)) for block in found] == [
        (0x401000, 1), (0x401004, 1), (0x401008, 6), (0x401020, 7), (0x40103C, 1), (0x401040, 1),
    ]  # fmt: skip
    assert [block.address for block in found if block.is_loop] == [0x401008, 0x401020]
    assert [block.address for block in machine_code.vector_loops(found, "aarch64")] == [0x401008]
    found = machine_code.blocks(AVX, "x86_64")
    assert [block.address for block in found if block.is_loop] == [0x402000, 0x402022]
    (loop,) = machine_code.vector_loops(found, "x86_64")
    asked = machine_code.region(3, loop)
    assert "jne\t.Lsomewhere\n" in asked and "constants" not in asked and asked.endswith("END\n")


@pytest.mark.skipif(bool(HERE_NEEDS), reason=HERE_NEEDS)
def test_the_static_model_is_asked_about_each_block():
    found = machine_code.blocks(NEON, "aarch64")
    slow, fast = (machine_code.modelled(found, AARCH64, cpu) for cpu in ("cortex-a55", "neoverse-n1"))
    assert [model.cycles > 0 for model in slow] == [True] * len(found)
    assert slow[2].cycles > fast[2].cycles > 1.0 and slow[2].width == 2
    with pytest.raises(RuntimeError, match="no-such-core"):
        machine_code.modelled(found, AARCH64, "no-such-core")


@pytest.mark.skipif(bool(HERE_NEEDS), reason=HERE_NEEDS)
def test_a_retargeted_loop_is_vectors_and_executed_as_often_as_it_must_be(tmp_path):
    call = vector_sample.call()
    target = Target(AARCH64, "cortex-a72")
    sources = retarget.sources([call], target)
    plugin = emulator.built_plugin(tmp_path)
    counting = board_parts.counting(sources, target, "cortex-a57", plugin, tmp_path / "a72")
    loops = machine_code.vector_loops(counting.blocks, target.machine)
    counted, _ = emulator.counted(counting.program, [call], plugin)
    lanes = 4
    most = max(counted.executions.get(loop.address, 0) for loop in loops)
    rows = vector_sample.ROUNDS * vector_sample.ROW
    assert most in (rows // lanes, rows // (2 * lanes), rows // (4 * lanes))
    (parts,) = counting.parts([call]).values()
    assert parts.rest < 0.1 * parts.instructions and parts.vector_cycles > 0
    kilobytes = 4 * vector_sample.ROW * 4 * 2 / 1024  # four rows of float32, read and written back
    assert kilobytes <= parts.traffic / 1024 < 1.2 * kilobytes


def parts_here(rest: float, rest_cycles: float, vector_cycles: float = 0.0, traffic: float = 0.0) -> Parts:
    return Parts(rest, rest, vector_cycles, rest_cycles, traffic)


def test_what_was_executed_is_sorted_into_vector_loops_and_the_rest():
    found = machine_code.blocks(NEON, "aarch64")
    told = [Modelled(10.0, 3)] * len(found)
    program = Program(Path("nowhere"), Target(AARCH64, "cortex-a72"))
    counting = board_parts.Counting(program, found, told, Path())
    executions = {0x401008: 100, 0x401020: 400}
    counted = Counted((Stretch("sample", 3500, 10, 4), Stretch("other", 9, 9, 9)), executions)
    parts = counting.of_kernel("sample", counted, range(0x401000, 0x401044))
    # 600 in the vector loop, 2800 in the scatter, 100 in the C library
    assert parts == Parts(3500.0, 2900.0, 1000.0, pytest.approx(4000.0 * 2900 / 2800), 64.0 * 14)


def here_of(cycles: float, rest: float, rest_cycles: float) -> board_budgets.Here:
    return board_budgets.Here({"k": parts_here(rest, rest_cycles, 10.0)}, {"k": cycles}, 300.0)


def test_the_error_of_a_set_is_told_from_the_other_sets_only():
    here = {"bare": here_of(110.0, 200.0, 50.0), "four": here_of(410.0, 400.0, 400.0)}
    bare, four = board_budgets.error_rows(here, 1)
    assert bare["case"] == STAGES["bare"].label and bare["measured"] == 110.0
    # from `four`: one cycle an instruction, one a cycle of the model
    assert bare["cycles"] == [10.0 + 50.0, 10.0 + 200.0] and bare["static"] == 60.0
    # from `bare`: half a cycle an instruction, two a cycle of the model
    assert four["cycles"] == [10.0 + 200.0, 10.0 + 800.0]


def test_a_kernel_that_no_other_set_has_is_told_from_all_kernels():
    alone = board_budgets.Here({"own": parts_here(30.0, 7.0)}, {"own": 50.0}, 0.0)
    row = next(board_budgets.error_rows({"bare": alone, "four": here_of(410.0, 400.0, 400.0)}, 1))
    assert row["cycles"] == [7.0, 30.0] and row["measured"] == 50.0


def test_the_slower_of_core_and_memory_counts():
    board = next(board for board in board_classes.boards() if board.core == "Cortex-A72")
    here = board_budgets.Here({"k": parts_here(1000.0, 500.0)}, {"k": 1000.0}, 600.0)
    row = board_budgets.board_row(board, "bare", {"k": parts_here(2000.0, 500.0)}, here, 6, 10)
    assert row["cycles"] == [100.0, 400.0]  # by model 1000; by width 2000 × 6/3
    assert row["bound"] == "core" and row["ns"] == [cycles / 1.5 for cycles in row["cycles"]]
    assert row["overhead_us"] == pytest.approx(600 * 6 / 3 / 1.5 / 1e3)
    starved = parts_here(2000.0, 500.0, traffic=1e5)
    row = board_budgets.board_row(board, "bare", {"k": starved}, here, 6, 10)
    assert row["bound"] == "memory" and row["ns"] == [1e4 / 2.0] * 2


def row_of(**more: Any) -> dict[str, Any]:
    told = {
        "group": "board", "core": "Cortex-A72", "case": "everything", "model": "cortex-a57",
        "own_model": False, "cycles": [30.0, 60.0], "ns": [20.0, 40.0], "memory_ns": 5.0, "bound": "core",
        "overhead_us": 500.0, "load": {"10 Hz": [0.9, 1.3], "20 Hz": [6.2, 6.2]},
        "frames_a_second": [769.0, 1111.0],
    }  # fmt: skip
    return {**told, **more}


def test_tables_are_made_from_the_json(results):
    error = {
        "group": "error", "case": "everything", "measured": 50.0, "cycles": [40.0, 55.0], "static": 25.0,
        "vectors": 0.25,
    }  # fmt: skip
    own = row_of(core="Cortex-A55", own_model=True, model="cortex-a55", bound="memory")
    record.write("boards", [error, row_of(), own])
    head, _, stood_in, starved = cells(board_tables.boards())
    assert head[:3] == ["core", "stages", "cycles a return"] and "2.6 M returns/s at 20 Hz" in head[6]
    assert stood_in == [
        "Cortex-A72 ¹", "everything", "30.0 – 60.0", "20.0 – 40.0", "500", "0.90 – 1.30", "6.20",
        "769 – 1,111", "core",
    ]  # fmt: skip
    assert starved[0] == "Cortex-A55" and starved[-1] == "memory 5.00"
    assert "cortex-a57 for Cortex-A72" in board_tables.boards()
    assert cells(board_tables.method())[2:] == [
        ["everything", "50.0", "40.0 – 55.0", "-20 … +10", "-50", "25"]
    ]
    assert len(cells(board_tables.classes())) == 2 + len(board_classes.boards())


def test_without_the_emulator_the_table_says_what_is_missing(results, monkeypatch):
    monkeypatch.setattr(emulator.shutil, "which", lambda name: None)
    monkeypatch.setattr(emulator.numba.config, "DISABLE_JIT", 0)
    assert board_budgets.measure() == []
    record.write("boards", [], board_budgets.notes())
    assert "no qemu-aarch64" in board_tables.boards() and "|" not in board_tables.boards()


def test_the_budgets_that_stand_here_are_whole_and_say_how_far_they_are_off():
    told = record.read("boards")
    labels = {stages.label for stages in STAGES.values()}
    errors = {row["case"]: row for row in board_tables.rows_of(told, "error")}
    assert set(errors) == labels | {"a vector loop, by model"}
    for row in errors.values():
        assert row["measured"] > 0 and 0 < row["cycles"][0] <= row["cycles"][1]
    cores = {board.core for board in board_classes.boards()}
    rows = board_tables.rows_of(told, "board")
    assert {(row["core"], row["case"]) for row in rows} == {
        (core, label) for core in cores for label in labels
    }
    for row in rows:
        assert row["ns"][0] >= max(row["memory_ns"], row["vector_cycles"] / row["clock_ghz"])


def test_a_block_that_jumps_through_a_register_has_no_known_target():
    (block,) = machine_code.blocks("  401000:      	br	x8\n", "aarch64")
    assert block == Block(0x401000, ("br\tx8",), None) and not block.is_loop
