"""Every mistake is one line with file, line, key, value and allowed range.

The rules are the project's own; where a limit comes from elsewhere its source stands beside it.
"""

from pathlib import Path

import pytest

from flatten.errors import FlattenError, ProfileError
from flatten.profile import Profile

SLICES = "slices:\n  drive: {bottom: 0.08, top: 0.95}\n"


def _cases():
    rows = Path(__file__).with_name("bad_profiles.txt").read_text(encoding="utf-8").splitlines(keepends=True)
    start, text = "", ""
    for row in rows:
        if row.startswith("["):
            start, text = (SLICES if row == "[after slices]\n" else ""), ""
        elif row.startswith("=> "):
            line, key, value, allowed = row[3:].rstrip("\n").split(" | ")
            yield start + text, int(line), key, value, allowed
        else:
            text += row


CASES = list(_cases())


@pytest.mark.parametrize(("text", "line", "key", "value", "allowed"), CASES)
def test_one_line_names_file_line_key_value_and_allowed_range(text, line, key, value, allowed):
    with pytest.raises(ProfileError) as caught:
        Profile.parse(text, "rover.yaml")
    error, words = caught.value, str(caught.value)
    assert words.startswith(f"rover.yaml:{line}: {key}: " if key else f"rover.yaml:{line}: ")
    assert "\n" not in words
    assert value in words[len(f"rover.yaml:{line}: {key}") :]
    assert allowed in words
    assert (error.file, error.line, error.key) == ("rover.yaml", line, key)
    assert isinstance(error, FlattenError)


def test_there_are_enough_cases_and_no_two_alike():
    assert len({text for text, *_ in CASES}) == len(CASES) >= 75


def test_several_mistakes_say_so_and_name_the_first():
    text = f"{SLICES}mount: {{pitch: 91, roll: 200}}\nfan: {{bins: 0}}\nlevel: up\n"
    with pytest.raises(ProfileError, match=r"^rover.yaml:3: mount\.\w+: .* \(and 3 more to mend\)$"):
        Profile.parse(text, "rover.yaml")


def test_a_long_value_is_cut_short():
    with pytest.raises(ProfileError) as caught:
        Profile.parse(f"{SLICES}level: {'x' * 5000}\n")
    assert len(str(caught.value)) < 200


def test_a_number_of_many_digits_is_infinite_not_a_crash():
    with pytest.raises(ProfileError, match="inf is not a finite number"):
        Profile.parse(f"{SLICES}reach: {{far: {'9' * 9000}}}\n")
