"""How tables of the documents are written."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any


def markdown(head: list[str], rows: Iterable[list[str]]) -> str:
    """A table in Markdown."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def where(told: dict[str, Any]) -> str:
    """The line under a table: what it was measured on."""
    m, v = told["machine"], told["versions"]
    return (
        f"{told['when'][:10]}, {m['cores']} cores {m['machine']} with {m['vector']}, "
        f"Python {v['python']}, numpy {v['numpy']}, numba {v['numba']}."
    )
