"""The demo: sample clouds of a plant nursery to scans, pictures and a report, held against the truth.

The compiler is the slow part of a first start, drawing that of any later one. So helpers start at
once: one compiles a part of the kernels while this process compiles the other, all load the
drawing library, and then everybody draws.
"""

from __future__ import annotations

import statistics
import textwrap
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack
from dataclasses import dataclass, replace
from itertools import starmap
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flatten import jobs
from flatten.comparing import ALLOWED, SLICE, Check, Comparison, compare, compare_ways
from flatten.errors import FlattenError, MissingPartError, OutputError
from flatten.files import read_cloud, write_scans
from flatten.files.writing import write_all
from flatten.flattener import Flattener
from flatten.processor import cores
from flatten.profile import Profile
from flatten.samples import (
    LISTING,
    ROUGH_FOLDER,
    TRUTH,
    RoughSample,
    Sample,
    list_rough,
    list_samples,
    read_truth,
)
from flatten.scan import Scan
from flatten.warmup import fit_a_floor, warm_up_after_sweep

if TYPE_CHECKING:
    from flatten.pictures import Entry, PairEntry

Step = Callable[[str], None]


@dataclass(frozen=True)
class Demo:
    """What the demo made."""

    folder: Path
    clouds: int
    seconds: float
    """Median time to flatten a cloud."""
    check: Check
    """All scans against the truth."""
    pictures: int
    page: bool
    missing: tuple[str, ...]
    """Words about what could not be made, and what it needs."""
    denied: tuple[int, int]
    """HITs of the rough clouds that the truth denies: in the plainer way, and in the other."""


@dataclass(frozen=True)
class _Flattened:
    """One sample on its way to the report."""

    sample: Sample
    profile: Profile
    scans: Mapping[str, Scan]
    checks: Mapping[str, Check]
    seconds: float

    def write(self, folder: Path, overwrite: bool) -> None:
        """Write the scans into a folder."""
        _write(folder, self.sample, self.scans, self.profile, overwrite)

    def draw(self, picture: Path, overwrite: bool) -> None:
        """Draw one sample."""
        jobs.draw(
            picture, read_cloud(self.sample.cloud), self.scans, self.profile, self.sample.attitude,
            title=f"{self.sample.name}: {self.sample.shows}", overwrite=overwrite,
        )  # fmt: skip


@dataclass(frozen=True)
class _Compared:
    """One rough sample on its way to the report."""

    made: Comparison

    @property
    def sample(self) -> RoughSample:
        """The cloud."""
        return self.made.sample

    def write(self, folder: Path, overwrite: bool) -> None:
        """Write the scans of the last way into a folder."""
        last = self.made.outcomes[-1]
        _write(folder, self.sample, last.scans, last.profile, overwrite)

    def draw(self, picture: Path, overwrite: bool) -> None:
        """Draw both ways side by side."""
        draw_comparison(self.made, picture, overwrite)


_Drawn = _Flattened | _Compared


def run_demo(
    folder: Path,
    *,
    overwrite: bool = False,
    processes: int | None = None,
    step: Step = lambda name: None,
) -> Demo:
    """Fill a folder with the sample clouds and what becomes of them.

    `processes` are used (all cores, at most 4, if None); `step` is called with the name of each
    thing that is done, `steps()` times. A script keeps its own start under `if __name__ ==
    "__main__"`. Raises OutputError where the folder is not empty (unless `overwrite`) or cannot be
    written, MissingPartError where the sample clouds did not come along.
    """
    samples = _copy_samples(folder, overwrite)
    step("preparing; first time ~20 s")
    pens = jobs.can_draw()
    missing = "" if pens else "no pictures: they need matplotlib, pip install 'flatten[desk]'"
    with ExitStack() as stack:
        helpers = (min(cores(), 4) if processes is None else processes) - 1
        pool = stack.enter_context(jobs.worker_pool(helpers)) if helpers > 0 else None
        if pool is not None:
            jobs.submit_all(pool, _prepare, [(number == 0, pens) for number in range(helpers)])
        fit_a_floor()  # compiles its kernels, if need be, before those that the helper compiles are asked for
        done = list(_flatten_all(samples))
        rough = [_Compared(compare_ways(sample)) for sample in list_rough(folder / "clouds")]
        every: list[_Drawn] = [*done, *rough]
        tasks = [(one, _picture(folder, one), overwrite) for one in every if pens]
        drawn = _share(pool, 2 * helpers, tasks) if pool is not None else starmap(_draw, tasks)
        for one in every:
            one.write(folder / "scans", overwrite)
            step(one.sample.name)
        try:
            for picture in drawn:
                step(picture.name)
        except MissingPartError as error:
            missing = f"no pictures: {error}"
        if pool is not None:
            pool.shutdown(wait=False)  # the helpers leave while the report is written
        demo = _report(_summed(folder, done, rough, missing), done, rough, overwrite)
        step("report")
    return demo


