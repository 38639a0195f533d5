"""What a frame costs on a class of on-board computers, from the code itself: counted, modelled, measured.

For each core the kernels are compiled from their own LLVM code (`retarget`) and run in an emulator on a
real frame, instruction by instruction (`emulator`): every figure begins with a *count*. Then

- **vector loops** are *modelled*: executions × the cycles that LLVM's static model of the core gives;
- **the rest** (scatter, lists, beams, the exact half, the C library) is not to be trusted to a static model,
  which knows no cache, no wrong guess at a branch and no wait for a store. It is *measured* here, kernel
  by kernel: time × clock − vector loops. Two ways lead from there to the other core: by *width*,
  instructions a cycle in proportion to what the cores take in one; and by *model*, cycles in
  proportion to what the static models say of the same blocks. Smaller and larger answer are the range;
- **memory** is a bound: every cache line that a call touches comes from memory once, and those
  written go back. The slower of it and the core counts;
- **a call's cost on top** (Python, tables) is measured here and *assumed* to go by width.

The method's own error is told beside it: the same for this machine, where the rest of each set of stages
is told from the other sets only, against what was measured.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchmarks import board_classes, board_parts, clouds, emulator, recorded, retarget, vector_sample
from benchmarks.board_classes import Board
from benchmarks.board_parts import ByKernel, Counting, Frames
from benchmarks.recorded import STAGES, frame
from benchmarks.retarget import Target

RETURNS = 20_000
ROUNDS, REPEATS, CALLS = 7, 15, 15
LOADS = {"10 Hz": (200_000, 10), "20 Hz": (2_600_000, 20)}
"""Returns and frames a second."""
TOOLS = ("llvm-nm", "llvm-objdump", "llvm-mca")
STATIC = "haswell"
"""What this machine's code is compiled for where it has vectors that the emulator does not know."""
SAMPLE = "sample"


@dataclass
class Measured:
    """Nanoseconds of a frame on this machine, in the quietest round."""

    kernels: dict[str, float] = field(default_factory=dict)
    overhead: float = float("inf")
    """Of the call from Python, outside the kernels."""

    def take(self, kernels: dict[str, float], overhead: float) -> None:
        """Keep what is quicker than before: a busy neighbour only ever slows down."""
        self.kernels = {name: min(ns, self.kernels.get(name, ns)) for name, ns in kernels.items()}
        self.overhead = min(overhead, self.overhead)


@dataclass(frozen=True)
class Here:
    """What a set of stages costs on this machine, in cycles."""

    parts: ByKernel
    cycles: dict[str, float]
    """By kernel."""
    overhead: float
    """Of a frame, outside the kernels."""

    def rest(self, kernel: str) -> float:
        """Measured without the vector loops; at least a tenth, should the model have these too slow."""
        return max(self.cycles[kernel] - self.parts[kernel].vector_cycles, 0.1 * self.cycles[kernel])

    @property
    def total(self) -> float:
        """Of all kernels."""
        return sum(self.cycles.values())


def notes() -> list[str]:
    """Why there can be no budgets here; empty if there can."""
    targets = [board.target for board in board_classes.boards()]
    absent = emulator.missing([*targets, this_target()], TOOLS)
    return [f"boards: left out, {absent}"] if absent else []


def this_target() -> Target:
    """The processor of this machine, without the vectors that the emulator does not know."""
    here = retarget.here()
    return Target(here.triple, STATIC, retarget.PERMUTING) if "+avx512f" in here.features.split(",") else here


def measure(returns: int = RETURNS) -> list[dict[str, Any]]:
    """Rows of three kinds: `error`, how far the method is off on this machine; `here`; and `board`."""
    if notes():
        return []
    xyz = clouds.room(returns)
    frames = {name: frame(stages, xyz) for name, stages in STAGES.items()}
    timed = {**frames, SAMPLE: [vector_sample.call()]}
    recorded_calls = [call for calls in timed.values() for call in calls]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        plugin, model = emulator.built_plugin(folder), retarget.here().cpu
        target = this_target()
        sources = retarget.sources(recorded_calls, target)
        counting = board_parts.counting(sources, target, model, plugin, folder / "here")
        here = all_here(counting, timed, xyz)
        sample = here.pop(SAMPLE)
        rows = [sample_row(sample), *error_rows(here, returns)]
        rows += [here_row(key, here[key], returns, counting.width, model) for key in frames]
        for board in board_classes.boards():
            room = folder / board.target.cpu
            sources = retarget.sources(recorded_calls, board.target)
            other = board_parts.counting(sources, board.target, board.model, plugin, room)
            for key, calls in frames.items():
                rows.append(board_row(board, key, other.parts(calls), here[key], counting.width, returns))
    return rows


def all_here(counting: Counting, frames: Frames, xyz: Any) -> dict[str, Here]:
    """Count and time every frame on this machine."""
    parts = {key: counting.parts(calls) for key, calls in frames.items()}
    took = {key: Measured() for key in frames}
    clock = 0.0
    for _ in range(ROUNDS):
        clock = max(clock, emulator.clock(counting.program))
        for key, calls in frames.items():
            kernels: dict[str, float] = dict.fromkeys(parts[key], 0.0)
            for name, samples in emulator.timed(counting.program, calls, REPEATS):
                kernels[name] += float(statistics.median(samples.tolist()))
            took[key].take(kernels, outside(key, xyz) if key in STAGES else 0.0)
    made = {}
    for key, measured in took.items():
        cycles = {name: clock * ns for name, ns in measured.kernels.items()}
        made[key] = Here(parts[key], cycles, clock * measured.overhead)
    return made


