"""`python -m benchmarks [PART …]`: measure, write JSON, make tables and pictures from it."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from benchmarks import against, record


def speed() -> None:
    """Time a return: cases beside their baselines, records, threads; about 2½ minutes."""
    from benchmarks import speed as part

    told(record.write("speed", part.measure(), part.notes()))


def latency() -> None:
    """Message bytes to message bytes: median, p95, p99, worst; seconds."""
    from benchmarks import latency as part

    told(record.write("latency", part.measure()))


def memory() -> None:
    """What a warmed-up frame allocates; seconds."""
    from benchmarks import memory as part

    told(record.write("memory", part.measure()))


def startup() -> None:
    """Import, compile, load, first frame, resident memory; about 1 minute."""
    from benchmarks import startup as part

    told(record.write("startup", part.measure()))


def instructions() -> None:
    """Instructions a return, where valgrind is installed; about 1½ minutes."""
    from benchmarks import instructions as part

    told(record.write("instructions", part.measure(), part.notes()))


def curves() -> None:
    """Scaling curves; about 3 minutes."""
    from benchmarks import curves as part

    told(record.write("curves", part.measure()))


def clear() -> None:
    """What scans answer and what they wrongly call free; about 15 minutes, and only when it is named."""
    from benchmarks import false_free

    told(record.write("clear_defaults", false_free.clear_defaults()))
    told(record.write("false_free", [*false_free.measure("field"), *false_free.measure("clean")]))


def ground() -> None:
    """Rough ground, drops, a moving body; about 3 minutes, and only when it is named."""
    from benchmarks import ground as part

    told(record.write("ground", part.measure(), part.notes()))


def motion() -> None:
    """What motion, windows of frames and a fitted floor cost, walls while turning; about 2 minutes."""
    from benchmarks import motion as part

    told(record.write("motion", part.measure()))


def batch() -> None:
    """Whole recordings: cost, processes, memory; half an hour, 15 GB of disk, only when it is named."""
    from benchmarks import batch as part

    gigabytes = part.asked()
    told(record.write("batch", part.measure(gigabytes=gigabytes), part.notes(gigabytes)))


def mount() -> None:
    """Mounts from floors, and their stated errors; about 15 minutes, and only when it is named."""
    from benchmarks import mount as part

    told(record.write("mount", part.measure()))


def blind() -> None:
    """Blind zones from drives, and what they swallow; 15 to 30 minutes, and only when it is named."""
    from benchmarks import blind as part

    told(record.write("blind", part.measure()))


def tune() -> None:
    """Recommended slices on places they were not tuned on; about half an hour, and only when it is named."""
    from benchmarks import tune as part

    told(record.write("tune", part.measure()))


def map_() -> None:
    """Maps: right cells, what a scan costs, what drift they show; about 1½ minutes, only when it is named."""
    from benchmarks import map as part

    told(record.write("map", part.measure()))
    told(part.draw())


def recheck() -> None:
    """What a recheck tells of generated drives; about ten minutes, and only when it is named."""
    from benchmarks import recheck as part

    told(record.write("recheck", part.measure()))


def page() -> None:
    """How the page follows its sliders, and its picture; about 2 minutes, and only when it is named."""
    from benchmarks import page as part
    from benchmarks import page_picture

    told(record.write("page", part.measure()))
    told(page_picture.draw())


def boards() -> None:
    """Budgets of on-board computers, where emulator and LLVM tools are installed; 3 to 4 minutes."""
    from benchmarks import board_budgets as part

    told(record.write("boards", part.measure(), part.notes()))


def portability() -> None:
    """The same bits on other cores, emulated; about 2 minutes; exit code 1 where any differs."""
    from benchmarks import portability as part

    rows = part.measure()
    told(record.write("portability", rows, part.notes()))
    failed = part.failures(rows)
    if failed:
        raise SystemExit("\n".join(failed))


def pictures() -> None:
    """Draw the curves from their JSON, sample clouds in two ways, and the recorded drive."""
    from benchmarks import drawing as part

    for path in [*part.draw_all(), *part.draw_samples(), *part.draw_drive()]:
        told(path)


def tables() -> None:
    """Make the tables of the documents from the JSON."""
    from benchmarks import tables as part

    part.make_all()


PARTS: dict[str, Callable[[], None]] = {
    part.__name__.rstrip("_"): part
    for part in (
        speed, latency, memory, startup, instructions, curves, clear, ground, motion, batch, mount, blind,
        tune, page, recheck, map_, boards, portability, pictures, tables,
    )
}  # fmt: skip
LONG = ("clear", "ground", "batch", "mount", "blind", "tune", "page", "recheck", "map")
"""Parts that run only when they are named."""
SINGLE = ("speed", "latency", "memory", "instructions", "curves", "motion")
"""Parts with one JSON file of rows that `against` can compare."""


def told(path: Path) -> None:
    """Say what was written."""
    print(path, flush=True)


def compared(old: dict[str, Any], new: dict[str, Any], tolerance: float) -> int:
    """Print what got worse, one line a row; exit code 1 if anything did, 2 if nothing could be compared."""
    try:
        worse, notes, count = against.compare(old, new, tolerance)
    except ValueError as error:
        print(f"benchmarks: {error}", file=sys.stderr)
        return 2
    for line in notes:
        print(f"note: {line}")
    for line in worse:
        print(f"worse: {line}")
    print(f"{count} rows compared, {len(worse)} worse (ratios may grow by {tolerance:.0%})")
    return 1 if worse else 0 if count else 2


def read_or_complain(path: Path) -> dict[str, Any] | None:
    """Read a file of figures; None after a line that says why not."""
    try:
        return record.read_file(path)
    except (OSError, ValueError) as error:
        print(f"benchmarks: {path}: no figures of an earlier run: {error}", file=sys.stderr)
        return None


def parser() -> argparse.ArgumentParser:
    """What may be said on the command line."""
    lines = "\n".join(f"  {name:13} {part.__doc__}" for name, part in PARTS.items())
    made = argparse.ArgumentParser(
        prog="python -m benchmarks",
        description=f"Parts, in this order; if none is named, all but {', '.join(LONG)}:\n{lines}\n\n"
        "`against OLD [NEW]` compares two files; without NEW, the last run of the same part.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    made.add_argument("words", nargs="*", metavar="PART")
    made.add_argument("--against", type=Path, metavar="FILE", help="measure its part anew, then compare")
    made.add_argument("--tolerance", type=float, default=against.TOLERANCE, help="share a ratio may grow by")
    return made


def compare_files(words: list[str], tolerance: float) -> int:
    """`against OLD [NEW]`."""
    if not 1 <= len(words) <= 2:
        print("benchmarks: wanted: against OLD [NEW]", file=sys.stderr)
        return 2
    old = read_or_complain(Path(words[0]))
    if old is None:
        return 2
    newer = Path(words[1]) if len(words) > 1 else record.RESULTS / f"{old.get('part')}.json"
    new = read_or_complain(newer)
    return 2 if new is None else compared(old, new, tolerance)


def main(words: list[str]) -> int:
    """Run the parts named, or all but those of LONG, or compare."""
    asked = parser().parse_args(words)
    if asked.words[:1] == ["against"]:
        return compare_files(asked.words[1:], asked.tolerance)
    old = None
    if asked.against is not None:
        old = read_or_complain(asked.against)  # before the same file is written anew
        if old is None:
            return 2
        if old.get("part") not in SINGLE:
            print(
                f"benchmarks: {asked.against}: part {old.get('part')!r} cannot be compared", file=sys.stderr
            )
            return 2
    parts = asked.words or ([old["part"]] if old else [name for name in PARTS if name not in LONG])
    unknown = [name for name in parts if name not in PARTS]
    if unknown:
        print(f"benchmarks: unknown: {', '.join(unknown)}; known: {', '.join(PARTS)}", file=sys.stderr)
        return 2
    for name in parts:
        start = time.perf_counter()
        PARTS[name]()
        print(f"{name}: {time.perf_counter() - start:.0f} s", flush=True)
    return compared(old, record.read(old["part"]), asked.tolerance) if old else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
