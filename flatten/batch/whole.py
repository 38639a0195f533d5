"""Recordings to results: plan, flatten what is missing piece by piece, join, account for it."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flatten.batch import runners
from flatten.batch.manifest import read_json
from flatten.batch.order import FORMATS, Order, Piece
from flatten.batch.work import Work, do_piece, finish, is_finished, manifest_path, result_path, take_up
from flatten.errors import FlattenError, OutputError
from flatten.flattener import Flattener
from flatten.jobs import make_folder

Tell = Callable[[int, str], None]
"""Hears how many clouds are done, and of which recording."""


@dataclass(frozen=True)
class Outcome:
    """What became of one recording."""

    source: Path
    result: Path | None = None
    manifest: dict[str, Any] | None = None
    earlier: bool = False
    """Whether an earlier run had finished it already."""
    kept: int = 0
    """Pieces that an earlier run had left."""
    error: str = ""
    """Why it failed, in one line; "" where it did not."""
    trace: str = ""
    """Where in the code it failed, for an error that nobody foresaw."""


class Batch:
    """A run over recordings: what is to be done is known once it is made, and done by `run`."""

    def __init__(self, sources: Sequence[Path], order: Order) -> None:
        if order.format not in FORMATS:
            raise OutputError(f"format {order.format}: use one of {', '.join(FORMATS)}")
        make_folder(order.folder)
        self.order = order
        self.works: list[Work] = []
        self.outcomes: list[Outcome] = []
        """Recordings that need no work: finished earlier, or not to be read."""
        names: dict[str, Path] = {}
        for source in sources:
            name = source.resolve().stem if source.is_file() else source.resolve().name
            self._take_up(source, name, names.setdefault(name, source))

    def _take_up(self, source: Path, name: str, first: Path) -> None:
        order = self.order
        try:
            if first is not source:
                raise OutputError(
                    f"{source}: would become {name}, as {first} does: flatten it into another folder"
                )
            if source.exists() and is_finished(order, source, name):
                told = read_json(manifest_path(order, name))
                self.outcomes.append(Outcome(source, result_path(order, name), told, earlier=True))
                return
            self.works.append(take_up(order, source, name))
        except Exception as error:
            self.outcomes.append(failed(source, error))

    @property
    def clouds(self) -> int:
        """Clouds in all recordings that need work."""
        return sum(work.plan.clouds for work in self.works)

    def run(self, jobs: int = 1, cluster: str | None = None, tell: Tell | None = None) -> Iterator[Outcome]:
        """Do the work; yields an outcome a recording as each gets done.

        Parameters
        ----------
        jobs:
            Processes of this machine. The results do not depend on it.
        cluster:
            Address of a Dask scheduler whose workers do the work instead.
        tell:
            Hears of every piece that is done.

        Whatever goes wrong with a recording becomes words in its outcome. Raises MissingPartError and
        FlattenError where there is no such cluster.
        """
        yield from self.outcomes
        if not self.works:
            return
        tell = tell or (lambda clouds, name: None)
        for work in self.works:
            tell(work.clouds, work.plan.name)
        Flattener(self.order.profile)  # compiles, if need be, once for all processes
        calls = [(work, piece) for work in self.works for piece in work.missing]
        left = {work.plan.name: len(work.missing) for work in self.works}
        errors: dict[str, Exception] = {}
        how = {"jobs": jobs, "cluster": cluster}
        yield from (self._finish(work, how) for work in self.works if not left[work.plan.name])
        for number, answer in _run(calls, jobs, cluster, lambda k: calls[k][0].plan.name not in errors):
            work, piece = calls[number]
            name = work.plan.name
            left[name] -= 1
            if isinstance(answer, Exception):
                errors.setdefault(name, answer)
            elif piece is not None and answer is not None:
                work.accounts[piece.number] = answer
                tell(answer["clouds"], name)
            if not left[name]:
                yield failed(work.plan.source, errors[name]) if name in errors else self._finish(work, how)
                work.lock.close()

    def _finish(self, work: Work, how: dict[str, Any]) -> Outcome:
        source = work.plan.source
        try:
            told = finish(work, how)
        except Exception as error:
            return failed(source, error)
        finally:
            work.lock.close()
        if not told["flattened"]:
            why = told["skipped"][0]["why"] if told["skipped"] else "it has no clouds"
            return Outcome(
                source, error=f"{source}: none of its {told['clouds']} clouds was flattened: {why}"
            )
        return Outcome(source, result_path(self.order, work.plan.name), told, kept=work.kept)


def run_batch(
    sources: Sequence[Path], order: Order, jobs: int = 1, cluster: str | None = None, tell: Tell | None = None
) -> Generator[Outcome, None, None]:
    """Flatten recordings; yields an outcome a recording. See `Batch.run`.

    A script that asks for several processes keeps its own start under `if __name__ == "__main__"`, as the
    multiprocessing module wants it.
    """
    yield from Batch(sources, order).run(jobs, cluster, tell)


def _run(
    calls: Sequence[tuple[Work, Piece | None]],
    jobs: int,
    cluster: str | None,
    is_wanted: Callable[[int], bool],
) -> Iterator[tuple[int, Any]]:
    made = [(work.order, work.plan.for_workers(), piece, work.folder) for work, piece in calls]
    if cluster is not None:
        return runners.on_cluster(do_piece, made, cluster)
    if jobs > 1 and len(made) > 1:
        return runners.in_processes(do_piece, made, jobs)
    return runners.here(do_piece, made, is_wanted)


def failed(source: Path, error: BaseException) -> Outcome:
    """Turn whatever went wrong into words."""
    if isinstance(error, FlattenError):
        words = str(error)
        return Outcome(source, error=words if str(source) in words else f"{source}: {words}")
    if isinstance(error, MemoryError):
        return Outcome(source, error=f"{source}: does not fit into memory: use fewer --jobs")
    words = " ".join(f"{type(error).__name__}: {error}".split())
    trace = "".join(traceback.format_exception(error))
    return Outcome(source, error=f"{source}: {words}", trace=trace)
