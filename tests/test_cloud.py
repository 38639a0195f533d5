"""Clouds are looked at where they lie: message layouts, arrays, and what contradicts itself."""

import array
import copy
import dataclasses
import pickle
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rosbags.typesys import Stores, get_typestore

from flatten import Cloud, CloudError, Flattener
from flatten.cloud import POINT_FIELD_TYPES, as_cloud, cloud_from_columns
from tests.conftest import assert_scans_equal

STORE = get_typestore(Stores.LATEST)
MESSAGE = STORE.types["sensor_msgs/msg/PointCloud2"]
FIELD = STORE.types["sensor_msgs/msg/PointField"]
HEADER = STORE.types["std_msgs/msg/Header"]
TIME = STORE.types["builtin_interfaces/msg/Time"]
BOUNDS = getattr(np.lib, "array_utils", np).byte_bounds  # moved in numpy 2
CODES = {kind: code for code, kind in POINT_FIELD_TYPES.items()}
XYZ = np.array([[1.5, -2.25, 0.5], [3, 4, -0.5], [-7.75, 0, 2], [0.25, 9.5, 1], [np.nan, 1, 1], [6, 5, 4]])

# (name, type, offset): aligned, packed unaligned, padded, double, integers, foreign fields between
LAYOUTS = {
    "plain": ([("x", "f4", 0), ("y", "f4", 4), ("z", "f4", 8)], 12),
    "padded": ([("x", "f4", 0), ("y", "f4", 4), ("z", "f4", 8), ("intensity", "f4", 16)], 32),
    "unaligned": ([("ring", "u1", 0), ("x", "f4", 1), ("y", "f4", 5), ("z", "f4", 9), ("t", "u4", 13)], 17),
    "double": ([("x", "f8", 0), ("y", "f8", 8), ("z", "f8", 16), ("timestamp", "f8", 24)], 33),
    "backward": ([("z", "f4", 20), ("y", "f4", 11), ("x", "f4", 2), ("reflectivity", "u2", 0)], 24),
    "capitals": ([("X", "f4", 0), ("Y", "f4", 4), ("Z", "f4", 8), ("Intensity", "u1", 12)], 13),
}


def message(layout, *, big=False, rows=1, row_padding=0, dense=False, wrap=np.asarray):
    """A standard point-cloud message of the six returns above in one of the layouts."""
    fields, step = LAYOUTS[layout]
    order = ">" if big else "<"
    dtype = np.dtype({
        "names": [name for name, _, _ in fields],
        "formats": [order + kind for _, kind, _ in fields],
        "offsets": [offset for _, _, offset in fields],
        "itemsize": step,
    })  # fmt: skip
    table = np.zeros(len(XYZ), dtype)
    for name, _, _ in fields:
        axis = "xyz".find(name.lower())
        table[name] = XYZ[:, axis] if axis >= 0 else np.arange(len(XYZ)) * 3
    columns = len(XYZ) // rows
    lines = table.view(np.uint8).reshape(rows, columns * step)
    data = np.pad(lines, ((0, 0), (0, row_padding)), constant_values=0xAA).reshape(-1)
    return MESSAGE(
        header=HEADER(stamp=TIME(sec=7, nanosec=5), frame_id="lidar"),
        height=rows,
        width=columns,
        fields=[
            FIELD(name=name, offset=offset, datatype=CODES[kind], count=1) for name, kind, offset in fields
        ],
        is_bigendian=big,
        point_step=step,
        row_step=columns * step + row_padding,
        data=wrap(data),
        is_dense=dense,
    )


