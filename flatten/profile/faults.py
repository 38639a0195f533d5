"""What is wrong, and where: validation errors as one line with file, line, key, value and allowed range."""

from __future__ import annotations

import difflib
import types
import typing
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from flatten.errors import ProfileError
from flatten.profile.fields import NAME_ALLOWED, SLICE_NAME_ALLOWED, SWITCHED, KeyPath
from flatten.profile.lines import Declaration, dotted, scalar

LONGEST_VALUE = 60

PROBLEMS = {
    "greater_than": "is too small",
    "greater_than_equal": "is too small",
    "less_than": "is too large",
    "less_than_equal": "is too large",
    "finite_number": "is not a finite number",
    "string_too_short": "is too short",
    "string_too_long": "is too long",
}


def profile_error(cause: ValidationError, declaration: Declaration, root: type[BaseModel]) -> ProfileError:
    """Put the first of the errors into words, say how many follow, and name where it was declared."""
    faults = [_Fault(dict(error), declaration, root) for error in cause.errors(include_url=False)]
    strangers = {fault.path[:-1] for fault in faults if fault.kind == "extra_forbidden"}
    faults = [fault for fault in faults if fault.kind != "missing" or fault.path[:-1] not in strangers]
    faults.sort(key=lambda fault: (fault.kind == "missing", fault.line))
    first = faults[0]
    more = len({fault.path for fault in faults} - {first.path})
    words = first.words()
    if more:
        words += f" (and {more} more to mend)"
    return located(declaration, first.path, words)


def located(declaration: Declaration, path: KeyPath, words: str) -> ProfileError:
    """Build the error of a key path: line of the file, or the override's key, come first."""
    line, flag = declaration.origin(path)
    key = dotted(path)
    where = f"{declaration.name}:{line}" if line else declaration.name
    if flag:
        where += f": override {flag}"
    text = f"{where}: {words}" if flag == key else f"{where}: {key or 'profile'}: {words}"
    return ProfileError(text, file=declaration.name, line=line, key=key)


def empty_value(root: type[BaseModel], tree: Any, path: KeyPath = ()) -> KeyPath | None:
    """Find the first known key that was written without a value."""
    if tree is None:
        return path if field_at(root, path)[1] is not None else None
    inside: Iterable[tuple[Any, Any]] = ()
    if isinstance(tree, dict):
        inside = tree.items()
    elif isinstance(tree, list):
        inside = enumerate(tree)
    for part, value in inside:
        found = empty_value(root, value, (*path, part))
        if found is not None:
            return found
    return None


def shown(value: object) -> str:
    """Write a value as the file would, cut short."""
    if isinstance(value, bool):
        return "on (a switch word)" if value else "off (a switch word)"
    text = repr(value)
    return text if len(text) <= LONGEST_VALUE else f"{text[: LONGEST_VALUE - 1]}…"


def allowed(root: type[BaseModel], path: KeyPath) -> str:  # noqa: PLR0911 - one return a kind of value
    """Say what a key path may hold: range and unit of a number, keys of a section, words of a choice."""
    info, kind = field_at(root, path)
    if get_origin(kind) is typing.Literal:
        return " or ".join(str(word) for word in get_args(kind))
    if kind in (float, int) and info is not None:
        return _range(info, "a whole number" if kind is int else "a number")
    if kind is str:
        return NAME_ALLOWED
    if kind is bool:
        return "on or off"
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        keys = f"a mapping with the keys {', '.join(_keys(kind))}"
        return f"{keys}, or off" if len(path) == 1 and path[0] in SWITCHED else keys
    items = get_args(kind)
    if get_origin(kind) is tuple and items[1] is not Ellipsis:
        return f"two numbers in brackets, [low, high], each {allowed(root, (*path, 0))}"
    if get_origin(kind) is dict:
        return "a mapping from names to slices, such as drive: {bottom: 0.08, top: 0.95}"
    return "a list, each item on a line of its own that begins with '- '"


def field_at(root: type[BaseModel], path: KeyPath) -> tuple[FieldInfo | None, Any]:
    """Find what the models say about a key path: the field, and its kind with None and marks taken off."""
    info: FieldInfo | None = None
    kind: Any = root
    for part in path:
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            info = next((f for n, f in kind.model_fields.items() if (f.alias or n) == part), None)
            kind = info.annotation if info else None
        else:
            items = get_args(kind)
            info, kind = None, items[-1 if get_origin(kind) is dict else 0] if items else None
        if get_origin(kind) in (typing.Union, types.UnionType):
            kind = next(item for item in get_args(kind) if item is not type(None))
        if get_origin(kind) is Annotated:
            info = FieldInfo.from_annotation(kind)
            kind = info.annotation
    return info, kind