def outside(key: str, xyz: Any) -> float:
    """Nanoseconds of a call from Python that it spends outside the kernels."""
    stages, samples, inside = STAGES[key], [], 0
    flattener = stages.flattener()

    def timed(_name: str, kernel: Any) -> Callable[..., Any]:
        def run(*arguments: Any) -> Any:
            nonlocal inside
            start = time.process_time_ns()
            result = kernel(*arguments)
            inside += time.process_time_ns() - start
            return result

        return run

    with recorded.replaced(timed):
        for _ in range(CALLS):
            inside, start = 0, time.process_time_ns()
            flattener.flatten(xyz, stages.attitude)
            samples.append(time.process_time_ns() - start - inside)
    return float(statistics.median(samples))


def sample_row(sample: Here) -> dict[str, Any]:
    """The static model against the clock, for a loop that is nothing but vectors."""
    (parts,) = sample.parts.values()
    n = vector_sample.ROW * vector_sample.ROUNDS
    cycles = (parts.vector_cycles + parts.rest_cycles) / n
    return {
        "group": "error", "case": "a vector loop, by model", "measured": sample.total / n,
        "cycles": [cycles, cycles], "static": cycles, "vectors": 1.0 - parts.rest / parts.instructions,
    }  # fmt: skip


def error_rows(here: dict[str, Here], returns: int) -> Iterator[dict[str, Any]]:
    """Each set of stages on this machine, its rest told from the other sets only, against the clock."""
    for key, mine in here.items():
        others = [other for name, other in here.items() if name != key]
        by_width = by_model = static = 0.0
        for kernel, parts in mine.parts.items():
            alike = [(other, name) for other in others for name in other.parts]
            alike = [pair for pair in alike if pair[1] == kernel] or alike
            measured = sum(other.rest(name) for other, name in alike)
            by_width += parts.rest * measured / sum(other.parts[name].rest for other, name in alike)
            modelled = sum(other.parts[name].rest_cycles for other, name in alike)
            by_model += parts.rest_cycles * measured / modelled
            static += parts.rest_cycles
        vectors = sum(parts.vector_cycles for parts in mine.parts.values())
        yield {
            "group": "error", "case": STAGES[key].label, "measured": mine.total / returns,
            "cycles": [(vectors + rest) / returns for rest in sorted((by_width, by_model))],
            "static": (vectors + static) / returns, "vectors": vectors / mine.total,
        }  # fmt: skip


def here_row(key: str, here: Here, returns: int, width: int, model: str) -> dict[str, Any]:
    """What was measured on this machine, and what the other cores are told from."""
    kernels = {
        kernel: {
            "cycles": here.cycles[kernel] / returns,
            "vector_cycles": parts.vector_cycles / returns,
            "instructions": parts.instructions / returns,
            "rest_instructions_a_cycle": parts.rest / here.rest(kernel),
            "rest_measured_to_model": here.rest(kernel) / parts.rest_cycles,
        }
        for kernel, parts in here.parts.items()
    }
    return {
        "group": "here", "case": STAGES[key].label, "model": model, "width": width,
        "cycles": here.total / returns, "overhead_cycles": here.overhead, "kernels": kernels,
    }  # fmt: skip


def board_row(
    board: Board, key: str, parts: ByKernel, here: Here, width: int, returns: int
) -> dict[str, Any]:
    """A set of stages on a core."""
    wider = width / board.width
    by_width = sum(told(here, name, "rest") * part.rest * wider for name, part in parts.items())
    by_model = sum(told(here, name, "rest_cycles") * part.rest_cycles for name, part in parts.items())
    vectors, traffic = total(parts, "vector_cycles"), total(parts, "traffic")
    cycles = [(vectors + rest) / returns for rest in sorted((by_width, by_model))]
    clock, bandwidth = board.clock_ghz[0], board.memory_gb_s[0]
    memory = traffic / returns / bandwidth
    ns = [max(each / clock, memory) for each in cycles]
    call = here.overhead * wider / clock
    return {
        "group": "board", "core": board.core, "case": STAGES[key].label, "model": board.model,
        "own_model": board.own_model, "clock_ghz": clock, "memory_gb_s": bandwidth,
        "instructions": total(parts, "instructions") / returns, "vector_cycles": vectors / returns,
        "rest_by_width": by_width / returns, "rest_by_model": by_model / returns,
        "cycles": cycles, "ns": ns, "memory_ns": memory, "overhead_us": call / 1e3,
        "bound": "memory" if memory > cycles[1] / clock else "core",
        "load": {name: [load(each, call, *of) for each in ns] for name, of in LOADS.items()},
        "frames_a_second": [1e9 / (returns * each + call) for each in reversed(ns)],
    }  # fmt: skip


def told(here: Here, kernel: str, by: str) -> float:
    """Measured cycles of a kernel's rest for each of its instructions, or of the model's cycles."""
    of: float = getattr(here.parts[kernel], by)
    return here.rest(kernel) / of


def total(parts: ByKernel, what: str) -> float:
    """The sum over all kernels."""
    return float(sum(getattr(part, what) for part in parts.values()))


def load(ns: float, call: float, returns: int, frames: int) -> float:
    """Share of a core that so many returns and frames a second take, in per cent."""
    return 100 * 1e-9 * (returns * ns + frames * call)