def draw_comparison(made: Comparison, picture: Path, overwrite: bool = False) -> None:
    """Draw a rough sample in its ways side by side; raises as `flatten.pictures.save_pair` does."""
    from flatten.pictures import Side, save_pair  # noqa: PLC0415 - the drawing library

    sample = made.sample
    sides = [
        Side(
            one.way.name, one.cloud, one.scans, one.profile, sample.attitude, one.floor, one.wrong,
            tuple(f"{what}: {told}" for what, told in one.told.items()),
        )
        for one in made.outcomes
    ]  # fmt: skip
    save_pair(
        picture, sides, SLICE, title=f"{sample.name}: {sample.shows}", wrong_words=made.wrong_words,
        overwrite=overwrite,
    )  # fmt: skip


def steps() -> int:
    """Count the steps of the demo."""
    clouds = len(list_samples()) + len(list_rough())
    return 2 + clouds * (2 if jobs.can_draw() else 1)


def _copy_samples(folder: Path, overwrite: bool) -> tuple[Sample, ...]:
    """Copy clouds, profiles, list and truth into the folder, and give them there."""
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder}: is a file: name a folder for the demo")
    if not overwrite and folder.is_dir() and any(folder.iterdir()):
        raise OutputError(f"{folder}: is not empty: name another folder, or use --overwrite")
    samples = list_samples()
    place = folder / "clouds"
    for name in (f"clouds/{ROUGH_FOLDER}", "scans", "pictures"):
        jobs.make_folder(folder / name)
    source = samples[0].cloud.parent
    files = {one.cloud for one in samples} | {one.profile for one in samples}
    files |= {source / LISTING, source / TRUTH}
    files |= set((source / ROUGH_FOLDER).iterdir())
    write_all([(place / file.relative_to(source), _copier(file)) for file in sorted(files)], overwrite)
    return list_samples(place)


def _copier(file: Path) -> Callable[[Any], None]:
    def fill(stream: Any) -> None:
        stream.write(file.read_bytes())

    return fill


def _flatten_all(samples: tuple[Sample, ...]) -> Iterator[_Flattened]:
    """Flatten every sample and compare its scans with the truth."""
    flatteners: dict[Path, Flattener] = {}
    for sample in samples:
        if sample.profile not in flatteners:
            flatteners[sample.profile] = Flattener(Profile.load(sample.profile))
        flattener = flatteners[sample.profile]
        cloud = read_cloud(sample.cloud)
        start = time.perf_counter()
        scans = flattener.flatten(cloud, sample.attitude)
        seconds = time.perf_counter() - start
        truth = read_truth(sample)
        checks = {name: compare(scan, truth[name]) for name, scan in scans.items()}
        yield _Flattened(sample, flattener.profile, scans, checks, seconds)


def _picture(folder: Path, one: _Drawn) -> Path:
    return folder / "pictures" / f"{one.sample.name}.png"


def _write(
    folder: Path, sample: Sample, scans: Mapping[str, Scan], profile: Profile, overwrite: bool
) -> None:
    write_scans(
        folder / sample.name, scans, profile, ("npz", "csv"),
        source=str(sample.cloud), attitude=sample.attitude, overwrite=overwrite,
    )  # fmt: skip


def _prepare(compile_too: bool, pens: bool) -> None:
    """Get a helper ready while the main process is still busy with floor and sweep."""
    if compile_too:
        warm_up_after_sweep()
    if pens:
        from flatten import pictures  # noqa: F401, PLC0415
        from flatten.pictures.parts import load_matplotlib  # noqa: PLC0415

        load_matplotlib("backends.backend_agg")


def _draw(one: _Drawn, picture: Path, overwrite: bool) -> Path:
    """Draw one sample; a job of a helper."""
    one.draw(picture, overwrite)
    return picture