class _Fault:
    """One error of the validation: its path, where it stands, and its words."""

    def __init__(self, error: dict[str, Any], declaration: Declaration, root: type[BaseModel]) -> None:
        self.kind: str = error["type"]
        self.value = error["input"]
        self.context: dict[str, Any] = error.get("ctx", {})
        self.root, self.declaration = root, declaration
        self.path: KeyPath = tuple(part for part in error["loc"] if part != "[key]")
        self.about_key = "[key]" in error["loc"]
        self.blames_high = False
        if self.kind == "order":
            self._choose_side()
        elif self.kind == "rule":
            self.path += tuple(self.context["path"])
            self.value = self.context["value"]
        self.line = declaration.origin(self.path)[0]

    def _choose_side(self) -> None:
        """Blame what an override set, else what the file says, else the lower one."""
        low, high = (self.path + tuple(self.context[side]) for side in ("low", "high"))
        weight = {path: self._weight(path) for path in (low, high)}
        self.blames_high = weight[high] > weight[low]
        self.path = high if self.blames_high else low
        self.value = self.context["high_value" if self.blames_high else "low_value"]

    def _weight(self, path: KeyPath) -> int:
        if not self.declaration.declares(path):
            return 0
        return 2 if self.declaration.origin(path)[1] else 1

    def words(self) -> str:
        """Say what is wrong with the value and what is allowed."""
        special = {
            "rule": self._rule,
            "order": self._order,
            "extra_forbidden": self._unknown_key,
            "missing": self._missing,
        }
        if self.kind in special:
            return special[self.kind]()
        if self.about_key:
            return f"{shown(self.value)} cannot name a slice; allowed: {SLICE_NAME_ALLOWED}"
        if self.kind in ("too_short", "too_long"):
            return self._count()
        return f"{shown(self.value)} {self._problem()}; allowed: {allowed(self.root, self.path)}"

    def _rule(self) -> str:
        switch = field_at(self.root, self.path)[1] is bool
        value = ("on" if self.value else "off") if switch else shown(self.value)
        return f"{value} {self.context['words']}"

    def _missing(self) -> str:
        return f"is missing; give {allowed(self.root, self.path)}"

    def _count(self) -> str:
        least, most = (1, 64) if self.path == ("slices",) else (0, 1000)
        return f"holds {len(self.value)} items; allowed: {least} to {most}, {allowed(self.root, self.path)}"

    def _order(self) -> str:
        other = "low" if self.blames_high else "high"
        turned = {"below": "above", "at most": "at least"} if self.blames_high else {}
        relation = turned.get(self.context["relation"], self.context["relation"])
        tail = tuple(self.context[other])
        default = "" if self.declaration.declares(self.path[: -len(tail)] + tail) else " (default)"
        limit = f"{dotted(tail)} {self.context[f'{other}_value']!r}{default}"
        return f"{shown(self.value)} is not {relation} {limit}; allowed: {self.context['allowed']}"

    def _problem(self) -> str:
        kind = field_at(self.root, self.path)[1]
        if self.kind in PROBLEMS:
            return PROBLEMS[self.kind]
        if self.kind == "literal_error":
            close = _nearest(str(self.value), [str(word) for word in get_args(kind)])
            return f"is not known; did you mean {close!r}?" if close else "is not known"
        if kind in (float, int):
            return _not_a_number(self.value, "a number" if kind is float else "a whole number")
        if kind is str:
            return "is not text; put it in quotes"
        if kind is bool:
            return "is no switch word"
        return "is no list" if get_origin(kind) is tuple else "is no mapping"

    def _unknown_key(self) -> str:
        parent = field_at(self.root, self.path[:-1])[1]
        known = _keys(parent)
        word = str(self.path[-1])
        close = _nearest(word, known)
        hint = f"did you mean {close!r}? " if close else ""
        if not close:
            homes = [name for name, field in _sections(self.root) if word in _keys(field)]
            hint = f"{word!r} belongs to {' or '.join(homes)}; " if homes else ""
        return f"unknown key with value {shown(self.value)}; {hint}known keys: {', '.join(known)}"


def _keys(model: Any) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()]


def _sections(root: type[BaseModel]) -> list[tuple[str, type[BaseModel]]]:
    places: Mapping[str, KeyPath] = {name: (name,) for name in _keys(root)}
    places = {**places, "slices.<name>": ("slices", ""), "blind_zones[…]": ("blind_zones", 0)}
    kinds = [(name, field_at(root, path)[1]) for name, path in places.items()]
    return [(name, kind) for name, kind in kinds if isinstance(kind, type) and issubclass(kind, BaseModel)]


def _nearest(word: str, known: list[str]) -> str:
    folded = {name.lower(): name for name in known}
    close = difflib.get_close_matches(word.lower(), list(folded), 1, 0.6)
    return folded[close[0]] if close else ""


def _range(info: FieldInfo, noun: str) -> str:
    bounds = {
        name: getattr(mark, name)
        for mark in info.metadata
        for name in ("ge", "gt", "le", "lt")
        if getattr(mark, name, None) is not None
    }
    extra = info.json_schema_extra
    if callable(extra):
        found: dict[str, Any] = {}
        extra(found)
        extra = found
    unit = f" {extra['unit']}" if extra else ""
    low = f"from {bounds['ge']:g}" if "ge" in bounds else f"above {bounds['gt']:g}"
    joint = " to " if "ge" in bounds else ", at most "
    return f"{noun} {low}{joint}{bounds['le']:g}{unit}"


def _not_a_number(value: object, noun: str) -> str:
    if not isinstance(value, str):
        if noun == "a whole number" and isinstance(value, float):
            advice = f"; write {value:.0f}" if value.is_integer() else ""
            return f"is not a whole number{advice}"
        return f"is not {noun}"
    if _is_number(value):
        return f"is text, not {noun}; take the quotes off"
    for sign, plain, advice in (
        (",", ".", "use a point for the decimals"),
        ("\N{MINUS SIGN}", "-", "use the plain minus sign '-'"),
        ("_", "", "leave the underscores out"),
    ):
        if _is_number(value.replace(sign, plain)):
            return f"is text, not {noun}; {advice}"
    if _is_number(value.rstrip("°mdegra ")):
        return f"is text, not {noun}; write it without its unit"
    return f"is text, not {noun}"


def _is_number(text: str) -> bool:
    value = scalar(text.strip())
    return isinstance(value, int | float) and not isinstance(value, bool)
