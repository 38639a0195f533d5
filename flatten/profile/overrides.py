"""Single values that stand above the file: dotted keys such as "slices.drive.bottom"."""

from __future__ import annotations

import copy
import difflib
import re
from collections.abc import Mapping
from typing import Any

import numpy as np

from flatten.errors import ProfileError
from flatten.profile.fields import SWITCHED, KeyPath
from flatten.profile.lines import DEEPEST, Declaration, dotted, read_declaration

_PART = re.compile(r"\.?([^.\[\]]+)|\[([0-9]{1,6})\]")


def setting(text: str) -> tuple[str, Any]:
    """Split "reach.far=20" into the key and its value, read by the rules of the profile file.

    For commands that take single values. Raises ProfileError where there is no '=' or the value is
    not YAML.
    """
    key, equals, value = text.partition("=")
    key = key.strip()
    if not equals or not key:
        raise ProfileError(f"override {text!r}: is not key=value; write for example reach.far=20", key=key)
    try:
        tree = read_declaration(f"value: {value.strip()}\n", "override").tree
    except ProfileError as cause:
        words = str(cause).partition(": ")[2]
        raise ProfileError(f"override {key}: {value.strip()!r}: {words}", key=key) from None
    if list(tree) != ["value"]:
        raise ProfileError(f"override {key}: {value!r} is not one value; write key=value", key=key)
    return key, tree["value"]


def from_mapping(mapping: Mapping[str, Any], name: str = "profile") -> Declaration:
    """Take a mapping laid out like the file; it stays as it is, the declaration holds a copy."""
    if not isinstance(mapping, Mapping):
        kind = type(mapping).__name__
        raise ProfileError(f"{name}: is a {kind}, not a mapping; give the sections of a profile", file=name)
    return Declaration(_plain(mapping, (), name), name)


def apply_overrides(declaration: Declaration, overrides: Mapping[str, object] | None) -> None:
    """Set the values of dotted keys in the declaration, in the order given, and remember their keys."""
    for key, value in (overrides or {}).items():
        path = _path(key, declaration.name)
        _set(declaration, path, str(key), _plain(value, path, declaration.name))
        for known in [known for known in declaration.lines if known[: len(path)] == path]:
            del declaration.lines[known]
        declaration.flags[path] = str(key)


def _plain(value: Any, path: KeyPath, name: str) -> Any:
    """Copy into dicts, lists and plain numbers; numpy's numbers and arrays count as such."""
    if len(path) > DEEPEST:
        raise ProfileError(f"{name}: {dotted(path)}: is nested too deep; no profile is", file=name)
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if isinstance(value, Mapping):
        for key in value:
            if not isinstance(key, str):
                where = dotted(path) or "profile"
                raise ProfileError(
                    f"{name}: {where}: key {key!r} is not a string; keys are words",
                    file=name,
                    key=dotted(path),
                )
        return {str(key): _plain(item, (*path, str(key)), name) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item, (*path, index), name) for index, item in enumerate(value)]
    return copy.copy(value)


def _path(key: object, name: str) -> KeyPath:
    parts: list[str | int] = []
    end = 0
    text = key if isinstance(key, str) else ""
    while match := _PART.match(text, end):
        if match.group(1) and match.group(0).startswith(".") != bool(parts):
            break
        parts.append(match.group(1) or int(match.group(2)))
        end = match.end()
    if end != len(text) or not parts or isinstance(parts[0], int):
        words = "is not a dotted key; write for example reach.far or blind_zones[0].box.x"
        raise ProfileError(f"{name}: override {key!r}: {words}", file=name, key=str(key))
    return tuple(parts)


def _set(declaration: Declaration, path: KeyPath, key: str, value: Any) -> None:
    here: Any = declaration.tree
    for depth, part in enumerate(path[:-1]):
        if isinstance(here, dict) and part not in here:
            _refuse_new_slice(declaration, path, depth, here, key)
            here[part] = [] if isinstance(path[depth + 1], int) else {}
        if isinstance(here, dict) and part in SWITCHED and here[part] in (False, "off"):
            here[part] = {}
        _check_step(declaration, here, path[: depth + 1], key)
        here = here[part]
    if isinstance(here, dict) and isinstance(path[-1], str):
        here[path[-1]] = value
        return
    _check_step(declaration, here, path, key)
    here[path[-1]] = value


def _check_step(declaration: Declaration, here: Any, path: KeyPath, key: str) -> None:
    part, owner = path[-1], dotted(path[:-1]) or "profile"
    if isinstance(here, dict) and part in here:
        return
    if isinstance(here, list) and isinstance(part, int):
        if part < len(here):
            return
        allowed = f"[0] to [{len(here) - 1}]" if here else "none; there is no item"
        words = f"{owner} has no item [{part}]; allowed: {allowed}"
    elif isinstance(here, list):
        words = f"{owner} is a list; write {owner}[0].{part}"
    else:
        words = f"{owner} is {here!r:.60} and holds no {part!r}; write the whole of {owner}"
    raise ProfileError(f"{declaration.name}: override {key}: {words}", file=declaration.name, key=key)


def _refuse_new_slice(
    declaration: Declaration, path: KeyPath, depth: int, here: dict[str, Any], key: str
) -> None:
    """Refuse a misspelt slice name, which would begin a second slice; a new one is given whole."""
    if depth != 1 or path[0] != "slices" or not here:
        return
    close = difflib.get_close_matches(str(path[1]), list(here), 1)
    hint = f"did you mean {close[0]!r}? " if close else ""
    words = f"no slice {path[1]!r}; {hint}known slices: {', '.join(here)}"
    raise ProfileError(f"{declaration.name}: override {key}: {words}", file=declaration.name, key=key)
