"""What a budget measures, judges and tells; no time is asserted, only what must hold of any times."""

from __future__ import annotations

import json
import math
import time
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import flatten
from flatten import Cloud, Flattener, budget
from flatten.budget import board, measuring, messages, moving, timing, variants, wording
from flatten.budget.variants import Gain
from flatten.cloud import as_cloud
from flatten.scan import FIELDS
from tests.conftest import assert_scans_equal, make_profile

TWO_SLICES = {"drive": {"bottom": 0.08, "top": 1.03}, "walls": {"bottom": 1.2, "top": 1.8, "min_hits": 2}}
ALL = frozenset(FIELDS)


def ring(returns: int = 2000, name: str = "ring") -> Cloud:
    rng = np.random.default_rng(4)
    around, heights = rng.uniform(-np.pi, np.pi, returns), rng.uniform(-0.6, 1.2, returns)
    columns = [5.0 * np.cos(around), 5.0 * np.sin(around), heights, rng.uniform(0, 255, returns)]
    return Cloud.from_array(np.stack(columns, axis=1).astype(np.float32), name)


def rows(times_ms: list[float], late_ms: list[float] | None = None) -> budget.Round:
    """A round of frames that take so many ms of processor time, and so many by the clock."""
    busy, whole = np.array(times_ms) / 1e3, np.array(late_ms or times_ms) / 1e3
    stages = {"cloud": 0.1 * whole, "kernels": 0.8 * whole, "scans": 0.06 * whole, "fields": 0.04 * whole}
    return budget.Round(stages, whole, busy, budget.Memory(100, 120), budget.Memory(110, 130))


def made_up(rest: budget.Round, loaded: budget.Round | None = None, share: float = 0.1) -> budget.Budget:
    rounds = {measuring.REST: rest} | ({measuring.LOADED: loaded} if loaded else {})
    gains = (Gain("half", "half of it", 0.5), Gain("next to all", "a little", 0.99))
    told = {"core_classes": {"Cortex-A76": 4}, "clock_mhz": 2400.0, "vector": ["asimd"], "cores": 4}
    return budget.Budget(
        make_profile(), ALL, (("aisle.pcd", 20_000),), budget.Limits(10.0, share), rounds, gains, False,
        told, {"python": "3.11"},
    )  # fmt: skip


class TestTiming:
    def test_the_timed_flattener_is_the_plain_one(self) -> None:
        profile = make_profile(slices=TWO_SLICES)
        timed = timing.StageFlattener(profile)
        assert_scans_equal(timed.flatten(ring()), Flattener(profile).flatten(ring()))
        # the steps that are timed are still on the way of a frame
        assert timed.spent[timing.SCANS] > 0 < timed.spent[timing.HEALTH]

    def test_stages_that_a_frame_has(self) -> None:
        """By what the profile and the frame ask for; each of them takes some time."""
        always = {timing.CLOUD, timing.KERNELS, timing.SCANS, timing.HEALTH, timing.FIELDS}
        cases: list[tuple[dict[str, Any], bool, set[str]]] = [
            ({}, False, set()),
            ({}, True, {timing.MOTION}),
            ({"window": {"frames": 3}}, False, {timing.MOTION, timing.WINDOW}),
            ({"level": "floor"}, False, {timing.FLOOR}),
            ({"level": "floor"}, True, {timing.FLOOR, timing.MOTION}),
            ({"window": {"seconds": 0.3}}, True, {timing.MOTION, timing.WINDOW}),
        ]
        for sections, moved, more in cases:
            flattener = timing.StageFlattener(make_profile(**sections), moving=moved)
            feed = variants.feed_of([ring()], None, moving=flattener.moving)
            found = timing.time_frames(flattener, feed, 3)
            assert set(found.stages) == always | more
            assert all((times > 0.0).all() for times in found.stages.values())

    def test_a_window_is_full_when_the_timing_begins_and_stays_so(self) -> None:
        for window, frames in (({"frames": 5}, 5), ({"seconds": 0.35}, 4)):
            flattener = timing.StageFlattener(make_profile(window=window))
            feed = variants.feed_of([ring(), ring(500)], None, moving=True)
            gathered, full = flattener.window, list[int]()
            assert gathered is not None
            for settling in (None, 1):  # a second round goes on where the first one ended
                look = partial(lambda seen, by: seen.append(by.frames), full, gathered)
                timing.time_frames(flattener, feed, 4, look, settling=settling)
            assert full == [frames] * 8 and not gathered.forgotten

    @pytest.mark.parametrize("coded", [True, False])
    def test_stages_are_positive_and_make_up_no_more_than_the_time_that_passed(self, coded: bool) -> None:
        wire = messages.find_wire() if coded else None
        flattener, seen = timing.StageFlattener(make_profile(slices=TWO_SLICES)), []
        feed = variants.feed_of([ring(), ring(500)], wire)
        begin = time.perf_counter()
        found = timing.time_frames(flattener, feed, 20, lambda: seen.append(1))
        passed = time.perf_counter() - begin
        assert len(seen) == found.frames == 20
        absent = {timing.MOTION, timing.WINDOW, timing.FLOOR}
        absent |= set() if coded else {timing.DECODE, timing.ENCODE}
        assert list(found.stages) == [stage for stage in timing.STAGES if stage not in absent]
        assert all((times > 0.0).all() for times in found.stages.values())
        np.testing.assert_allclose(sum(found.stages.values()), found.whole, rtol=1e-12)
        assert 0.0 < found.whole.sum() <= passed and 0.0 < found.busy.sum() <= passed

    def test_spread_of_a_hundred_known_times(self) -> None:
        """Linear interpolation between order statistics: at p of n values, rank 1 + p·(n − 1)."""
        spread = budget.Spread.of(np.arange(1.0, 101.0))
        assert spread.median == 50.5 and spread.worst == 100.0 and spread.mean == 50.5
        assert spread.p95 == pytest.approx(95.05, rel=1e-12) and spread.p99 == pytest.approx(99.01, rel=1e-12)


