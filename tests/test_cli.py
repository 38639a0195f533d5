"""The commands as a user meets them: what they print, what they write, how quickly they answer."""

from __future__ import annotations

import ast
import importlib
import json
import math
import subprocess
import sys
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import yaml
from PIL import Image

import flatten
from flatten import Flattener, Profile, State, read_cloud
from flatten.cli.commands import cli
from flatten.cli.convert import FORMATS
from flatten.cli.mount import WALLS
from flatten.cli.show import VIEWS
from flatten.files import read_npz, scan_formats
from flatten.pictures import sheet
from flatten.tuning.yaw import FACING
from tests.command_line import Ran, environment, make_nursery, ring, run_alone, run_here

HEAVY = {"numba", "numpy", "open3d", "matplotlib", "pydantic", "yaml", "scipy", "jinja2"}


@pytest.fixture
def nursery(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return make_nursery(tmp_path)


class TestNames:
    """`import flatten` loads names when they are first used; nobody needs to notice."""

    def test_all_names_resolve_and_are_listed(self) -> None:
        for name in flatten.__all__:
            assert getattr(flatten, name) is not None
        assert set(flatten.__all__) <= set(dir(flatten))
        with pytest.raises(AttributeError, match="no attribute 'Flatener'"):
            flatten.Flatener  # noqa: B018

    def test_type_checkers_are_told_the_same(self) -> None:
        tree = ast.parse(Path(flatten.__file__).read_text())
        told = {
            name.name: node.module
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("flatten.")
            for name in node.names
        }
        assert set(told) == set(flatten.__all__)
        for name, module in told.items():
            assert getattr(importlib.import_module(str(module)), name) is getattr(flatten, name)

    @pytest.mark.parametrize("way", ["import flatten; flatten.Profile", "from flatten import *; Profile"])
    def test_a_name_costs_what_it_needs(self, way: str) -> None:
        code = f"import sys; {way}; print('numba' in sys.modules, 'pydantic' in sys.modules)"
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, env=environment(), check=True
        )
        assert done.stdout == f"{'*' in way} True\n"


class TestHelp:
    def test_version_and_help_load_no_library(self) -> None:
        code = (
            "import sys; from flatten.cli import run\n"
            "for line in ('--version', '--help', 'convert --help', 'demo -h', 'nix', ''): run(line.split())\n"
            "print(*{name.split('.')[0] for name in sys.modules}, file=sys.stderr)"
        )
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, env=environment(), check=True
        )
        assert done.stdout.startswith(f"flatten {flatten.__version__}\n")
        assert not HEAVY & set(done.stderr.split())

    @pytest.mark.parametrize(
        "command",
        [
            "demo",
            "convert",
            "show",
            "profile new",
            "profile check",
            "profile schema",
            "mount",
            "blind",
            "budget",
            "warmup",
            "completion",
        ],
    )
    def test_every_help_teaches(self, command: str, capsys: pytest.CaptureFixture[str]) -> None:
        ran = run_here(capsys, *command.split(), "--help")
        assert (ran.code, ran.err) == (0, "")
        example = ran.out.split("Example")[1]
        assert f"flatten {command}" in example
        assert max(map(len, ran.out.splitlines())) <= 92

    @pytest.mark.parametrize("command", ["convert", "show", "mount"])
    def test_units_are_said(self, command: str, capsys: pytest.CaptureFixture[str]) -> None:
        words = " ".join(run_here(capsys, command, "--help").out.split())
        assert "--roll and --pitch are degrees" in words
        assert "metres" in words

    def test_without_a_command_the_help_is_shown(self, capsys: pytest.CaptureFixture[str]) -> None:
        for arguments in ([], ["profile"]):
            ran = run_here(capsys, *arguments)
            assert (ran.code, ran.err) == (0, "")
            assert "Commands:" in ran.out

    def test_lists_written_for_speed_are_the_real_ones(self) -> None:
        assert list(FORMATS) == scan_formats()
        assert set(VIEWS) == set(sheet.VIEWS)
        assert set(WALLS) == set(FACING)


