"""Pictures of the page as a phone shows it: `python tests/make_page_pictures.py`, or with all else `tests/renew.py`.

One of each kind of page, 390 wide, into demo_logs; with FOLDER also those 320 wide and dark. Without chromium none.
"""

import io
import sys
import tempfile
from pathlib import Path
from typing import Any

import phone
from console import ROOT
from on_site import OnSite, boiler
from PIL import Image

KINDS = {"question": "Maker's instructions", "wait": "Wait", "reading": "Read CO2", "turn": "Throttle screw"}
MOST_COLOURS = 32


def main(folder: Path = ROOT / "demo_logs", *, every: bool = False) -> None:
    """Write page_KIND.png for each kind of page."""
    from test_page_browser import CHROMIUM, FLAGS, SCREENS, Screen, playwright

    if CHROMIUM is None:
        print("No chromium here: the pictures of the page stay as they are.")
        return
    with playwright.sync_playwright() as run:
        browser = run.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        for size, scheme in [("phone", "light"), ("phone", "dark"), ("small phone", "light"), ("small phone", "dark")]:
            site = OnSite(boiler(2))
            with tempfile.TemporaryDirectory() as made, phone.served(_visits_in(made), site.now) as address:
                end = f"_{SCREENS[size]['width']}_{scheme}" if every else ""
                _take(Screen(browser, address, site, viewport=SCREENS[size], color_scheme=scheme), folder, end)
            if not every:
                break
        browser.close()


def _visits_in(folder: str) -> Path:
    """A folder of visits whose name may be seen in a picture."""
    visits = Path(folder) / "2026-05"
    visits.mkdir()
    return visits


def _take(screen: Any, folder: Path, end: str) -> None:
    screen.start()
    for kind, start in KINDS.items():
        screen.until(start)
        _write(screen, folder / f"page_{kind}{end}.png")
    while screen.step():
        pass
    _write(screen, folder / f"page_over{end}.png")
    visit = screen.page.url
    screen.page.goto(f"{visit}/curve")
    _write(screen, folder / f"page_curve{end}.png")
    screen.page.goto(screen.address)
    _write(screen, folder / f"page_visits{end}.png")
    screen.page.click("text=Practice boiler")
    screen.page.wait_for_selector(".practice")
    _write(screen, folder / f"page_practice{end}.png")


def _write(screen: Any, path: Path) -> None:
    """The screen in few colours: plain pages lose nothing by it."""
    image = Image.open(io.BytesIO(screen.page.screenshot()))
    image.convert("RGB").quantize(MOST_COLOURS).save(path, optimize=True)


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]), every=True)
    else:
        main()