def check(cloud, layout, rows=1):
    shape = (len(XYZ),) if rows == 1 else (rows, len(XYZ) // rows)
    for axis, part in enumerate((cloud.x, cloud.y, cloud.z)):
        np.testing.assert_array_equal(part, XYZ[:, axis].reshape(shape))  # exact: binary fractions
    names = [name.lower() for name, _, _ in LAYOUTS[layout][0]]
    others = np.arange(len(XYZ)).reshape(shape) * 3
    for part, known in ((cloud.intensity, {"intensity", "reflectivity"}), (cloud.time, {"t", "timestamp"})):
        assert (part is not None) == bool(known & set(names))
        if part is not None:
            np.testing.assert_array_equal(part, others)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("big", [False, True])
@pytest.mark.parametrize(("rows", "row_padding"), [(1, 0), (1, 5), (2, 0), (3, 7), (6, 1)])
def test_layouts_are_views(layout, big, rows, row_padding):
    made = message(layout, big=big, rows=rows, row_padding=row_padding)
    cloud = Cloud.from_message(made)
    check(cloud, layout, rows)
    for part in (cloud.x, cloud.y, cloud.z):
        assert np.shares_memory(part, made.data)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("big", [False, True])
def test_after_the_wire(layout, big):
    made = message(layout, big=big, rows=2, row_padding=3)
    wire = bytes(STORE.serialize_cdr(made, MESSAGE.__msgtype__))
    heard = STORE.deserialize_cdr(wire, MESSAGE.__msgtype__)
    cloud = as_cloud(heard)
    check(cloud, layout, 2)
    assert np.shares_memory(cloud.x, heard.data)


def test_size_on_the_wire():
    """Two returns of three float32 in frame "laser": 137 bytes (XTypes alignment, computed)."""
    made = message("plain")
    made.header.frame_id, made.width, made.row_step, made.data = "laser", 2, 24, made.data[:24]
    wire = bytes(STORE.serialize_cdr(made, MESSAGE.__msgtype__))
    assert len(wire) == 137
    np.testing.assert_array_equal(as_cloud(STORE.deserialize_cdr(wire, MESSAGE.__msgtype__)).xyz, XYZ[:2])


def read_only(data):
    data.flags.writeable = False
    return data


WRAPS = {
    "bytes": bytes,
    "bytearray": bytearray,
    "memoryview": lambda data: memoryview(bytes(data)),
    "array": lambda data: array.array("B", bytes(data)),
    "read-only": read_only,
    "signed": lambda data: data.view(np.int8),
    "list": list,
}


@pytest.mark.parametrize("wrap", WRAPS)
def test_kinds_of_data(wrap):
    made = message("unaligned", rows=2, row_padding=2, wrap=WRAPS[wrap])
    cloud = Cloud.from_message(made)
    check(cloud, "unaligned", 2)
    if wrap != "list":  # a list of numbers is no buffer that could be looked at
        assert np.shares_memory(cloud.x, np.frombuffer(made.data, np.uint8))


def test_density_makes_no_difference():
    for dense in (True, False):
        check(Cloud.from_message(message("plain", dense=dense)), "plain")


def test_empty_frames():
    made = message("plain")
    made.width, made.row_step = 0, 0
    for data in (np.empty(0, np.uint8), b"", bytearray(), []):
        made.data = data
        assert len(Cloud.from_message(made)) == 0
    made.fields, made.point_step = [], 0  # as a driver sends that heard nothing
    assert len(Cloud.from_message(made)) == 0
    assert len(as_cloud(np.empty((0, 3), np.float32))) == len(as_cloud([])) == 0


WRONG = {
    "short data": ({"data": np.zeros(71, np.uint8)}, "need 72 bytes of data, there are 71"),
    "no data": ({"data": b""}, "there are 0"),
    "row step": ({"height": 2, "row_step": 71}, "row_step 71 is less"),
    "minus": ({"width": -1}, "must not be negative"),
    "minus step": ({"point_step": -12}, "point"),
    "no step": ({"point_step": 0}, "does not fit point_step 0"),
    "many": ({"width": 2**40}, "bytes of data"),
    "not a number": ({"width": float("nan")}, "not laid out"),
    "endless": ({"height": float("inf")}, "not laid out"),
    "words": ({"data": "returns"}, "not laid out"),
    "nothing": ({"data": None}, "not laid out"),
    "no fields": ({"fields": []}, "no field x, y, z"),
    "code": ({"fields": [FIELD(name="x", offset=0, datatype=9, count=1)]}, "datatype 9"),
    "offset": ({"fields": [FIELD(name="x", offset=9, datatype=7, count=1)]}, "does not fit point_step 12"),
    "no z": ({"fields": [FIELD(name=n, offset=0, datatype=7, count=1) for n in "xy"]}, "no field z"),
}


@pytest.mark.parametrize("case", WRONG)
def test_messages_that_contradict_themselves(case):
    changes, says = WRONG[case]
    made = SimpleNamespace(**{**vars(message("plain")), **changes})
    with pytest.raises(CloudError, match=says):
        Cloud.from_message(made, name="frame")
    with pytest.raises(CloudError):
        as_cloud(made)


@given(
    numbers=st.fixed_dictionaries(
        {key: st.integers(-2, 300) for key in ("width", "height", "point_step", "row_step")}
    ),
    offsets=st.lists(st.integers(-2, 40), min_size=3, max_size=3),
    kinds=st.lists(st.integers(0, 9), min_size=3, max_size=3),
    data=st.binary(max_size=400),
    big=st.booleans(),
)
@settings(max_examples=200, deadline=None)
def test_any_numbers_give_a_cloud_inside_its_data_or_an_error(numbers, offsets, kinds, data, big):
    fields = [
        FIELD(name=name, offset=offset, datatype=kind, count=1)
        for name, offset, kind in zip("xyz", offsets, kinds, strict=True)
    ]
    made = SimpleNamespace(fields=fields, is_bigendian=big, data=data, is_dense=True, **numbers)
    try:
        cloud = Cloud.from_message(made)
    except CloudError:
        return
    low, high = BOUNDS(np.frombuffer(data, np.uint8))
    for part in (cloud.x, cloud.y, cloud.z):
        assert part.size == numbers["width"] * numbers["height"]
        if part.size:
            first, last = BOUNDS(part)
            assert low <= first and last <= high


def test_arrays_are_views():
    table = np.arange(24.0).reshape(6, 4)
    cloud = as_cloud(table)
    assert np.shares_memory(cloud.x, table) and np.shares_memory(cloud.intensity, table)
    np.testing.assert_array_equal(cloud.xyz, table[:, :3])
    assert as_cloud(table[:, :3]).intensity is None and as_cloud(cloud) is cloud
    records = np.zeros(5, [("x", ">f8"), ("y", "f4"), ("z", "f4", 2), ("Intensity", "u1"), ("t", "u8")])
    seen = as_cloud(records)
    assert np.shares_memory(seen.z, records) and seen.z.shape == (5,)
    assert seen.intensity.dtype == np.uint8 and seen.time.dtype == np.uint64


def test_small_letters_count_before_capitals():
    records = np.zeros(2, [("X", "i4"), ("Y", "i4"), ("Z", "i4"), ("x", "f8"), ("y", "f8"), ("z", "f8")])
    records["x"] = 1.5
    np.testing.assert_array_equal(as_cloud(records).x, [1.5, 1.5])


@pytest.mark.parametrize(
    "source",
    [
        np.zeros(3),
        np.zeros((3, 2)),
        np.zeros((2, 2, 3)),
        np.zeros((3, 3), complex),
        np.zeros((3, 3), bool),
        np.zeros((3, 3), object),
        np.array([["a", "b", "c"]]),
        np.zeros(3, [("x", "f4"), ("y", "f4")]),
        np.zeros(3, [("x", "f4"), ("y", "f4"), ("z", "S3")]),
        [[1, 2, 3]],
        "aisle.pcd",
        None,
        7,
    ],
)
def test_what_is_no_cloud(source):
    with pytest.raises(CloudError):
        as_cloud(source)


@pytest.mark.parametrize("part", [np.zeros(2), np.zeros((3, 1)), [1, 2, 3]])
def test_parts_must_agree(part):
    good = np.zeros(3)
    with pytest.raises(CloudError):
        Cloud(good, good, part)
    for name in ("intensity", "time"):
        with pytest.raises(CloudError, match="shape of x"):
            Cloud(good, good, good, **{name: part})


def test_columns_by_name():
    columns = {"Z": np.ones(2), "x": np.zeros(2), "Y": [5.0, 6.0], "Remission": np.array([1, 2])}
    cloud = cloud_from_columns(columns, "aisle")
    np.testing.assert_array_equal(cloud.xyz, [[0, 5, 1], [0, 6, 1]])
    assert cloud.intensity.tolist() == [1, 2] and cloud.name == "aisle"
    with pytest.raises(CloudError, match="aisle: no field y"):
        cloud_from_columns({"x": np.zeros(1), "z": np.zeros(1)}, "aisle")


@pytest.mark.parametrize(
    "change",
    [
        copy.copy,
        copy.deepcopy,
        lambda cloud: pickle.loads(pickle.dumps(cloud)),
        lambda cloud: dataclasses.replace(cloud, x=cloud.x + 1.0, y=cloud.y.copy()),
    ],
)
@pytest.mark.parametrize("layout", ["padded", "unaligned"])
def test_copies_are_read_where_their_own_arrays_lie(change, layout, rover):
    flattener = Flattener(rover(slices={"drive": {"bottom": -9.0, "top": 9.0}}))
    for cloud in (Cloud.from_message(message(layout)), Cloud.from_array(np.c_[XYZ, XYZ].astype("f4"))):
        changed = change(cloud)
        plain = Cloud(changed.x.copy(), changed.y.copy(), changed.z.copy(), changed.intensity, changed.time)
        assert_scans_equal(flattener.flatten(changed), flattener.flatten(plain))


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("empty", [False, True])
def test_the_stamp_of_a_message(layout, empty):
    sent = message(layout)
    if empty:
        sent = dataclasses.replace(sent, width=0, data=np.empty(0, np.uint8))
    # builtin_interfaces/Time: seconds and nanoseconds
    assert Cloud.from_message(sent).stamp == pytest.approx(7.000000005, abs=1e-15)
    bare = dataclasses.replace(sent, width=0, fields=[])
    assert Cloud.from_message(bare).stamp == pytest.approx(7.000000005, abs=1e-15)


@pytest.mark.parametrize(
    "header",
    [
        None,
        SimpleNamespace(),
        SimpleNamespace(stamp=None),
        SimpleNamespace(stamp=SimpleNamespace(sec=0, nanosec=0)),  # nobody set it
        SimpleNamespace(stamp=SimpleNamespace(sec=5)),
        SimpleNamespace(stamp=SimpleNamespace(sec="five", nanosec=0)),
        SimpleNamespace(stamp=SimpleNamespace(sec=10**400, nanosec=0)),
    ],
)
def test_a_header_without_a_time_is_no_mistake(header):
    assert Cloud.from_message(dataclasses.replace(message("plain"), header=header)).stamp is None


def test_a_stamp_is_seconds():
    part = np.zeros(3)
    assert Cloud(part, part, part).stamp is None
    assert Cloud(part, part, part, stamp=np.float32(0.5)).stamp == 0.5
    assert pickle.loads(pickle.dumps(Cloud(part, part, part, stamp=1.5))).stamp == 1.5
    with pytest.raises(CloudError, match="wanted seconds"):
        Cloud(part, part, part, stamp="noon")
