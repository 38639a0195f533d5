"""A kernel's machine code for a processor that is not here.

What numba makes of a kernel and of each part of it, before LLVM has optimised anything, knows nothing of
the processor but what the kernels asked about themselves: whether it has the instruction that `pack` names.
It is given another one and goes through numba's own steps: each part is optimised by itself, then
linked into what calls it, and that optimised in turn. The early code is made in a process of its own, which
is told that feature alone and in which numba's steps are kept from touching the code.

    python -m benchmarks.retarget < pickled requests > pickled answers     # that process
"""

from __future__ import annotations

import importlib
import os
import pickle
import re
import subprocess
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Any

import llvmlite.binding as llvm
import numba
from numba.core.codegen import CPUCodeLibrary, JITCodeLibrary
from numba.core.cpu import CPUContext
from numba.core.llvm_bindings import create_pass_builder

from benchmarks.recorded import Call

AARCH64 = "aarch64-linux-gnu"
RUNTIME = re.compile(r"^(Py|numba_(unpickle|runtime|do_raise|gil))|^_Py")
"""Functions that only a process with Python in it has."""
Request = tuple[str, str, tuple[Any, ...]]
"""Module and name of a function, and numba's types of its arguments."""
PERMUTING = "+avx2"
"""The one feature that kernels ask about themselves (`flatten.kernels.pack`), and not LLVM."""


@dataclass(frozen=True)
class Target:
    """A processor, in LLVM's words."""

    triple: str
    cpu: str
    features: str = ""

    @property
    def machine(self) -> str:
        """The first word of the triple, as the emulator and the compiler are called by it."""
        return self.triple.split("-")[0]


@dataclass(frozen=True)
class Piece:
    """Code of one compiled function before any optimisation, and the places of the pieces that it needs."""

    text: str
    needs: tuple[int, ...]


@dataclass(frozen=True)
class Source:
    """A kernel's early code."""

    kernel: str
    entry: str
    """Its name among the functions of the code."""
    pieces: tuple[Piece, ...]
    """Each after those that it needs; the last is the kernel's own."""


@dataclass(frozen=True)
class Code:
    """A kernel's machine code: an object file with the functions `kernel_NAME` and `run_NAME`.

    `run_NAME` takes one address, that of the arguments one after another, eight bytes each.
    """

    kernel: str
    object: bytes


def here() -> Target:
    """The processor of this machine, as numba compiles for it."""
    features = llvm.get_host_cpu_features().flatten()
    return Target(llvm.get_process_triple(), llvm.get_host_cpu_name(), features)


def sources(calls: Iterable[Call], target: Target) -> dict[str, Source]:
    """The early code for a target of all kernels that were called, by their names."""
    wanted = {call.kernel: (call.module, call.function, call.types) for call in calls}
    return early(tuple(wanted.items()), own_features(target))


def own_features(target: Target) -> str:
    """What the kernels are told of a target's features, so that they choose the instructions they name."""
    return PERMUTING if PERMUTING in target.features.split(",") else ""


@cache
def early(wanted: tuple[tuple[str, Request], ...], features: str) -> dict[str, Source]:
    """Code of functions, by the names that they are to have; but for these features it knows no processor."""
    told = {"NUMBA_CPU_NAME": "generic", "NUMBA_CPU_FEATURES": features}
    environment = {**os.environ, **told, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-m", "benchmarks.retarget"],
        input=pickle.dumps(dict(wanted)), env=environment, capture_output=True, check=False,
    )  # fmt: skip
    if done.returncode:
        raise RuntimeError(f"no early code: {done.stderr.decode(errors='replace')[-2000:]}")
    made: dict[str, Source] = pickle.loads(done.stdout)
    return made


def compiled(name: str, request: Request) -> Source:
    """Compile a kernel anew, past any cache, and without a way in from Python: not to be run here."""
    module, function, types = request
    kernel = getattr(importlib.import_module(module), function)
    options = {key: value for key, value in kernel.targetoptions.items() if key != "nopython"}
    fresh = numba.njit(**{**options, "no_cpython_wrapper": True, "no_cfunc_wrapper": True})(kernel.py_func)
    fresh.compile(tuple(types))
    overload = fresh.overloads[tuple(types)]
    places: dict[Any, int] = {}
    pieces: list[Piece] = []
    gather(overload.library, places, pieces)
    return Source(name, overload.fndesc.llvm_func_name, tuple(pieces))


def gather(library: Any, places: dict[Any, int], pieces: list[Piece]) -> int:
    """Put a library and what it needs among the pieces, each once; gives its place."""
    if library not in places:
        needed = dict.fromkeys(library._linking_libraries)
        needs = tuple(gather(other, places, pieces) for other in needed)
        places[library] = len(pieces)
        pieces.append(Piece(library.early_text, needs))
    return places[library]


@cache
def target_machine(target: Target) -> Any:
    """LLVM's compiler for a processor."""
    llvm.initialize_all_targets()
    llvm.initialize_all_asmprinters()
    return llvm.Target.from_triple(target.triple).create_target_machine(
        cpu=target.cpu, features=target.features, opt=3, reloc="pic", codemodel="default"
    )


