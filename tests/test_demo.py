"""The demo: from an empty folder to pictures and a report, held against the truth."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from flatten import (
    CloudError,
    Flattener,
    FlattenError,
    OutputError,
    Profile,
    State,
    jobs,
    read_cloud,
    samples,
)
from flatten.comparing import ALLOWED, compare, compare_ways
from flatten.demo import _share, run_demo, steps
from flatten.files import read_npz
from flatten.samples import Truth, list_rough, list_samples, read_truth
from tests.command_line import HOUSE, environment, run_alone, run_here
from tests.conftest import assert_scans_equal
from tests.test_cli import assert_is_a_picture


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run it once as a stranger would, into no folder; with nothing compiled the packaging tests run it."""
    folder = tmp_path_factory.mktemp("desk")
    ran = run_alone(folder, "demo")
    assert (ran.code, ran.err) == (0, "")
    (folder / "said.txt").write_text(ran.out)
    return folder / "flatten-demo"


NAMES = [sample.name for sample in list_samples()]
ROUGH = [sample.name for sample in list_rough()]


def test_there_is_something_of_every_kind_to_see() -> None:
    assert len(NAMES) >= 10
    assert {sample.sensor for sample in list_samples()} == {"rosette", "rotating"}
    assert any(any(sample.attitude) for sample in list_samples())


@pytest.mark.parametrize("name", NAMES)
def test_every_cloud_has_its_scans_and_its_picture(name: str, demo: Path) -> None:
    sample = next(one for one in list_samples() if one.name == name)
    scans, meta = read_npz(demo / "scans" / f"{name}.npz")
    profile = Profile.load(sample.profile)
    assert Profile.parse(meta["profile"]) == profile
    assert_scans_equal(scans, Flattener(profile).flatten(read_cloud(sample.cloud), sample.attitude))
    assert (demo / "scans" / f"{name}.csv").read_text().startswith("# flatten: ")
    assert_is_a_picture(demo / "pictures" / f"{name}.png")
    assert (demo / "clouds" / f"{name}.pcd").read_bytes() == sample.cloud.read_bytes()


@pytest.mark.parametrize("name", ROUGH)
def test_every_rough_cloud_has_the_scans_of_its_last_way_and_a_picture_of_both(name: str, demo: Path) -> None:
    sample = next(one for one in list_rough() if one.name == name)
    scans, meta = read_npz(demo / "scans" / f"{name}.npz")
    last = sample.ways[-1]
    profile = Profile.load(sample.profile, dict(last.settings))
    assert Profile.parse(meta["profile"]) == profile
    if not last.motion:
        cloud = read_cloud(sample.cloud)
        assert_scans_equal(scans, Flattener(profile).flatten(cloud, sample.attitude))
    assert_is_a_picture(demo / "pictures" / f"{name}.png")
    assert (demo / "clouds" / "rough" / f"{name}.pcd").read_bytes() == sample.cloud.read_bytes()


def test_nothing_else_is_left(demo: Path) -> None:
    found = {str(path.relative_to(demo)) for path in demo.rglob("*") if path.is_file()}
    wanted = {"report.html", "report.txt", "clouds/clouds.yaml", "clouds/truth.npz"}
    wanted |= {f"clouds/{sample.profile.name}" for sample in list_samples()}
    for name in NAMES:
        wanted |= {f"clouds/{name}.pcd", f"scans/{name}.npz", f"scans/{name}.csv", f"pictures/{name}.png"}
    for name in ROUGH:
        wanted |= {f"scans/{name}.npz", f"scans/{name}.csv", f"pictures/{name}.png"}
    wanted |= {f"clouds/rough/{file.name}" for file in list_rough()[0].cloud.parent.iterdir()}
    assert found == wanted


def test_the_page_holds_all_pictures_and_needs_nothing_else(demo: Path) -> None:
    page = (demo / "report.html").read_text()
    assert page.count("data:image/png;base64,") >= len(NAMES) + len(ROUGH)
    assert not re.search(r'(src|href)="(?!data:|#)', page)
    for name in NAMES + ROUGH:
        assert f"{name}.pcd" in page