def _share(pool: ProcessPoolExecutor, ahead: int, tasks: list[tuple[Any, ...]]) -> Iterator[Path]:
    """Draw the last pictures here while the helpers draw the first; gives each as it gets done.

    `ahead` are handed to the helpers at a time. Nothing handed over is ever taken back: a pool that
    breaks with a cancelled job in it never ends (CPython 3.11).
    """
    left, handed = deque(tasks), set[Future[Path]]()
    try:
        while left:
            for _ in range(min(ahead - len(handed), len(left))):
                handed |= set(jobs.submit_all(pool, _draw, [left.popleft()]))
            if left:
                yield _draw(*left.pop())
            for done in [one for one in handed if one.done()]:
                handed.remove(done)
                yield done.result()
        for future in as_completed(handed):
            yield future.result()
    except BrokenProcessPool as error:
        raise FlattenError("a drawing process died (out of memory?): free some, and try again") from error


def _summed(folder: Path, done: list[_Flattened], rough: list[_Compared], missing: str) -> Demo:
    total = Check(0, 0, 0, 0)
    for one in done:
        for check in one.checks.values():
            total += check
    seconds = statistics.median(one.seconds for one in done)
    count = len(done) + len(rough)
    pictures = 0 if missing else count
    plainer, other = (sum(int(one.made.outcomes[k].wrong.sum()) for one in rough) for k in (0, -1))
    lacking = (missing,) if missing else ()
    return Demo(folder, count, seconds, total, pictures, False, lacking, (plainer, other))


def _report(demo: Demo, done: list[_Flattened], rough: list[_Compared], overwrite: bool) -> Demo:
    """Write the report as text and, where the page library is there, as a page."""
    from flatten.pictures import report_text, write_report  # noqa: PLC0415 - nothing below needs it

    drawn = demo.pictures > 0
    entries = [_entry(one, _picture(demo.folder, one) if drawn else None) for one in done]
    pairs = [_pair(one, _picture(demo.folder, one) if drawn else None) for one in rough]
    head = [textwrap.fill(words, 96) for words in (*truth_words(demo.check), rough_words(demo))]
    text = "\n\n".join((*head, report_text(entries, pairs)))
    write_all([(demo.folder / "report.txt", lambda stream: _put(stream, text))], overwrite)
    profiles = list({one.sample.profile: one.profile for one in done}.values())
    try:
        write_report(
            demo.folder / "report.html", entries, profiles,
            title="A plant nursery, flattened", note=" ".join(truth_words(demo.check)), pairs=pairs,
            pairs_note=rough_words(demo), overwrite=overwrite,
        )  # fmt: skip
    except MissingPartError as error:
        return replace(demo, missing=(*demo.missing, f"no page: {error}"))
    return replace(demo, page=True)


def _put(stream: Any, text: str) -> None:
    stream.write(text.encode())


def _pair(one: _Compared, picture: Path | None) -> PairEntry:
    from flatten.pictures import PairEntry  # noqa: PLC0415

    return PairEntry(
        one.sample.cloud.name, one.sample.shows, tuple(way.name for way in one.sample.ways),
        tuple((figure.words, figure.values) for figure in one.made.figures), one.sample.attitude, picture,
    )  # fmt: skip


def _entry(one: _Flattened, picture: Path | None) -> Entry:
    from flatten.pictures import Entry, TruthCheck  # noqa: PLC0415

    truth = {
        name: TruthCheck(check.within, check.hits - check.within, check.broken)
        for name, check in one.checks.items()
        if check.broken is not None
    }
    return Entry(
        one.sample.cloud.name, one.scans, one.sample.attitude, one.sample.sensor, one.sample.shows,
        picture, one.seconds, truth, one.sample.profile.name,
    )  # fmt: skip


def truth_words(check: Check) -> tuple[str, ...]:
    """Say what the comparison with the truth came to, in sentences."""
    words = [
        f"{check.within:,} of {check.hits:,} HIT lie between the true surfaces of their bins, {ALLOWED:g} m "
        "granted for noise; the others are dust, beams split at edges, and the slope of the ramp."
    ]
    if check.broken is not None:
        words.append(
            f"{check.broken:,} of {check.clear:,} CLEAR bins hold what CLEAR rules out: a thing that stands "
            "on the floor, is tall enough and fills the bin."
        )
    return tuple(words)


def rough_words(demo: Demo) -> str:
    """Say what the second way of the rough clouds made of the HITs that the truth denies, in a sentence."""
    plainer, other = demo.denied
    return (
        f"On rough ground and from a body that moves {plainer:,} HIT are denied by the truth in the plainer "
        f"way and {other:,} in the other: floor, or a surface that is not there. They are crossed out in the "
        "pictures."
    )
