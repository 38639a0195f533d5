"""Records that claim what is not there: nothing is reserved for a claim, and any bytes come to an end."""

from __future__ import annotations

import struct
import tracemalloc
import zlib
from pathlib import Path

import pytest
import zstandard
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from lz4 import frame as lz4

from flatten.errors import RecordingError
from flatten.recordings.mcap_file import McapStore
from flatten.recordings.mcap_records import MAGIC, DamageError, parts, unpack
from tests.recordings.made import recording

CONTENT = bytes(range(256)) * 40


def chunk(packed: bytes, size: int, name: bytes = b"", crc: int = 0) -> bytes:
    """The content of a chunk record, by the MCAP specification."""
    head = struct.pack("<QQQII", 1, 2, size, crc, len(name))
    return head + name + struct.pack("<Q", len(packed)) + packed


@pytest.mark.parametrize(
    ("name", "packed"),
    [(b"", CONTENT), (b"lz4", lz4.compress(CONTENT)), (b"zstd", zstandard.compress(CONTENT))],
)
def test_chunks_are_what_they_say_or_are_refused(name: bytes, packed: bytes) -> None:
    good = unpack(chunk(packed, len(CONTENT), name, zlib.crc32(CONTENT)))
    assert bytes(good.data) == CONTENT and good.checked
    assert not unpack(chunk(packed, len(CONTENT), name)).checked
    for bad, words in [
        (chunk(packed, len(CONTENT) - 1, name), "unpacks to"),
        (chunk(packed, len(CONTENT) + 1, name), "unpacks to"),
        (chunk(packed, len(CONTENT), name, 7), "checksum"),
        (chunk(packed, 2**62, name), "claim to unpack to"),
        (chunk(packed, len(CONTENT), b"zip"), "not known"),
        (chunk(packed, len(CONTENT), b"\xff\xff\xff"), "not known"),
        (b"short", "cut off"),
    ]:
        with pytest.raises(DamageError, match=words):
            unpack(bad)


def test_a_bomb_is_not_unpacked() -> None:
    """A gigabyte of zeros in a few kilobytes that says it is small, and one that says it is large."""
    packed = zstandard.compress(bytes(1 << 26))
    for size, words in [(1000, "unpacks to 1001"), (1 << 32, "claim to unpack")]:
        tracemalloc.start()
        with pytest.raises(DamageError, match=words):
            unpack(chunk(packed, size, b"zstd"))
        assert tracemalloc.get_traced_memory()[1] < 1 << 22
        tracemalloc.stop()


def test_records_that_do_not_fit() -> None:
    record = struct.pack("<BQ", 5, 4) + b"abcd"
    assert [(part.opcode, part.begin, part.end) for part in parts(memoryview(record * 2))] == [
        (5, 9, 13), (5, 22, 26),
    ]  # fmt: skip
    for cut in (1, 8, 12):
        with pytest.raises(DamageError):
            list(parts(memoryview(record[:cut])))


DATA = recording(2, 5, compression="", chunk=900)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.tuples(st.integers(0, len(DATA)), st.binary(max_size=30)), min_size=1, max_size=6),
    st.binary(),
)
@example([(8, b"")], b"\x05" + b"\xff" * 60)
@example([(8, b"")], (b"\x06" + b"\0" * 40) * 30)
def test_any_bytes_come_to_an_end(tmp_path: Path, cuts: list[tuple[int, bytes]], tail: bytes) -> None:
    """Pieces of a file, cut out, replaced and stuck together: it is read, or refused in one line."""
    made = DATA
    for place, other in cuts:
        made = made[:place] + other + made[place + len(other) // 2 :]
    path = tmp_path / "any.mcap"
    path.write_bytes((made if made.startswith(MAGIC) else MAGIC + made) + tail)
    try:
        store = McapStore(path)
    except RecordingError as error:
        assert len(str(error).splitlines()) == 1
        return
    for message in store.messages({topic.name for topic in store.topics}):
        assert len(message.data) < len(made)
    store.verify()
    store.close()
