"""The robots that blind zones are measured on are what they say, and the judge counts right."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmarks import blind, blind_tables, record
from flatten import scene
from flatten.profile import BlindZone, Box


@pytest.mark.parametrize("sensor", ["rosette", "rotating"])
def test_robots_are_as_described(sensor: str) -> None:
    made = [blind.robot(seed, sensor) for seed in range(30)]
    assert {solid.name for one in made for solid in one.solids} >= {
        "deck", "mast", "beam", "lamp", "antenna", "crate", "pod +1", "pod -1",
    }  # fmt: skip
    declared = [one.profile.robot.width / 2 >= one.half_width - 0.01 for one in made]
    assert 0 < sum(declared) < 30  # some declare less than they are wide
    for one in made:
        deck = one.solids[0].mesh.vertices
        assert one.mount.z > deck[:, 2].max() and abs(one.mount.x) < deck[:, 0].max()
        assert abs(one.mount.roll) == pytest.approx(math.pi * (sensor == "rosette"))
        assert 0.005 <= one.effects.range_noise <= 0.02


def test_drives_turn_and_things_come_near() -> None:
    made = blind.robot(3, "rotating")
    shots = list(blind.drive(made, 3, 4))
    places = np.array([shot.world_from_sensor[:2, 3] for shot in shots])
    assert np.linalg.norm(np.diff(places, axis=0), axis=1).min() > 0.2
    turns = [math.atan2(shot.world_from_sensor[1, 0], shot.world_from_sensor[0, 0]) for shot in shots]
    assert len({round(turn, 2) for turn in turns}) == 4
    assert all((shot.labels == scene.OWN_ROBOT).sum() > 100 for shot in shots)
    still = list(blind.drive(made, 3, 2, still=True))
    np.testing.assert_allclose(still[0].world_from_sensor, still[1].world_from_sensor)


def test_the_judge_counts_by_labels(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blind, "JUDGED", 2)
    made = blind.robot(0, "rosette")

    class Found:
        zones = ()

    nothing = blind.judge(made, Found, 7)
    assert nothing["own held"] == nothing["others held"] == 0 and nothing["own"] > 1000 < nothing["others"]
    Found.zones = (BlindZone(name="all", box=Box(x=(-99, 99), y=(-99, 99), z=(-9, 99))),)
    whole = blind.judge(made, Found, 7)
    assert (whole["own held"], whole["others held"]) == (nothing["own"], nothing["others"])


def test_an_arm_is_where_the_frame_has_it() -> None:
    made = blind.robot(1, "rosette", arm=True)
    one, other = made.arm(0), made.arm(3)
    assert one.start == other.start and math.dist(one.end, other.end) > 0.1
    middle = (np.array(one.start) + one.end) / 2
    assert blind.near_bar(np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 0.2]]) + middle, one).tolist() == [
        True,
        False,
    ]


def test_rows_make_a_table(monkeypatch: pytest.MonkeyPatch, tmp_path) -> None:
    row = {
        "own": 1000, "own held": 1000, "others": 10_000, "others held": 0, "arm": 0, "arm held": 0, "seed": 1,
        "moved": True, "zones": 4, "parts": 0, "blocked": 0.2, "most": 0.1,
    }  # fmt: skip
    worse = {**row, "own held": 990, "others held": 20, "zones": 6, "parts": 1}
    told = blind.summary("made", [row, worse, {"seed": 3, "refused": "why"}])
    assert (told["robots"], told["refused"], told["zones"]) == (3, 1, 5.0)
    assert (told["covered"], told["covered worst"], told["covered within"]) == (0.995, 0.99, 0.5)
    assert (told["removed"], told["removed worst"], told["removed within"]) == (0.001, 0.002, 0.5)
    assert told["parts told"] == 0.5
    monkeypatch.setattr(record, "RESULTS", tmp_path)
    record.write("blind", [told])
    assert blind_tables.blind().splitlines()[2].startswith("| made | 3 | 1 | 99.500 / 99.00 | 50 |")
