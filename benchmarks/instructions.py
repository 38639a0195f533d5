"""Instructions a return, counted by valgrind (callgrind): the same on a busy machine as on an idle one.

Counted is code for a fixed processor class on x86-64 (AVX2; valgrind knows no AVX-512), so that figures
of different machines can be compared. The library compiles natively first; valgrind then runs what
was kept. What a frame costs is the difference between many frames and few, in one process; what a
return costs is the difference between frames of a cloud and of its first half.
"""

from __future__ import annotations

import ctypes
import os
import platform
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from benchmarks import clouds, compiled
from benchmarks.frames import CASES

RETURNS, FEW, MANY = 20_000, 2, 12
LABELS = {
    "bare": "one slice, ranges only",
    "four": "four slices in one pass",
    "full": "everything",
    "plain": compiled.NAMES["plain"],
    "blocked": compiled.NAMES["blocked"],
    "sieved": compiled.NAMES["sieved"],
}
FIXED = {
    "NUMBA_CPU_NAME": "haswell",
    "NUMBA_CPU_FEATURES": "+avx2,+fma,+bmi,+bmi2,+popcnt,+lzcnt,+f16c",
    "FLATTEN_CPP_TARGET": "haswell",
}


def notes() -> list[str]:
    """Why nothing can be counted here; empty if it can."""
    missing = [name for name in ("valgrind", compiled.COMPILER) if shutil.which(name) is None]
    if missing:
        return [f"instructions: left out, there is no {' and no '.join(missing)} here"]
    return []


def measure(returns: int = RETURNS) -> list[dict[str, Any]]:
    """A row a case and order; nothing where valgrind or the compiler is missing."""
    if notes():
        return []
    fixed = FIXED if platform.machine() in ("x86_64", "AMD64") else {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        build(folder)
        environment = {**os.environ, **fixed, "NUMBA_CACHE_DIR": str(folder / "kernels")}
        environment["PYTHONPATH"] = os.pathsep.join(filter(None, sys.path))
        words = [sys.executable, "-m", "benchmarks.instructions", str(folder), str(returns)]
        counter = [
            "valgrind", "--tool=callgrind", "--instr-atstart=no", "--combine-dumps=no",
            f"--callgrind-out-file={folder}/counted",
        ]  # fmt: skip
        for command in (words, [*counter, *words]):
            subprocess.run(command, env=environment, check=True, capture_output=True, text=True)
        counted = {label: count for path in folder.glob("counted*") for label, count in totals(path)}
    return rows_of(counted, returns)


def rows_of(counted: dict[str, int], returns: int) -> list[dict[str, Any]]:
    """Instructions a return, and those of a frame that come on top, from what was counted."""
    rows = []
    for case, order in jobs():
        whole, half = (
            (counted[f"{case}/{order}/{n}/{MANY}"] - counted[f"{case}/{order}/{n}/{FEW}"]) / (MANY - FEW)
            for n in (returns, returns // 2)
        )
        each = (whole - half) / (returns - returns // 2)
        labels = {"group": "instructions", "case": LABELS[case], "returns": returns, "order": order}
        rows.append(
            {
                **labels,
                "instructions": each,
                "frame": whole - each * returns,
                "yardstick": LABELS[case] in compiled.NAMES.values(),
            }
        )
    return rows


def totals(path: Path) -> list[tuple[str, int]]:
    """The label and the count of one file that callgrind wrote; nothing for its last, unlabelled one."""
    text = path.read_text(errors="replace")
    label = re.search(r"^desc: Trigger: Client Request: (.+)$", text, re.MULTILINE)
    total = re.search(r"^(?:totals|summary): (\d+)", text, re.MULTILINE)
    return [(label[1].strip(), int(total[1]))] if label and total else []


def jobs() -> list[tuple[str, str]]:
    """Cases and orders that are counted."""
    return [(case, order) for order in clouds.ORDERS[:2] for case in CASES]


def build(folder: Path) -> None:
    """Compile what talks to the counter."""
    source, library = compiled.SOURCES / "count.cpp", folder / "count.so"
    subprocess.run(
        [compiled.COMPILER, "-O1", "-shared", "-fPIC", str(source), "-o", str(library)],
        check=True,
        capture_output=True,
        text=True,
    )


def main(words: list[str]) -> int:
    """Run every job with few and with many frames, and have the counter write each down."""
    folder, returns = Path(words[0]), int(words[1])
    counter = ctypes.CDLL(str(folder / "count.so"))
    runs = {
        f"{case}/{order}/{n}": CASES[case](clouds.room(returns, order)[:n])
        for case, order in jobs()
        for n in (returns, returns // 2)
    }
    for run in runs.values():
        run()
    counter.start_counting()
    for label, run in runs.items():
        run()
        for frames in (FEW, MANY):
            counter.write_down(b"between")
            for _ in range(frames):
                run()
            counter.write_down(f"{label}/{frames}".encode())
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
