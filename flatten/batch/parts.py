"""What a piece becomes on disk: a part that is written whole or not at all, and what is told of it.

A part is there once its account (JSON) is: the part is written first, under another name, made durable and
moved into place; then its account, the same way. A stop at any moment or a power cut loses what was in hand.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import zipfile
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from flatten.batch.flattening import Flat
from flatten.batch.messages import SCAN, Channel, Messages, topics_of
from flatten.batch.order import Order, Piece, Plan
from flatten.batch.stream import Passing
from flatten.files.writing import Fill, write_all
from flatten.flattener import Flattener
from flatten.profile import Profile
from flatten.recordings.messages import CLOUD_TYPE, ODOMETRY, TRANSFORMS
from flatten.scan import FIELDS, Scan, State

STATIC, POSES = "/tf_static", "/odometry"
CHUNK_BYTES = 1 << 20
"""Bytes of a chunk of a written recording, before it is packed."""
PACKING = 1
"""Of NPZ: the quickest; the slowest takes a third less room and ten times as long."""
ZIP_DATE = (1980, 1, 1, 0, 0, 0)
"""What members of a ZIP are dated: the results do not know when they were made."""


@dataclass
class Account:
    """What became of the frames of a piece."""

    clouds: int = 0
    flattened: int = 0
    passed: int = 0
    poses: Counter[str] = field(default_factory=Counter)
    """What is wrong with poses, and how many."""
    states: dict[str, Counter[str]] = field(default_factory=dict)
    skipped: list[list[Any]] = field(default_factory=list)
    """Index of the cloud in the piece, stamp (ns), why."""

    def count(self, items: Iterable[Flat | Passing]) -> Iterator[Flat | Passing]:
        """Let items through and count them."""
        for item in items:
            if isinstance(item, Passing):
                self.passed += 1
                self.poses.update([item.fault] if item.fault else [])
            elif item.why:
                self.skipped.append([self.clouds, item.time, item.why])
            else:
                self.flattened += 1
                for name, scan in item.scans.items():
                    found = np.bincount(scan.states, minlength=len(State)) if scan.states is not None else ()
                    told = self.states.setdefault(name, Counter())
                    told.update({state.name: int(n) for state, n in zip(State, found, strict=False)})
            self.clouds += isinstance(item, Flat)
            yield item

    def told(self) -> dict[str, Any]:
        """Give it as plain values."""
        return {
            "clouds": self.clouds, "flattened": self.flattened, "passed": self.passed,
            "poses": dict(self.poses),
            "states": {name: dict(states) for name, states in self.states.items()}, "skipped": self.skipped,
        }  # fmt: skip


def part_path(folder: Path, piece: Piece, order: Order) -> Path:
    """Where the part of a piece lies while others are missing."""
    return folder / f"{piece.number:06d}.{'npz' if order.format == 'npz' else 'mcap'}"


def read_account(part: Path) -> dict[str, Any] | None:
    """Read what is told of a part that is there as a whole; None otherwise."""
    try:
        account: dict[str, Any] = json.loads(part.with_suffix(".json").read_text())
        return account if part.stat().st_size == account["bytes"] else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def write_part(
    part: Path, items: Iterator[Flat | Passing], order: Order, plan: Plan, piece: Piece, faults: Any
) -> dict[str, Any]:
    """Write the part of a piece and its account; OutputError where there is no room, with neither left.

    `faults` is called after all was read and gives what is damaged in the input, in words.
    """
    account = Account()
    counted = account.count(items)
    fill = (
        npz_filler(counted, order.profile)
        if order.format == "npz"
        else mcap_filler(counted, order, plan, piece)
    )
    write_all([(part, fill)], overwrite=True)
    whole = part.read_bytes()
    told = {
        **account.told(), "bytes": len(whole), "sha256": hashlib.sha256(whole).hexdigest(),
        "faults": sorted(set(faults())),
    }  # fmt: skip
    write_json(part.with_suffix(".json"), told)
    return told


def write_json(path: Path, told: Any) -> None:
    """Write plain values durably; the same values give the same bytes."""
    text = json.dumps(told, indent=1, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"
    write_all([(path, lambda stream: _write(stream, text.encode()))], overwrite=True)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make durable what was moved into a folder."""
    handle = os.open(folder, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _write(stream: io.BufferedIOBase, data: bytes) -> None:
    stream.write(data)


# MCAP


def channels_of(messages: Messages, order: Order, plan: Plan) -> list[Channel]:
    """List all topics of a result, in the order of their numbers."""
    made = [messages.channel(STATIC, TRANSFORMS)]
    for name in order.profile.slices:
        scans, bins = topics_of(name)
        made += [messages.channel(scans, SCAN), messages.channel(bins, CLOUD_TYPE)]
    kinds = dict(plan.passing)
    if plan.has_poses and not set(kinds) - {STATIC}:
        kinds[POSES] = ODOMETRY
    return [*made, *(messages.channel(topic, kind) for topic, kind in kinds.items() if topic != STATIC)]


def mcap_filler(items: Iterator[Flat | Passing], order: Order, plan: Plan, piece: Piece) -> Fill:
    """Make the function that writes a piece as an MCAP file of its own."""

    def fill(stream: Any) -> None:
        from mcap.writer import CompressionType, Writer  # noqa: PLC0415 - the desk's

        messages = Messages(order.profile, order.frame, order.parent)
        writer: Any = Writer(stream, chunk_size=CHUNK_BYTES, compression=CompressionType.LZ4)
        writer.start("ros2", library="flatten")
        numbers = register(writer, channels_of(messages, order, plan))
        from_file, unknown = POSES in numbers and POSES not in dict(plan.passing), np.full(7, np.nan)
        if piece.number == 0:
            _add(writer, numbers[STATIC], plan.start, messages.fan(plan.start))
        for item in items:
            if isinstance(item, Passing):
                data = messages.passed(item.message)
                _add(writer, numbers[item.message.topic.name], item.logged, data)
                continue
            logged = item.logged if plan.topic else item.time
            for name, scan in item.scans.items():
                scans, bins = topics_of(name)
                _add(writer, numbers[scans], logged, messages.scan(scan, item.time))
                _add(writer, numbers[bins], logged, messages.bins(scan, item.time))
            pose = item.pose if from_file else unknown
            if np.isfinite(pose).all():
                _add(writer, numbers[POSES], logged, messages.pose(pose, item.time))
        writer.finish()

    return fill


def register(writer: Any, channels: list[Channel]) -> dict[str, int]:
    """Register topics with a writer of MCAP; give their numbers."""
    schemas: dict[str, int] = {}
    numbers = {}
    for channel in channels:
        if channel.kind not in schemas:
            schemas[channel.kind] = writer.register_schema(
                channel.kind, "ros2msg", channel.definition.encode()
            )
        profiles = {"offered_qos_profiles": LATCHED if channel.latched else ""}
        numbers[channel.topic] = writer.register_channel(
            channel.topic, "cdr", schemas[channel.kind], profiles
        )
    return numbers


LATCHED = """\
- history: keep_last
  depth: 1
  reliability: reliable
  durability: transient_local
  deadline: {sec: 9223372036, nsec: 854775807}
  lifespan: {sec: 9223372036, nsec: 854775807}
  liveliness: automatic
  liveliness_lease_duration: {sec: 9223372036, nsec: 854775807}
  avoid_ros_namespace_conventions: false
"""
"""How a transform that never changes is to be played: kept for who listens later."""


def _add(writer: Any, channel: int, logged: int, data: bytes) -> None:
    writer.add_message(channel_id=channel, log_time=logged, publish_time=logged, data=data)


# NPZ


def npz_filler(items: Iterator[Flat | Passing], profile: Profile) -> Fill:
    """Make the function that writes a piece as NPZ: arrays of all its frames, one frame a row.

    `times` (n,) int64 ns, the clouds' stamps; `odom_from_body` (n, 7) x y z qx qy qz qw, NaN where it is not
    known; and `<slice>/<array>` (n, bins), as in `flatten.Scan`; `<slice>/bearings` is (bins,).
    """

    def fill(stream: io.BufferedIOBase) -> None:
        flats = [item for item in items if isinstance(item, Flat) and not item.why]
        arrays: dict[str, Any] = {
            "times": np.array([flat.time for flat in flats], np.int64),
            "odom_from_body": np.array([flat.pose for flat in flats]).reshape(-1, 7),
        }
        for name, scan in (flats[0].scans if flats else no_scans(profile)).items():
            arrays[f"{name}/bearings"] = scan.bearings
            for part in FIELDS:
                if part != "bearings":
                    rows = [getattr(flat.scans[name], part) for flat in flats]
                    arrays[f"{name}/{part}"] = np.stack(rows) if rows else getattr(scan, part)[None][:0]
        with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED, compresslevel=PACKING) as archive:
            for name, array in arrays.items():
                member = zipfile.ZipInfo(f"{name}.npy", ZIP_DATE)
                member.compress_type = zipfile.ZIP_DEFLATED
                with archive.open(member, "w", force_zip64=True) as inside:
                    np.lib.format.write_array(inside, array, allow_pickle=False)

    return fill


def no_scans(profile: Profile) -> dict[str, Scan]:
    """Scans of no returns: what arrays look like where a piece has no frames."""
    single = profile.model_copy(update={"window": None})
    return Flattener(single).flatten(np.empty((0, 3), np.float32))
