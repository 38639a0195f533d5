"""Parts of kernels as drafts: lowered to LLVM's language, not optimised, and no machine code made of them.

numba takes every compiled function for one that may be called from anywhere: what it calls is linked in, all
of it is optimised, and machine code is made of the whole, again at every level of parts within parts. Nobody
calls a part but the kernels that it is inlined into, and there it is optimised with all else. Leaving out
the rest saves a third of the compiler's time, and of `fit_floor`, which has most levels, nearly half.
"""

from __future__ import annotations

from typing import Any

from numba.core import typed_passes
from numba.core.codegen import JITCodeLibrary
from numba.core.compiler import CompilerBase, DefaultPassBuilder
from numba.core.compiler_machinery import LoweringPass, register_pass


class Draft(JITCodeLibrary):  # type: ignore[misc]
    """What a part is lowered to, and all that it calls."""

    def _optimize_final_module(self) -> None:
        """Leave it to the kernel."""

    def _finalize_final_module(self) -> None:
        """Make no machine code."""
        self._finalize_dynamic_globals()
        self._finalized = True


@register_pass(mutates_CFG=False, analysis_only=False)
class _Begin(LoweringPass):  # type: ignore[misc]
    """Have a part lowered to a draft."""

    _name = "begin_draft"

    def __init__(self) -> None:
        LoweringPass.__init__(self)

    def run_pass(self, state: Any) -> bool:
        state.library = Draft(state.targetctx.codegen(), state.func_id.func_qualname)
        state.library.enable_object_caching()
        state.flags.no_compile = True
        return True


@register_pass(mutates_CFG=False, analysis_only=False)
class _End(LoweringPass):  # type: ignore[misc]
    """Let other functions call the part; of what has no machine code numba does not say so itself."""

    _name = "end_draft"

    def __init__(self) -> None:
        LoweringPass.__init__(self)

    def run_pass(self, state: Any) -> bool:
        # numba knows a compiled function by the built-in that Python would call: here one that every object
        # has of its own, and that raises TypeError if it is handed what a call from Python hands over
        lowered, entry = state["cr"], object().__format__
        state.targetctx.insert_user_function(entry, lowered.fndesc, [state.library])
        state["cr"] = lowered._replace(cfunc=entry)
        return True


class DraftCompiler(CompilerBase):  # type: ignore[misc]
    """numba's compiler, but that drafts come out (its argument `pipeline_class`)."""

    def define_pipelines(self) -> list[Any]:
        """The usual passes, and what makes a draft around the last but one."""
        passes = DefaultPassBuilder.define_nopython_pipeline(self.state)
        passes.add_pass_after(_Begin, typed_passes.IRLegalization)
        passes.add_pass_after(_End, typed_passes.NativeLowering)
        passes.finalize()
        return [passes]
