"""The kinds of value a profile holds: numbers with a unit and bounds, pairs, names.

Booleans and strings are no numbers, and no number is NaN or infinite. Rules that bind several keys
raise `rule_broken` or `order_broken`; flatten.profile.faults puts them into words.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

LONGEST_NAME = 60

SWITCHED = ("clear", "window")
"""Sections that `off` may stand for."""

KeyPath = tuple[str | int, ...]
"""Where a value stands: ("blind_zones", 1, "box", "x") is blind_zones[1].box.x."""


class Section(BaseModel):
    """A part of the profile: frozen, and no key but the known ones."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def number(about: str, unit: str, **bounds: Any) -> Any:
    """Describe a finite number: what it is, its unit, and ge, gt, le, lt, default as bounds."""
    text = f"{about} [{unit}]" if unit else about
    return Field(
        description=text,
        strict=True,
        allow_inf_nan=False,
        json_schema_extra={"unit": unit} if unit else None,
        **bounds,
    )


def rule_broken(path: KeyPath, value: object, words: str) -> PydanticCustomError:
    """Build the error of one key, `path` counted from the section that checks it."""
    return PydanticCustomError("rule", "{words}", {"path": path, "value": value, "words": words})


def order_broken(
    low: KeyPath, low_value: float, high: KeyPath, high_value: float, *, allowed: str, relation: str = "below"
) -> PydanticCustomError:
    """Build the error of two keys in the wrong order; which of them is to blame is found out later."""
    context = {"low": low, "low_value": low_value, "high": high, "high_value": high_value}
    return PydanticCustomError("order", "{allowed}", {**context, "relation": relation, "allowed": allowed})


def _two_numbers(value: object) -> object:
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise rule_broken((), value, "is not a pair; allowed: two numbers in brackets, [low, high]")
    return value


def _rising(value: tuple[float, float]) -> tuple[float, float]:
    if not value[0] < value[1]:
        raise rule_broken((), list(value), "does not rise; allowed: [low, high] with low below high")
    return value


def _printable(value: str) -> str:
    if not value.isprintable() or value != value.strip():
        raise rule_broken((), value, f"is not a plain name; allowed: {NAME_ALLOWED}")
    return value


NAME_ALLOWED = f"1 to {LONGEST_NAME} printable characters without blanks at the ends"
SLICE_NAME_ALLOWED = (
    f"1 to {LONGEST_NAME} characters, a letter first, then letters, digits, '_' or '-' "
    "(the name becomes part of file names)"
)

Metre = Annotated[float, number("a coordinate", "m", ge=-1000.0, le=1000.0)]
Pair = Annotated[tuple[Metre, Metre], BeforeValidator(_two_numbers), AfterValidator(_rising)]
ZoneName = Annotated[
    str, Field(strict=True, min_length=1, max_length=LONGEST_NAME), AfterValidator(_printable)
]
SliceName = Annotated[
    str, Field(strict=True, pattern=r"^[A-Za-z][A-Za-z0-9_-]*$", min_length=1, max_length=LONGEST_NAME)
]
