"""Reading the file: text to plain Python values, with the line of every key.

PyYAML composes the nodes; what they mean is decided here, since YAML 1.1 holds surprises for a
file of numbers: 1e3 would be text, 012 ten and 1:30 ninety. Here a number is a decimal number
and nothing else. Anchors, tags and merge keys are not needed in a profile and are refused, and so are
files larger, deeper or with more values than any profile.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from flatten.errors import ProfileError
from flatten.profile.fields import KeyPath

LARGEST_FILE = 1 << 20
DEEPEST = 12
MOST_VALUES = 20_000

_NUMBER = re.compile(r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?")
_WHOLE = re.compile(r"[-+]?[0-9]{1,18}")
_NOT_FINITE = re.compile(r"[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)")
_SWITCHES = {"true": True, "on": True, "yes": True, "false": False, "off": False, "no": False}
_NOTHING = frozenset(("", "~", "null", "Null", "NULL"))


@dataclass
class Declaration:
    """What was declared: plain values, and the line of every key path (from 1)."""

    tree: dict[str, Any]
    name: str = "profile"
    """Name of the file, for messages."""
    lines: dict[KeyPath, int] = field(default_factory=dict)
    flags: dict[KeyPath, str] = field(default_factory=dict)
    """Key paths that an override set, with the override's key as it was given."""

    def origin(self, path: KeyPath) -> tuple[int, str]:
        """Find where a key path was declared: (line, ""), (0, the override's key) or (0, "")."""
        for size in range(len(path), -1, -1):
            if path[:size] in self.flags:
                return 0, self.flags[path[:size]]
            if path[:size] in self.lines:
                return self.lines[path[:size]], ""
            inside = [flag for known, flag in self.flags.items() if size and known[:size] == path[:size]]
            if inside:
                return 0, inside[0]
        return 0, ""

    def declares(self, path: KeyPath) -> bool:
        """Tell whether exactly this key was given, by the file or by an override."""
        value: Any = self.tree
        for part in path:
            inside = isinstance(value, dict) and part in value
            if not inside and not (isinstance(value, list) and isinstance(part, int) and part < len(value)):
                return False
            value = value[part]
        return True


def scalar(text: str) -> Any:
    """Read an unquoted word: a decimal number, a switch (on, off, …), nothing (None), or text."""
    if _WHOLE.fullmatch(text):
        return int(text)
    if _NUMBER.fullmatch(text):
        return float(text)
    if _NOT_FINITE.fullmatch(text):
        return float(text.replace(".", "", 1))
    if text in _NOTHING:
        return None
    if text.lower() in _SWITCHES and text in (text.lower(), text.title(), text.upper()):
        return _SWITCHES[text.lower()]
    return text


def read_text(path: str | os.PathLike[str]) -> str:
    """Read a profile file as text, at most 1 MiB of UTF-8; ProfileError says what is wrong with it."""
    name = os.fsdecode(path)

    def refuse(words: str, line: int = 0) -> ProfileError:
        where = f"{name}:{line}" if line else name
        return ProfileError(f"{where}: {words}", file=name, line=line)

    try:
        with Path(path).open("rb") as source:
            raw = source.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        raise refuse("no such file; give the path of a profile (YAML)") from None
    except IsADirectoryError:
        raise refuse("is a directory; give the path of a profile file (YAML)") from None
    except PermissionError:
        raise refuse("no permission to read it; change its mode or owner") from None
    except (OSError, ValueError) as cause:
        raise refuse(f"cannot be read: {getattr(cause, 'strerror', None) or cause}") from None
    if len(raw) > LARGEST_FILE:
        raise refuse(f"is larger than {LARGEST_FILE >> 20} MiB; a profile is a few kilobytes of YAML")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as cause:
        words = f"byte 0x{raw[cause.start]:02x} is not UTF-8; save the file as UTF-8 text"
        raise refuse(words, raw.count(b"\n", 0, cause.start) + 1) from None


def read_declaration(text: str, name: str) -> Declaration:
    """Turn YAML text into plain values that know their lines; ProfileError names the line of a mistake."""
    if len(text) > LARGEST_FILE:
        raise ProfileError(f"{name}: is larger than {LARGEST_FILE >> 20} MiB", file=name)
    try:
        node = _Composer(text).get_single_node()
    except _Refused as cause:
        raise _at(name, cause.line, str(cause)) from None
    except yaml.reader.ReaderError as cause:
        line = text.count("\n", 0, cause.position) + 1
        raise _at(name, line, f"character U+{cause.character:04X} has no place in a text file") from None
    except yaml.MarkedYAMLError as cause:
        raise _syntax_error(name, text, cause) from None
    if node is None or (isinstance(node, yaml.ScalarNode) and not node.value):
        raise _at(name, 1, "is empty; a profile needs at least the section slices")
    if not isinstance(node, yaml.MappingNode):
        raise _at(name, _line(node), "is not a mapping; a profile is lines of 'key: value' such as slices:")
    declaration = Declaration({}, name, {(): _line(node)})
    try:
        declaration.tree = _plain(node, (), declaration.lines)
    except _Refused as cause:
        raise _at(name, cause.line, str(cause), cause.key) from None
    return declaration


