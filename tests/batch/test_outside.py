"""Written recordings against what is known from outside: wire sizes, fields, the format's own marks."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
from mcap.reader import make_reader
from mcap_ros2.decoder import DecoderFactory

from flatten import Profile, Scan
from flatten.batch import Order
from flatten.batch.messages import BIN_RECORD, Messages
from flatten.scan import Counts
from tests.batch import drives

MAGIC = bytes([0x89, 0x4D, 0x43, 0x41, 0x50, 0x30, 0x0D, 0x0A])
"""At both ends of a file (MCAP specification)."""


def scan_of(bins: int, heard: bool) -> Scan:
    singles = {name: np.zeros(bins, np.float32) for name in ("ranges", "heights", "bearings", "ages")}
    singles |= {name: np.zeros(bins, np.float32) for name in ("clear_from", "clear_to")}
    heights = np.full(bins, 7.0 if heard else np.nan, np.float32)
    bytes_ = {name: np.zeros(bins, np.uint8) for name in ("states", "kinds")}
    return Scan(
        "drive", 0.0, 0.1, bins, 0.3, 25.0, Counts(0, 0, 0, 0), intensities=heights, **singles, **bytes_,
        hits=np.zeros(bins, np.uint32),
    )  # fmt: skip


def test_planar_scans_have_the_size_that_cdr_gives_them() -> None:
    """Frame "laser", 5 ranges: 80 bytes without intensities, 100 with 5 (by the rules of XTypes CDR)."""
    messages = Messages(profile_of(5), "laser", "base_footprint")
    assert len(messages.scan(scan_of(5, False), 0)) == 80
    assert len(messages.scan(scan_of(5, True), 0)) == 100


def test_the_companion_has_the_size_that_cdr_gives_it() -> None:
    """Head 4 + stamp 8 + "fan" 4 + 4; height and width 8; nine fields of name, offset, datatype, count."""
    size = 4 + 8 + (4 + 4) + 8 + 4
    for name in BIN_RECORD.names or ():
        size += -size % 4 + 4 + len(name) + 1  # length, text, its zero
        size += -size % 4 + 4 + 1  # offset, datatype
        size += -size % 4 + 4  # count
    size += 1  # is_bigendian
    # alignment counts from behind the head of 4 bytes, which keeps multiples of 4
    size += -size % 4 + 4 + 4 + 4 + 5 * 32 + 1  # steps, length, data, is_dense
    messages = Messages(profile_of(5), "fan", "base_footprint")
    assert len(messages.bins(scan_of(5, True), 0)) == size


def profile_of(bins: int) -> Profile:
    return drives.profile(fan={"first": 0, "last": 90, "bins": bins})


def test_a_second_library_reads_all_of_it(made: Path) -> None:
    content = (made / "drive.mcap").read_bytes()
    assert content[:8] == content[-8:] == MAGIC
    # opcode 1, then profile: "ros2" (MCAP specification, well-known profiles)
    assert content[8] == 1 and content[17:25] == struct.pack("<I", 4) + b"ros2"
    with (made / "drive.mcap").open("rb") as stream:
        reader = make_reader(stream, validate_crcs=True, decoder_factories=[DecoderFactory()])
        last = 0
        for schema, channel, message, decoded in reader.iter_decoded_messages():
            assert schema is not None and schema.encoding == "ros2msg" and channel.message_encoding == "cdr"
            assert message.log_time >= last
            last = message.log_time
            if schema.name == "sensor_msgs/msg/LaserScan":
                # REP 138: first and last angle are those of measurements; mappers count by round()
                count = round((decoded.angle_max - decoded.angle_min) / decoded.angle_increment) + 1
                assert count == len(decoded.ranges) == 90


def test_the_same_run_gives_the_same_bytes(drive: Path, made: Path, tmp_path: Path) -> None:
    """No clock, no path and no chance is in a result."""
    (result,) = drives.good(drives.run([drive], Order(drives.profile(window={"frames": 4}), tmp_path / "x")))
    assert result.read_bytes() == (made / "drive.mcap").read_bytes()
