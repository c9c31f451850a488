"""Pictures of every page at phone and laptop size, light and dark, for people to look at.

``python -m tests.screens [FOLDER]`` starts the app on an empty folder, practises on the invented
deck with the sample photos, and writes PNG files (default: out/screens).
``python -m tests.screens --readme`` writes the few that README shows into sample_images/screens.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

from tests.app_server import CHROMIUM, FLAGS, Server, sample

SIZES = {"phone": (360, 740), "laptop": (1440, 900)}
PAGES = ("", "walk", "log", "geometry", "sheets", "connect", "care")
TALLEST = 5000


def main(folder: Path) -> None:
    """Write all pictures."""
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as data, sync_playwright() as p:
        server = Server(Path(data))
        browser = p.chromium.launch(executable_path=CHROMIUM, headless=True, args=FLAGS)
        try:
            first = True
            for size, (width, height) in SIZES.items():
                for scheme in ("light", "dark"):
                    page = _open(browser, width, height, scheme, server)
                    if first:
                        _picture(page, folder / f"first-visit-{size}-{scheme}.png", width, height)
                        page.get_by_role("button", name="Practise on a sample").click()
                        page.get_by_text("This is the practice deck").wait_for()
                        first = False
                    _all(page, server, folder, f"{size}-{scheme}", width, height)
                    page.context.close()
        finally:
            browser.close()
            server.stop()


def readme(folder: Path) -> None:
    """Write the pictures that README shows, one window each."""
    folder.mkdir(parents=True, exist_ok=True)
    shots = (
        ("phone-reading", "phone", "light", "read?q=rake&p={rake}"),
        ("phone-correcting", "phone", "dark", "read?q=azimuth&p={azimuth}"),
        ("phone-walk", "phone", "light", "walk"),
        ("laptop-reading", "laptop", "light", "read?q=cantilever&p={cantilever}"),
    )
    with tempfile.TemporaryDirectory() as data, sync_playwright() as p:
        server = Server(Path(data))
        browser = p.chromium.launch(executable_path=CHROMIUM, headless=True, args=FLAGS)
        try:
            page = _open(browser, *SIZES["phone"], "light", server)
            page.get_by_role("button", name="Practise on a sample").click()
            page.get_by_text("This is the practice deck").wait_for()
            ids = {
                q: server.post(sample(q).read_bytes(), f"{q}.jpg")[1]["id"]
                for q in ("rake", "azimuth", "cantilever")
            }
            for name, size, scheme, path in shots:
                page = _open(browser, *SIZES[size], scheme, server)
                page.goto(f"http://localhost:{server.port}/{path.format(**ids)}")
                _settled(page)
                if "correcting" in name:
                    page.get_by_role("button", name="Move lines").click()
                    page.wait_for_timeout(300)
                page.screenshot(path=folder / f"{name}.png")
                with Image.open(folder / f"{name}.png") as picture:
                    plain = picture.convert("RGB")
                plain.save(folder / f"{name}.png", optimize=True)
        finally:
            browser.close()
            server.stop()


def _open(browser: Browser, width: int, height: int, scheme: str, server: Server) -> Page:
    small = width < 600
    context = browser.new_context(
        viewport={"width": width, "height": height},
        device_scale_factor=2 if small else 1,
        is_mobile=small,
        has_touch=small,
        color_scheme=scheme,
    )
    context.set_default_timeout(60_000)
    page = context.new_page()
    page.goto(server.link)
    return page


def _all(page: Page, server: Server, folder: Path, kind: str, width: int, height: int) -> None:
    base = f"http://localhost:{server.port}"
    page.goto(f"{base}/read?q=rake")
    _picture(page, folder / f"guide-{kind}.png", width, height)
    for quantity in ("rake", "cantilever", "azimuth"):
        photos = [server.post(sample(quantity, n).read_bytes(), f"{n}.jpg")[1] for n in (0, 1)]
        page.goto(f"{base}/read?q={quantity}&p={photos[0]['id']}")
        _picture(page, folder / f"read-{quantity}-{kind}.png", width, height)
    page.get_by_role("button", name="Move lines").click()
    _picture(page, folder / f"correct-{kind}.png", width, height)
    page.goto(f"{base}/read?q=azimuth&p={','.join(p['id'] for p in photos)}")
    _picture(page, folder / f"several-{kind}.png", width, height)
    for name in PAGES:
        page.goto(f"{base}/{name}")
        _picture(page, folder / f"{name or 'deck'}-{kind}.png", width, height)


def _picture(page: Page, path: Path, width: int, height: int) -> None:
    """One picture of the whole page: the window is made as tall as the page."""
    _settled(page)
    tall = page.evaluate(
        "document.querySelector('[data-testid=stMainBlockContainer]').scrollHeight + 20"
    )
    page.set_viewport_size({"width": width, "height": max(height, min(tall, TALLEST))})
    page.wait_for_timeout(400)
    page.screenshot(path=path)
    page.set_viewport_size({"width": width, "height": height})


def _settled(page: Page) -> None:
    page.locator("h1").first.wait_for()
    if "p=" in page.url:
        page.locator(".st-key-value h1, h3:has-text('No reading')").first.wait_for()
    page.locator("[data-testid=stStatusWidget]").wait_for(state="detached")
    page.locator("[data-testid=stSpinner]").wait_for(state="detached")
    for image in page.locator("img").all():
        image.evaluate("i => i.complete || new Promise(done => { i.onload = i.onerror = done })")
    page.wait_for_timeout(700)


if __name__ == "__main__":
    if sys.argv[1:] == ["--readme"]:
        readme(Path("sample_images/screens"))
    else:
        main(Path(sys.argv[1] if len(sys.argv) > 1 else "out/screens"))
