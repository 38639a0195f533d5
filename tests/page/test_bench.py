"""The workbench without a browser: what it says of a frame, what it refuses, what it saves."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from flatten import Flattener, FlattenError, OutputError, PageError, Profile, ProfileError, read_cloud
from flatten.page.bench import Bench
from flatten.page.draft import Draft
from flatten.page.looking import Fate
from flatten.page.source import open_frames
from flatten.page.wire import MOST_DRAWN, contents, drawn, fresh, join, split
from flatten.recordings.writing import write_recording
from flatten.scan import State
from flatten.tuning.candidates import Sweep
from flatten.tuning.labels import Limits
from tests.page.places import SAMPLES, bench_in, copy_profile
from tests.recordings import made


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """A bench whose profile the tests leave as it is."""
    return bench_in(tmp_path_factory.mktemp("page"), "yard.pcd", "aisle.pcd", "pitched.pcd")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    yield bench_in(tmp_path)


@pytest.mark.parametrize("frame", range(3))
@pytest.mark.parametrize("name", ["drive", "low", "walls"])
def test_returns_are_what_the_kernels_count(shared: Bench, frame: int, name: str) -> None:
    """Every return by NumPy in float64 against the Flattener's own counts: none lies on a border here."""
    shared.ask({"view": {"frame": frame, "slice": name}})
    for shown in (shared.glance(), shared.study()):
        fates = np.bincount(shown.fates, minlength=len(Fate))
        assert fates.sum() == shown.look.scans[name].counts.returns - shown.look.scans[name].counts.skipped
        assert fates[Fate.OWN] == shown.look.scans[name].counts.swallowed
        assert fates[Fate.TAKEN] + fates[Fate.LEAK] == shown.look.scans[name].counts.used
        assert shown.figures["fates"] == fates.tolist()
    plain = Flattener(shared.draft.profile).flatten(shared.shot.cloud)[name]
    np.testing.assert_array_equal(shown.look.scans[name].ranges, plain.ranges)
    assert shown.figures["states"]["HIT"] == np.count_nonzero(plain.states == State.HIT)


def test_the_leak_when_shaking_is_that_of_the_tuning(shared: Bench) -> None:
    """The same sum made another way: all candidates in one sweep, the slice's bottom among them."""
    shared.ask({"view": {"frame": 0, "slice": "drive", "shake": 1.0}})
    shown = shared.study()
    seen, profile = shown.look.seen, shown.look.profile
    assert seen is not None
    sweep = Sweep(profile, Limits.of(profile), seen.lean)
    sweep.add(seen)
    bottoms = sweep.driving.grid.bottoms
    (k,) = np.flatnonzero(np.isclose(bottoms, profile.slices["drive"].bottom))
    for degrees, leak in [*shown.figures["shaken"]["curve"], [1.0, shown.figures["shaken"]["leak"]]]:
        assert leak == pytest.approx(sweep.leak(0.0, np.radians(degrees))[k], abs=1e-9)  # one sum, twice
    leaks = [leak for _, leak in shown.figures["shaken"]["curve"]]
    assert leaks[0] == 0.0 and leaks == sorted(leaks) and leaks[-1] > 0.2


def test_a_wrong_attitude_leaks_and_the_figures_say_so(bench: Bench) -> None:
    assert bench.study().figures["leaks"] == 0
    bench.ask({"view": {"pitch": -1.4}})
    shown = bench.study()
    assert shown.leaking is not None and shown.figures["leaks"] == shown.leaking.sum() > 100
    assert np.count_nonzero(shown.fates == Fate.LEAK) >= shown.figures["leaks"]
    assert shown.figures["floor"]["ahead"] == pytest.approx(1.4, abs=0.1)
    assert shown.state["attitude"] == "by hand"
    bench.ask({"set": {"slices.drive.rise": 0.03}})  # tan 1.4° = 0.024: above the floor everywhere
    assert bench.study().figures["leaks"] < 0.02 * shown.figures["leaks"]
    bench.ask({"view": {"recorded": True}})
    assert bench.study().state["attitude"] == "level"


def test_labels_are_kept_while_only_slices_move(bench: Bench) -> None:
    seen = bench.study().look.seen
    bench.ask({"set": {"slices.drive.bottom": 0.12}})
    assert bench.glance().look.seen is seen and bench.study().look.seen is seen
    bench.ask({"set": {"mount.z": 0.79}})
    assert bench.glance().look.seen is None  # the scan comes first
    assert bench.study().look.seen is not seen


