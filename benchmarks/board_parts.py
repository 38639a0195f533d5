"""What the kernels of a frame are made of on a core: vector loops and the rest, counted and modelled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from benchmarks import emulator, machine_code, retarget
from benchmarks.emulator import Counted, Program
from benchmarks.machine_code import Block, Modelled
from benchmarks.recorded import LINE, Call
from benchmarks.retarget import Source, Target

Frames = dict[str, list[Call]]


@dataclass(frozen=True)
class Parts:
    """What one kernel did in a frame, on a core."""

    instructions: float
    """All of them, those of the C library too."""
    rest: float
    """Those outside vector loops."""
    vector_cycles: float
    """Of the vector loops, by the static model."""
    rest_cycles: float
    """Of the rest, by the static model: for proportions only."""
    traffic: float
    """Bytes to and from memory, if no call found anything in the caches."""


ByKernel = dict[str, Parts]


@dataclass(frozen=True)
class Counting:
    """A program, its blocks, and what the static model says of them."""

    program: Program
    blocks: Sequence[Block]
    told: Sequence[Modelled]
    plugin: Path

    @property
    def width(self) -> int:
        """Operations that the modelled core takes in a cycle."""
        return max(model.width for model in self.told)

    def parts(self, calls: Sequence[Call]) -> ByKernel:
        """Count the calls of a frame, and sort what was executed."""
        counted, _ = emulator.counted(self.program, calls, self.plugin)
        ranges = emulator.addresses(self.program)
        return {
            kernel: self.of_kernel(kernel, counted, range(*ranges[f"kernel_{kernel}"]))
            for kernel in dict.fromkeys(call.kernel for call in calls)
        }

    def of_kernel(self, kernel: str, counted: Counted, own: range) -> Parts:
        """The part of one kernel, whose own code lies in the addresses `own`."""
        inside = rest = vector_cycles = rest_cycles = 0.0
        for block, model in zip(self.blocks, self.told, strict=True):
            if block.address not in own:
                continue
            executions = counted.executions.get(block.address, 0)
            instructions = executions * len(block.instructions)
            inside += instructions
            if machine_code.is_vector_loop(block, self.program.target.machine):
                vector_cycles += executions * model.cycles
            else:
                rest, rest_cycles = rest + instructions, rest_cycles + executions * model.cycles
        stretches = [stretch for stretch in counted.stretches if stretch.kernel == kernel]
        total = float(sum(stretch.instructions for stretch in stretches))
        outside = total - inside  # the C library, taken for more of the same
        lines = sum(stretch.touched + stretch.written for stretch in stretches)
        more = (rest + outside) / max(rest, 1.0)
        return Parts(total, rest + outside, vector_cycles, rest_cycles * more, float(LINE * lines))


def counting(sources: dict[str, Source], target: Target, model: str, plugin: Path, folder: Path) -> Counting:
    """Compile all kernels for a target, and ask the static model of a core about their blocks."""
    folder.mkdir()
    codes = [retarget.retarget(source, target) for source in sources.values()]
    program = emulator.built(codes, target, folder)
    blocks = machine_code.blocks_of(program)
    return Counting(program, blocks, machine_code.modelled(blocks, target.triple, model), plugin)
