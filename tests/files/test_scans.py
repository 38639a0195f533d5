"""Scans written and read back: equal arrays, strict JSON, tables that numpy reads, fields that count."""

import csv
import io
import json
import math

import numpy as np
import pytest
import yaml

import flatten
from flatten import CloudError, OutputError, Profile, State
from flatten.files import (
    read_npz,
    scan_formats,
    write_csv,
    write_fields,
    write_json,
    write_npz,
    write_scans,
)
from tests.files import samples
from tests.files.scan_samples import PROFILE, WANTED, by_hand, flattened

SCANS = {"flattened": flattened(), "by hand": {"drive": by_hand()}}


def equal(left, right):
    assert (left is None) == (right is None)
    if left is not None:
        assert left.dtype == right.dtype
        np.testing.assert_array_equal(left, right)


@pytest.mark.parametrize("kind", SCANS)
def test_npz_round_trip_is_equal(tmp_path, kind):
    write_npz(tmp_path / "s.npz", SCANS[kind], PROFILE, source="aisle.pcd", attitude=(0.02, -0.01))
    back, meta = read_npz(tmp_path / "s.npz")
    assert list(back) == list(SCANS[kind])
    for name, scan in SCANS[kind].items():
        for part in WANTED:
            equal(getattr(scan, part), getattr(back[name], part))
        for value in ("name", "first", "step", "bins", "near", "far", "counts"):
            assert getattr(scan, value) == getattr(back[name], value)
    assert Profile.parse(meta["profile"]) == PROFILE
    assert meta["flatten"] == flatten.__version__
    assert meta["source"] == "aisle.pcd" and meta["attitude_rad"] == [0.02, -0.01]


def test_npz_keeps_what_was_not_asked_for_away(tmp_path):
    write_npz(tmp_path / "s.npz", flattened({"ranges"}), PROFILE)
    back, meta = read_npz(tmp_path / "s.npz")
    assert back["drive"].ranges is not None and back["drive"].states is None
    assert meta["attitude_rad"] is None


def test_npz_needs_no_pickle_and_is_the_same_twice(tmp_path):
    for name in ("a.npz", "b.npz"):
        write_npz(tmp_path / name, SCANS["flattened"], PROFILE)
    assert (tmp_path / "a.npz").read_bytes() == (tmp_path / "b.npz").read_bytes()
    with np.load(tmp_path / "a.npz", allow_pickle=False) as archive:
        assert archive["walls/states"].dtype == np.uint8
        assert json.loads(str(archive["meta"]))["slices"]["walls"]["bins"] == 360


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"PK\x03\x04",
        samples.npz(xyz=samples.POINTS),
        samples.npz(meta=np.array("{")),
        samples.npz(meta=np.array("[]")),
        samples.npz(meta=np.array(json.dumps({"layout": 2}))),
        samples.npz(meta=np.array(json.dumps({"layout": 1, "slices": {"a": {}}}))),
        samples.npz(meta=np.array({}, object)),
    ],
)
def test_read_npz_of_something_else(tmp_path, content):
    with pytest.raises(CloudError, match=r"other\.npz: .+: "):
        read_npz(samples.put(tmp_path, "other.npz", content))


def test_read_npz_with_an_array_of_wrong_length(tmp_path):
    write_npz(tmp_path / "s.npz", {"drive": by_hand()}, PROFILE)
    with np.load(tmp_path / "s.npz") as archive:
        parts = {**archive, "drive/hits": np.zeros(4, np.uint32)}
    with pytest.raises(CloudError, match="drive/hits"):
        read_npz(samples.put(tmp_path, "bad.npz", samples.npz(**parts)))


def test_csv_is_one_table_with_comments(tmp_path):
    scans = SCANS["flattened"]
    write_csv(tmp_path / "s.csv", scans, PROFILE, source="aisle\n.pcd")
    lines = (tmp_path / "s.csv").read_text().splitlines()
    comments = [line for line in lines if line.startswith("#")]
    assert f"# flatten: {flatten.__version__}" in comments and any(
        "units: m, rad" in line for line in comments
    )
    start = comments.index("# profile:") + 1
    assert Profile.parse("\n".join(line[4:] for line in comments[start:])) == PROFILE
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert list(rows[0]) == ["slice", "bin", "bearing_rad", "range_m", "state", "height_m", "intensity",
                             "hits", "clear_from_m", "clear_to_m"]  # fmt: skip
    assert [row["slice"] for row in rows] == ["drive"] * 360 + ["walls"] * 360
    scan = scans["walls"]
    for column, part in (("range_m", "ranges"), ("height_m", "heights"), ("clear_to_m", "clear_to")):
        equal(np.array([row[column] for row in rows[360:]]).astype(np.float32), getattr(scan, part))
    assert [State[row["state"]] for row in rows[360:]] == scan.states.tolist()


