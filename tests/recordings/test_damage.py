"""Damaged MCAP files: nothing that the damage did not touch is lost or spoiled, and the damage is told.

What should be there is read by the mcap library, from the file before it was damaged.
"""

from __future__ import annotations

import io
from collections import Counter
from pathlib import Path

import pytest
from mcap.reader import make_reader
from mcap.writer import CompressionType, IndexType, Writer

from flatten import open_recording
from flatten.errors import RecordingError
from tests.recordings.damage import CASES, check, flips, pieces, read, reference
from tests.recordings.made import COUNT, recording

FLIPS = 200


@pytest.mark.parametrize(("compression", "chunk"), CASES)
def test_flipped_bytes(compression: str, chunk: int, tmp_path: Path) -> None:
    data = recording(compression=compression, chunk=chunk)
    parts = pieces(data)
    assert Counter(key for _, _, keys in parts for key in keys) == Counter(reference(data))
    for place, made in flips(data, FLIPS // len(CASES), seed=len(data)):
        check(tmp_path / "damaged.mcap", data, place, made, parts)


@pytest.mark.parametrize("compression", ["zstd", "lz4", ""])
def test_cut_off_anywhere(compression: str, tmp_path: Path) -> None:
    """Every chunk that is whole is read; of the one that is cut, messages as they were, if any."""
    data = recording(compression=compression, chunk=3000)
    parts, path, rescued = pieces(data), tmp_path / "cut.mcap", 0
    whole = Counter(key for _, _, keys in parts for key in keys)
    for k in range(1, 50):
        length = k * len(data) // 50
        path.write_bytes(data[:length])
        found, faults = read(path)
        assert faults
        safe = Counter(key for _, end, keys in parts if end <= length for key in keys)
        assert not safe - Counter(found), f"cut at {length}"
        assert not Counter(found) - whole, f"cut at {length}"
        rescued += sum((Counter(found) - safe).values())
    assert rescued > 0 or compression  # packed chunks of this size are one block: all of it, or nothing


@pytest.mark.parametrize("compression", ["zstd", "lz4"])
def test_of_a_large_chunk_that_is_cut_its_beginning_is_read(compression: str, tmp_path: Path) -> None:
    """Blocks of zstd are 128 KiB at most (RFC 8878), those of lz4 frames 64 KiB by default."""
    data = recording(returns=4000, compression=compression, chunk=1 << 22)
    path = tmp_path / "cut.mcap"
    path.write_bytes(data[: len(data) * 3 // 4])
    found, faults = read(path)
    whole = reference(data)
    assert len(whole) > len(found) > len(whole) // 3 and not Counter(found) - Counter(whole)
    assert any("cut off" in words for words in faults)


def rewritten(data: bytes, **how: object) -> bytes:
    """The same messages by the mcap library's own writer."""
    stream = io.BytesIO()
    writer = Writer(stream, compression=CompressionType.NONE, **how)  # type: ignore[arg-type]
    writer.start("ros2")
    channels: dict[str, int] = {}
    for schema, channel, message in make_reader(io.BytesIO(data)).iter_messages():
        if channel.topic not in channels:
            assert schema is not None
            known = writer.register_schema(schema.name, schema.encoding, schema.data)
            channels[channel.topic] = writer.register_channel(channel.topic, "cdr", known)
        writer.add_message(channels[channel.topic], message.log_time, message.data, message.publish_time)
    writer.finish()
    return stream.getvalue()


OTHER_KINDS = {
    "no chunks": {"use_chunking": False, "enable_data_crcs": True},
    "no index": {"index_types": IndexType.NONE, "use_statistics": False, "repeat_channels": False},
    "no summary": {
        "index_types": IndexType.NONE, "use_statistics": False, "repeat_channels": False,
        "repeat_schemas": False, "use_summary_offsets": False,
    },
    "no checksums": {"enable_crcs": False, "chunk_size": 3000},
}  # fmt: skip


@pytest.mark.parametrize("kind", OTHER_KINDS)
def test_other_ways_to_write_a_file(kind: str, tmp_path: Path) -> None:
    """Whole files are read without a word; of damaged ones all is there that was not touched."""
    data = rewritten(recording(), **OTHER_KINDS[kind])
    path = tmp_path / "other.mcap"
    path.write_bytes(data)
    whole, parts = Counter(reference(data)), pieces(data)
    found, faults = read(path)
    assert Counter(found) == whole and not faults
    for place, made in flips(data, 25, seed=3):
        path.write_bytes(made)
        found, faults = read(path)
        if kind == "no chunks":  # one byte spoils one message, and the checksum over the data tells
            assert sum((whole - Counter(found)).values()) <= 1, place
            assert faults, place
        else:
            safe = Counter(key for begin, end, keys in parts if not begin <= place < end for key in keys)
            assert not safe - Counter(found), place


def test_a_lost_chunk_is_told_with_what_was_in_it(tmp_path: Path) -> None:
    data = recording(compression="", chunk=3000)
    begin, end, keys = pieces(data)[3]
    made = bytearray(data)
    made[(begin + end) // 2] ^= 0xFF
    path = tmp_path / "damaged.mcap"
    path.write_bytes(bytes(made))
    with open_recording(path) as opened:
        frames = list(opened.frames())
        counts = Counter(topic for topic, _, _ in keys)
        assert len(frames) == COUNT - counts["/points"]
        (told,) = opened.faults
    assert f"chunk at byte {begin}: its checksum is wrong" in told
    assert ", ".join(f"{count} of {topic}" for topic, count in sorted(counts.items())) in told


def test_a_stretch_of_zeros_is_stepped_over(tmp_path: Path) -> None:
    """A lost block of a disk, with the index gone as well."""
    data = recording(compression="zstd", chunk=2000)
    parts = pieces(data)
    begin, end = parts[2][0] + 100, parts[5][0] + 50
    made = data[:begin] + bytes(end - begin) + data[end:-200]
    path = tmp_path / "damaged.mcap"
    path.write_bytes(made)
    found, faults = read(path)
    safe = Counter(key for first, last, keys in parts if last <= begin or first >= end for key in keys)
    assert Counter(found) == safe
    assert any("damaged and left out" in words for words in faults)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty"),
        (b"this is a text, not a recording\n" * 9, "is no MCAP file"),
        (b"\x89MCAP0\r\n", "no topic with clouds"),
        (b"\x89MCAP0\r\n" * 40, "no topic with clouds"),
    ],
)
def test_files_that_are_none(content: bytes, words: str, tmp_path: Path) -> None:
    path = tmp_path / "none.mcap"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=words) as told:
        open_recording(path)
    assert len(str(told.value).splitlines()) == 1
