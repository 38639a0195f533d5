"""The same bits on other cores; and that a difference of one bit would be seen."""

from __future__ import annotations

import dataclasses
import struct
from typing import Any

import numba
import numpy as np
import pytest

from benchmarks import (
    board_classes,
    board_tables,
    clouds,
    emulator,
    native_call,
    portability,
    record,
    recorded,
    retarget,
)
from benchmarks.native_call import RESULT_BYTES
from benchmarks.recorded import STAGES, Call, Recorder
from benchmarks.retarget import AARCH64, Target
from flatten.kernels import loads
from flatten.kernels.groups import SIZE, Axis, Returns, opened
from flatten.kernels.loads import load_float64
from flatten.kernels.words import put

pytestmark = pytest.mark.skipif(bool(numba.config.DISABLE_JIT), reason="NUMBA_DISABLE_JIT is set")
MISSING = "".join(portability.notes())
CORES = ("Cortex-A55", "Cortex-A72", "Cortex-A76", "Cortex-A78AE")


@numba.njit(error_model="numpy", _nrt=False)  # counts no references, as the kernels do not
def halve(pair, scale, wide):
    for row in pair:
        for k in range(row.size):
            row[k] = row[k] * scale
    return pair[0].size if wide else 0


@numba.njit
def follow(words, out):
    """Copy the second coordinate of each axis from wherever the words say that it lies."""
    if out.size == 0:
        return
    returns = opened(words, Returns)
    out[0] = load_float64(returns.x.start, returns.x.step, False)
    out[1] = load_float64(returns.y.start, returns.y.step, False)
    out[2] = load_float64(returns.z.start, returns.z.step, False)


def words_of(*starts: int) -> np.ndarray:
    words = np.zeros(SIZE, np.int64)
    put(words, 0, Returns(loads.FLOAT64, 2, 0, 2, 0, *(Axis(start, 0, 8) for start in starts)))
    return words


@numba.njit
def chatter(x):
    print(x)


def call_of(kernel: Any, *arguments: Any) -> Call:
    recorder = Recorder()
    recorder.around(kernel.py_func.__name__, kernel)(*arguments)
    return recorder.calls[0]


def answers_of(call: Call, status: int = 0) -> bytes:
    """What the host program would write if all went as here."""
    result = struct.pack("<q", call.result) if call.result is not None else b""
    memories = b"".join(buffer.after for buffer in call.buffers)
    return struct.pack("<q", status) + result.ljust(RESULT_BYTES, b"\0") + memories


def test_arrays_that_share_memory_are_recorded_as_one_stretch():
    memory = np.arange(12, dtype=np.float32)
    apart = np.ones(4, np.float32)
    call = call_of(halve, (memory[:8], memory[4:]), np.float32(0.5), True)
    assert [len(buffer.before) for buffer in call.buffers] == [48] and call.result == 8
    assert np.frombuffer(call.buffers[0].before, np.float32).tolist() == list(range(12))
    assert np.frombuffer(call.buffers[0].after, np.float32)[4:6].tolist() == [1.0, 1.25]  # halved twice
    slots = native_call.slots(call)
    assert slots[:2] == [(native_call.RESULT, 0), (native_call.ERROR, 0)]
    number = native_call.NUMBER
    assert slots[2:9] == [
        (number, 0),
        (number, 0),
        (number, 8),
        (number, 4),
        (0, 0),
        (number, 8),
        (number, 4),
    ]
    assert slots[13] == (0, 16)  # the second begins inside the first
    assert slots[-2:] == [(number, 0x3F000000), (number, 1)]
    other = call_of(halve, (memory, apart), np.float32(1.0), False)
    assert len(other.buffers) == 2 and other.kernel == call.kernel
    other = call_of(halve, (memory[::2], apart[::2]), np.float32(1.0), False)
    assert other.function == "halve" and other.kernel.startswith("halve_")  # compiled by itself


def test_backward_and_empty_arrays_have_their_whole_memory_or_none():
    memory = np.arange(6, dtype=np.int32)
    low, high = recorded.span(memory[::-2])
    assert high - low == 5 * 4 and low == memory.ctypes.data + 4
    assert recorded.merged([recorded.span(memory[:0]), (8, 12), (4, 9), (12, 16)]) == [(4, 12), (12, 16)]


def call_with_addresses() -> Call:
    """A call that is told by addresses where its numbers lie: two axes in one array, one in another."""
    pair, third = np.array([1.5, 2.5, 3.5]), np.array([4.5, 5.5])
    starts = [pair.ctypes.data, pair.ctypes.data + 8, third.ctypes.data]
    recorder = Recorder(cloud=(pair, (third,)))
    out = np.zeros(3)
    recorder.around("follow", follow)(words_of(*starts), out)
    assert out.tolist() == [2.5, 3.5, 5.5]
    return recorder.calls[0]