class TestProfileCommands:
    def test_new_and_check_go_round(self, nursery: Path, capsys: pytest.CaptureFixture[str]) -> None:
        made = run_here(capsys, "profile", "new", "mine.yaml")
        assert (made.code, made.err) == (0, "")
        checked = run_here(capsys, "profile", "check", "mine.yaml")
        assert (checked.code, checked.err) == (0, "")
        warnings = Profile.load("mine.yaml").warnings
        assert checked.out.splitlines()[-1].startswith("mine.yaml: a good profile, ")
        for words in warnings:
            assert words in " ".join(checked.out.split())
        assert run_here(capsys, "profile", "new").out == Path("mine.yaml").read_text()

    def test_new_overwrites_only_when_told(self, nursery: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert run_here(capsys, "profile", "new", "taken.txt").code == 1
        assert Path("taken.txt").read_text() == "mine\n"
        assert run_here(capsys, "profile", "new", "taken.txt", "--overwrite").code == 0
        assert Profile.load("taken.txt").slices

    def test_check_shows_what_a_flag_changes(self, nursery: Path, capsys: pytest.CaptureFixture[str]) -> None:
        plain = run_here(capsys, "profile", "check", "rover.yaml").out
        changed = run_here(capsys, "profile", "check", "rover.yaml", "--set", "reach.far=9").out
        assert "from 0.3 to 15 m" in plain and "from 0.3 to 9 m" in changed

    def test_the_schema_knows_the_starter(self, nursery: Path, capsys: pytest.CaptureFixture[str]) -> None:
        schema = json.loads(run_here(capsys, "profile", "schema").out)
        jsonschema.Draft202012Validator.check_schema(schema)
        starter = yaml.safe_load(run_here(capsys, "profile", "new").out)
        jsonschema.validate(starter, schema)
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate({**starter, "reech": {}}, schema)
        assert run_here(capsys, "profile", "schema", "flatten.schema.json").code == 0
        assert json.loads(Path("flatten.schema.json").read_text()) == schema


def converted(
    capsys: pytest.CaptureFixture[str], *arguments: object
) -> tuple[Ran, Profile, dict[str, object]]:
    ran = run_here(capsys, "convert", "good/aisle.npy", "--out", "out", "--overwrite", *arguments)
    assert ran.code == 0, ran.err
    _, meta = read_npz("out/aisle.npz")
    return ran, Profile.parse(meta["profile"]), meta


class TestConvert:
    def test_defaults_give_way_to_the_file_and_that_to_flags(
        self, nursery: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        Path("short.yaml").write_text("slices: {drive: {bottom: 0.1, top: 1.0}}\nreach: {far: 15}\n")
        default = Profile.from_dict({"slices": {"drive": {"bottom": 0.1, "top": 1.0}}})
        _, plain, meta = converted(capsys, "-p", "short.yaml", "-q")
        assert (plain.reach.far, plain.fan.bins) == (15.0, default.fan.bins)
        assert meta["flatten"] == flatten.__version__
        _, changed, _ = converted(
            capsys, "-p", "short.yaml", "-q", "-f", "npz,csv,json",
            "--set", "reach.far=9", "--set", "fan.bins=36", "--set", "slices.drive.top=1.5",
        )  # fmt: skip
        assert (changed.reach.far, changed.fan.bins) == (9.0, 36)
        assert (changed.slices["drive"].bottom, changed.slices["drive"].top) == (0.1, 1.5)
        assert changed.robot == default.robot
        assert json.loads(Path("out/aisle.json").read_text())["profile"] == changed.to_dict()
        head = [line for line in Path("out/aisle.csv").read_text().splitlines() if line.startswith("#")]
        start = head.index("# profile:")
        assert Profile.parse("\n".join(line[4:] for line in head[start + 1 :])) == changed
        assert any(flatten.__version__ in line for line in head)

    def test_degrees_become_radians(self, nursery: Path, capsys: pytest.CaptureFixture[str]) -> None:
        _, profile, meta = converted(capsys, "-p", "rover.yaml", "--pitch", "-10")
        assert meta["attitude_rad"] == [0.0, math.radians(-10)]
        scans, _ = read_npz("out/aisle.npz")
        wanted = Flattener(profile).flatten(read_cloud("good/aisle.npy"), (0.0, math.radians(-10)))
        level = Flattener(profile).flatten(read_cloud("good/aisle.npy"))
        np.testing.assert_array_equal(scans["drive"].ranges, wanted["drive"].ranges)
        assert not np.array_equal(scans["drive"].ranges, level["drive"].ranges, equal_nan=True)

    def test_warnings_come_once_and_can_be_silenced(
        self, nursery: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        Path("short.yaml").write_text("slices: {drive: {bottom: 0.1, top: 1.0}}\n")
        warnings = Profile.load("short.yaml").warnings
        assert warnings
        told = run_here(capsys, "convert", "good", "-p", "short.yaml", "--out", "a", "--jobs", "2")
        assert told.err.splitlines() == [f"warning: {words}" for words in warnings]
        quiet = run_here(capsys, "convert", "good", "-p", "short.yaml", "--out", "b", "--quiet")
        assert (quiet.code, quiet.err) == (0, "")

    def test_an_attitude_that_is_ignored_is_told(
        self, nursery: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        ran, _, _ = converted(capsys, "-p", "rover.yaml", "--pitch", "5", "--set", "level=body")
        assert ran.err.startswith("warning: --roll and --pitch change nothing")

    def test_nothing_but_text_without_a_terminal(self, nursery: Path) -> None:
        ran = run_alone(nursery, "convert", "good", "-p", "rover.yaml", "--out", "plain")
        assert (ran.out, ran.err) == ("converted 3 of 3 clouds: 3 files (npz) in plain\n", "")


class TestShow:
    def test_it_draws_a_picture_and_says_where(
        self, nursery: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        ran = run_here(capsys, "show", "good/aisle.npy", "-p", "rover.yaml")
        assert (ran.code, ran.err) == (0, "")
        assert ran.out.endswith("picture: aisle.png\n")
        assert_is_a_picture(Path("aisle.png"))

    def test_the_summary_is_the_truth(self, nursery: Path, capsys: pytest.CaptureFixture[str]) -> None:
        returns = ring(6.0)
        returns[90, :3] *= 0.25  # one return at 90.5°, 1.5 m to the left
        returns[:7] = 0.0
        np.save("post.npy", returns)
        ran = run_here(capsys, "show", "post.npy", "-p", "rover.yaml", "--view", "plan", "--slice", "drive")
        scan = Flattener(Profile.load("rover.yaml")).flatten(read_cloud("post.npy"))["drive"]
        assert scan.states is not None
        numbers = [int(np.sum(scan.states == state)) for state in State]
        first, head, drive, walls, _ = ran.out.splitlines()
        assert first == "360 returns; 7 of them not finite or zero, 0 in blind zones"
        assert head.split() == ["slice", "HIT", "CLEAR", "TOO_NEAR", "BLOCKED", "UNSEEN", "nearest", "HIT"]
        order = (State.HIT, State.CLEAR, State.TOO_NEAR, State.BLOCKED, State.UNSEEN)
        assert drive.split()[:6] == ["drive", *(str(numbers[state]) for state in order)]
        assert "1.50 m" in drive and "left" in drive and drive.endswith("92°")  # centre of a bin of 5°
        assert walls.split() == ["walls", "0", "0", "0", "0", "72", "none"]
        assert max(map(len, ran.out.splitlines())) <= 80

    @pytest.mark.parametrize("name", ["a.png", "a.svg", "a.pdf"])
    def test_out_names_the_picture(
        self, name: str, nursery: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        line = ["show", "good/aisle.npy", "-p", "rover.yaml", "--out", name, "--view", "elevation"]
        assert run_here(capsys, *line).code == 0
        assert Path(name).stat().st_size > 5000
        before = Path(name).read_bytes()
        again = run_here(capsys, *line)
        assert again.code == 1 and name in again.err and Path(name).read_bytes() == before
        assert run_here(capsys, *line, "--overwrite").code == 0

    def test_where_no_floor_is_seen_a_line_says_so(
        self, nursery: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        np.save("sky.npy", [[5.0, 0.1 * k, 3.0] for k in range(-50, 50)])
        words = ("-p", "rover.yaml", "--set", "level=floor")
        shown = run_here(capsys, "show", "sky.npy", *words)
        assert shown.code == 0 and shown.err.startswith("warning: no floor was seen: ")
        converted = run_here(capsys, "convert", "sky.npy", *words, "--out", "sky")
        assert converted.code == 0 and converted.err.startswith("warning: sky.npy: no floor was seen: ")
        for ran in (shown, converted):
            assert len(ran.err.splitlines()) == 1
        assert run_here(capsys, "show", "sky.npy", *words, "--quiet", "--overwrite").err == ""
        level = run_here(capsys, "show", "sky.npy", "-p", "rover.yaml", "--overwrite")
        assert (level.code, level.err) == (0, "")


def assert_is_a_picture(path: Path) -> None:
    """A PNG that can be decoded, with something in it."""
    with Image.open(path) as image:
        image.load()
        assert image.format == "PNG"
        assert image.width > 400 and image.height > 400
        colours = image.convert("RGB").getcolors(image.width * image.height)
        assert colours is not None and len(colours) > 50


class TestCompletion:
    @pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
    def test_scripts_name_the_command_and_how_to_install(
        self, shell: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        ran = run_here(capsys, "completion", shell)
        assert ran.code == 0
        assert f"_FLATTEN_COMPLETE={shell}_complete" in ran.out
        assert ran.out.splitlines()[-1].startswith("# to install: ")

    def test_bash_accepts_its_script(self, capsys: pytest.CaptureFixture[str]) -> None:
        script = run_here(capsys, "completion", "bash").out
        done = subprocess.run(["bash", "-n"], input=script, capture_output=True, text=True, check=False)
        assert (done.returncode, done.stderr) == (0, "")

    @pytest.mark.parametrize(
        ("words", "found"),
        [("flatten con", "convert"), ("flatten profile ch", "check"), ("flatten show --vi", "--view"),
         ("flatten show --view e", "elevation")],
    )  # fmt: skip
    def test_a_tab_finds_what_was_begun(self, words: str, found: str, tmp_path: Path) -> None:
        ran = run_alone(
            tmp_path, _FLATTEN_COMPLETE="bash_complete", COMP_WORDS=words, COMP_CWORD=str(words.count(" "))
        )
        assert ran.out == f"plain,{found}\n"


def test_the_console_script_and_the_module_are_the_same() -> None:
    assert importlib.import_module("flatten.__main__").main is importlib.import_module("flatten.cli").main
    assert set(cli.commands) >= {"demo", "convert", "show", "profile", "budget", "warmup", "completion"}
