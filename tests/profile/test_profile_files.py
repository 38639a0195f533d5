"""Files that are no profile: refused in one line, quickly, with the line where there is one."""

import os

import pytest

from flatten.errors import ProfileError
from flatten.profile import Profile, starter_text

SLICES = "slices:\n  drive: {bottom: 0.08, top: 0.95}\n"


def refused(path):
    with pytest.raises(ProfileError) as caught:
        Profile.load(path)
    words = str(caught.value)
    assert words.startswith(str(path))
    assert "\n" not in words
    assert caught.value.file == str(path)
    return words, caught.value.line


def test_a_file_that_is_not_there(tmp_path):
    assert "no such file" in refused(tmp_path / "rover.yaml")[0]


def test_a_directory(tmp_path):
    assert "is a directory" in refused(tmp_path)[0]


def test_a_file_without_permission(tmp_path):
    path = tmp_path / "rover.yaml"
    path.write_text(SLICES)
    path.chmod(0)
    me = os.geteuid()
    if me == 0:  # who may read everything: be nobody for a moment
        os.seteuid(65534)
    try:
        assert "no permission" in refused(path)[0]
    finally:
        os.seteuid(me)


def test_a_path_that_no_system_takes():
    with pytest.raises(ProfileError, match="cannot be read"):
        Profile.load("a\0b.yaml")
    with pytest.raises(ProfileError, match="cannot be read"):
        Profile.load("x" * 5000)


def test_a_device_without_end_stops_at_the_limit():
    assert "larger than 1 MiB" in refused("/dev/zero")[0]


def test_a_file_beyond_the_limit(tmp_path):
    path = tmp_path / "rover.yaml"
    path.write_text(SLICES + "#" * (1 << 20))
    assert "larger than 1 MiB" in refused(path)[0]
    with pytest.raises(ProfileError, match="larger than 1 MiB"):
        Profile.parse(SLICES + "#" * (1 << 20))


@pytest.mark.parametrize("raw", ["é".encode("latin-1"), SLICES.encode("utf-16"), b"\x89PCD"])
def test_bytes_that_are_not_utf8_name_their_line(tmp_path, raw):
    path = tmp_path / "rover.yaml"
    path.write_bytes(b"# one\n# two\n" + raw)
    words, line = refused(path)
    assert "not UTF-8" in words
    assert line == 3


def test_a_byte_order_mark_and_windows_line_ends_are_no_obstacle(tmp_path):
    path = tmp_path / "rover.yaml"
    path.write_bytes(b"\xef\xbb\xbf" + SLICES.replace("\n", "\r\n").encode())
    assert list(Profile.load(path).slices) == ["drive"]


def test_comments_may_be_in_any_language():
    assert Profile.parse(f"# Gärtnerei 苗圃\n{SLICES}").slices["drive"].top == 0.95


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("", 1, "is empty"),
        ("\n# only a comment\n", 1, "is empty"),
        ("---\n...\n", 1, "is empty"),
        ("- drive\n", 1, "is not a mapping"),
        ("drive\n", 1, "is not a mapping"),
        (f"{SLICES}reach: [1, 2\n", 4, "not YAML"),
        (f"{SLICES}reach: {{near: 1}} far\n", 3, "not YAML"),
        (f"{SLICES}  reach: {{near: 1}}\n   far: 3", 4, "not YAML"),
        (f"{SLICES}level: 'gravity\n", 4, "begun on line 3"),
        (f"{SLICES}reach:\n\tnear: 1\n", 4, "a tab stands where YAML wants blanks"),
        (f"\t{SLICES}", 1, "a tab stands where YAML wants blanks"),
        (f"{SLICES}---\n{SLICES}", 3, "a second document begins here"),
        (f"{SLICES}level: \x07\n", 3, "character U+0007 has no place"),
        (f"{SLICES}level: gra\x00vity\n", 3, "character U+0000 has no place"),
        (f"{SLICES}reach: &r {{near: 1}}\n", 3, "anchors and aliases"),
        (f"{SLICES}reach: *r\n", 3, "anchors and aliases"),
        (f"{SLICES}reach: !!python/object/apply:os.system [ls]\n", 3, "tag "),
        (f"{SLICES}reach: {{near: !!float 1}}\n", 3, "tag "),
        (f"{SLICES}? [a, b]\n: 1\n", 3, "a key in profile is not a word"),
        (f"{SLICES}reach: {'[' * 100_000}\n", 3, "nested deeper than 12 levels"),
        (f"{SLICES}level: [{'a, ' * 100_000}]\n", 3, "more than 20000 values"),
    ],
)
def test_text_that_is_no_profile(text, line, words):
    with pytest.raises(ProfileError) as caught:
        Profile.parse(text, "rover.yaml")
    assert str(caught.value).startswith(f"rover.yaml:{line}: ")
    assert words in str(caught.value)
    assert caught.value.line == line


def test_an_alias_bomb_does_not_go_off():
    rows = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    rows += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 12)]
    with pytest.raises(ProfileError, match=r"^profile:1: anchors and aliases"):
        Profile.parse("\n".join(rows))


def test_loading_names_the_source_and_takes_a_path_or_a_string(tmp_path):
    path = tmp_path / "rover.yaml"
    path.write_text(starter_text(), encoding="utf-8")
    assert Profile.load(path).source == str(path)
    assert Profile.load(str(path)) == Profile.load(path) == Profile.parse(starter_text())
