"""The host program around retargeted kernels: built for a processor, run here or in its emulator, counted."""

from __future__ import annotations

import platform
import shutil
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numba
import numpy as np
import numpy.typing as npt

from benchmarks import native_call
from benchmarks.compiled import SOURCES
from benchmarks.recorded import Call
from benchmarks.retarget import Code, Target

NATIVE_COMPILER = "gcc"
FLAGS = ("-O2", "-std=gnu11", "-static", "-no-pie", "-ffp-contract=off")
"""Static, so that the emulator needs no libraries and addresses are those of the file; no contraction,
so that the host's arithmetic is the same everywhere."""
PACKAGES = "qemu-user, gcc-aarch64-linux-gnu, libc6-dev-arm64-cross and llvm (16 or later)"
LEAST_LLVM, NEWEST_LLVM = 16, 40
LIBRARY = ("atan2", "hypot", "sin", "cos")
"""Functions of the C library in the host's order: two of a pair, two of its first number."""
Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Program:
    """A host program with kernels in it."""

    path: Path
    target: Target

    def room(self, name: str) -> Path:
        """A file beside it, for what it reads and writes."""
        return self.path.with_name(name)


@dataclass(frozen=True)
class Stretch:
    """What one call did."""

    kernel: str
    instructions: int
    """All of them, those of the C library too."""
    touched: int
    """Cache lines of 64 bytes that were read or written, each counted once."""
    written: int
    """Those of them that were written."""


@dataclass(frozen=True)
class Counted:
    """What a run of calls did."""

    stretches: tuple[Stretch, ...]
    executions: dict[int, int]
    """How often the instruction at an address of the kernels' own code was executed."""


def compiler(target: Target) -> str:
    """The C compiler for a target."""
    return NATIVE_COMPILER if target.machine == platform.machine() else f"{target.machine}-linux-gnu-gcc"


def emulator(target: Target) -> str:
    """The emulator for a target."""
    return f"qemu-{target.machine}"


def llvm_tool(name: str) -> str | None:
    """The newest of LLVM's tools of this name that is installed, or None."""
    for version in range(NEWEST_LLVM, LEAST_LLVM - 1, -1):
        if shutil.which(f"{name}-{version}"):
            return f"{name}-{version}"
    return None


def missing(targets: Sequence[Target], tools: Sequence[str] = ()) -> str:
    """Why these targets and LLVM tools cannot be used here; empty if they can."""
    if numba.config.DISABLE_JIT:
        return "NUMBA_DISABLE_JIT is set"
    programs = {name for target in targets for name in (compiler(target), emulator(target))}
    absent = [name for name in sorted(programs | {NATIVE_COMPILER}) if shutil.which(name) is None]
    absent += [name for name in tools if llvm_tool(name) is None]
    if sys.byteorder != "little":
        absent.append("little-endian machine")
    return f"there is no {', no '.join(absent)} here (Debian: {PACKAGES})" if absent else ""


def built(codes: Sequence[Code], target: Target, folder: Path) -> Program:
    """Link kernels and the host program for a target."""
    objects = []
    for code in codes:
        path = folder / f"{code.kernel}.o"
        path.write_bytes(code.object)
        objects.append(str(path))
    program = folder / "host"
    kernels = " ".join(f"X({code.kernel})" for code in codes)
    source = str(SOURCES / "host.c")
    done([compiler(target), *FLAGS, f"-DKERNELS={kernels}", source, *objects, "-o", str(program), "-lm"])
    return Program(program, target)


def built_plugin(folder: Path) -> Path:
    """The emulator's counter."""
    plugin = folder / "count_plugin.so"
    done([NATIVE_COMPILER, "-O2", "-shared", "-fPIC", str(SOURCES / "count_plugin.c"), "-o", str(plugin)])
    return plugin


def done(words: Sequence[str]) -> str:
    """Run a command and give what it printed; raise RuntimeError with what it complained about."""
    ended = subprocess.run(words, capture_output=True, text=True, check=False)
    if ended.returncode:
        raise RuntimeError(f"{' '.join(words[:3])} …: {ended.stderr.strip()[-2000:]}")
    return ended.stdout


