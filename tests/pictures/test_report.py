"""The report: page and text."""

from __future__ import annotations

import base64
import math
import re
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from flatten import AttitudeError, OutputError, Profile, State
from flatten.files.writing import CAUTION
from flatten.pictures import Entry, TruthCheck, report_text, save_picture, words, write_report
from flatten.pictures.entry import nearest_words
from flatten.version import __version__
from tests.pictures import scratch
from tests.pictures.scratch import at, seen

ORDER = (State.HIT, State.CLEAR, State.TOO_NEAR, State.BLOCKED, State.UNSEEN)
VOID = {"meta", "img", "br", "hr", "link", "input"}
ODD = "a b <b>&\"'ünder 苗圃.pcd"


class Page(HTMLParser):
    """Tags, attributes and text of a page; every tag that is opened must be closed in order."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert not self.open, f"left open: {self.open}"

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open and self.open.pop() == tag, tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module")
def entries(tmp_path_factory) -> list[Entry]:
    """Two clouds, the first with an odd name, a picture and a truth."""
    flattener, cloud = scratch.flattener(), seen(scratch.yard())
    scans, folder = flattener.flatten(cloud), tmp_path_factory.mktemp("pictures")
    picture = save_picture(folder / "yard.png", cloud, scans, flattener.profile, slices=["drive"])
    lone = flattener.flatten(seen(np.array([at(-90.2, 2.0, 0.5)]), (0.0, 0.1)), (0.0, 0.1))
    truth = {"drive": TruthCheck(hits_within=321, hits_outside=4, false_free=7)}
    return [
        Entry(
            ODD, scans, sensor="solid-state <wide>", shows="Gravel & a bench.", picture=picture, truth=truth
        ),
        Entry("lone.pcd", lone, (0.0, 0.1), picture=picture.read_bytes(), seconds=0.00213),
    ]


def page_of(path: Path) -> Page:
    return Page(path.read_text(encoding="utf-8"))


def test_page_holds_every_cloud_and_slice_with_its_numbers(entries, tmp_path: Path) -> None:
    page = page_of(write_report(tmp_path / "r.html", entries, scratch.profile(), title="Yard & co", note="N"))
    assert page.tags[0][0] == "html" and "Yard & co" in page.text
    for entry in entries:
        assert entry.name in page.text
        for name, scan in entry.scans.items():
            row = page.text.split(f"{entry.name} ")[-1].split(f" {name} ", 1)[1]
            counts = [int((scan.states == state).sum()) for state in ORDER]
            assert row.startswith(" ".join(f"{n:,}" for n in counts))
            assert nearest_words(scan) in row
    assert "2.00 m, right, 90° (drive)" in page.text and "flattened in 2.1 ms" in page.text
    assert "pitch 5.7° (nose down)" in page.text and "321 of 325" in page.text
    assert f"flatten {__version__}" in page.text


def test_page_loads_nothing_from_elsewhere_and_runs_nothing(entries, tmp_path: Path) -> None:
    path = write_report(tmp_path / "r.html", entries, scratch.profile())
    page = page_of(path)
    for _, attributes in page.tags:
        for key in ("src", "href", "data", "poster", "action"):
            target = attributes.get(key)
            assert target is None or target.startswith(("#", "data:image/png;base64,"))
        assert not [key for key in attributes if key.startswith("on")]
    assert not page.all("script") and not page.all("link") and not page.all("iframe")
    assert (
        "http" not in re.sub(r"base64,[A-Za-z0-9+/=]+", "", path.read_text())
        and "@import" not in path.read_text()
    )
    anchors = {a["id"] for _, a in page.tags if "id" in a}
    assert all(a["href"][1:] in anchors for a in page.all("a"))


def test_pictures_are_inside_with_words_for_those_who_do_not_see_them(entries, tmp_path: Path) -> None:
    page = page_of(write_report(tmp_path / "r.html", entries, scratch.profile()))
    images = page.all("img")
    assert len(images) == 2
    for image, entry in zip(images, entries, strict=True):
        inside = base64.b64decode(image["src"].split(",", 1)[1], validate=True)
        assert inside == (
            entry.picture if isinstance(entry.picture, bytes) else Path(entry.picture).read_bytes()
        )
        assert entry.name in image["alt"] and "HIT" in image["alt"] and "nearest" in image["alt"]


def test_odd_names_are_escaped(entries, tmp_path: Path) -> None:
    text = write_report(tmp_path / ODD.replace("/", ""), entries, scratch.profile()).read_text()
    assert "<b>" not in text and "&lt;b&gt;&amp;&#34;" in text
    broken = Entry("half \udce9 name\n\x1b[31m</td><script>alert(1)</script>.pcd", entries[1].scans)
    page = page_of(write_report(tmp_path / "b.html", [broken], scratch.profile()))
    assert not page.all("script") and "half" in page.text


def test_page_tells_cautions_and_the_whole_profile(entries, tmp_path: Path) -> None:
    profile = Profile.parse(scratch.profile().to_yaml(), "rover <1>.yaml")
    page = page_of(write_report(tmp_path / "r.html", entries, profile))
    assert CAUTION in page.text and "tracks off the ground" in page.text and "emergency stop" in page.text
    assert "reach at least 0.4 m above it" in page.text and "rover <1>.yaml" in page.text
    yaml = next(data for data in page.words if "blind_zones" in data)
    assert Profile.parse(yaml) == profile
    off = page_of(write_report(tmp_path / "o.html", entries, scratch.profile(clear=False)))
    assert "CLEAR is switched off" in off.text


def test_page_without_pictures_truth_and_clouds(entries, tmp_path: Path) -> None:
    bare = Entry("bare.pcd", scratch.flattener((), frozenset({"hits"})).flatten(seen(scratch.yard(100))))
    page = page_of(write_report(tmp_path / "r.html", [bare], [scratch.profile(), scratch.profile()]))
    assert not page.all("img") and "truth" not in page.text and "ranges not in the scan" in page.text
    assert page.text.count("Profile: made in a program") == 2
    none = page_of(write_report(tmp_path / "n.html", [], scratch.profile()))
    assert "0 clouds" in none.text and CAUTION in none.text
    empty = Entry("empty.pcd", scratch.flattener().flatten(np.empty((0, 3))))
    assert "720" in page_of(write_report(tmp_path / "e.html", [empty], scratch.profile())).text


def test_refuses_to_overwrite_and_leaves_nothing(entries, tmp_path: Path) -> None:
    path = write_report(tmp_path / "r.html", entries, scratch.profile())
    before = path.read_bytes()
    with pytest.raises(OutputError, match="is there already"):
        write_report(path, [], scratch.profile())
    assert path.read_bytes() == before
    write_report(path, [], scratch.profile(), overwrite=True)
    assert path.read_bytes() != before
    for bad, words_of in (
        (Entry("x", {}, picture=b"GIF89a"), "no PNG"),
        (Entry("x", {}, picture=tmp_path / "none.png"), "cannot be read"),
    ):
        with pytest.raises(OutputError, match=words_of):
            write_report(tmp_path / "x.html", [bad], scratch.profile())
    with pytest.raises(AttitudeError):
        write_report(tmp_path / "x.html", [Entry("x", {}, (1.0, 100.0))], scratch.profile())
    with pytest.raises(OutputError, match="no folder"):
        write_report(tmp_path / "none" / "x.html", entries, scratch.profile())
    assert [p.name for p in tmp_path.iterdir()] == ["r.html"]


def test_text_says_the_same(entries) -> None:
    text = report_text(entries)
    for entry in entries:
        assert entry.name in text
        for scan in entry.scans.values():
            hits = int((scan.states == State.HIT).sum())
            assert nearest_words(scan) in text and (not hits or f"{hits:,} HIT" in text)
    assert "nearest HIT: 2.00 m, right, 90°; 1 returns in the slice" in text
    assert "truth: 321 of 325 HIT agree with it, 7 CLEAR do not" in text and text.count("truth") == 1
    assert text.endswith(f"{CAUTION} · flatten {__version__}\n")
    assert max(map(len, text.splitlines())) <= 96
    assert "no clouds" in report_text([])
    hostile = report_text([Entry("a\n\x1b[31mb", {}, shows="c\td\x07")])
    assert "\x1b" not in hostile and "\x07" not in hostile and "a [31mb" in hostile


@pytest.mark.parametrize(
    ("degrees", "said"),
    [
        (0.0, "straight ahead"), (-2.4, "straight ahead"), (23.0, "ahead left, 23°"), (-90.0, "right, 90°"),
        (60.0, "left, 60°"), (-59.0, "ahead right, 59°"), (121.0, "behind left, 121°"),
        (-179.0, "straight behind"),
    ],
)  # fmt: skip
def test_bearings_in_words(degrees: float, said: str) -> None:
    assert words.bearing_words(math.radians(degrees)) == said


def test_a_rear_fan_tells_bearings_within_half_a_turn() -> None:
    flattener = scratch.flattener((("fan.first", 90), ("fan.last", 270), ("fan.bins", 180)))
    scan = flattener.flatten(seen(np.array([at(-100.5, 2.0, 0.5)])))["drive"]
    assert nearest_words(scan) == "2.00 m, right, 100°" or nearest_words(scan) == "2.00 m, right, 101°"


def test_shares_are_never_rounded_up() -> None:
    said = [words.share_words(s) for s in (None, 0.0, 0.004, 0.01, 0.9999, 1.0)]
    assert said == ["not known", "0 %", "under 1 %", "1 %", "99 %", "100 %"]
