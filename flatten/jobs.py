"""Many clouds to scans, in one process or in several; one bad file does not stop the rest."""

from __future__ import annotations

import functools
import multiprocessing
import os
import secrets
import signal
import threading
import traceback
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any, TypeVar

from flatten.cloud import Cloud
from flatten.errors import CloudError, FlattenError, MissingPartError, OutputError
from flatten.files import find_clouds, read_cloud, scan_formats, write_scans
from flatten.flattener import Flattener
from flatten.motion import Motion
from flatten.profile import Profile
from flatten.scan import Scan

Answer = TypeVar("Answer")
Attitude = tuple[float, float]


@dataclass(frozen=True)
class Order:
    """What is wanted of every cloud; it travels to worker processes."""

    profile: Profile
    folder: Path
    """Where the results go."""
    formats: tuple[str, ...] = ("npz",)
    attitude: Attitude | None = None
    """Roll and pitch of the body, radians; None for level."""
    pictures: bool = False
    overwrite: bool = False


@dataclass(frozen=True)
class Taken:
    """One cloud of a recording, and how the body stood and moved."""

    cloud: Cloud
    attitude: Attitude | None = None
    motion: Motion | None = None


@dataclass(frozen=True)
class Outcome:
    """What became of one cloud."""

    cloud: Path
    written: tuple[Path, ...] = ()
    error: str = ""
    """Why it failed, in one line; "" where it did not."""
    doubt: str = ""
    """What is amiss with its fitted floor, in one line; "" where nothing is, or none was fitted."""
    trace: str = ""
    """Where in the code it failed, for an error that nobody foresaw."""


def gather_clouds(paths: Iterable[Path]) -> tuple[list[Path], list[Outcome]]:
    """Expand files and folders to cloud files, each once, and the paths that lead nowhere to outcomes."""
    found: dict[Path, Path] = {}
    failed = []
    for path in paths:
        try:
            for cloud in find_clouds([path]):
                found.setdefault(cloud.resolve(), cloud)
        except CloudError as error:
            failed.append(Outcome(path, error=str(error)))
    return list(found.values()), failed


def result_names(cloud: Path, order: Order) -> list[Path]:
    """List the files that one cloud will be turned into."""
    endings = []
    for name in order.formats:
        is_whole = name != "fields"
        endings += [name] if is_whole else [f"{key}.fields.yaml" for key in order.profile.slices]
    endings += ["png"] if order.pictures else []
    return [order.folder / f"{cloud.stem}.{ending}" for ending in endings]


def check_order(clouds: Sequence[Path], order: Order) -> None:
    """Refuse, before anything is written, what would write two results to one file or over a cloud.

    Raises OutputError for that, and for an unknown format.
    """
    unknown = [name for name in order.formats if name not in scan_formats()]
    if unknown or not order.formats:
        raise OutputError(f"format {', '.join(unknown) or '(none)'}: use {', '.join(scan_formats())}")
    sources = {cloud.resolve(): cloud for cloud in clouds}
    owners: dict[Path, Path] = {}
    for cloud in clouds:
        for name in result_names(cloud, order):
            first = owners.setdefault(name, cloud)
            if first != cloud:
                raise OutputError(
                    f"{first} and {cloud}: both would become {name}: convert them into two folders"
                )
            if name.resolve() in sources:
                raise OutputError(
                    f"{name}: is one of the clouds and would be written over: choose another folder"
                )


def prepare(clouds: Sequence[Path], order: Order) -> None:
    """Check an order and make its folder.

    Raises OutputError as `check_order` does, MissingPartError where pictures cannot be drawn.
    """
    if order.pictures and not can_draw():
        raise MissingPartError(
            "pictures need matplotlib: pip install 'flatten[desk]', or convert without pictures"
        )
    check_order(clouds, order)
    if clouds:
        make_folder(order.folder)


def can_draw() -> bool:
    """Tell whether the drawing library is there, without the time it takes to load it."""
    try:
        return find_spec("matplotlib") is not None
    except ImportError:
        return False


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, if need be; raise OutputError where it cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        reason = error.strerror or error
        raise OutputError(f"{folder}: cannot be made ({reason}): choose another folder") from error


def convert(clouds: Sequence[Path], order: Order, processes: int = 1) -> Generator[Outcome, None, None]:
    """Turn cloud files into files of scans; yields an outcome a cloud as each gets done.

    With several processes they come in any order; the files are the same. A cloud that fails leaves
    no file behind and does not stop the others; the iterator closed early leaves no half of one.
    A script that asks for several processes keeps its own start under `if __name__ == "__main__"`,
    as the multiprocessing module wants it. Raises as `prepare` does.
    """
    prepare(clouds, order)
    flattener = Flattener(order.profile)  # compiles, if need be, once for all processes
    if processes <= 1 or len(clouds) <= 1:
        for cloud in clouds:
            yield attempt(cloud, order, flattener)
        return
    with worker_pool(min(processes, len(clouds))) as pool:
        waiting = submit_all(pool, attempt, [(cloud, order) for cloud in clouds])
        owners = dict(zip(waiting, clouds, strict=True))
        for done in as_completed(waiting):
            yield _outcome(done, owners[done])


