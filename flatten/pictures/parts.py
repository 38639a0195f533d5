"""The doors to the drawing and the page library, which a rover does not carry."""

from __future__ import annotations

import importlib
from typing import Any

from flatten.errors import MissingPartError


def load_matplotlib(module: str) -> Any:
    """Import a module of matplotlib by its name ("figure", "collections", …).

    The object API is used throughout: no screen, no global state. Raises MissingPartError where
    matplotlib does not load.
    """
    try:
        return importlib.import_module(f"matplotlib.{module}")
    except ImportError as error:
        raise MissingPartError(
            f"pictures need matplotlib, which does not load ({error}): pip install 'flatten[desk]'"
        ) from error


def load_jinja2() -> Any:
    """Import jinja2; raise MissingPartError where it does not load."""
    try:
        return importlib.import_module("jinja2")
    except ImportError as error:
        raise MissingPartError(
            f"the page needs jinja2, which does not load ({error}): pip install 'flatten[desk]'"
        ) from error