def test_a_movement_is_one_step(bench: Bench) -> None:
    for bottom in (0.09, 0.10, 0.11):
        bench.ask({"set": {"slices.drive.bottom": bottom}, "end": False})
    bench.ask({"set": {"slices.drive.bottom": 0.12}, "end": True})
    bench.ask({"set": {"fan.bins": 720.0}})
    assert bench.draft.steps == (2, 0) and bench.glance().figures["bins"] == 720
    bench.ask({"do": "undo"})
    bench.ask({"do": "undo"})
    assert bench.draft.profile.slices["drive"].bottom == 0.08


WRONG = (
    {}, {"set": 1}, {"set": {"slices.drive.bottom": "0.1"}}, {"set": {"slices.drive.bottom": True}},
    {"set": {"robot.height": 2.0}}, {"set": {"slices.drive.bottom": float("nan")}}, {"set": {"x" * 9999: 1}},
    {"view": {"frame": 99}}, {"view": {"frame": -1}}, {"view": {"slice": "roof"}}, {"view": {"shake": 50}},
    {"view": {"slice": ["drive"]}}, {"view": {"pitch": 90}}, {"view": {"height": 1}}, {"do": "delete"},
    {"do": []},
    {"off": {"nobody": True}}, {"off": []}, {"save": {}}, {"save": {"name": 3}}, {"save": {"name": "../a"}},
    {"set": {}, "do": "undo"}, {"set": {"fan.bins": 1e30}}, {"set": {"reach.far": -1}},
    {"set": {"fan.bins": 1e300}},
)  # fmt: skip


@pytest.mark.parametrize("wish", WRONG, ids=lambda wish: str(wish)[:40])
def test_what_cannot_be_is_told_in_one_line(shared: Bench, wish: dict[str, object]) -> None:
    before = shared.draft.profile, shared.shot, shared.slice
    with pytest.raises(FlattenError) as caught:
        shared.ask(wish)
    assert "\n" not in str(caught.value) and 10 < len(str(caught.value)) < 300
    assert (shared.draft.profile, shared.shot, shared.slice) == before


def test_save_asks_before_it_writes_over(bench: Bench) -> None:
    file, before = bench.draft.path, bench.draft.text
    bench.ask({"set": {"slices.drive.bottom": 0.1}})
    told = bench.ask({"save": {"name": "rover.yaml"}})
    assert told["ask"] == "rover.yaml is there already. Write over it?" and file.read_text() == before
    assert "saved as" in bench.ask({"save": {"name": "rover.yaml", "overwrite": True}})["told"]
    assert Profile.load(file).slices["drive"].bottom == 0.1 and not bench.state()["changed"]
    assert file.read_text().count("#") == before.count("#")
    file.write_text(before)  # somebody else
    bench.ask({"set": {"slices.drive.bottom": 0.11}})
    assert "changed by somebody else" in bench.ask({"save": {"name": "rover.yaml"}})["ask"]
    assert "told" in bench.ask({"save": {"name": "new.yaml"}})
    assert bench.state()["file"] == "new.yaml" and bench.draft.steps == (0, 0)
    assert sorted(path.name for path in bench.folder.iterdir()) == ["new.yaml", "rover.yaml"]


def test_a_folder_that_is_gone(bench: Bench, tmp_path: Path) -> None:
    bench.folder = tmp_path / "gone"
    with pytest.raises(OutputError, match="there is no folder"):
        bench.ask({"save": {"name": "new.yaml"}})


def test_frames_that_tell_nothing(tmp_path: Path) -> None:
    points = np.zeros((50, 3), np.float32)
    points[:, 0] = np.linspace(1.0, 3.0, 50)
    np.save(tmp_path / "few.npy", points)
    points[:] = np.nan
    np.save(tmp_path / "none.npy", points)
    (tmp_path / "bad.npy").write_bytes(b"\x93NUMPY")
    source = open_frames([tmp_path / "few.npy", tmp_path / "none.npy", tmp_path / "bad.npy"])
    bench = Bench(source, Draft(copy_profile(tmp_path)), tmp_path)
    for frame in (0, 1):
        bench.ask({"view": {"frame": frame}})
        shown = bench.study()
        assert shown.look.is_studied and len(shown.figures["why"]) > 20
        header, arrays = split(join(*contents(shown, drawn(shown.look.placed.points, 3), 1)))
        assert header["drawn"] == (50, 0)[frame] == len(arrays["points"]) // 3
    with pytest.raises(FlattenError, match=r"bad\.npy"):
        bench.ask({"view": {"frame": 2}})