def retarget(source: Source, target: Target) -> Code:
    """Compile a kernel for a processor; raises ValueError where it cannot do without Python."""
    machine = target_machine(target)
    module = linked(source, target, machine)
    hide_all_but(module, source.entry)
    entry = module.get_function(source.entry)
    module.link_in(llvm.parse_assembly(runner(entry, source)))
    module.get_function(source.entry).name = f"kernel_{source.kernel}"
    module.verify()
    needing = sorted(f.name for f in module.functions if f.is_declaration and RUNTIME.match(f.name))
    if needing:
        raise ValueError(f"{source.kernel} cannot do without Python: it calls {', '.join(needing)}")
    return Code(source.kernel, machine.emit_object(module))


def linked(source: Source, target: Target, machine: Any) -> Any:
    """The optimised code of all pieces together, in numba's order of things."""
    made: list[Any] = []
    for piece in source.pieces:
        text = re.sub(r"^target (datalayout|triple) = .*$", "", piece.text, flags=re.MULTILINE)
        module = llvm.parse_assembly(text)
        module.triple, module.data_layout = target.triple, str(machine.target_data)
        for function in module.functions:
            optimise_function(function, machine)
        for place in piece.needs:
            module.link_in(made[place], preserve=True)
        optimise(module, machine)
        made.append(module if piece is source.pieces[-1] else for_linking(module))
    return made[-1]


def for_linking(module: Any) -> Any:
    """What numba links of a part: other pieces may hold the same functions."""
    for function in module.functions:
        if not function.is_declaration and function.linkage == llvm.Linkage.external:
            function.linkage = "linkonce_odr"
    return module


def optimise_function(function: Any, machine: Any) -> None:
    """The step that numba takes for each function by itself."""
    builder = create_pass_builder(machine, opt=3, loop_vectorize=True, slp_vectorize=False)
    passes = builder.getFunctionPassManager()
    passes.add_refprune_pass()
    passes.run(function, builder)


def optimise(module: Any, machine: Any) -> None:
    """The steps that numba takes for a module: to bring reference counts together, then O3."""
    cheap = create_pass_builder(machine, opt=0, loop_vectorize=False, slp_vectorize=False)
    passes = cheap.getModulePassManager()
    passes.add_loop_rotate_pass()
    passes.add_instruction_combine_pass()
    passes.add_jump_threading_pass()
    passes.add_refprune_pass()
    passes.run(module, cheap)
    full = create_pass_builder(machine, opt=3, loop_vectorize=True, slp_vectorize=False)
    passes = full.getModulePassManager()
    passes.add_refprune_pass()
    passes.run(module, full)


def hide_all_but(module: Any, entry: str) -> None:
    """Take away all that one function does not need: the way in from Python first of all."""
    for function in module.functions:
        if not function.is_declaration:
            function.linkage = "external" if function.name == entry else "internal"
    for variable in module.global_variables:
        if not variable.is_declaration:
            variable.linkage = "internal"
    machine = llvm.Target.from_triple(module.triple).create_target_machine()
    builder = create_pass_builder(machine, opt=0)
    passes = llvm.create_new_module_pass_manager()
    passes.add_global_dead_code_eliminate_pass()
    passes.add_strip_dead_prototype_pass()
    passes.run(module, builder)


def runner(entry: Any, source: Source) -> str:
    """LLVM code of `run_NAME`: reads the arguments from memory and calls the kernel."""
    kinds = [str(argument.type) for argument in entry.arguments]
    name = f'"{source.entry}"'
    lines = [
        f"declare i32 @{name}({', '.join(kinds)})",
        f"define i32 @run_{source.kernel}(ptr %slots) noinline {{",
    ]
    for k, kind in enumerate(kinds):
        lines.append(f"  %p{k} = getelementptr i64, ptr %slots, i64 {k}")
        lines.append(f"  %a{k} = load {kind}, ptr %p{k}")
    given = ", ".join(f"{kind} %a{k}" for k, kind in enumerate(kinds))
    return "\n".join([*lines, f"  %r = call i32 @{name}({given})", "  ret i32 %r", "}"])


def keep_early() -> None:
    """Have numba's libraries keep what is in them before they are linked; optimise and make nothing of it."""
    finalize = CPUCodeLibrary.finalize

    def keep_and_finalize(library: Any) -> None:
        library.early_text = str(library._final_module)
        finalize(library)

    def leave_alone(library: Any, module: Any = None) -> None:
        if module is not None:
            module.data_layout = library._codegen._data_layout

    def nothing_to_run(_context: Any, library: Any, _described: Any, _environment: Any) -> Any:
        library._ensure_finalized()
        return list[Any]().append  # a dispatcher wants a compiled function, and knows it by its identity

    CPUContext.get_executable = nothing_to_run
    JITCodeLibrary._finalize_specific = lambda _library: None
    CPUCodeLibrary.finalize = keep_and_finalize
    CPUCodeLibrary._optimize_functions = leave_alone
    CPUCodeLibrary._optimize_final_module = leave_alone


def main() -> int:
    """Answer the requests on the standard input."""
    keep_early()
    wanted = pickle.loads(sys.stdin.buffer.read())
    made = {name: compiled(name, request) for name, request in wanted.items()}
    sys.stdout.buffer.write(pickle.dumps(made))
    return 0


if __name__ == "__main__":
    # under its own name, so that what is pickled is known to the one who asked
    sys.exit(importlib.import_module("benchmarks.retarget").main())
