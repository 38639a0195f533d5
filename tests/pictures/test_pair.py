"""Two ways of one cloud, side by side."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from flatten import FlattenError, OutputError, Profile
from flatten.flattener import Flattener
from flatten.pictures import PairEntry, Side, draw_plan, report_text, save_pair, write_report
from tests.pictures import scratch
from tests.pictures.scratch import axes, line_xy
from tests.test_cli import assert_is_a_picture


@pytest.fixture(scope="module")
def sides() -> list[Side]:
    cloud = scratch.seen(scratch.yard())
    made = []
    for level in ("gravity", "floor"):
        profile = Profile.from_dict({**scratch.PROFILE, "level": level})
        flattener = Flattener(profile)
        scans = flattener.flatten(cloud)
        wrong = np.arange(720) % 90 == 0
        made.append(Side(f"level: {level}", cloud, scans, profile, None, flattener.floor, wrong, ("a", "b")))
    return made


def test_the_picture_has_a_row_for_the_floor_where_one_was_fitted(sides: list[Side], tmp_path: Path) -> None:
    both = save_pair(tmp_path / "both.png", sides, "drive", title="yard", wrong_words="denied")
    plain = save_pair(tmp_path / "plain.png", [sides[0], sides[0]], "drive")
    assert_is_a_picture(both)
    assert Image.open(both).size[1] > Image.open(plain).size[1] + 300
    with pytest.raises(OutputError, match="is there already"):
        save_pair(both, sides, "drive")
    before = both.read_bytes()
    save_pair(both, sides, "drive", title="yard", wrong_words="denied", overwrite=True)
    assert both.read_bytes() == before  # the same picture is the same file


def test_what_cannot_be_drawn_is_refused(sides: list[Side], tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="PNG"):
        save_pair(tmp_path / "both.pdf", sides, "drive")
    with pytest.raises(FlattenError, match="there are drive, low"):
        save_pair(tmp_path / "both.png", sides, "roof")
    assert list(tmp_path.iterdir()) == []


def test_crosses_lie_on_the_hits_of_the_mask(sides: list[Side]) -> None:
    on, side = axes(), sides[0]
    draw_plan(on, side.cloud, side.scans, side.profile, None, "drive", extent=12.0, wrong=side.wrong)
    crosses, hits = line_xy(on, "HIT, denied"), line_xy(on, "HIT")
    assert 0 < len(crosses) <= 8
    assert all(np.abs(hits - cross).max(axis=1).min() < 1e-9 for cross in crosses)


def test_page_and_text_hold_both_columns(tmp_path: Path, sides: list[Side]) -> None:
    picture = save_pair(tmp_path / "both.png", sides, "drive")
    pair = PairEntry(
        "kerb <1>.pcd",
        "A kerb & more",
        ("plain", "better"),
        (("false HIT", ("12", "3")),),
        (0.1, 0.0),
        picture,
    )
    page = write_report(tmp_path / "r.html", [], sides[0].profile, pairs=[pair], pairs_note="Read so.")
    text = page.read_text()
    assert "kerb &lt;1&gt;.pcd" in text and "A kerb &amp; more" in text and "Read so." in text
    assert text.count("data:image/png;base64,") == 1 and "<script" not in text
    rows = [line for line in text.splitlines() if "false HIT" in line and "<tr>" in line]
    assert len(rows) == 1 and rows[0].index(">12<") < rows[0].index(">3<")
    plain = report_text([], [pair])
    for shown in (" ".join(text.split()), " ".join(plain.split())):
        assert "keep nobody safe" in shown and "walk the edges" in shown
    assert "keep nobody safe" not in report_text([])
    head, row = (
        next(line for line in plain.splitlines() if word in line) for word in ("better", "false HIT")
    )
    assert row.split() == ["false", "HIT", "12", "3"]
    assert head.index("better") + len("better") == len(head) == len(row)