def test_csv_is_read_by_numpy(tmp_path):
    scan = by_hand()
    write_csv(tmp_path / "s.csv", {"drive": scan}, PROFILE)
    text = [line for line in (tmp_path / "s.csv").read_text().splitlines() if not line.startswith("#")]
    table = np.genfromtxt(text, delimiter=",", names=True, dtype=None, encoding="utf-8")
    equal(table["range_m"].astype(np.float32), scan.ranges)
    equal(table["intensity"].astype(np.float32), scan.intensities)
    equal(table["hits"].astype(np.uint32), scan.hits)
    assert table["state"].tolist() == [state.name for state in map(State, scan.states)]


def test_csv_leaves_out_what_was_not_asked_for(tmp_path):
    write_csv(tmp_path / "s.csv", flattened({"ranges"}), PROFILE)
    head = next(line for line in (tmp_path / "s.csv").read_text().splitlines() if not line.startswith("#"))
    assert head == "slice,bin,bearing_rad,range_m"


@pytest.mark.parametrize("kind", SCANS)
def test_json_is_strict_and_says_what_a_null_means(tmp_path, kind):
    def refuse(word):
        raise AssertionError(f"RFC 8259, section 6: no {word}")

    write_json(tmp_path / "s.json", SCANS[kind], PROFILE, attitude=(0.1, 0.2))
    whole = json.loads((tmp_path / "s.json").read_text(encoding="utf-8"), parse_constant=refuse)
    assert whole["flatten"] == flatten.__version__ and Profile.from_dict(whole["profile"]) == PROFILE
    for name, scan in SCANS[kind].items():
        part = whole["slices"][name]
        assert part["states"] == [State(state).name for state in scan.states]
        spelled = {"UNSEEN": math.nan, "BLOCKED": math.nan, "CLEAR": math.inf, "TOO_NEAR": -math.inf}
        ranges = [spelled.get(s, v) for s, v in zip(part["states"], part["ranges_m"], strict=True)]
        equal(np.array(ranges, np.float32), scan.ranges)
        equal(np.array(part["hits"], np.uint32), scan.hits)
        equal(np.array(part["bearings_rad"], np.float32), scan.bearings)
        assert part["counts"] == scan.counts._asdict() and part["bins"] == scan.bins


@pytest.mark.parametrize("kind", SCANS)
def test_fields_agree_with_what_consumers_count(tmp_path, kind):
    for name, scan in SCANS[kind].items():
        write_fields(tmp_path / f"{name}.yaml", scan, source="aisle.pcd")
        fields = yaml.safe_load((tmp_path / f"{name}.yaml").read_text())
        first, last, step = (np.float32(fields[f"angle_{k}"]) for k in ("min", "max", "increment"))
        assert round(float((last - first) / step)) + 1 == len(fields["ranges"]) == scan.bins
        # REP 138: angles of the first and the last measurement; float32 of a number below 4
        assert abs(float(last) - (float(first) + (scan.bins - 1) * scan.step)) <= 2 * 2.0**-22
        ranges = np.array(fields["ranges"], np.float32)
        equal(ranges, scan.ranges)
        assert not np.any(ranges[np.isfinite(ranges)] > np.float32(fields["range_max"]))
        assert set(fields) == {"angle_min", "angle_max", "angle_increment", "time_increment", "scan_time",
                               "range_min", "range_max", "ranges", "intensities"}  # fmt: skip


def test_fields_without_ranges_are_refused(tmp_path):
    with pytest.raises(OutputError, match="without ranges"):
        write_fields(tmp_path / "s.yaml", flattened({"states"})["drive"])
    assert not list(tmp_path.iterdir())


def test_write_scans_names_its_files(tmp_path):
    assert scan_formats() == ["npz", "csv", "json", "fields"]
    paths = write_scans(tmp_path / "aisle.0001", SCANS["flattened"], PROFILE, scan_formats())
    names = ["aisle.0001." + end for end in ("npz", "csv", "json", "drive.fields.yaml", "walls.fields.yaml")]
    assert [path.name for path in paths] == names
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(names)
    assert write_scans(str(tmp_path / "one"), SCANS["by hand"], PROFILE) == [tmp_path / "one.npz"]


def test_one_writer_and_the_common_entry_write_the_same(tmp_path):
    write_scans(tmp_path / "a", SCANS["flattened"], PROFILE, ["npz", "csv", "json"], source="s")
    for suffix, write in (("npz", write_npz), ("csv", write_csv), ("json", write_json)):
        write(tmp_path / f"b.{suffix}", SCANS["flattened"], PROFILE, source="s")
        assert (tmp_path / f"a.{suffix}").read_bytes() == (tmp_path / f"b.{suffix}").read_bytes()


def test_npz_is_no_cloud(tmp_path):
    write_npz(tmp_path / "s.npz", SCANS["by hand"], PROFILE)
    with pytest.raises(
        CloudError, match=r"no arrays x, y, z, nor xyz, nor points \(arrays: meta, drive/ranges"
    ):
        flatten.read_cloud(tmp_path / "s.npz")
    assert io.BytesIO((tmp_path / "s.npz").read_bytes()).read(2) == b"PK"
