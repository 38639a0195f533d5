"""Changes put into a profile's text, every other character as it was; and where it may be saved."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import yaml

from flatten.errors import PageError, ProfileError
from flatten.profile import Profile
from flatten.tuning.profile_text import put_values
from flatten.tuning.zones_text import with_zones, without_zones

KEY = re.compile(r"^(.*)\.([^.\[\]]+)((?:\[\d+\])?)$")
LONGEST_NAME = 100


def changed_text(
    text: str, name: str, values: Mapping[str, Any], off: frozenset[str], wanted: Profile
) -> str:
    """Put changes into the text of a profile.

    Parameters
    ----------
    text, name:
        The profile, YAML that loads, and its name for messages.
    values:
        New values by dotted key.
    off:
        Names of the blind zones to take out.
    wanted:
        What must come out.

    Raises ProfileError where the text cannot be changed so that it says exactly this.

    """
    before, after = Profile.parse(text, name).to_dict(), Profile.parse(text, name, values).to_dict()
    differing = [key for key in values if value_at(before, key) != value_at(after, key)]
    made = text
    for section, numbers in by_section(differing, after).items():
        made = put_values(made, name, section, numbers)
    if off:
        fewer = without_zones(made, off) if wanted.blind_zones else made
        made = fewer if says(fewer, wanted) else with_zones(made, name, (), wanted.blind_zones)
    if not says(made, wanted):
        raise ProfileError(f"{name}: cannot be changed in place; write its sections out, one key a line")
    return made


def says(text: str, wanted: Profile) -> bool:
    """Tell whether a text says what is wanted."""
    try:
        return Profile.parse(text) == wanted
    except ProfileError:
        return False


def value_at(tree: Any, key: str) -> Any:
    """Look up the value of a dotted key in plain values; None where there is none."""
    for part in parts_of(key):
        there = part in tree if isinstance(tree, dict) else isinstance(part, int) and part < len(tree)
        if not there:
            return None
        tree = tree[part]
    return tree


def by_section(keys: Iterable[str], tree: Mapping[str, Any]) -> dict[str, dict[str, str]]:
    """Sort keys by their mapping, with their values: {"slices.drive": {"bottom": "0.1"}}; pairs whole."""
    sections: dict[str, dict[str, str]] = {}
    for key in keys:
        match = KEY.match(key)
        if match is None:
            raise ProfileError(f"{key}: a whole section cannot be put into the file; save it by hand")
        section, last = match[1], match[2]
        sections.setdefault(section, {})[last] = value_text(value_at(tree, f"{section}.{last}"))
    return sections


def parts_of(key: str) -> list[str | int]:
    """Split "blind_zones[0].box" into what leads there."""
    return [int(index) if index else word for word, index in re.findall(r"([^.\[\]]+)|\[(\d+)\]", key)]


def value_text(value: Any) -> str:
    """Write a value as YAML: numbers short, a pair in brackets."""
    if isinstance(value, list | tuple):
        return f"[{', '.join(value_text(part) for part in value)}]"
    if isinstance(value, bool):
        return "on" if value else "off"
    if isinstance(value, float):
        return f"{value:.10g}" if value % 1 else f"{value:.1f}"
    return str(value) if isinstance(value, int) else yaml.safe_dump(value).splitlines()[0]


def place_in(folder: Path, name: str) -> Path:
    """Give the file of this name in the folder; PageError where that would lead out of it, or is none."""
    name = name.strip()
    plain = name == Path(name).name and name.isprintable() and not set(name) & set('/\\:*?"<>|')
    if not plain or name.startswith(".") or not 0 < len(name) <= LONGEST_NAME:
        raise PageError(f"{name[:60]!r} is no plain file name: write one such as rover.yaml")
    if Path(name).suffix.lower() not in (".yaml", ".yml"):
        raise PageError(f"{name}: a profile's name ends in .yaml")
    place = folder / name
    if place.is_symlink() and place.resolve().parent != folder.resolve():
        raise PageError(f"{name}: is a link out of {folder}: choose another name")
    return place