def attempt(
    cloud: Path, order: Order, flattener: Flattener | None = None, take: Callable[[], Taken] | None = None
) -> Outcome:  # fmt: skip
    """Convert one cloud, a file or what `take` gives; whatever goes wrong becomes words in its outcome."""
    try:
        flattener = flattener or _own_flattener(order.profile)
        written = convert_one(cloud, order, flattener, take)
        doubt = "" if flattener.floor is None else flattener.floor.doubt
        return Outcome(cloud, tuple(written), doubt=doubt and f"{cloud}: {doubt}")
    except FlattenError as error:
        return Outcome(cloud, error=str(error))
    except MemoryError:
        return Outcome(cloud, error=f"{cloud}: does not fit into memory: use fewer --jobs or a smaller cloud")
    except Exception as error:
        words = " ".join(f"{type(error).__name__}: {error}".split())
        return Outcome(cloud, error=f"{cloud}: {words}", trace=traceback.format_exc())


def convert_one(
    path: Path, order: Order, flattener: Flattener, take: Callable[[], Taken] | None = None
) -> list[Path]:  # fmt: skip
    """Read a cloud, flatten it and write what is ordered: all of it, or nothing.

    `take` reads it where it is none of a file: `path` then only names it. Raises CloudError, RecordingError,
    MotionError, OutputError, MissingPartError.
    """
    names = result_names(path, order)
    for name in names:
        if not order.overwrite and os.path.lexists(name):
            raise OutputError(f"{name}: is there already: choose another folder, or allow overwriting")
        if name.is_dir():
            raise OutputError(f"{name}: is a folder: choose another folder for the results")
    taken = Taken(read_cloud(path), order.attitude) if take is None else take()
    scans = flattener.flatten(taken.cloud, taken.attitude, taken.motion)
    if not order.pictures:
        return _write(path, scans, order, taken.attitude)
    staged = order.folder / f".{path.stem[:100]}.{secrets.token_hex(6)}.png"
    try:
        draw(
            staged, taken.cloud, scans, order.profile, taken.attitude, title=path.stem, floor=flattener.floor
        )  # fmt: skip
        with undisturbed():
            written = _write(path, scans, order, taken.attitude)
            staged.replace(names[-1])
    finally:
        staged.unlink(missing_ok=True)
    return [*written, names[-1]]


def _write(
    path: Path, scans: Mapping[str, Scan], order: Order, attitude: Attitude | None
) -> list[Path]:  # fmt: skip
    with undisturbed():
        return write_scans(
            order.folder / path.stem, scans, order.profile, order.formats,
            source=str(path), attitude=attitude, overwrite=order.overwrite,
        )  # fmt: skip


@contextmanager
def undisturbed() -> Iterator[None]:
    """Let Ctrl-C and termination wait until a set of files is whole."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    heard: list[int] = []
    both = (signal.SIGINT, signal.SIGTERM)
    before = [signal.signal(number, lambda number, _: heard.append(number)) for number in both]
    try:
        yield
    finally:
        for number, handler in zip(both, before, strict=True):
            signal.signal(number, handler)
        for caught in heard:
            signal.raise_signal(caught)


def draw(
    path: Path,
    cloud: Cloud,
    scans: Mapping[str, Scan],
    profile: Profile,
    attitude: Attitude | None,
    **choices: Any,
) -> None:
    """Draw a picture of a cloud and its scans, see `flatten.pictures.save_picture`."""
    from flatten.pictures import save_picture  # noqa: PLC0415 - the drawing library, only where asked for

    save_picture(path, cloud, scans, profile, attitude, **choices)


@contextmanager
def worker_pool(processes: int) -> Iterator[ProcessPoolExecutor]:
    """Give fresh worker processes; when left early, what runs is finished and the rest never begun."""
    context = multiprocessing.get_context("spawn")
    pool = ProcessPoolExecutor(processes, context, initializer=_start_worker)
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def submit_all(
    pool: ProcessPoolExecutor, function: Callable[..., Answer], calls: Iterable[tuple[Any, ...]]
) -> list[Future[Answer]]:
    """Hand calls to the pool; workers that begin meanwhile never hear a Ctrl-C, not even early on."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        return [pool.submit(function, *arguments) for arguments in calls]
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _start_worker() -> None:
    """Leave Ctrl-C to the parent, which sees to an orderly end; without a parent end at once."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    threading.Thread(target=_follow_parent, daemon=True).start()


def _follow_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@functools.lru_cache(maxsize=2)
def _own_flattener(profile: Profile) -> Flattener:
    """Make the flattener of a worker process, once."""
    return Flattener(profile)


def _outcome(done: Future[Outcome], cloud: Path) -> Outcome:
    try:
        return done.result()
    except BrokenProcessPool:
        return Outcome(cloud, error=f"{cloud}: a worker process died (out of memory?): use fewer --jobs")
