"""A profile file with new numbers in its mount or its slices, and every other character as it was."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

import yaml

from flatten.errors import ProfileError
from flatten.profile import Profile
from flatten.profile.models import Slice

DIGITS = {"x": 4, "y": 4, "z": 4, "roll": 3, "pitch": 3, "yaw": 3}
"""Decimals written: 0.1 mm and 0.001°, finer than any floor tells."""


def with_mount(text: str, name: str, values: Mapping[str, float]) -> str:
    """Put numbers into the mount of a profile's text.

    Parameters
    ----------
    text:
        The profile, YAML that loads.
    name:
        Its name, for messages.
    values:
        New values by key: metres and degrees.

    Comments, order, quotes and blanks stay. A key that is missing is added at the end of the mount, a mount
    that is missing at the end of the file. Raises ProfileError where the outcome would not be the old profile
    with these values.

    """
    written = {key: number_text(key, value) for key, value in values.items()}
    root = yaml.compose(text, Loader=yaml.SafeLoader)
    mount = _value_of(root, "mount")
    made = _appended(text, written) if mount is None else _spliced(text, mount, written)
    wanted = {f"mount.{key}": float(number) for key, number in written.items()}
    if Profile.parse(made, name) != Profile.parse(text, name, overrides=wanted):
        raise ProfileError(
            f"{name}: mount: cannot be changed in place; write x, y, z, roll, pitch and yaw out"
        )
    return made


def with_slices(text: str, name: str, slices: Mapping[str, Slice]) -> str:
    """Put slices into a profile's text: numbers that are there are replaced, what is missing is added.

    `name` stands for the file in messages. See `with_mount`.
    """
    before = Profile.parse(text, name)
    for key, band in slices.items():
        root = _value_of(yaml.compose(text, Loader=yaml.SafeLoader), "slices")
        there = _value_of(root, key)
        written = _slice_texts(before.slices.get(key), band)
        assert root is not None  # a profile has slices
        if there is not None:
            text = _spliced(text, there, written)
        else:
            words = ", ".join(f"{part}: {value}" for part, value in written.items())
            place, _, words = _addition(text, root, {key: f"{{{words}}}"})
            text = text[:place] + words + text[place:]
    if Profile.parse(text, name) != before.model_copy(update={"slices": {**before.slices, **slices}}):
        raise ProfileError(f"{name}: slices: cannot be changed in place; write bottom, top and rise out")
    return text


def put_values(text: str, name: str, section: str, written: Mapping[str, str]) -> str:
    """Put values into one mapping of a profile's text, such as "reach" or "blind_zones[0].box".

    `written` holds the values as YAML by key. Keys that are missing are added at the end of the mapping, a
    mapping of the first rank that is missing at the end of the file. Comments, order and blanks stay. What
    comes out is for the caller to check. Raises ProfileError where there is no such mapping.
    """
    node: yaml.Node | None = yaml.compose(text, Loader=yaml.SafeLoader)
    for part in re.findall(r"[^.\[\]]+", section):
        listed = node.value if isinstance(node, yaml.SequenceNode) else None
        node = _value_of(node, part) if listed is None else listed[int(part)]
    if isinstance(node, yaml.MappingNode):
        return _spliced(text, node, written)
    if node is None and section.isidentifier():
        return _appended(text, written, section)
    raise ProfileError(f"{name}: {section}: cannot be changed in place; write it out, one key a line")


def _slice_texts(before: Slice | None, band: Slice) -> dict[str, str]:
    """Give what has to be written of a slice: bottom, top, and whatever else is not as it was."""
    base = Slice(bottom=band.bottom, top=band.top) if before is None else before
    keys = [key for key in type(band).model_fields if key in ("bottom", "top")]
    keys += [
        key for key in type(band).model_fields
        if key not in keys and getattr(band, key) != getattr(base, key)
    ]  # fmt: skip
    return {key: _plain_text(getattr(band, key)) for key in keys}


def _plain_text(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, float) else str(value)


def number_text(key: str, value: float) -> str:
    """Write a value of the mount with as many decimals as mean something; a roll of −180° is 180°."""
    if not math.isfinite(value):
        raise ProfileError(f"mount.{key}: {value} is no number that a profile may hold")
    words = f"{value:.{DIGITS[key]}f}".rstrip("0")
    words = words + "0" if words.endswith(".") else words
    words = words.removeprefix("-") if float(words) == 0.0 else words
    return "180.0" if words == "-180.0" and key in ("roll", "yaw") else words


def _value_of(mapping: yaml.Node | None, key: str) -> yaml.Node | None:
    for name, value in mapping.value if isinstance(mapping, yaml.MappingNode) else ():
        if name.value == key:
            found: yaml.Node = value
            return found
    return None


def _spliced(text: str, mount: yaml.Node, written: Mapping[str, str]) -> str:
    """Replace the numbers that are there, from the last to the first, and add those that are not."""
    there = {key: _value_of(mount, key) for key in written}
    changes = [
        (node.start_mark.index, _end_of(node), written[key])
        for key, node in there.items()
        if node is not None
    ]
    missing = {key: written[key] for key, node in there.items() if node is None}
    if missing:
        changes.append(_addition(text, mount, missing))
    for begin, end, words in sorted(changes, reverse=True):
        text = text[:begin] + words + text[end:]
    return text


def _addition(text: str, mount: yaml.Node, missing: Mapping[str, str]) -> tuple[int, int, str]:
    """Where and how keys are added: before the closing brace, or on lines of their own."""
    entries = mount.value if isinstance(mount, yaml.MappingNode) else []
    pairs = [f"{key}: {number}" for key, number in missing.items()]
    if getattr(mount, "flow_style", False) or not entries:
        place = entries[-1][1].end_mark.index if entries else mount.start_mark.index + 1
        return place, place, (", " if entries else "") + ", ".join(pairs)
    key, value = entries[-1]
    indent = " " * key.start_mark.column
    place = text.find("\n", _end_of(value))
    place = len(text) if place < 0 else place
    end = "\r" if text[:place].endswith("\r") else ""
    place -= len(end)
    return place, place, "".join(f"{end}\n{indent}{pair}" for pair in pairs)


def _end_of(node: yaml.Node) -> int:
    """Where the last character of a value is; a block mapping is said to end where the next key begins."""
    if isinstance(node, yaml.MappingNode) and not node.flow_style and node.value:
        return _end_of(node.value[-1][1])
    if isinstance(node, yaml.SequenceNode) and not node.flow_style and node.value:
        return _end_of(node.value[-1])
    return int(node.end_mark.index)


def _appended(text: str, written: Mapping[str, str], section: str = "mount") -> str:
    pairs = ", ".join(f"{key}: {number}" for key, number in written.items())
    gap = "" if text.endswith("\n") or not text else "\n"
    return f"{text}{gap}{section}: {{{pairs}}}\n"
