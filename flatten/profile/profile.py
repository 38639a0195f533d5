"""What the user declares: the profile, from YAML to a frozen, checked model and back."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import Annotated, Any, Literal

import yaml
from pydantic import BeforeValidator, Field, PrivateAttr, ValidationError, ValidationInfo, model_validator

from flatten.profile import faults, lines, remarks
from flatten.profile.fields import SWITCHED, Section, SliceName, order_broken, rule_broken
from flatten.profile.models import BlindZone, Clear, Fan, Mount, Reach, Robot, Slice
from flatten.profile.overrides import apply_overrides, from_mapping
from flatten.profile.stream import Floor, HealthLimits, Window


def _off_is_none(value: object, info: ValidationInfo) -> object:
    if value is True or value == "on":
        allowed = faults.allowed(Profile, (str(info.field_name),))
        raise rule_broken((), value, f"says nothing; allowed: {allowed}")
    return None if value is False or value == "off" else value


class Profile(Section):
    """Robot, mount, level, slices, fan, reach, clear, blind zones, floor, window and health, m and deg.

    Attributes mirror the file; `slices` is required, everything else has a documented default.
    Two profiles are equal if they say the same, wherever they came from.
    """

    robot: Robot = Field(default=Robot(), description="outline and abilities of the robot")
    mount: Mount = Field(default=Mount(), description="pose of the sensor in the body frame")
    level: Literal["gravity", "body", "floor"] = Field(
        default="gravity",
        description="gravity: slices stay level by the attitude passed in; body: they ride with the chassis; "
        "floor: heights are measured from the floor fitted to each frame",
    )
    slices: dict[SliceName, Slice] = Field(
        min_length=1, max_length=64, description="named height bands above the floor, at least one"
    )
    fan: Fan = Field(default=Fan(), description="angular layout of the scan")
    reach: Reach = Field(default=Reach(), description="distances that may be reported")
    clear: Annotated[Clear | None, BeforeValidator(_off_is_none)] = Field(
        default=Clear(),
        description="what must be witnessed before a bin says CLEAR; off: none ever does",
    )
    blind_zones: tuple[BlindZone, ...] = Field(
        default=(), max_length=1000, description="regions of the body frame whose returns are swallowed"
    )
    floor: Floor = Field(default=Floor(), description="how the floor is fitted, with level: floor")
    window: Annotated[Window | None, BeforeValidator(_off_is_none)] = Field(
        default=None, description="how many frames a scan gathers; off or absent: one"
    )
    health: HealthLimits = Field(
        default=HealthLimits(), description="when the stream of frames is worth a word"
    )
    _source: str = PrivateAttr("")

    @classmethod
    def load(cls, path: str | os.PathLike[str], overrides: Mapping[str, object] | None = None) -> Profile:
        """Read a profile file (YAML, UTF-8).

        Parameters
        ----------
        path
            The file.
        overrides
            Values that stand above the file, by dotted key: {"reach.far": 20.0,
            "slices.drive.bottom": 0.1, "blind_zones[0].box.x": [-0.5, 0.5]}. Precedence: defaults,
            then the file, then these.

        Raises
        ------
        ProfileError
            One line with file, line, key, value and allowed range; also for a file that cannot
            be read.

        """
        return cls.parse(lines.read_text(path), os.fsdecode(path), overrides)

    @classmethod
    def parse(
        cls, text: str, name: str = "profile", overrides: Mapping[str, object] | None = None
    ) -> Profile:
        """Read a profile from YAML text; `name` stands for the file in messages. See `load`."""
        return cls._checked(lines.read_declaration(text, name), overrides, name)

    @classmethod
    def from_dict(cls, mapping: Mapping[str, Any], overrides: Mapping[str, object] | None = None) -> Profile:
        """Make a profile from a mapping with the file's keys (metres, degrees). See `load`."""
        return cls._checked(from_mapping(mapping), overrides, "")

    @classmethod
    def _checked(
        cls, declaration: lines.Declaration, settings: Mapping[str, object] | None, source: str
    ) -> Profile:
        apply_overrides(declaration, settings)
        empty = faults.empty_value(cls, declaration.tree)
        if empty is not None:
            allowed = faults.allowed(cls, empty)
            words = f"has no value; leave the key out, or give {allowed}"
            raise faults.located(declaration, empty, words)
        try:
            profile = cls.model_validate(declaration.tree)
        except ValidationError as cause:
            raise faults.profile_error(cause, declaration, cls) from None
        profile._source = source
        return profile

    @model_validator(mode="after")
    def _clear_inside_reach(self) -> Profile:
        """Fit what is not declared of `clear` to the reach, then check the order."""
        if self.clear is None:
            return self
        fitted = self.clear.fitted(self.reach.far)
        object.__setattr__(self, "clear", fitted)
        allowed = "from < to <= reach.far"
        if not fitted.from_ < fitted.to:
            raise order_broken(("clear", "from"), fitted.from_, ("clear", "to"), fitted.to, allowed=allowed)
        if fitted.to > self.reach.far:
            raise order_broken(
                ("clear", "to"),
                fitted.to,
                ("reach", "far"),
                self.reach.far,
                allowed=allowed,
                relation="at most",
            )
        return self

    @model_validator(mode="after")
    def _names_differ(self) -> Profile:
        seen: dict[str, int] = {}
        for index, zone in enumerate(self.blind_zones):
            if zone.name in seen:
                words = f"names blind_zones[{seen[zone.name]}] too; allowed: a name that no other zone has"
                raise rule_broken(("blind_zones", index, "name"), zone.name, words)
            seen[zone.name] = index
        return self

    @model_validator(mode="after")
    def _drops_need_the_floor(self) -> Profile:
        for name, band in self.slices.items():
            if band.drops and self.level != "floor":
                words = (
                    f"needs level: floor, as edges are found in the fitted floor (level is {self.level}); "
                    "allowed: off, or on with level: floor"
                )
                raise rule_broken(("slices", name, "drops"), True, words)
        return self

    @property
    def source(self) -> str:
        """Name of the file it came from, "" where there is none."""
        return self._source

    @property
    def warnings(self) -> tuple[str, ...]:
        """What is allowed and yet worth a second look, in words."""
        return remarks.find(self)

    def to_dict(self) -> dict[str, Any]:
        """Give the effective profile as plain JSON-able values with the file's keys.

        `clear` and `window` may be "off"; `health.rate` is left out where it is learnt.
        """
        plain = self.model_dump(mode="json", by_alias=True, exclude_none=True)
        return {key: plain.get(key, "off") for key in type(self).model_fields}

    def to_yaml(self) -> str:
        """Give the effective profile, defaults written out, as YAML that loads again to an equal profile."""
        plain = self.to_dict()
        plain |= {key: False for key in SWITCHED if plain[key] == "off"}
        return yaml.dump(
            plain,
            Dumper=_Dumper,
            sort_keys=False,
            default_flow_style=None,
            allow_unicode=True,
            width=100,
        )

    def __eq__(self, other: object) -> bool:
        """Compare what the profiles say, not where they came from."""
        return isinstance(other, Profile) and self.__dict__ == other.__dict__

    def __hash__(self) -> int:
        """Agree with equality."""
        return hash((self.reach, self.fan, self.mount, frozenset(self.slices.items())))


class _Dumper(yaml.SafeDumper):
    """Write text so that `lines.scalar` reads it as text again."""


def _represent_text(dumper: yaml.SafeDumper, text: str) -> yaml.ScalarNode:
    style = None if isinstance(lines.scalar(text), str) else "'"
    return dumper.represent_scalar("tag:yaml.org,2002:str", text, style)


def _represent_switch(dumper: yaml.SafeDumper, value: bool) -> yaml.ScalarNode:
    return dumper.represent_scalar("tag:yaml.org,2002:bool", "on" if value else "off")


_Dumper.add_representer(str, _represent_text)
_Dumper.add_representer(bool, _represent_switch)