def test_page_and_text_say_the_figures_of_both_ways(demo: Path) -> None:
    page = " ".join(re.sub("<[^>]+>", " ", (demo / "report.html").read_text()).split())
    text = " ".join((demo / "report.txt").read_text().split())
    for sample in list_rough():
        made = compare_ways(sample)
        for figure in made.figures:
            assert f"{figure.words} {' '.join(figure.values)}" in page
            assert f"{figure.words} {' '.join(figure.values)}" in text
    plainer, other = (
        sum(int(compare_ways(sample).outcomes[k].wrong.sum()) for sample in list_rough()) for k in (0, -1)
    )
    told = f"{plainer:,} HIT are denied by the truth in the plainer way and {other:,} in the other"
    assert told in page and told in text and told in " ".join((demo.parent / "said.txt").read_text().split())


def test_the_numbers_it_says_are_those_of_the_scans(demo: Path) -> None:
    hits = clear = 0
    for name in NAMES:
        for scan in read_npz(demo / "scans" / f"{name}.npz")[0].values():
            assert scan.states is not None
            hits += int(np.sum(scan.states == State.HIT))
            clear += int(np.sum(scan.states == State.CLEAR))
    for text in ((demo / "report.txt").read_text(), (demo.parent / "said.txt").read_text()):
        words = " ".join(text.split())
        assert f" of {hits:,} HIT lie between the true surfaces" in words
        assert f"0 of {clear:,} CLEAR bins hold what CLEAR rules out" in words


def test_clean_samples_agree_with_the_truth_wholly() -> None:
    """Where nothing but range noise (10 mm) spoils the frame, 5 of 5 sigma lie within the true surfaces."""
    spoiled = {"dust", "mast_and_edges", "ramp_toe"}  # dust, split beams, a slope known in steps
    for sample in list_samples():
        profile = Profile.load(sample.profile)
        scans = Flattener(profile).flatten(read_cloud(sample.cloud), sample.attitude)
        for name, truth in read_truth(sample).items():
            check = compare(scans[name], truth)
            assert check.broken == 0, f"{sample.name} {name}"
            if sample.name not in spoiled:
                assert check.hits - check.within <= 0.001 * check.hits + 1, f"{sample.name} {name}"


def test_the_comparison_tells_good_from_bad() -> None:
    profile = Profile.from_dict({"slices": {"a": {"bottom": -0.5, "top": 0.5}}, "fan": {"bins": 8}})
    bearing = np.radians(np.arange(8) * 45.0 - 157.5)
    returns = np.stack([3.0 * np.cos(bearing), 3.0 * np.sin(bearing), 0.0 * bearing], axis=1)
    scan = Flattener(profile).flatten(returns)["a"]
    near = np.array([3.0, 3.04, 3.06, 2.0, 2.0, 2.0, np.inf, 2.0], np.float32)
    far = np.array([3.0, 4.00, 4.00, 4.0, 2.96, 2.94, np.inf, 2.0], np.float32)
    check = compare(scan, Truth(near, far, far, None))
    assert (check.hits, check.within, check.clear, check.broken) == (8, 4, 0, None)
    assert ALLOWED == 0.05


def test_a_false_clear_is_counted() -> None:
    sample = list_samples()[0]
    profile = Profile.load(sample.profile)
    scan = Flattener(profile).flatten(read_cloud(sample.cloud), sample.attitude)["drive"]
    truth = read_truth(sample)["drive"]
    assert scan.clear_to is not None and truth.standing is not None
    moved = np.full_like(truth.standing, 4.0)  # a wall 4 m away all round
    check = compare(scan, Truth(truth.nearest, truth.farthest_of_nearest, truth.farthest, moved))
    assert check.broken == check.clear > 0


def test_a_folder_with_something_in_it_is_left_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("full").mkdir()
    Path("full/letter.txt").write_text("mine")
    ran = run_here(capsys, "demo", "full")
    assert ran.code == 1
    assert "full: is not empty" in ran.err
    assert [path.name for path in Path("full").iterdir()] == ["letter.txt"]


