"""The page in a real browser: open, move, see the scan change, save, reload; for desk and tablet."""

from __future__ import annotations

from collections.abc import Iterator
from shutil import which
from typing import Any

import pytest

from flatten import Profile
from tests.page.places import Running, bench_in, running

CHROMIUM = which("chromium") or which("chromium-browser")
SIZES = {"desk": (1280, 800), "tablet": (768, 1024)}

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed (Debian package chromium)")


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with running(bench_in(tmp_path_factory.mktemp("browser"))) as page:
        yield page


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    flags = ["--no-sandbox", "--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]
    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=CHROMIUM, args=flags)
        yield chromium
        chromium.close()


@pytest.fixture(scope="module", params=list(SIZES))
def page(request: pytest.FixtureRequest, browser: Any, served: Running) -> Iterator[Any]:
    width, height = SIZES[request.param]
    context = browser.new_context(
        viewport={"width": width, "height": height}, has_touch=request.param == "tablet"
    )
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda said: faults.append(said.text) if said.type in ("error", "warning") else None)
    page.goto(served.address)
    settled(page)
    yield page
    context.close()
    # the drawing in software says that reading the picture back is slow
    assert [fault for fault in faults if "ReadPixels" not in fault] == []


DRAWN = """name => new Promise(done => requestAnimationFrame(() =>
    setTimeout(() => done(document.getElementById(name).toDataURL()), 50)))"""
CUT = """[...document.querySelectorAll(".card, .card h3, .states span, .card p, figure ul, header > *")]
    .filter(one => one.scrollWidth > one.clientWidth + 1
        || (one.matches(".card") && one.scrollHeight > one.clientHeight + 1))
    .map(one => one.id || one.textContent)"""
SIZE = "name => [document.getElementById(name).clientWidth, document.getElementById(name).clientHeight]"
"""Scripts: a canvas's picture, what is cut off, a canvas's size."""


def until(page: Any, script: str) -> None:
    """Wait until a script says true; not by the browser itself, as the page forbids evaluating text."""
    for _ in range(400):
        if page.evaluate(script) is True:
            return
        page.wait_for_timeout(50)
    pytest.fail(f"never true: {script}")


def settled(page: Any) -> None:
    until(page, "document.body.dataset.studied === 'true'")


def slide(page: Any, key: str, value: float) -> None:
    """Move a slider as a hand does, and let it go."""
    before = page.evaluate("document.body.dataset.answers")
    page.evaluate(
        """([key, value]) => {
            const range = document.querySelector(`input[type=range][data-key="${key}"]`);
            range.value = value;
            range.dispatchEvent(new Event("input"));
            range.dispatchEvent(new Event("change"));
        }""",
        [key, value],
    )
    until(page, f"Number(document.body.dataset.answers) >= {int(before) + 2}")
    settled(page)


def hits(page: Any) -> int:
    return int(page.inner_text("#card-bins .states span:has-text('HIT') b").replace(",", ""))


def drawn(page: Any, canvas: str) -> str:
    """The picture on a canvas, once what is new has been drawn."""
    return str(page.evaluate(DRAWN, canvas))


def test_move_save_reload(page: Any, served: Running, request: pytest.FixtureRequest) -> None:
    folder, width = served.server.bench.folder, page.viewport_size["width"]
    before, pictures = hits(page), [drawn(page, name) for name in ("space", "plan", "side")]
    slide(page, "slices.drive.bottom", 0.5)
    assert hits(page) < before and page.inner_text("#changed") == "● changed"
    now = [drawn(page, name) for name in ("space", "plan", "side")]
    assert all(one != other for one, other in zip(now, pictures, strict=True))
    page.click("#save")
    page.fill("#save-name", f"at{width}.yaml")
    page.click("#save-do")
    page.wait_for_selector("#problem.is-news")
    assert "saved as" in page.inner_text("#problem") and page.inner_text("#changed") == "as saved"
    assert Profile.load(folder / f"at{width}.yaml").slices["drive"].bottom == 0.5
    page.reload()
    settled(page)
    assert page.inner_text("#file") == f"at{width}.yaml"
    assert page.input_value("input[type=number][data-key='slices.drive.bottom']") == "0.5"
    slide(page, "slices.drive.bottom", 0.08)
    page.click("#save")
    page.click("#save-do")
    until(page, "document.getElementById('save-says').textContent.includes('there already')")
    assert page.inner_text("#save-do") == "Write over it"
    page.click("#save-do")
    page.wait_for_selector("#problem.is-news")
    assert Profile.load(folder / f"at{width}.yaml").slices["drive"].bottom == 0.08


def test_what_is_wrong_is_told_and_slides_back(page: Any) -> None:
    page.evaluate("document.querySelector('details:not([open]) summary').click()")
    slide(page, "slices.drive.bottom", 1.5)
    until(page, "document.getElementById('problem').textContent.includes('is not below top')")
    assert (
        page.is_visible("#problem")
        and page.input_value("input[type=range][data-key='slices.drive.bottom']") == "0.08"
    )
    slide(page, "view.pitch", -1.4)
    assert "%" in page.inner_text("#card-leak .large.is-wrong")
    page.click("text=reset attitude")
    page.wait_for_selector("#card-leak .large:not(.is-wrong)")
    page.click("#after")
    until(page, "document.getElementById('frame-name').textContent.includes('aisle.pcd')")
    page.click("#before")
    until(page, "document.getElementById('frame-name').textContent.includes('yard.pcd')")
    page.uncheck("details:has-text('lamp') input[type=checkbox]")
    until(page, "document.getElementById('changed').textContent.includes('changed')")
    page.click("#undo")
    until(page, "document.getElementById('changed').textContent === 'as saved'")


def test_nothing_overflows(page: Any) -> None:
    wide, high, sight = page.evaluate(
        "[document.documentElement.scrollWidth, document.documentElement.scrollHeight, innerWidth]"
    )
    assert wide <= sight and high <= page.viewport_size["height"]
    caution = page.locator("#caution")
    assert caution.is_visible() and "not a personnel-safety device" in caution.inner_text()
    cut = page.evaluate(CUT)
    assert cut == []
    for name in ("space", "plan", "side"):
        width, height = page.evaluate(SIZE, name)
        assert width > 300 and height > 70
