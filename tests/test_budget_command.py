"""`flatten budget` as a user meets it."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path

import pytest

import flatten
from flatten import budget
from flatten.cli.budget import FIELDS
from flatten.scan import FIELDS as REAL_FIELDS
from tests.command_line import make_nursery, run_alone, run_here

WORDS = ["budget", "--profile", "rover.yaml", "--cloud", "good/aisle.npy", "--frames", "10"]


@pytest.fixture
def nursery(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return make_nursery(tmp_path)


def test_figures_picture_and_verdict(nursery: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(capsys, *WORDS, "--share", "1", "--rate", "1")
    assert (ran.code, ran.err) == (0, "")
    assert {path.name for path in Path("flatten-budget").iterdir()} == {"budget.json", "budget.png"}
    told = json.loads(Path("flatten-budget/budget.json").read_text())
    assert told["limits"] == {"rate_hz": 1.0, "share": 1.0}
    assert told["clouds"] == [{"name": "good/aisle.npy", "returns": 360}]
    assert list(told["rounds"]) == ["at rest"] and told["rounds"]["at rest"]["frames"] == 10
    assert told["fields"] == sorted(REAL_FIELDS) and flatten.Profile.from_dict(told["profile"]).slices
    assert told["verdict"].upper() in ran.out and told["verdict"] == budget.ROOM
    assert ran.out.endswith("picture: flatten-budget/budget.png\n")
    assert max(map(len, ran.out.splitlines())) <= 92


def test_several_clouds_after_one_option_settings_and_fields(
    nursery: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    more = ["good/kerb.npy", "other", "--fields", "ranges,intensities", "--set", "fan.bins=36", "--loaded"]
    ran = run_here(capsys, *WORDS, *more, "--out", "board/one")
    assert (ran.code, ran.err) == (0, "")
    told = json.loads(Path("board/one/budget.json").read_text())
    assert [cloud["name"] for cloud in told["clouds"]] == [
        "good/aisle.npy",
        "good/kerb.npy",
        "other/aisle.npy",
    ]
    assert told["fields"] == ["intensities", "ranges"] and told["profile"]["fan"]["bins"] == 36
    assert list(told["rounds"]) == ["at rest", "every core busy"]
    assert "fan of 18 bins" in ran.out and "(every core busy)" in ran.out


def test_a_budget_that_nothing_fits(nursery: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = run_here(capsys, *WORDS, "--rate", "100", "--share", "1e-9")
    assert ran.code == 0  # it was measured; whether it fits is the answer, not a failure
    assert "DOES NOT FIT" in ran.out


def test_nothing_is_measured_that_could_not_be_written(
    nursery: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    Path("board").mkdir()
    Path("board/budget.png").write_text("mine")
    with monkeypatch.context() as closed:
        closed.setattr(budget, "measure", lambda *_, **__: pytest.fail("measured all the same"))
        ran = run_here(capsys, *WORDS, "--out", "board")
        assert ran.code == 1 and "board/budget.png: is there already" in ran.err
        assert run_here(capsys, *WORDS, "--out", "taken.txt").code == 1
    assert Path("board/budget.png").read_text() == "mine"
    assert run_here(capsys, *WORDS, "--out", "board", "--overwrite").code == 0


def test_without_the_desk_libraries_there_are_figures_and_a_note(nursery: Path) -> None:
    (nursery / "sitecustomize.py").write_text(
        "import sys; sys.modules['matplotlib'] = sys.modules['rosbags'] = None\n"
    )
    house = str(Path(flatten.__file__).parents[1])
    ran = run_alone(nursery, *WORDS, PYTHONPATH=f"{nursery}:{house}")
    assert ran.code == 0
    assert ran.err == "note: no picture: it needs matplotlib, pip install 'flatten[desk]'\n"
    assert "Not counted: decoding and encoding of messages" in ran.out
    assert [path.name for path in (nursery / "flatten-budget").iterdir()] == ["budget.json"]


def test_startup(nursery: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(budget, "measure_startup", partial(budget.measure_startup, 1, cold=False))
    ran = run_here(capsys, "budget", "--startup", "--out", "board")
    assert (ran.code, ran.err) == (0, "")
    assert "numba alone, above numpy:" in ran.out and max(map(len, ran.out.splitlines())) <= 92
    told = json.loads(Path("board/startup.json").read_text())
    found = {start["name"]: start for start in told["starts"]}
    assert list(found) == ["python", "numpy", "numba", "profile and cloud", "flattener", "first frame"]
    # each goes a step further than an earlier one, so that it takes more memory; times may swing
    resident = [found[name]["resident"] for name in ("python", "numpy", "profile and cloud", "flattener")]
    assert resident == sorted(resident) and resident[0] > 5e6
    assert found["first frame"]["resident"] > found["numba"]["resident"] > found["numpy"]["resident"]
    assert all(start["peak"] >= start["resident"] and start["repeats"] == 1 for start in found.values())
    assert run_here(capsys, "budget", "--startup", "--out", "board").code == 1


def test_the_list_written_for_speed_is_the_real_one() -> None:
    assert FIELDS == REAL_FIELDS
