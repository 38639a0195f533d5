"""Parts to one result: MCAP joined chunk by chunk, as they are packed; bags message by message; NPZ a folder.

The records are those of the MCAP specification (mcap.dev): chunks carry times and checksums of their own and
do not say where they lie, so that they are copied; the index at the end is made anew for where they lie now.
"""

from __future__ import annotations

import functools
import io
import os
import shutil
import zlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from flatten.batch.messages import Channel
from flatten.batch.parts import register, sync_folder
from flatten.errors import OutputError
from flatten.files.source import plain_reason
from flatten.files.writing import Fill, write_all

COPIED = 1 << 22
"""Bytes copied at once."""
MOVING = "moving"
"""There from when a result is moved into place on: what lies there is this run's."""


def mcap_joiner(parts: Sequence[Path], channels: list[Channel]) -> Fill:
    """Make the function that writes one MCAP file out of those of the pieces, in their order."""

    def fill(stream: io.BufferedIOBase) -> None:
        from mcap.opcode import Opcode  # noqa: PLC0415 - the desk's
        from mcap.records import DataEnd  # noqa: PLC0415

        head, schemas, known = _opening(channels)
        out = _Summed(stream)
        out.write(head)
        chunks: list[Any] = []
        counts, times = dict.fromkeys(known, 0), list[int]()
        for part in parts:
            summary = _copied(part, out, chunks)
            for number, count in summary.statistics.channel_message_counts.items():
                counts[number] += count
            if summary.statistics.message_count:
                times += [summary.statistics.message_start_time, summary.statistics.message_end_time]
        end = _built(DataEnd(out.crc))
        stream.write(end)
        groups = {
            Opcode.SCHEMA: list(schemas.values()), Opcode.CHANNEL: list(known.values()),
            Opcode.STATISTICS: [_statistics(schemas, counts, chunks, times)], Opcode.CHUNK_INDEX: chunks,
        }  # fmt: skip
        _finish(stream, out.at + len(end), groups)

    return fill


class _Summed:
    """A stream that counts and sums what is written."""

    def __init__(self, stream: io.BufferedIOBase) -> None:
        self._stream, self.at, self.crc = stream, 0, 0

    def write(self, data: bytes) -> None:
        self._stream.write(data)
        self.at += len(data)
        self.crc = zlib.crc32(data, self.crc)


def _opening(channels: list[Channel]) -> tuple[bytes, dict[int, Any], dict[int, Any]]:
    """The first bytes of a file: magic and header; its schemas and channels, by their numbers."""
    from mcap.reader import make_reader  # noqa: PLC0415 - the desk's
    from mcap.writer import CompressionType, Writer  # noqa: PLC0415

    sample = io.BytesIO()
    writer = Writer(sample, compression=CompressionType.NONE, use_chunking=False)
    writer.start("ros2", library="flatten")
    length = sample.tell()
    register(writer, channels)
    finish: Callable[[], None] = writer.finish
    finish()
    summary = make_reader(io.BytesIO(sample.getvalue())).get_summary()
    assert summary is not None  # just written
    return sample.getvalue()[:length], summary.schemas, summary.channels


def _copied(part: Path, out: _Summed, chunks: list[Any]) -> Any:
    """Copy the chunks of a part with their message indexes; note where they lie now."""
    from mcap.reader import make_reader  # noqa: PLC0415 - the desk's

    with part.open("rb") as stream:
        summary = make_reader(stream).get_summary()
        if summary is None or summary.statistics is None:
            raise OutputError(f"{part}: is damaged: remove it and run the same command again")
        found = sorted(summary.chunk_indexes, key=lambda chunk: chunk.chunk_start_offset)
        for chunk in found:
            shift = out.at - chunk.chunk_start_offset
            stream.seek(chunk.chunk_start_offset)
            left = chunk.chunk_length + chunk.message_index_length
            while left:
                data = stream.read(min(left, COPIED))
                if not data:
                    raise OutputError(f"{part}: is cut short: remove it and run the same command again")
                out.write(data)
                left -= len(data)
            chunk.chunk_start_offset += shift
            offsets = chunk.message_index_offsets
            chunk.message_index_offsets = {number: at + shift for number, at in offsets.items()}
            chunks.append(chunk)
    return summary


def _statistics(schemas: Any, counts: dict[int, int], chunks: list[Any], times: list[int]) -> Any:
    from mcap.records import Statistics  # noqa: PLC0415 - the desk's

    return Statistics(
        attachment_count=0, channel_count=len(counts), channel_message_counts=counts, chunk_count=len(chunks),
        message_count=sum(counts.values()), message_end_time=max(times, default=0),
        message_start_time=min(times, default=0), metadata_count=0, schema_count=len(schemas),
    )  # fmt: skip