def timed(program: Program, calls: Sequence[Call], repeats: int) -> list[tuple[str, Numbers]]:
    """Run calls on this machine's processor: kernel and nanoseconds of each run, for each call."""
    given, answers = program.room("calls"), program.room("answers")
    given.write_bytes(native_call.written(calls))
    lines = done([str(program.path), str(given), str(answers), str(repeats)]).split("\n")
    took = np.array([float(line.split()[1]) for line in lines if line]).reshape(len(calls), repeats)
    return [(call.kernel, row) for call, row in zip(calls, took, strict=True)]


def clock(program: Program) -> float:
    """The clock of this machine in GHz, while the processor is at work."""
    return float(done([str(program.path), "-clock"]))


def emulated(program: Program, words: Sequence[str], plugin: str = "") -> str:
    """Run a host program in its target's emulator."""
    more = ["-plugin", plugin] if plugin else []
    return done([emulator(program.target), "-cpu", "max", *more, str(program.path), *words])


def answered(program: Program, calls: Sequence[Call], plugin: str = "") -> bytes:
    """What calls left behind in the emulator."""
    given, answers = program.room("calls"), program.room("answers")
    given.write_bytes(native_call.written(calls))
    emulated(program, [str(given), str(answers), "1"], plugin)
    return answers.read_bytes()


def counted(program: Program, calls: Sequence[Call], counter: Path) -> tuple[Counted, bytes]:
    """Instructions of calls in the emulator, and what the calls left behind."""
    symbols, out = addresses(program), program.room("counted")
    kernels = {name: at for name, at in symbols.items() if name.startswith(("kernel_", "run_"))}
    wanted = {
        "begins": symbols["count_begins"][0], "ends": symbols["count_ends"][0],
        "low": min(at[0] for at in kernels.values()), "high": max(at[1] for at in kernels.values()),
    }  # fmt: skip
    told = ",".join(f"{name}={value:#x}" for name, value in wanted.items())
    answers = answered(program, calls, f"{counter},{told},out={out}")
    return read_counts(out.read_text(), [call.kernel for call in calls]), answers


def read_counts(text: str, kernels: Sequence[str]) -> Counted:
    """Understand what the counter wrote; raises ValueError where it counted other calls than these."""
    totals: list[list[int]] = []
    executions: dict[int, int] = {}
    for line in text.splitlines():
        first, *counts = line.split()
        if first == "stretch":
            totals.append([int(count) for count in counts])
        else:
            address = int(first, 16)
            executions[address] = executions.get(address, 0) + int(counts[0])
    stretches = (Stretch(kernel, *counts) for kernel, counts in zip(kernels, totals, strict=True))
    return Counted(tuple(stretches), executions)


def addresses(program: Program) -> dict[str, tuple[int, int]]:
    """First and last address of the host program's functions, by name."""
    lister = llvm_tool("llvm-nm")
    if lister is None:
        raise RuntimeError("there is no llvm-nm here")
    found = {}
    for line in done([lister, "--print-size", "--defined-only", str(program.path)]).splitlines():
        words = line.split()
        if len(words) == 4 and words[2] in "tT":
            found[words[3]] = (int(words[0], 16), int(words[0], 16) + int(words[1], 16))
    return found


def outside(program: Program, kernel: str) -> list[str]:
    """The functions that a kernel's machine code calls and does not contain."""
    lister = llvm_tool("llvm-nm")
    if lister is None:
        raise RuntimeError("there is no llvm-nm here")
    lines = done([lister, "--undefined-only", "--just-symbol-name", str(program.room(f"{kernel}.o"))])
    return sorted(lines.split())


def library(program: Program, pairs: Numbers) -> Numbers:
    """LIBRARY of pairs (n, 2), a column each, by the C library that the program is linked with."""
    given, answers = program.room("pairs"), program.room("values")
    given.write_bytes(np.ascontiguousarray(pairs, "<f8").tobytes())
    emulated(program, ["-library", str(given), str(answers)])
    return np.frombuffer(answers.read_bytes(), "<f8").reshape(len(pairs), len(LIBRARY))
