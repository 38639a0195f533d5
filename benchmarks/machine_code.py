"""Machine code in blocks, the vector loops among them, and what LLVM's static model says of their cycles.

A block runs from one place that is jumped to, or that follows a jump, to the next. A *vector loop* is a
block that jumps back to its own beginning and works on several returns at a time: straight code whose
speed a static model of the core can tell. It cannot for the rest (see `board_budgets`).
"""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchmarks.emulator import Program, addresses, done, llvm_tool

ITERATIONS = 100
"""How often the model runs a block: the start no longer shows."""
VECTOR_SHARE = 0.25
"""Of a vector loop's instructions, those that name a vector's lanes; the rest loads and counts."""

INSTRUCTION = re.compile(r"^\s*([0-9a-f]+):\s+(\S.*)$")
JUMPS = {
    "aarch64": re.compile(r"^(b|b\.\w+|cbn?z|tbn?z|br|ret|bl|blr)(\s|$)"),
    "x86_64": re.compile(r"^(j\w+|call\w*|ret\w*)(\s|$)"),
}
LANES = {
    "aarch64": re.compile(r"\bv\d+\.(16b|8h|4s|2d|8b|4h|2s)\b"),
    "x86_64": re.compile(r"^(v?\w+p[sd]|vp\w+)\s.*%[xyz]mm"),
}
PLACE = re.compile(r"0x([0-9a-f]+) <[^>]*>")


@dataclass(frozen=True)
class Block:
    """Instructions that are executed one after another."""

    address: int
    instructions: tuple[str, ...]
    target: int | None
    """Where its last instruction jumps to, if that is known."""

    @property
    def is_loop(self) -> bool:
        """Whether it jumps back to its own beginning."""
        return self.target == self.address


@dataclass(frozen=True)
class Modelled:
    """What the static model says of a block, executed over and over."""

    cycles: float
    """An iteration."""
    width: int
    """Operations that the modelled core takes in a cycle."""


def blocks_of(program: Program) -> list[Block]:
    """The blocks of all kernels in a host program, and of what is compiled into them."""
    kernels = [at for name, at in addresses(program).items() if name.startswith(("kernel_", "run_"))]
    tool = llvm_tool("llvm-objdump")
    if tool is None:
        raise RuntimeError("there is no llvm-objdump here")
    text = done(
        [
            tool, "-d", "--no-show-raw-insn", f"--start-address={min(at[0] for at in kernels):#x}",
            f"--stop-address={max(at[1] for at in kernels):#x}", str(program.path),
        ]
    )  # fmt: skip
    return blocks(text, program.target.machine)


def blocks(disassembly: str, machine: str) -> list[Block]:
    """Cut a disassembly into blocks."""
    lines = [
        (int(match[1], 16), match[2].strip())
        for match in map(INSTRUCTION.match, disassembly.splitlines())
        if match
    ]
    jump = JUMPS[machine]
    heads = {target for _, text in lines if jump.match(text) and (target := jumped_to(text)) is not None}
    made: list[Block] = []
    address, gathered = 0, list[str]()
    for k, (at, text) in enumerate(lines):
        address = address if gathered else at
        gathered.append(text)
        ends = k + 1 == len(lines) or lines[k + 1][0] in heads or jump.match(text)
        if ends:
            target = jumped_to(text) if jump.match(text) else None
            made.append(Block(address, tuple(gathered), target))
            gathered = []
    return made


def jumped_to(text: str) -> int | None:
    """The address in a jump; None where it is in a register."""
    match = PLACE.search(text)
    return int(match[1], 16) if match else None


def is_vector_loop(block: Block, machine: str) -> bool:
    """Whether a block is a loop over vectors."""
    lanes = sum(bool(LANES[machine].search(text)) for text in block.instructions)
    return block.is_loop and lanes >= VECTOR_SHARE * len(block.instructions)


def vector_loops(found: Iterable[Block], machine: str) -> list[Block]:
    """The vector loops among blocks."""
    return [block for block in found if is_vector_loop(block, machine)]


def modelled(found: Sequence[Block], triple: str, cpu: str) -> list[Modelled]:
    """Ask LLVM's static model of a core about blocks; raises RuntimeError where it does not answer."""
    tool = llvm_tool("llvm-mca")
    if tool is None:
        raise RuntimeError("there is no llvm-mca here")
    if not found:
        return []
    asked = subprocess.run(
        [
            tool, f"-mtriple={triple}", f"-mcpu={cpu}", f"-iterations={ITERATIONS}", "-json",
            "-call-latency=1", "-skip-unsupported-instructions=any", "-instruction-info=0",
            "-resource-pressure=0",
        ],
        input="".join(map(region, range(len(found)), found)), capture_output=True, text=True, check=False,
    )  # fmt: skip
    if asked.returncode:
        raise RuntimeError(f"{tool} for {cpu}: {asked.stderr.strip()[-500:]}")
    told = {part["Name"]: part["SummaryView"] for part in json.loads(asked.stdout)["CodeRegions"]}
    return [model_of(told.get(f"block-{k}")) for k in range(len(found))]


def model_of(summary: dict[str, int] | None) -> Modelled:
    """What the model told about a block; nothing about one of instructions that it all skipped."""
    if summary is None:
        return Modelled(0.0, 0)
    return Modelled(summary["TotalCycles"] / ITERATIONS, summary["DispatchWidth"])


def region(number: int, block: Block) -> str:
    """A block as the static model reads it: places that it cannot know become a label."""
    lines = [PLACE.sub(".Lsomewhere", re.sub(r"\s+# 0x.*$", "", text)) for text in block.instructions]
    return "\n".join([f"# LLVM-MCA-BEGIN block-{number}", *lines, "# LLVM-MCA-END\n"])