def _finish(stream: io.BufferedIOBase, at: int, groups: dict[Any, list[Any]]) -> None:
    """Write the index of a file from byte `at` on: records by kind, where each kind begins, footer, magic."""
    from mcap.records import Footer, SummaryOffset  # noqa: PLC0415 - the desk's
    from mcap.writer import MCAP0_MAGIC  # noqa: PLC0415

    index, places = b"", b""
    for kind, records in groups.items():
        group = b"".join(_built(record) for record in records)
        places += _built(
            SummaryOffset(group_opcode=kind, group_start=at + len(index), group_length=len(group))
        )
        index += group
    footer = Footer(summary_start=at, summary_offset_start=at + len(index), summary_crc=0)
    # the sum goes over the index and the footer up to the sum itself
    footer.summary_crc = zlib.crc32(index + places + _built(footer)[:-4])
    stream.write(index + places + _built(footer) + MCAP0_MAGIC)


def _built(record: Any) -> bytes:
    from mcap.data_stream import RecordBuilder  # noqa: PLC0415 - the desk's

    builder: Any = RecordBuilder()
    record.write(builder)
    return bytes(builder.end())


def join(form: str, parts: Sequence[Path], channels: list[Channel], result: Path, work: Path) -> None:
    """Put parts together in the folder `work`, then move what came of it to `result`; OutputError.

    Whatever lies at `result` is replaced; `work` is of the same file system.
    """
    joined = work / "joined"
    _remove(joined)
    try:
        MAKERS[form](parts, channels, joined)
        write_all([(work / MOVING, lambda stream: None)], overwrite=True)
        _remove(result)
        joined.replace(result)
        sync_folder(result.parent)
    except OutputError:
        raise
    except Exception as error:
        raise OutputError(f"{result}: cannot be put together ({plain_reason(error)}): make room") from error


def _join_mcap(parts: Sequence[Path], channels: list[Channel], joined: Path) -> None:
    write_all([(joined, mcap_joiner(parts, channels))], overwrite=True)


def _join_bag(parts: Sequence[Path], channels: list[Channel], joined: Path) -> None:
    from mcap.reader import make_reader  # noqa: PLC0415 - the desk's
    from rosbags.rosbag2 import StoragePlugin, Writer  # noqa: PLC0415

    with Writer(joined, version=9, storage_plugin=StoragePlugin.SQLITE3) as writer:
        topics = {
            each.topic: writer.add_connection(
                each.topic, each.kind, msgdef=each.definition, rihs01=each.digest,
                offered_qos_profiles=_latched() if each.latched else (),
            )
            for each in channels
        }  # fmt: skip
        for part in parts:
            with part.open("rb") as stream:
                for _, channel, message in make_reader(stream).iter_messages(log_time_order=False):
                    writer.write(topics[channel.topic], message.log_time, message.data)
    for path in sorted(joined.iterdir()):
        with path.open("rb") as stream:
            os.fsync(stream.fileno())
    sync_folder(joined)


def _latched() -> tuple[Any, ...]:
    """How a transform that never changes is to be played, as bags say it."""
    from rosbags import interfaces as rosbags  # noqa: PLC0415 - the desk's

    never = rosbags.QosTime(9223372036, 854775807)
    return (
        rosbags.Qos(
            rosbags.QosHistory.KEEP_LAST, 1, rosbags.QosReliability.RELIABLE,
            rosbags.QosDurability.TRANSIENT_LOCAL, never, never, rosbags.QosLiveliness.AUTOMATIC, never,
            False,
        ),
    )  # fmt: skip


def _join_npz(parts: Sequence[Path], channels: list[Channel], joined: Path) -> None:
    joined.mkdir()
    for part in parts:
        try:
            os.link(part, joined / part.name)
        except OSError:  # a file system without links
            write_all([(joined / part.name, functools.partial(_copy, part))], overwrite=True)
    sync_folder(joined)


def _copy(part: Path, stream: io.BufferedIOBase) -> None:
    with part.open("rb") as source:
        shutil.copyfileobj(source, stream, COPIED)


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


MAKERS: dict[str, Callable[[Sequence[Path], list[Channel], Path], None]] = {
    "mcap": _join_mcap, "bag": _join_bag, "npz": _join_npz,
}  # fmt: skip
