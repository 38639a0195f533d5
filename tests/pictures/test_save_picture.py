"""Whole pictures, written and read back."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

from flatten import AttitudeError, Cloud, FlattenError, OutputError
from flatten.files.writing import CAUTION
from flatten.pictures import save_picture, style
from flatten.version import __version__
from tests.pictures import scratch

WHITE = 255


@pytest.fixture(scope="module")
def shot():
    """Cloud, scans, profile of the yard."""
    cloud, flattener = scratch.seen(scratch.yard(), name="yard.pcd"), scratch.flattener()
    return cloud, flattener.flatten(cloud), flattener.profile


def pixels(path: Path) -> np.ndarray:
    """RGB of a PNG that reads without complaint."""
    with Image.open(path) as picture:
        picture.verify()
    with Image.open(path) as picture:
        assert picture.format == "PNG"
        return np.asarray(picture.convert("RGB")).astype(int)


@pytest.mark.parametrize("view", ["both", "plan", "elevation"])
@pytest.mark.parametrize("slices", [None, ["low"]])
def test_png_holds_a_picture(shot, tmp_path: Path, view: str, slices: list[str] | None) -> None:
    path = save_picture(tmp_path / "yard.png", *shot, view=view, slices=slices)
    seen = pixels(path)
    inked = (seen < 200).any(axis=2)
    assert 0.01 < inked.mean() < 0.5
    assert (seen[[0, -1]] == WHITE).all() and (seen[:, [0, -1]] == WHITE).all()  # nothing runs off the paper
    assert len(np.unique(seen @ (1, 256, 65536))) > 20  # colours
    dark_red = [int(style.HIT[k : k + 2], 16) for k in (1, 3, 5)]
    shade = np.abs(seen - dark_red).max(axis=2)
    assert (shade < 16).sum() > (50 if slices is None or view != "elevation" else 0)  # HIT dots
    assert [p.name for p in tmp_path.iterdir()] == ["yard.png"]


def test_png_tells_who_made_it_and_equal_pictures_are_equal_files(shot, tmp_path: Path) -> None:
    paths = [save_picture(tmp_path / f"{k}.png", *shot) for k in range(2)]
    with Image.open(paths[0]) as picture:
        assert picture.text == {"Software": f"flatten {__version__}", "Comment": CAUTION}
    assert paths[0].read_bytes() == paths[1].read_bytes()


def test_svg_parses_and_carries_the_returns_as_an_image(shot, tmp_path: Path) -> None:
    path = save_picture(tmp_path / "yard.svg", *shot)
    root = ElementTree.parse(path).getroot()
    name = "{http://www.w3.org/2000/svg}"
    assert root.tag == f"{name}svg"
    assert len(root.findall(f".//{name}path")) > 100 and root.findall(f".//{name}image")
    assert path.stat().st_size < 3e6  # twenty thousand returns are not twenty thousand shapes


def test_pdf_is_whole(shot, tmp_path: Path) -> None:
    content = save_picture(tmp_path / "yard.PDF", *shot).read_bytes()
    assert content.startswith(b"%PDF-") and content.rstrip().endswith(b"%%EOF")


def test_refuses_to_overwrite_unless_told(shot, tmp_path: Path) -> None:
    path = tmp_path / "yard.png"
    path.write_text("keep")
    with pytest.raises(OutputError, match="is there already"):
        save_picture(path, *shot)
    assert path.read_text() == "keep" and len(list(tmp_path.iterdir())) == 1
    assert len(pixels(save_picture(path, *shot, overwrite=True))) > 500
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize(
    ("name", "more", "error", "words"),
    [
        ("yard.bmp", {}, OutputError, r"choose \.png, \.svg, \.pdf"),
        ("yard", {}, OutputError, "no picture format by that suffix"),
        ("none/yard.png", {}, OutputError, "no folder"),
        ("yard.png", {"slices": ["roof"]}, FlattenError, "there are drive, low"),
        ("yard.png", {"slices": []}, FlattenError, "at least one slice"),
        ("yard.png", {"view": "front"}, FlattenError, "choose both, plan, elevation"),
        ("yard.png", {"attitude": (0.1, 90.0)}, AttitudeError, "degrees"),
    ],
)
def test_bad_wishes_leave_nothing_behind(shot, tmp_path: Path, name, more, error, words) -> None:
    with pytest.raises(error, match=words):
        save_picture(tmp_path / name, *shot, **more)
    assert not list(tmp_path.iterdir())


def test_failure_while_writing_leaves_nothing_behind(tmp_path: Path) -> None:
    code = (  # the system refuses to let a file grow past 5 kB, as a full disk would
        "import resource, signal, numpy as np, flatten; from flatten import pictures\n"
        "p = flatten.Profile.from_dict({'slices': {'drive': {'bottom': 0.1, 'top': 1.0}}})\n"
        "c = flatten.Cloud.from_array(np.ones((3, 3))); s = flatten.Flattener(p).flatten(c)\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000))\n"
        f"try: pictures.save_picture({str(tmp_path / 'x.png')!r}, c, s, p)\n"
        "except flatten.OutputError as error: print(error)\n"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert "x.png: cannot be written (File too large)" in told
    assert not list(tmp_path.iterdir())


def test_names_with_blanks_formulas_and_other_scripts(shot, tmp_path: Path, recwarn) -> None:
    cloud, scans, profile = shot
    odd = Cloud(cloud.x, cloud.y, cloud.z, name='/a b/grüne $x^$ 苗圃\n<b>&".pcd')
    path = save_picture(tmp_path / "grüne Wege $1$ 苗圃.png", odd, scans, profile, title="")
    assert path.is_file() and len(pixels(path)) > 500
    assert not [w for w in recwarn if "Glyph" in str(w.message)]


def test_empty_cloud_is_drawn(tmp_path: Path) -> None:
    cloud, flattener = Cloud.from_array(np.empty((0, 3))), scratch.flattener()
    path = save_picture(tmp_path / "empty.png", cloud, flattener.flatten(cloud), flattener.profile)
    assert (pixels(path) < 128).any()


@pytest.mark.parametrize("fields", [{"ranges"}, {"states"}, {"intensities"}])
def test_scans_with_some_of_their_arrays_are_drawn(tmp_path: Path, fields: set[str]) -> None:
    cloud, flattener = scratch.seen(scratch.yard()), scratch.flattener((), frozenset(fields))
    path = save_picture(tmp_path / "some.png", cloud, flattener.flatten(cloud), flattener.profile)
    assert (pixels(path) < 128).any()


def test_many_slices_and_a_leaning_body(tmp_path: Path) -> None:
    lean = (0.1, -0.05)
    profile = scratch.profile(slices={f"s{k}": {"bottom": 0.1 * k, "top": 0.1 * k + 0.3} for k in range(5)})
    cloud = scratch.seen(scratch.yard(4000), lean)
    scans = scratch.Flattener(profile).flatten(cloud, lean)
    seen = pixels(save_picture(tmp_path / "five.png", cloud, scans, profile, lean, swath=1.0, extent=6.0))
    assert (seen[[0, -1]] == WHITE).all() and (seen[:, [0, -1]] == WHITE).all()


def luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour (WCAG 2.1, definition of relative luminance; from memory)."""
    parts = np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ (0.2126, 0.7152, 0.0722))