def test_packed_and_taken_apart(shared: Bench) -> None:
    shared.ask({"view": {"frame": 1, "slice": "low"}})
    shown = shared.study()
    points = shown.look.placed.points
    picture = drawn(points, 4)
    header, arrays = split(join(*contents(shown, picture, 17)))
    scan = shown.look.scans["low"]
    np.testing.assert_array_equal(arrays["ranges"], scan.ranges)
    np.testing.assert_array_equal(arrays["states"], scan.states)
    steps = arrays["points"].reshape(-1, 3) * header["scale"]
    assert np.abs(steps - points).max() <= 0.51 * header["scale"] < 0.003  # half a step, 60 m / 32,000
    assert header["answers"] == 17 and header["picture"] == 4 and header["studied"]
    level = steps @ np.reshape(header["sensor"], (3, 4))[:, :3].T + np.reshape(header["sensor"], (3, 4))[:, 3]
    assert np.abs(level[:, 2] - shown.look.placed.heights).max() < 0.003
    sent = contents(shown, picture, 17)[1]
    shared.ask({"view": {"slice": "walls"}})
    new = fresh(contents(shared.glance(), picture, 18)[1], sent)
    assert {"ranges", "fates"} <= set(new) and not {"points", "leaking"} & set(new)
    assert fresh(sent, sent) == {}


def test_large_clouds_are_thinned_and_far_outliers_left_out() -> None:
    points = np.random.default_rng(1).uniform(-5, 5, (MOST_DRAWN + 7000, 3)).astype(np.float32)
    points[3] = 1e30
    picture = drawn(points, 0)
    assert len(picture.chosen) == len(picture.steps) == MOST_DRAWN and 3 not in picture.chosen
    assert picture.scale < 0.001
    assert len(drawn(points[:0], 0).steps) == 0


def test_heights_over_a_fitted_floor(tmp_path: Path) -> None:
    """With level: floor the page is told the heights that count."""
    profile = copy_profile(tmp_path)
    profile.write_text(profile.read_text().replace("level: gravity", "level: floor"))
    bench = Bench(open_frames([SAMPLES / "pitched.pcd"]), Draft(profile), tmp_path)
    shown = bench.study()
    _, arrays = split(join(*contents(shown, drawn(shown.look.placed.points, 0), 1)))
    floor = shown.fates == Fate.FLOOR
    # 10 mm of noise; far off, where the floor is not known, what lies in its plane counts as floor too
    assert floor.sum() > 1000 and np.quantile(np.abs(arrays["above"][floor]), 0.99) < 0.04
    assert shown.figures["leaks"] < 20


def test_settings_of_the_command_line_are_changes(tmp_path: Path) -> None:
    draft = Draft(copy_profile(tmp_path), {"reach.far": 12})
    assert draft.profile.reach.far == 12.0 and draft.is_changed
    assert "far: 12.0" in draft.new_text()
    with pytest.raises(ProfileError):
        Draft(tmp_path / "none.yaml")
    with pytest.raises(PageError, match=r"^--topic: cloud files have no topics"):
        open_frames([SAMPLES / "yard.pcd", SAMPLES / "aisle.pcd"], topic="/points")


def test_a_recording_is_looked_at_with_its_attitudes(tmp_path: Path) -> None:
    """The same frames by their numbers, in any order; how the body leaned by the trajectory as written."""
    place, drive = tmp_path / "drive.mcap", made.drive()
    frames = list(made.clouds(returns=300))
    write_recording(place, frames, drive, made.MOUNT)
    source = open_frames([place])
    bench = Bench(source, Draft(copy_profile(tmp_path)), tmp_path)
    assert source.count == made.COUNT and bench.state()["frames"] == made.COUNT
    for number in (7, 2, 11):
        bench.ask({"view": {"frame": number}})
        time, cloud = frames[number]
        np.testing.assert_array_equal(bench.shot.cloud.xyz, cloud.xyz)
        # the trajectory goes through the file as quaternions in float64
        assert bench.attitude == pytest.approx(drive.attitude(time), abs=1e-9)
        assert bench.glance().state["attitude"] == "recorded"
    bench.ask({"view": {"roll": 3.0}})
    roll, pitch = bench.attitude or (0.0, 0.0)
    assert roll == pytest.approx(np.radians(3.0)) and pitch == pytest.approx(
        drive.attitude(time)[1], abs=1e-9
    )
    source.close()
    with pytest.raises(PageError, match="by itself"):
        open_frames([place, SAMPLES / "yard.pcd"])


def test_the_cloud_is_that_of_the_file(shared: Bench) -> None:
    shared.ask({"view": {"frame": 0}})
    np.testing.assert_array_equal(shared.shot.cloud.xyz, read_cloud(SAMPLES / "yard.pcd").xyz)
