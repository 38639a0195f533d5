"""The work on one recording: what is there from before, what is missing, how it is finished."""

from __future__ import annotations

import fcntl
import os
import shutil
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from flatten.batch import joining
from flatten.batch.flattening import flatten_piece
from flatten.batch.manifest import digest, digests, make_manifest, plan_identity, read_json
from flatten.batch.messages import Messages
from flatten.batch.order import Order, Piece, Plan
from flatten.batch.parts import channels_of, part_path, read_account, write_json, write_part
from flatten.batch.planning import make_plan
from flatten.batch.stream import Stream
from flatten.errors import OutputError
from flatten.jobs import make_folder

INPUTS = "inputs.json"
PLAN = "plan.json"


@dataclass
class Work:
    """One recording on its way."""

    order: Order
    plan: Plan
    folder: Path
    """Where its parts lie until all are there."""
    lock: IO[Any]
    """Open while somebody works on it."""
    kept: int = 0
    """Pieces that an earlier run left."""
    accounts: dict[int, dict[str, Any]] = field(default_factory=dict)
    begun: float = field(default_factory=time.time)

    @property
    def missing(self) -> list[Piece | None]:
        """Pieces that are not there yet; None for the digests of the inputs."""
        pieces: list[Piece | None] = [p for p in self.plan.pieces if p.number not in self.accounts]
        return pieces if (self.folder / INPUTS).exists() else [*pieces, None]

    @property
    def clouds(self) -> int:
        """Clouds in the pieces that are there."""
        return sum(account["clouds"] for account in self.accounts.values())


def result_path(order: Order, name: str) -> Path:
    """Where the result of a recording goes: a file, or the folder of a bag or of NPZ files."""
    return order.folder / (f"{name}.mcap" if order.format == "mcap" else name)


def manifest_path(order: Order, name: str) -> Path:
    """Where it is told what came of a recording."""
    return order.folder / f"{name}.manifest.json"


def log_path(order: Order, name: str) -> Path:
    """Where it is told how a run went."""
    return order.folder / f"{name}.run.json"


def is_finished(order: Order, source: Path, name: str) -> bool:
    """Tell whether this very result is there already; OutputError where another is in its place."""
    result, manifest = result_path(order, name), manifest_path(order, name)
    if result.resolve() == source.resolve():
        raise OutputError(f"{result}: is the recording itself: choose another folder (--out)")
    if not os.path.lexists(result) and not manifest.exists():
        return False
    if result.exists() and manifest.exists():
        same = read_json(log_path(order, name)).get("identity") == _plain(plan_identity(order, source))
        if same:
            return True
    under_way = (order.folder / f".{name}.parts" / joining.MOVING).exists() and not manifest.exists()
    if not order.overwrite and not under_way:
        raise OutputError(
            f"{result}: is there already, of another profile, version or input: choose another folder, or "
            "allow overwriting"
        )
    return False


def take_up(order: Order, source: Path, name: str) -> Work:
    """Plan a recording, and see what an earlier run left of the same work.

    Raises RecordingError and others for a recording that cannot be flattened, OutputError where the folder
    cannot be written or another run is at the same work.
    """
    plan = make_plan(order, source, name)
    folder = order.folder / f".{name}.parts"
    make_folder(folder)
    lock = _locked(folder)
    try:
        identity = _plain(plan_identity(order, source))
        if read_json(folder / PLAN) != identity:
            for path in folder.iterdir():
                if path.name != "lock":
                    shutil.rmtree(path) if path.is_dir() else path.unlink()
            write_json(folder / PLAN, identity)
    except OSError as error:
        lock.close()
        raise OutputError(f"{folder}: cannot be written ({error.strerror}): choose another folder") from error
    except BaseException:
        lock.close()
        raise
    work = Work(order, plan, folder, lock)
    for piece in plan.pieces:
        account = read_account(part_path(folder, piece, order))
        if account is not None:
            work.accounts[piece.number] = account
    work.kept = len(work.accounts)
    return work


def _locked(folder: Path) -> IO[Any]:
    try:
        lock = (folder / "lock").open("w")
    except OSError as error:
        raise OutputError(f"{folder}: cannot be written ({error.strerror}): choose another folder") from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        lock.close()
        raise OutputError(f"{folder}: another run is at this recording: wait for it, or end it") from error
    return lock


_own = threading.local()


def do_piece(order: Order, plan: Plan, piece: Piece | None, folder: Path) -> dict[str, Any]:
    """Make the part of a piece, or (None) the digests of the inputs; give its account.

    Runs in any process that sees recording and folder by the same paths; it holds the recording open for its
    next call.
    """
    if piece is None:
        inputs = digests(order, plan.source)
        write_json(folder / INPUTS, {"files": inputs})
        return {"files": inputs}
    key = order, plan.source, plan.topic
    if getattr(_own, "key", None) != key:
        if getattr(_own, "stream", None) is not None:
            _own.stream.close()
        _own.stream, _own.key = Stream(order, plan), key
    stream: Stream = _own.stream
    part = part_path(folder, piece, order)
    items = flatten_piece(stream, order, plan, piece)
    return write_part(part, items, order, plan, piece, lambda: stream.faults)


def finish(work: Work, how: dict[str, Any]) -> dict[str, Any]:
    """Join the parts, account for all of it, and remove what is not needed any more; give the manifest."""
    order, plan = work.order, work.plan
    parts = [part_path(work.folder, piece, order) for piece in plan.pieces]
    accounts = [work.accounts[piece.number] for piece in plan.pieces]
    result = result_path(order, plan.name)
    channels = []
    if order.format != "npz":
        channels = channels_of(Messages(order.profile, order.frame, order.parent), order, plan)
    joining.join(order.format, parts, channels, result, work.folder)
    told = make_manifest(
        order, plan, accounts, read_json(work.folder / INPUTS)["files"], _results(order, result)
    )
    seconds = time.time() - work.begun
    write_json(
        log_path(order, plan.name),
        {
            "identity": _plain(plan_identity(order, plan.source)), "ended": time.time(), "seconds": seconds,
            "pieces_kept": work.kept, **how,
        },
    )  # fmt: skip
    write_json(manifest_path(order, plan.name), told)
    shutil.rmtree(work.folder, ignore_errors=True)
    return told


def _results(order: Order, result: Path) -> list[dict[str, Any]]:
    """Name, size and digest of what was made; of a bag its name alone, whose bytes may differ."""
    if order.format == "bag":
        return [{"name": result.name}]
    paths = sorted(result.iterdir()) if result.is_dir() else [result]
    return [digest(path) for path in paths]


def _plain(told: dict[str, Any]) -> dict[str, Any]:
    """Give values as they are once they were written and read."""
    import json  # noqa: PLC0415

    plain: dict[str, Any] = json.loads(json.dumps(told))
    return plain