def test_letters_have_contrast_and_shades_are_apart_in_grey() -> None:
    for ink in (style.INK, style.SOFT_INK, style.HIT, style.ZONE, *style.BAND_COLOURS):
        assert 1.05 / (luminance(ink) + 0.05) >= 4.5  # WCAG 2.1, success criterion 1.4.3 (from memory)
    shades = [luminance(c) for c in (style.HIT, style.CLEAR, style.PARTLY, "#ffffff")]
    assert shades == sorted(shades) and min(np.diff(shades)) > 0.1


BLOCKER = "import sys; sys.modules['matplotlib'] = None; sys.modules['jinja2'] = None\n"


@pytest.mark.parametrize(
    ("call", "part"),
    [
        ("pictures.save_picture('{0}/x.png', c, s, p)", "matplotlib"),
        ("pictures.draw_plan(None, c, s, p, None, 'drive')", "matplotlib"),
        ("pictures.draw_elevation(None, c, s, p, None)", "matplotlib"),
        ("pictures.write_report('{0}/x.html', [pictures.Entry('c', s)], p)", "jinja2"),
    ],
)
def test_missing_parts_are_named(tmp_path: Path, call: str, part: str) -> None:
    code = BLOCKER + (
        "import flatten; from flatten import pictures; import numpy as np\n"
        "p = flatten.Profile.from_dict({'slices': {'drive': {'bottom': 0.1, 'top': 1.0}}})\n"
        "c = flatten.Cloud.from_array(np.ones((3, 3))); s = flatten.Flattener(p).flatten(c)\n"
        "assert pictures.report_text([pictures.Entry('c', s)])\n"
        f"try: {call.format(tmp_path)}\n"
        "except flatten.MissingPartError as error: print(error)\n"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert part in told and "pip install 'flatten[desk]'" in told and told.count("\n") == 1
    assert not list(tmp_path.iterdir())


def test_import_is_light_and_drawing_needs_no_screen(tmp_path: Path) -> None:
    code = (
        "import sys, numpy as np, flatten; from flatten import pictures\n"
        "assert not {'matplotlib', 'jinja2', 'PIL'} & set(sys.modules), 'imported too early'\n"
        "p = flatten.Profile.from_dict({'slices': {'drive': {'bottom': 0.1, 'top': 1.0}}})\n"
        "c = flatten.Cloud.from_array(np.ones((3, 3))); s = flatten.Flattener(p).flatten(c)\n"
        f"pictures.save_picture({str(tmp_path / 'x.png')!r}, c, s, p)\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
    assert (tmp_path / "x.png").is_file()
