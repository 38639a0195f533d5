"""The check for regressions compares ratios, and says what got worse in one line a row."""

from __future__ import annotations

import json
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest

from benchmarks import __main__ as commands
from benchmarks import against, record


def row(case: str, ns: float, ratios: dict[str, float], **more: Any) -> dict[str, Any]:
    labels = {"group": "frames", "returns": 20_000, "order": "shuffled", "case": case}
    return {**labels, "ns": ns, "ratios": ratios, "differ": 0, "apart": 0, "yardstick": False, **more}


def a_run(**changed: float) -> dict[str, Any]:
    ratios = {"read": 10.0, "NumPy": 0.1, "C++": 1.5, **changed}
    figures = [
        row("read", 0.2, {"NumPy": 0.01}, yardstick=True),
        row("one slice", 2.0, ratios),
        row("everything", 20.0, {"read": 100.0}),
    ]
    return {"part": "speed", "machine": {"machine": "x86_64", "vector": "avx2"}, "figures": figures}


def test_the_same_run_is_not_worse():
    assert against.compare(a_run(), a_run()) == ([], [], 2)


def test_times_do_not_count_but_ratios_do():
    slow = a_run()
    for figure in slow["figures"]:
        figure["ns"] *= 5.0
    assert against.compare(a_run(), slow)[0] == []
    (line,) = against.compare(a_run(), a_run(read=13.0, NumPy=0.13, **{"C++": 1.95}))[0]
    assert line.startswith("frames | one slice | shuffled | 20,000: +30%")
    assert "10 → 13 × read" in line and "0.1 → 0.13 × NumPy" in line


def test_one_baseline_that_went_astray_does_not_count():
    assert against.compare(a_run(), a_run(read=30.0))[0] == []
    assert against.compare(a_run(), a_run(read=30.0, NumPy=0.4))[0] != []


def test_the_tolerance_is_what_a_ratio_may_grow_by():
    new = a_run(read=12.4, NumPy=0.124, **{"C++": 1.86})
    assert against.compare(a_run(), new, tolerance=0.25)[0] == []
    assert len(against.compare(a_run(), new, tolerance=0.2)[0]) == 1


def test_a_yardstick_that_got_slower_is_not_told():
    new = a_run()
    new["figures"][0]["ratios"] = {"NumPy": 9.9}
    assert against.compare(a_run(), new)[0] == []


def test_answers_that_differ_now_are_worse_whatever_the_time():
    new = a_run()
    new["figures"][1]["differ"] = 3
    (line,) = against.compare(a_run(), new)[0]
    assert "differ in 0 → 3 bins" in line


def test_a_row_that_is_gone_is_a_note_and_a_baseline_that_is_gone_leaves_the_others():
    new = a_run()
    del new["figures"][2], new["figures"][1]["ratios"]["C++"]
    worse, notes, count = against.compare(a_run(), new)
    assert (worse, count) == ([], 1)
    assert notes == ["not measured now: frames | everything | shuffled | 20,000"]


def test_a_row_without_a_baseline_in_common_is_a_note():
    new = a_run()
    new["figures"][2]["ratios"] = {"copy": 3.0}
    worse, notes, count = against.compare(a_run(), new)
    assert (worse, count) == ([], 1)
    assert notes == ["no baseline in common: frames | everything | shuffled | 20,000"]


def test_instructions_count_on_the_same_kind_of_machine_only():
    old, new = a_run(), a_run()
    old["figures"][1]["instructions"], new["figures"][1]["instructions"] = 20.0, 22.0
    assert "instructions 20 → 22" in against.compare(old, new)[0][0]
    new["machine"]["vector"] = "avx512f"
    assert against.compare(old, new)[0] == []


def test_different_parts_cannot_be_compared():
    with pytest.raises(ValueError, match="cannot compare part 'speed' with part 'curves'"):
        against.compare(a_run(), {**a_run(), "part": "curves"})


# ---------------------------------------------------------------- the command


@pytest.fixture
def results(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "results"
    monkeypatch.setattr(record, "RESULTS", folder)
    return folder


def written(path: Path, told: dict[str, Any]) -> str:
    path.parent.mkdir(exist_ok=True)
    path.write_text(json.dumps(told))
    return str(path)


def test_two_files_are_compared_and_the_exit_code_tells(tmp_path, results, capsys):
    old = written(tmp_path / "old.json", a_run())
    bad = written(tmp_path / "bad.json", a_run(read=20.0, NumPy=0.2))
    assert commands.main(["against", old, old]) == 0
    assert capsys.readouterr().out == "2 rows compared, 0 worse (ratios may grow by 25%)\n"
    assert commands.main(["against", old, bad]) == 1
    assert capsys.readouterr().out.count("worse: ") == 1
    assert commands.main(["against", old, bad, "--tolerance", "1.5"]) == 0
    written(results / "speed.json", a_run(read=20.0, NumPy=0.2))
    assert commands.main(["against", old]) == 1


def test_measuring_anew_compares_with_what_the_file_said_before(results, monkeypatch, capsys):
    """Even where it is the very file that the new run overwrites."""
    path = written(results / "speed.json", a_run())
    new = deepcopy(a_run(read=20.0, NumPy=0.2))["figures"]
    monkeypatch.setitem(commands.PARTS, "speed", lambda: record.write("speed", new))
    assert commands.main(["--against", path, "--tolerance", "0.25"]) == 1
    assert "worse: frames | one slice" in capsys.readouterr().out
    assert commands.main(["speed", "--against", path]) == 0


@pytest.mark.parametrize("content", [None, "{", json.dumps({"part": "startup", "figures": []})])
def test_files_that_cannot_be_compared_are_refused_before_anything_is_measured(
    content, tmp_path, monkeypatch, capsys
):
    monkeypatch.setattr(commands, "PARTS", {})
    path = tmp_path / "old.json"
    if content is not None:
        path.write_text(content)
    assert commands.main(["--against", str(path)]) == 2
    told = capsys.readouterr().err
    assert str(path) in told and len(told.splitlines()) == 1


def test_nothing_in_common_is_not_a_success(tmp_path, capsys):
    old, new = a_run(), a_run()
    new["figures"] = []
    paths = [written(tmp_path / name, told) for name, told in (("a.json", old), ("b.json", new))]
    assert commands.main(["against", *paths]) == 2


def test_unknown_parts_are_refused(capsys):
    assert commands.main(["sideways"]) == 2
    assert "unknown: sideways; known: speed" in capsys.readouterr().err
    assert commands.main(["against"]) == 2