def test_addresses_in_an_array_are_told_with_what_they_point_to():
    call = call_with_addresses()
    sizes = [len(buffer.before) for buffer in call.buffers]
    assert sorted(sizes) == [16, 24, 24, 8 * SIZE]
    words = sizes.index(8 * SIZE)
    places = [8 * (5 + 3 * axis) for axis in range(3)]  # after code, columns, stride, number and starts
    assert [(pointer.buffer, pointer.place) for pointer in call.pointers] == [(words, k) for k in places]
    first, second, third = (pointer.target for pointer in call.pointers)
    assert first == second != third and (sizes[first], sizes[third]) == (24, 16)
    numbers = [number for pointer in call.pointers for number in vars(pointer).values()]
    assert native_call.whole(*numbers) in native_call.written([call])
    with pytest.raises(ValueError, match="words: 0x1 points to nothing"):
        call_of(follow, words_of(1, 1, 1), np.zeros(0))


def test_the_cloud_of_a_frame_is_recorded_with_every_kernel_that_reads_it():
    xyz = clouds.room(2000)
    calls = recorded.frame(STAGES["full"], xyz)
    assert {call.function for call in calls} == {"sweep", "follow_beams", "accept", "answer"}
    for call in calls:
        assert len(set(call.pointers)) == len(call.pointers)
        targets = [pointer.target for pointer in sorted(call.pointers, key=lambda each: each.place)]
        cloud, plan = targets[0], targets[3:]
        assert targets[:3] == [cloud] * 3 and cloud not in plan
        assert call.buffers[cloud].before == call.buffers[cloud].after == xyz.tobytes()
        told = [array for _, array in call.told if array.size]
        assert len(told) == len(plan) > 30


def test_kernels_are_asked_for_the_code_of_each_kind_of_processor():
    assert retarget.own_features(Target(AARCH64, "cortex-a72")) == ""
    x86 = [board.target for board in board_classes.boards() if board.target.machine == "x86_64"]
    assert [retarget.own_features(target) for target in x86] == [retarget.PERMUTING]
    calls = recorded.frame(STAGES["bare"], clouds.room(100))
    sweeps = [call for call in calls if call.function == "sweep"]
    for target, permutes in ((x86[0], True), (Target(AARCH64, "cortex-a72"), False)):
        (source,) = retarget.sources(sweeps, target).values()
        assert any("llvm.x86" in piece.text for piece in source.pieces) == permutes