def test_overwriting_makes_it_again_and_spares_the_rest(demo: Path, tmp_path: Path) -> None:
    copy = tmp_path / "again"
    shutil.copytree(demo, copy)
    (copy / "letter.txt").write_text("mine")
    (copy / "scans" / f"{NAMES[0]}.csv").write_text("old")
    with pytest.raises(OutputError, match="is not empty"):
        run_demo(copy)
    told: list[str] = []
    made = run_demo(copy, overwrite=True, processes=1, step=told.append)
    assert len(told) == steps()
    assert made.page and made.pictures == len(NAMES) + len(ROUGH)
    assert (copy / "letter.txt").read_text() == "mine"
    scans = f"scans/{NAMES[0]}.npz"
    assert_scans_equal(read_npz(copy / scans)[0], read_npz(demo / scans)[0])
    assert (copy / "scans" / f"{NAMES[0]}.csv").read_text() != "old"


WITHOUT = """
import sys
class Gone:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {gone!r}:
            raise ModuleNotFoundError(f"No module named {{name!r}}", name=name)
sys.meta_path.insert(0, Gone())
"""


@pytest.mark.parametrize("gone", [("matplotlib", "jinja2"), ("jinja2",)])
def test_without_the_desk_it_makes_scans_and_text(tmp_path: Path, gone: tuple[str, ...]) -> None:
    (tmp_path / "sitecustomize.py").write_text(WITHOUT.format(gone=gone))
    done = subprocess.run(
        [sys.executable, "-m", "flatten", "demo"], capture_output=True, text=True, cwd=tmp_path,
        env=environment(PYTHONPATH=f"{tmp_path}:{HOUSE}"), check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    notes = done.stderr.splitlines()
    assert len(notes) == len(gone)
    assert all(line.startswith("note: no p") and "flatten[desk]" in line for line in notes)
    assert (tmp_path / "flatten-demo" / "report.txt").read_text().count("nearest HIT") >= len(NAMES)
    assert len(list((tmp_path / "flatten-demo" / "scans").iterdir())) == 2 * (len(NAMES) + len(ROUGH))
    assert not (tmp_path / "flatten-demo" / "report.html").exists()


def test_samples_are_found_inside_an_installed_package(tmp_path: Path) -> None:
    """Laid out as a wheel is: the clouds inside the package, no checkout around it."""
    package = tmp_path / "site" / "flatten"
    shutil.copytree(HOUSE / "flatten", package, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copytree(HOUSE / "sample_clouds", package / "_sample_clouds")
    code = "from flatten import samples; print(samples.sample_folder(), len(samples.list_samples()))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path,
        env=environment(PYTHONPATH=str(tmp_path / "site")), check=True,
    )  # fmt: skip
    assert done.stdout == f"{package / '_sample_clouds'} {len(NAMES)}\n"
    shutil.rmtree(package / "_sample_clouds")
    done = subprocess.run(
        [sys.executable, "-m", "flatten", "demo"], capture_output=True, text=True, cwd=tmp_path,
        env=environment(PYTHONPATH=str(tmp_path / "site")), check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert done.stderr.startswith("flatten: the sample clouds are not beside ")


def test_damaged_samples_are_told(tmp_path: Path) -> None:
    with pytest.raises(CloudError, match="not a list of sample clouds"):
        list_samples(tmp_path)
    (tmp_path / "clouds.yaml").write_text("- file: a.pcd\n")
    with pytest.raises(CloudError, match="not a list of sample clouds"):
        list_samples(tmp_path)
    shutil.copy(samples.sample_folder() / "clouds.yaml", tmp_path)
    with pytest.raises(CloudError, match=r"truth\.npz"):
        read_truth(list_samples(tmp_path)[0])


class Fatal:
    """What kills the process that unpickles it."""

    def __reduce__(self) -> tuple[object, tuple[()]]:
        return os.abort, ()


def test_a_helper_that_dies_is_told_and_nothing_waits_for_it() -> None:
    with jobs.worker_pool(1) as pool, pytest.raises(FlattenError, match="a drawing process died"):
        list(_share(pool, 2, [(Fatal(),), (Fatal(),)]))
