"""The library against a slow twin in NumPy, float64 and brute force, on the sample clouds.

The twin (tests/twin.py) is written from the rules: what every bin must say, by comparing every
return with every gate. States, numbers of returns, ranges, heights and witnessed stretches must be
the same in every bin, save where a return lies within 4 units in the last place of float32 of a
gate: those bins are counted and reported, and a bin edge touches five bins for one such return.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import yaml

from flatten.files import read_cloud
from flatten.profile import Profile
from tests.outside.against_twin import claimed_and_seen, compare

FOLDER = Path(__file__).resolve().parents[2] / "sample_clouds"
CLOUDS = sorted(FOLDER.glob("*.pcd"))
SHORT_CLEAR = {"clear.from": 2.5, "clear.to": 4.5}
"""Thinned clouds witness little all the way from 1.5 m to 8 m; so asked, some bins are CLEAR."""


def each_cloud():
    return pytest.mark.parametrize("path", CLOUDS, ids=lambda path: path.stem)


def listed(path: Path) -> tuple[str, tuple[float, float] | None]:
    """Profile file and attitude (rad) of a sample cloud; None for a level body."""
    entries = yaml.safe_load((FOLDER / "clouds.yaml").read_text(encoding="utf-8"))
    (entry,) = [entry for entry in entries if entry["file"] == path.name]
    roll, pitch = (math.radians(entry["attitude"][key]) for key in ("roll", "pitch"))
    return entry["profile"], (roll, pitch) if roll or pitch else None


def profile_of(path: Path, **settings: object) -> Profile:
    return Profile.load(FOLDER / listed(path)[0], settings)


def float32(path: Path, thin: int = 1) -> np.ndarray:
    return read_cloud(path).xyz.astype(np.float32)[::thin]


def test_there_are_sample_clouds():
    assert len(CLOUDS) >= 10


@each_cloud()
def test_whole_clouds_answer_as_the_twin_does(path, record_property):
    """All returns of a frame, every slice; CLEAR switched off, as the twin's beams are slow."""
    told = compare(float32(path), profile_of(path, clear="off"), listed(path)[1])
    record_property("compared", str(told._asdict()))  # plain: it goes from process to process
    print(f"{path.stem}: {told}")
    # as found: 4.5 to 8.5 % of the bins are beside a return within 4 units of a gate, most of them a bin edge
    assert told.unsure <= 0.10 * told.bins and told.hits > 500
    assert told.differing <= 2  # both compute in float64: of the unsure ones hardly any differs indeed


@each_cloud()
def test_thinned_clouds_witness_as_the_twin_does(path, record_property):
    """Every fourth return, with witnessed stretches and CLEAR."""
    xyz, (_, attitude) = float32(path, 4), listed(path)
    profile = profile_of(path, **SHORT_CLEAR)
    if attitude is not None:
        claimed, seen = claimed_and_seen(xyz, profile, attitude)
        assert claimed == seen and claimed > 10_000
        return
    told = compare(xyz, profile)
    record_property("compared", str(told._asdict()))  # plain: it goes from process to process
    print(f"{path.stem}: {told}")
    assert told.unsure <= 0.04 * told.bins and told.hits > 200 and told.clear > 0


LEANS = [(0.0, 0.0), (0.05, -0.1), (-0.2, 0.15), (0.0, 0.3)]


@pytest.mark.parametrize("attitude", LEANS)
@pytest.mark.parametrize("path", CLOUDS[::4], ids=lambda path: path.stem)
def test_a_leaning_body_witnesses_no_more_than_the_twin_sees(path, attitude):
    """The same returns under other attitudes: what they are taken for is nonsense, the geometry is not."""
    xyz, profile = float32(path, 9), profile_of(path, **SHORT_CLEAR)
    claimed, seen = claimed_and_seen(xyz, profile, attitude)
    assert claimed == seen and claimed > 1000
    told = compare(xyz, profile_of(path, clear="off"), attitude)
    assert told.unsure <= 0.03 * told.bins


@pytest.mark.parametrize("path", CLOUDS[::3], ids=lambda path: path.stem)
@pytest.mark.parametrize(
    "first, last, bins", [(-180, 180, 360), (90, 270, 500), (-30, 35, 77), (-350, 10, 1441), (170, 190, 3)]
)
def test_other_fans_answer_as_the_twin_does(path, first, last, bins):
    fan = {"fan.first": first, "fan.last": last, "fan.bins": bins}
    slices = {"slices.drive.min_hits": 3, "slices.low.pick": "farthest", "level": "body"}
    told = compare(float32(path, 2), profile_of(path, clear="off", **fan, **slices), (0.1, 0.1))
    assert told.unsure <= 0.25 * told.bins  # few and wide bins: a larger share is beside a return on an edge
