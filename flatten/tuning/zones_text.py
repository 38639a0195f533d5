"""A profile file with other blind zones, and every other character as it was."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

import yaml

from flatten.errors import ProfileError
from flatten.profile import BlindZone, Profile


def with_zones(text: str, name: str, kept: Sequence[BlindZone], new: Sequence[BlindZone]) -> str:
    """Put blind zones into a profile's text.

    Parameters
    ----------
    text:
        The profile, YAML that loads.
    name:
        Its name, for messages.
    kept:
        Zones that stay: all that the profile has, or none.
    new:
        Zones that are added behind them.

    Comments, order, quotes and blanks of all else stay, and those of zones that are kept. Raises
    ProfileError where the outcome would not be the old profile with these zones.

    """
    root = yaml.compose(text, Loader=yaml.SafeLoader)
    there = _value_of(root, "blind_zones")
    if there is None:
        made = _appended(text, new)
    elif kept and there.value:
        made = _added(text, there, new)
    else:
        made = _replaced(text, there, new)
    zones = (*kept, *new)
    if Profile.parse(made, name) != Profile.parse(text, name).model_copy(update={"blind_zones": zones}):
        raise ProfileError(f"{name}: blind_zones: cannot be changed in place; write them as a list")
    return made


def without_zones(text: str, names: Collection[str]) -> str:
    """Take blind zones out of a list that has a line or more for each; comments of the others stay.

    Text whose list is written in brackets comes back as it was: what comes out is for the caller to check.
    """
    there = _value_of(yaml.compose(text, Loader=yaml.SafeLoader), "blind_zones")
    if there is None or _is_flow(there):
        return text
    for item in reversed(there.value):
        named = _value_of(item, "name")
        if named is not None and named.value in names:
            begin = text.rfind("\n", 0, item.start_mark.index) + 1
            end = text.find("\n", _end_of(item))
            text = text[:begin] + ("" if end < 0 else text[end + 1 :])
    return text


def zone_text(zone: BlindZone) -> str:
    """Write a zone as one line of YAML, as the profile's own examples are written."""
    kind = next(kind for kind in ("box", "sector", "cylinder") if getattr(zone, kind) is not None)
    values = zone.shape.model_dump(exclude_none=True)
    inner = ", ".join(f"{key}: {_value(value)}" for key, value in values.items())
    return f"{{name: {_name(zone.name)}, {kind}: {{{inner}}}}}"


def _value(value: Any) -> str:
    if isinstance(value, (tuple, list)):
        return f"[{', '.join(_value(part) for part in value)}]"
    return f"{round(float(value), 4) + 0.0!r}"


def _name(name: str) -> str:
    return name if name.replace(" ", "").isalpha() else "'" + name.replace("'", "''") + "'"


def _value_of(mapping: yaml.Node | None, key: str) -> yaml.Node | None:
    for name, value in mapping.value if isinstance(mapping, yaml.MappingNode) else ():
        if name.value == key:
            found: yaml.Node = value
            return found
    return None


def _end_of(node: yaml.Node) -> int:
    """Where the text of a node ends: blocks end for YAML only where the next thing begins."""
    if isinstance(node, yaml.ScalarNode) or getattr(node, "flow_style", False) or not node.value:
        return int(node.end_mark.index)
    last = node.value[-1]
    return _end_of(last[1] if isinstance(last, tuple) else last)


def _is_flow(node: yaml.Node) -> bool:
    """Tell whether a list is written in brackets."""
    return bool(getattr(node, "flow_style", False))


def _line_end(text: str) -> str:
    return "\r\n" if "\r\n" in text else "\n"


def _added(text: str, there: yaml.Node, new: Sequence[BlindZone]) -> str:
    """Add zones behind those of the list."""
    end = _end_of(there.value[-1])
    if _is_flow(there):
        return text[:end] + "".join(f", {zone_text(zone)}" for zone in new) + text[end:]
    stop = text.find("\n", end)
    stop = len(text) if stop < 0 else stop
    stop -= text[:stop].endswith("\r")
    indent = " " * there.start_mark.column
    rows = "".join(f"{_line_end(text)}{indent}- {zone_text(zone)}" for zone in new)
    return text[:stop] + rows + text[stop:]


def _replaced(text: str, there: yaml.Node, new: Sequence[BlindZone]) -> str:
    """Put zones where the list was; its comments behind the key stay."""
    begin, end = there.start_mark.index, _end_of(there)
    if _is_flow(there) or not new:
        listed = ", ".join(zone_text(zone) for zone in new)
        inset = "" if _is_flow(there) else "  "  # a list may begin at the margin, brackets may not
        return f"{text[:begin]}{inset}[{listed}]{text[end:]}"
    indent = " " * there.start_mark.column
    return (
        text[:begin] + f"{_line_end(text)}{indent}".join(f"- {zone_text(zone)}" for zone in new) + text[end:]
    )


def _appended(text: str, new: Sequence[BlindZone]) -> str:
    gap = "" if text.endswith("\n") or not text else _line_end(text)
    if not new:
        return text
    rows = _line_end(text).join(f"  - {zone_text(zone)}" for zone in new)
    return f"{text}{gap}blind_zones:{_line_end(text)}{rows}{_line_end(text)}"