def dotted(path: KeyPath) -> str:
    """Write a key path as text: ("blind_zones", 1, "box") is blind_zones[1].box."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


class _Refused(Exception):  # noqa: N818 - never leaves this module
    def __init__(self, words: str, line: int, key: str = "") -> None:
        super().__init__(words)
        self.line, self.key = line, key


class _Composer(yaml.SafeLoader):
    """Compose nodes, and stop early at what no profile holds."""

    depth = 0
    values = 0

    def compose_node(self, parent: yaml.Node | None, index: Any) -> yaml.Node | None:
        """Compose one node and what is in it."""
        event: Any = self.peek_event()  # type: ignore[no-untyped-call]
        line = event.start_mark.line + 1
        if getattr(event, "anchor", None):
            raise _Refused(
                "anchors and aliases (& and *) are not used in a profile; write the value out", line
            )
        if getattr(event, "tag", None):
            raise _Refused(f"tag {event.tag!r} is not used in a profile; write the plain value", line)
        self.depth += 1
        self.values += 1
        if self.depth > DEEPEST:
            raise _Refused(f"is nested deeper than {DEEPEST} levels; no profile is", line)
        if self.values > MOST_VALUES:
            raise _Refused(f"holds more than {MOST_VALUES} values; no profile does", line)
        node: yaml.Node | None = super().compose_node(parent, index)
        self.depth -= 1
        return node


def _line(node: yaml.Node) -> int:
    return int(node.start_mark.line) + 1


def _at(name: str, line: int, words: str, key: str = "") -> ProfileError:
    text = f"{name}:{line}: {key}: {words}" if key else f"{name}:{line}: {words}"
    return ProfileError(text, file=name, line=line, key=key)


def _syntax_error(name: str, text: str, cause: yaml.MarkedYAMLError) -> ProfileError:
    mark = cause.problem_mark or cause.context_mark
    line = mark.line + 1 if mark else 1
    rows = text.splitlines()
    row = rows[line - 1] if line <= len(rows) else ""
    problem = cause.problem or "cannot be read"
    if "\t" in row[: mark.column + 1 if mark else None]:
        return _at(name, line, "a tab stands where YAML wants blanks; indent with blanks")
    if "document" in problem and "single" in str(cause.context or problem):
        return _at(
            name, line, "a second document begins here; keep one profile a file, without '---' between"
        )
    opened = ""
    if cause.context_mark and cause.context_mark.line + 1 != line:
        opened = f" ({cause.context}, begun on line {cause.context_mark.line + 1})"
    return _at(
        name, line, f"not YAML: {problem}{opened}; write 'key: value', lists in [ ], mappings in {{ }}"
    )


def _plain(node: yaml.Node, path: KeyPath, lines: dict[KeyPath, int]) -> Any:
    if isinstance(node, yaml.ScalarNode):
        return scalar(node.value) if node.style is None else node.value
    if isinstance(node, yaml.SequenceNode):
        items = []
        for index, item in enumerate(node.value):
            inner: KeyPath = (*path, index)
            lines[inner] = _line(item)
            items.append(_plain(item, inner, lines))
        return items
    mapping: dict[str, Any] = {}
    for key, line, value in _pairs(node, path):
        inner = (*path, key)
        if key in mapping:
            raise _Refused(
                f"is given twice, first on line {lines[inner]}; keep one of them", line, dotted(inner)
            )
        lines[inner] = line
        mapping[key] = _plain(value, inner, lines)
    return mapping


def _pairs(node: yaml.Node, path: KeyPath) -> Iterator[tuple[str, int, yaml.Node]]:
    for key, value in node.value:
        line = _line(key)
        place = dotted(path) or "profile"
        if not isinstance(key, yaml.ScalarNode):
            raise _Refused(f"a key in {place} is not a word; keys are words", line, dotted(path))
        if key.value == "<<" and key.style is None:
            raise _Refused(
                f"merge key '<<' in {place} is not used in a profile; write it out", line, dotted(path)
            )
        word = scalar(key.value) if key.style is None else key.value
        if not isinstance(word, str):
            advice = "keys begin with a letter, and decimals need a point"
            words = f"key {key.value!r} in {place} is not a word; {advice}"
            raise _Refused(words, line, dotted(path))
        yield word, line, value