def test_one_bit_is_seen_and_a_nan_may_have_any():
    rows = (np.array([1.0, np.nan, 3.0], np.float32), np.zeros(2, np.float32))
    call = call_of(halve, rows, np.float32(0.5), True)
    good = answers_of(call)
    assert [(each.differ, each.nans) for each in native_call.compared([call], good)] == [(0, 0)] * 3
    first = (
        8
        + RESULT_BYTES
        + sum(len(b.after) for b in call.buffers if b.address < call.arguments[0][0].ctypes.data)
    )
    for bit, wanted in ((0, (1, 0)), (8 * 4 + 31, (0, 1)), (8 * 4 + 30, (1, 0))):
        bad = bytearray(good)
        bad[first + bit // 8] ^= 1 << bit % 8
        pair, *rest = native_call.compared([call], bytes(bad))
        assert (pair.kernel, pair.argument) == (call.kernel, "pair") and (pair.differ, pair.nans) == wanted
        assert all(each.differ == 0 for each in rest)
    bad = bytearray(good)
    bad[8] ^= 2
    assert [each.differ for each in native_call.compared([call], bytes(bad))] == [0, 0, 1]
    with pytest.raises(ValueError, match="ended with 1"):
        native_call.compared([call], answers_of(call, status=1))
    with pytest.raises(ValueError, match="too many"):
        native_call.compared([call], good + b"\0")


def test_a_frame_is_recorded_and_the_flattener_is_left_as_it_was():
    import flatten.flattener as house

    before = dict(vars(house))
    calls = recorded.frame(STAGES["full"], clouds.room(2000))
    assert {"sweep", "accept"} <= {call.function for call in calls}
    assert all(value is before[name] for name, value in vars(house).items())
    assert any(buffer.before != buffer.after for call in calls for buffer in call.buffers)


def test_the_unkind_cloud_is_unkind():
    xyz = portability.unkind()
    assert xyz.shape == (portability.RETURNS, 3) and xyz.dtype == np.float32
    size = np.abs(xyz)
    wanted = {
        "NaN": np.isnan(xyz).any(axis=1), "inf": np.isinf(xyz).any(axis=1), "zero": (xyz == 0).all(axis=1),
        "denormal": ((size > 0) & (size < 1.2e-38)).any(axis=1),
        "square overflows": (np.isfinite(xyz) & (size > 2e19)).any(axis=1),
        "behind": (xyz[:, 0] < 0) & (xyz[:, 1] == 0), "−0": ((xyz == 0) & np.signbit(xyz)).any(axis=1),
    }  # fmt: skip
    assert {kind: int(rows.sum()) >= 50 for kind, rows in wanted.items()} == dict.fromkeys(wanted, True)
    ordinary = np.isfinite(xyz).all(axis=1) & (size < 30).all(axis=1)
    assert 0.4 < ordinary.mean() < 0.8


@pytest.mark.skipif(bool(MISSING), reason=MISSING)
def test_a_kernel_that_needs_python_is_refused():
    target = Target(AARCH64, "cortex-a72")
    (source,) = retarget.sources([call_of(chatter, 1)], target).values()
    with pytest.raises(ValueError, match="chatter cannot do without Python"):
        retarget.retarget(source, target)


@pytest.mark.skipif(bool(MISSING), reason=MISSING)
def test_tuples_and_results_survive_the_way_to_another_core(tmp_path):
    rows = (np.arange(5, dtype=np.float64)[::2], np.array([np.pi, 0.0, np.inf, 7.0])[::-2])
    call = call_of(halve, rows, 0.1, True)
    target = Target(AARCH64, "cortex-a55")
    code = retarget.retarget(retarget.sources([call], target)[call.kernel], target)
    program = emulator.built([code], target, tmp_path)
    found = native_call.compared([call], emulator.answered(program, [call]))
    assert [(each.argument, each.elements, each.differ) for each in found] == [
        ("pair", 3, 0), ("pair", 2, 0), ("result", 1, 0),
    ]  # fmt: skip


@pytest.mark.skipif(bool(MISSING), reason=MISSING)
def test_addresses_are_moved_for_the_call_and_back_after_it(tmp_path):
    call = call_with_addresses()
    target = Target(AARCH64, "cortex-a55")
    code = retarget.retarget(retarget.sources([call], target)[call.kernel], target)
    program = emulator.built([code], target, tmp_path)
    found = native_call.compared([call], emulator.answered(program, [call]))
    assert [(each.argument, each.differ) for each in found] == [("words", 0), ("out", 0)]
    pointer = call.pointers[0]
    beside = bytearray(call.buffers[pointer.buffer].before)
    beside[pointer.place] ^= 8  # the first axis begins a number further or earlier
    buffers = [
        dataclasses.replace(buffer, before=bytes(beside)) if number == pointer.buffer else buffer
        for number, buffer in enumerate(call.buffers)
    ]
    wrong = dataclasses.replace(call, buffers=tuple(buffers))
    found = native_call.compared([call], emulator.answered(program, [wrong]))
    assert [(each.argument, each.differ) for each in found] == [("words", 1), ("out", 1)]


@pytest.mark.skipif(bool(MISSING), reason=MISSING)
def test_four_cores_give_the_same_bits_as_this_machine(tmp_path, monkeypatch):
    rows = portability.measure(cores=CORES, stages=("four", "full"))
    answers = [row for row in rows if row["group"] == "answers"]
    assert {(row["core"], row["case"]) for row in answers} == {
        (core, STAGES[name].label) for core in CORES for name in ("four", "full")
    }
    assert portability.failures(rows) == []
    for row in rows:
        if row["group"] == "library":
            assert set(row["outside"]["sweep"]) <= portability.EXACT | portability.OWN_WAY
            assert row["differ"].keys() <= portability.OWN_WAY and "atan2" in row["differ"]
    for row in answers:
        assert row["returns"] == portability.RETURNS and row["elements"] > 100_000
        assert 10 < sum(row["instructions"].values()) < 2000
    monkeypatch.setattr(record, "RESULTS", tmp_path)
    record.write("portability", rows)
    assert board_tables.portability().count("\n| ") == 1 + len(answers)


def test_a_difference_is_told_with_its_place():
    row = {"group": "answers", "core": "A", "case": "B", "differ": 2, "where": ["sweep: best"]}
    assert portability.failures([row, {**row, "differ": 0}]) == ["A, B: 2 elements differ (sweep: best)"]