class TestMessages:
    @pytest.mark.parametrize("shape", [(12,), (3, 4)])
    @pytest.mark.parametrize("heard", [True, False])
    def test_a_cloud_comes_through_as_a_message_and_over_the_wire(
        self, shape: tuple[int, ...], heard: bool
    ) -> None:
        x, y, z, i = np.random.default_rng(1).normal(size=(4, *shape)).astype(np.float32)
        cloud = Cloud(x, y, z, i if heard else None)
        wire = messages.find_wire()
        assert wire is not None
        plain = messages.message_of(cloud)
        for message in (plain, wire.decode_cloud(wire.encode_cloud(plain))):
            seen = as_cloud(message)
            for part in ("x", "y", "z"):
                np.testing.assert_array_equal(getattr(seen, part), getattr(cloud, part))
            assert (seen.intensity is not None) == heard
            if heard:
                np.testing.assert_array_equal(seen.intensity, i)

    def test_scans_come_over_the_wire(self) -> None:
        wire = messages.find_wire()
        assert wire is not None
        fields = Flattener(make_profile()).flatten(ring())["drive"].message_fields(scan_time=0.1)
        read = wire.decode_scan(wire.encode_scan(fields))
        for name, value in fields.items():
            np.testing.assert_array_equal(getattr(read, name), np.asarray(value, np.float32))

    def test_without_the_coder_plain_messages_are_measured(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setitem(__import__("sys").modules, "rosbags.typesys", None)
        assert messages.find_wire() is None
        found = budget.measure(make_profile(), [ring()], frames=3)
        assert not found.wire and "message in" not in found.rounds[measuring.REST].stages
        assert any(line.startswith("Not counted: decoding") for line in budget.words(found))


class TestMoving:
    def test_times_are_those_of_the_cloud_brought_to_a_frame(self) -> None:
        x = np.arange(6.0).reshape(2, 3)
        own = np.array([[5, 7, 9], [5, 6, 25]], np.int64) * 10**9
        time_ = moving.timed(Cloud(x, x, x, time=own), 0.1).time
        assert time_ is not None and time_.dtype == np.float32
        np.testing.assert_allclose(time_, (own / 1e9 - 5.0) / 200.0, atol=1e-8)
        plain = moving.timed(Cloud(x, x, x), 0.1).time
        np.testing.assert_allclose(plain, np.linspace(0.0, 0.1, 6).reshape(2, 3), atol=1e-8)
        for lone in (np.zeros((0, 3)), np.ones((1, 3))):
            found = moving.timed(Cloud.from_array(lone), 0.1).time
            assert found is not None and (found == 0.0).all() and len(found) == len(lone)
        odd = np.array([1.0, np.nan, 3.0])
        assert np.isfinite(moving.timed(Cloud(odd, odd, odd, time=odd), 0.1).time).all()

    @pytest.mark.parametrize("start", [0.0, 0.3, 1000.0])
    def test_poses_are_a_drive_that_leans(self, start: float) -> None:
        times, poses = moving.poses_about(start, 0.1, (0.02, -0.03))
        assert times[0] < start and times[-1] > start + 0.1 and np.allclose(np.diff(times), 0.01)
        motion = moving.motion_of(start, times, poses)
        # roll and pitch of REP 103, which a turn about the vertical leaves as they are
        assert motion.attitude_at(start + 0.055) == pytest.approx((0.02, -0.03), abs=1e-9)
        way = np.linalg.norm(np.diff(poses[:, :3], axis=0), axis=1)
        np.testing.assert_allclose(way, moving.SPEED / moving.RATE, rtol=1e-3)  # chords of an arc of 0.6°
        np.testing.assert_allclose(motion.angles, moving.TURN / moving.RATE, rtol=1e-9)


class TestVerdict:
    @pytest.mark.parametrize(
        ("busy", "late", "expected"),
        [
            ([5.0] * 100, None, budget.ROOM),
            ([10.0] * 100, None, budget.ROOM),  # to the last microsecond
            ([5.0] * 90 + [12.0] * 10, None, budget.BARELY),
            ([5.0] * 100, [5.0] * 90 + [120.0] * 10, budget.BARELY),  # cheap, but a tenth comes late
            ([10.1] * 100, None, budget.NOT),
            ([5.0] * 100, [101.0] * 100, budget.NOT),  # cheap, but each is late
            ([1.0] * 99 + [2000.0], None, budget.NOT),  # the mean counts: 20.99 ms
        ],
    )
    def test_ten_milliseconds_of_a_hundred(
        self, busy: list[float], late: list[float] | None, expected: str
    ) -> None:
        assert budget.judge(rows(busy, late), budget.Limits(rate=10.0, share=0.1)) == expected

    def test_share_is_time_by_rate(self) -> None:
        assert budget.share_of(0.004, budget.Limits(rate=20.0, share=0.1)) == pytest.approx(0.08)
        assert budget.Limits(20.0, 0.1).cost == pytest.approx(0.005)

    @pytest.mark.parametrize("bad", [(0.0, 0.1), (-1.0, 0.1), (math.nan, 0.1), (math.inf, 0.1)])
    def test_rates_that_make_no_sense(self, bad: tuple[float, float]) -> None:
        with pytest.raises(flatten.FlattenError, match=r"rate .*: wanted frames a second"):
            budget.Limits(*bad)

    @pytest.mark.parametrize("share", [0.0, -0.1, 1.01, math.nan])
    def test_shares_that_make_no_sense(self, share: float) -> None:
        with pytest.raises(flatten.FlattenError, match=r"share .*: wanted a share of one core"):
            budget.Limits(10.0, share)


class TestVariants:
    def test_each_changes_one_thing_and_the_last_all(self) -> None:
        profile = make_profile(slices=TWO_SLICES, fan={"bins": 721})
        found = {way.name: way for way in budget.variants_of(profile, ALL)}
        assert list(found) == [
            "slice 'drive' alone", "fan of 360 bins", "clear: off", "every second return", "ranges alone",
            "all of these together",
        ]  # fmt: skip
        last = found["all of these together"]
        assert list(last.profile.slices) == ["drive"] and last.profile.fan.bins == 360
        assert last.profile.clear is None and last.fields == {"ranges"} and last.thin == 2
        for way in list(found.values())[:-1]:
            changed = [
                len(way.profile.slices) != 2, way.profile.fan.bins != 721, way.profile.clear is None,
                way.thin != 1, way.fields != ALL,
            ]  # fmt: skip
            assert sum(changed) == 1

    def test_what_a_stream_asks_for_can_be_left_out(self) -> None:
        slices = {"drive": {**TWO_SLICES["drive"], "drops": True}}
        sections: dict[str, Any] = {"level": "floor", "window": {"frames": 3}, "clear": False}
        profile = make_profile(slices=slices, fan={"bins": 1}, **sections)
        found = {way.name: way for way in budget.variants_of(profile, frozenset({"ranges"}))}
        assert list(found) == [
            "window: off", "level: gravity", "no motion", "every second return", "all of these together",
        ]  # fmt: skip
        assert found["level: gravity"].gives_up == "the fitted floor, drops"
        assert [way.moving for way in found.values()] == [True, True, False, True, False]
        assert [way.profile.window is None for way in found.values()] == [True, False, True, False, True]
        levels = [way.profile.level for way in found.values()]
        assert levels == ["floor", "gravity", "floor", "floor", "gravity"]
        still = budget.variants_of(make_profile(), ALL)
        assert not any(way.moving for way in still)
        moved = budget.variants_of(make_profile(), ALL, moving=True)
        assert {way.name for way in moved} - {way.name for way in still} == {"no motion"}

    def test_what_is_lean_already_is_not_offered(self) -> None:
        ways = budget.variants_of(make_profile(fan={"bins": 1}, clear="off"), frozenset({"ranges"}))
        assert [way.name for way in ways] == ["every second return", "all of these together"]

    def test_thinning_takes_every_second_return(self) -> None:
        cloud = ring(11)
        thin = variants.thinned(cloud, 2)
        np.testing.assert_array_equal(thin.xyz, cloud.xyz[::2])
        assert cloud.intensity is not None
        np.testing.assert_array_equal(thin.intensity, cloud.intensity[::2])
        x = np.arange(12.0).reshape(3, 4)
        np.testing.assert_array_equal(variants.thinned(Cloud(x, x, x), 2).x, x[:, ::2])


class TestMachine:
    def test_core_classes_of_a_board_with_two_kinds(self) -> None:
        """Part numbers as in the cores' reference manuals, from memory; form of the file: kernel sources."""
        core = "processor\t: {}\nFeatures\t: fp asimd aes\nCPU implementer\t: 0x41\nCPU part\t: {}\n\n"
        text = "".join(core.format(k, "0xd05" if k < 4 else "0xd0b") for k in range(8))
        assert board.core_classes(text) == {"Cortex-A55": 4, "Cortex-A76": 4}
        assert board.features_of(text) == {"fp", "asimd", "aes"}

    def test_cores_that_nobody_listed_are_told_by_number(self) -> None:
        assert board.core_classes("CPU implementer: 0x41\nCPU part: 0xfff\n") == {"ARM part 0xfff": 1}
        assert board.core_classes("CPU implementer: 0x51\nCPU part: 0xd0b\n") == {"ARM part 0xd0b": 1}
        assert board.core_classes("") == {}

    @pytest.mark.parametrize(
        ("flags", "level"),
        [
            ("lm sse2", "x86-64"),
            ("lm cx16 lahf_lm popcnt sse4_1 sse4_2 ssse3", "x86-64-v2"),
            ("lm cx16 lahf_lm popcnt sse4_1 sse4_2 ssse3 avx512f", "x86-64-v2"),  # no level is left out
        ],
    )
    def test_levels_of_x86(self, flags: str, level: str) -> None:
        assert board.core_classes(f"processor: 0\nflags: {flags}\nprocessor: 1\n") == {level: 2}

    def test_this_machine_names_cores_and_no_brand(self) -> None:
        told = budget.machine()
        text = board.CPUINFO.read_text()
        assert sum(told["core_classes"].values()) == text.count("processor\t:")
        for key, value in board._pairs(text):
            if key in ("model name", "vendor_id", "Hardware", "Model"):
                assert value not in json.dumps(told)

    def test_memory_grows_with_what_is_touched(self) -> None:
        before = budget.memory()
        block = np.ones(8_000_000)  # 64 MB
        after = budget.memory()
        assert after.peak >= after.resident >= before.resident + 0.9 * block.nbytes

    def test_without_status_file_the_peak_is_still_known(
        self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
    ) -> None:
        monkeypatch.setattr(board, "STATUS", tmp_path / "none")
        assert budget.memory().resident == 0 and budget.memory().peak > 20e6


@pytest.fixture(scope="module")
def found() -> budget.Budget:
    heard: list[str] = []
    profile = make_profile(slices=TWO_SLICES)
    made = budget.measure(profile, [ring(), ring(20_000)], frames=40, loaded=True, step=heard.append)
    assert len(heard) == budget.steps(profile, 40, loaded=True)
    return made


class TestMeasuring:
    def test_both_rounds_and_all_ways_are_there(self, found: budget.Budget) -> None:
        assert list(found.rounds) == [measuring.REST, measuring.LOADED]
        assert found.rounds[measuring.REST].cores_taken == 0.0 < found.rounds[measuring.LOADED].cores_taken
        assert [gain.name for gain in found.gains] == [
            way.name for way in budget.variants_of(found.profile, found.fields)
        ]
        assert all(gain.times > 0.0 for gain in found.gains)
        assert found.wire and found.clouds == (("ring", 2000), ("ring", 20_000))
        assert sum(share for _, share in found.dominating()) == pytest.approx(1.0)

    def test_the_json_says_it_all_and_reads_again(self, found: budget.Budget, tmp_path: Path) -> None:
        budget.write_json(tmp_path / "b.json", budget.to_dict(found))
        told = json.loads((tmp_path / "b.json").read_text())
        assert flatten.Profile.from_dict(told["profile"]) == found.profile
        assert told["versions"]["numba"] and told["machine"]["core_classes"] and told["caution"]
        for name, one in found.rounds.items():
            kept = told["rounds"][name]
            assert kept["frames"] == len(kept["each_frame_seconds"]) == 40
            assert kept["seconds"]["worst"] == float(one.whole.max())
            assert kept["share_of_a_core"] == pytest.approx(10.0 * one.busy.mean())
            assert set(kept["stages_seconds"]) == set(one.stages) >= {timing.KERNELS, timing.HEALTH}
        with pytest.raises(flatten.OutputError, match="is there already"):
            budget.write_json(tmp_path / "b.json", {})

    @pytest.mark.parametrize(
        ("wrong", "words"),
        [
            ({"clouds": []}, "no cloud with a return"),
            ({"clouds": [Cloud.from_array(np.empty((0, 3)))]}, "no cloud with a return"),
            ({"frames": 0}, "frames 0: wanted at least 1"),
            ({"fields": {"hits"}}, "wanted 'ranges'"),
            ({"fields": {"ranges", "colour"}}, "wanted 'ranges'"),
            ({"fields": ()}, r"\(none\)"),
        ],
    )
    def test_what_makes_no_sense_is_told(self, wrong: dict[str, Any], words: str) -> None:
        with pytest.raises(flatten.FlattenError, match=words):
            budget.measure(make_profile(), **{"clouds": [ring(10)], **wrong})


class TestWords:
    def test_what_decides_is_the_last_round(self) -> None:
        found = made_up(rows([5.0] * 1000), rows([11.0] * 1000))
        assert found.verdict == budget.NOT
        text = " ".join(budget.words(found))
        assert (
            "DOES NOT FIT (every core busy): 11 % of one core at 10 frames a second, allowed are 10 %" in text
        )
        assert "board: 4 × Cortex-A76 to 2,400 MHz with asimd, 4 to use" in text
        assert "what takes the time: kernels 80 %, cloud 10 %, scans 6.0 %" in text

    def test_the_stage_that_takes_the_most_is_named_unless_there_is_room(self) -> None:
        for stage in timing.STAGES:
            slow, quick = rows([12.0] * 50), rows([1.0] * 50)
            for one in (slow, quick):
                one.stages.clear()
                one.stages.update({"cloud": 0.4 * one.whole, stage: 0.6 * one.whole})
            assert f"Most of it: {stage}, " in wording.verdict_words(made_up(slow))
            assert "Most of it" not in wording.verdict_words(made_up(quick))
            assert any(line.startswith(f"  {stage}: ") for line in budget.words(made_up(slow)))

    def test_what_would_change_the_verdict_is_marked(self) -> None:
        lines = budget.words(made_up(rows([12.0] * 50)))
        half, little = (
            next(line for line in lines if line.startswith(f"  {name}")) for name in ("half", "next")
        )
        assert "would fit" in half and "6.0 %" in half and "would" not in little
        assert "Only 50 frames: the last columns are what happened to be met." in lines
        assert any("see --loaded" in line for line in lines)
        fitting = budget.words(made_up(rows([5.0] * 1000)))
        assert not any("would" in line or "Only" in line for line in fitting)

    @pytest.mark.parametrize(
        ("seconds", "expected"), [(85e-6, "0.085"), (0.0128, "12.80"), (0.24031, "240.3"), (2.0, "2000.0")]
    )
    def test_milliseconds(self, seconds: float, expected: str) -> None:
        assert wording.milliseconds(seconds) == expected

    def test_lines_fit_a_terminal(self) -> None:
        found = made_up(rows([5.0, 12.0] * 500), rows([11.0, 300.0] * 500))
        assert max(map(len, budget.words(found))) <= 92
