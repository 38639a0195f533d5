"""The picture of the page in the README: the sample yard with the bow a degree up, in a real Chromium."""

from __future__ import annotations

import shutil
from pathlib import Path

from benchmarks.page import started

TOP = Path(__file__).parent.parent
PICTURE = Path(__file__).parent / "pictures" / "page.png"
FLAGS = ["--no-sandbox", "--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]
"""As root, and without a graphics card."""

PITCH = """() => {
    const range = document.querySelector('input[type=range][data-key="view.pitch"]');
    range.value = -1;
    range.dispatchEvent(new Event("input"));
    range.dispatchEvent(new Event("change"));
}"""
DRAWN = "() => document.body.dataset.studied === 'true'"


def draw() -> Path:
    """Open the page, lean the body, take the picture."""
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        raise SystemExit("benchmarks: the picture of the page needs Chromium: install the package chromium")
    frames = [str(TOP / "sample_clouds" / f"{name}.pcd") for name in ("yard", "aisle", "kerb")]
    profile = TOP / "sample_clouds" / "rover.yaml"
    with started(frames, profile) as (address, _), sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=FLAGS)
        page = browser.new_page(viewport={"width": 1280, "height": 800}, bypass_csp=True)
        page.goto(f"http://{address}/")
        page.wait_for_function(DRAWN)
        page.evaluate(PITCH)
        page.wait_for_timeout(3000)
        page.wait_for_function(DRAWN)
        page.screenshot(path=PICTURE)
        browser.close()
    return PICTURE
