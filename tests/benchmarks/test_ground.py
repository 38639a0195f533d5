"""The judges of scans of rough ground, by scans that are made up: no figure of the library is asserted."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from benchmarks import ground, ground_tables, record
from flatten import Flattener, State, scene
from flatten.scene import pieces, solids


@pytest.fixture(scope="module")
def seen_by() -> ground.View:
    return ground.view("rosette")


def place(*parts: scene.Piece) -> scene.Outdoors:
    surface = scene.Ground(name="ground", pieces=parts)
    box = solids.Box(name="box", x=3.0, y=0.0, length=0.4, width=2.0, top=0.5)
    things = [scene.stood("box", box, surface)]
    return scene.Outdoors(surface, things, stance=scene.stand(surface, 0.0, 0.0, 0.0))


def test_on_level_ground_nothing_leaks_and_the_box_is_kept(seen_by: ground.View) -> None:
    flat = place()
    shot = ground.still_frame(flat, seen_by, 1)
    scan = Flattener(seen_by.profile).flatten(shot.cloud, attitude=(0.0, 0.0))["drive"]
    told = ground.judge(flat, shot, seen_by, scan)
    assert told["leaks"] == told["terraces"] == told["by_ghost"] == told["unmatched"] == 0
    assert told["wanted"] == told["wanted_kept"] > 100  # 2 m at 2.3 m is 47°: 188 bins
    # a scan that shows nothing keeps nothing
    blind = SimpleNamespace(
        states=np.zeros_like(scan.states), ranges=np.full_like(scan.ranges, np.nan), heights=scan.heights
    )
    told = ground.judge(flat, shot, seen_by, blind)
    assert told["hits"] == told["wanted_kept"] == 0 < told["wanted"]


def test_a_ramp_leaks_and_what_lies_behind_a_kerb_is_told_apart(seen_by: ground.View) -> None:
    for parts, key in (
        ((pieces.ramp(2.0, 0.3, 1.0, 1),), "leaks"),
        ((pieces.step(2.0, 0.1, 1),), "terraces"),
    ):
        rough = place(*parts)
        shot = ground.still_frame(rough, seen_by, 1)
        scan = Flattener(seen_by.profile).flatten(shot.cloud, attitude=(0.0, 0.0))["drive"]
        told = ground.judge(rough, shot, seen_by, scan)
        assert told[key] > 50
        assert told["leaks" if key == "terraces" else "terraces"] == 0


def test_drops_are_judged_by_where_they_are(seen_by: ground.View) -> None:
    surface = scene.Ground(name="ground", pieces=(pieces.step(2.6, -0.5),))
    dock, fan = scene.Outdoors(surface), seen_by.fan
    truth = scene.drops_in_bins(dock, seen_by.mount, fan, stance=scene.Stance(), deeper=0.2)
    there = truth.seen & (truth.farthest <= 3.0)
    assert there.sum() > 300  # 2.13 m from the sensor: acos(2.13 / 3) = 45° to either side

    def said(ranges: np.ndarray) -> dict[str, int]:
        hit = np.isfinite(ranges)
        scan = SimpleNamespace(
            states=np.where(hit, State.HIT, State.UNSEEN), kinds=2 * hit.astype(np.uint8), ranges=ranges
        )
        return ground.judge_drops(dock, seen_by, scene.Stance(), scan)

    at_lip = said(np.where(there, truth.nearest, np.nan))
    assert at_lip["told_3"] == at_lip["edges_3"] == at_lip["said"] == there.sum() and at_lip["false"] == 0
    early = said(np.where(there, truth.nearest - 1.0, np.nan))
    assert early["told_3"] == 0 and early["false"] == early["said"]
    assert said(np.full(fan.bins, np.nan))["told_3"] == 0


def test_walls_are_off_where_the_rover_turns() -> None:
    rows = list(ground.walls(1))
    assert {row["sensor"] for row in rows} == set(ground.SENSORS)
    smeared = [row for row in rows if row["case"] == "no poses"]
    # 6° in a frame: up to 0.5 m at 5 m, seen under a slant more
    assert all(row["p95"] > 0.2 and row["bins"] > 500 for row in smeared)
    assert {row["case"] for row in rows} == (set(ground.CASES) if ground.moves() else {"no poses"})


def test_a_body_at_rest_leaves_walls_where_they_are(seen_by: ground.View) -> None:
    room = ground.room()
    shot, truth, attitude = ground.driven(room, seen_by, scene.Drive((0.3, 0.4, 0.5)), 3)
    scan = Flattener(seen_by.profile).flatten(shot.cloud, attitude=attitude)["drive"]
    off = ground.off_by(scan, truth)
    assert len(off) > 1000
    assert np.percentile(off, 99) < 1e-4  # float32 at 10 m, and beams a hair beside an edge


def test_every_part_becomes_a_table(monkeypatch: pytest.MonkeyPatch, tmp_path) -> None:
    monkeypatch.setattr(record, "RESULTS", tmp_path)
    monkeypatch.setattr(ground, "SETTINGS", {"level": {"max_slope": 0.0, "drops": False}})
    record.write("ground", ground.measure(scenes=2, rooms=1), ground.notes())
    for name, table in ground_tables.TABLES.items():
        rows = [line for line in table().splitlines() if line.startswith("|")]
        if name in ("ground-drops", "rough-drops") and not ground.tells_drops():
            continue
        assert len(rows) >= 4 and all(line.count("|") == rows[0].count("|") for line in rows)


def test_poses_cover_the_frame() -> None:
    if not ground.moves():
        pytest.skip("this version takes no motion")
    motion = ground.motion_of(scene.Drive(turn=1.0), 0.2)["motion"]
    assert motion.since(0.2) > 0.0 and motion.seconds[-1] > motion.since(0.3)
    assert math.isclose(motion.attitude_at(0.25)[0], 0.0, abs_tol=1e-12)
