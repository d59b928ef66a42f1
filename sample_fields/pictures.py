"""Write the pictures of the README again: ``python sample_fields/pictures.py``.

It plans the corn field and opens its review page in Chromium (Playwright, of the test extra); it compares what was
spread on the potatoes with their plan and asks where more samples help. The pictures lie beside the fields, or below
the folder named on the command line.
"""

from __future__ import annotations

import shutil
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from zonemap.comparing import compare_field
from zonemap.job import plan_field, silence
from zonemap.sampling import sample_field
from zonemap.web.serve import opened, server_of

CORN, POTATOES = "irrigated_corn", "rolling_potatoes"
#: picture of the README -> picture of the result
OF_PLAN = {f"{CORN}/result.png": "map.png", f"{CORN}/season.png": "season.png"}
PAGE, SPREAD, SAMPLING = f"{CORN}/review.png", f"{POTATOES}/spread.png", f"{POTATOES}/sampling.png"
PICTURES = (*OF_PLAN, PAGE, SPREAD, SAMPLING)
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
#: of the picture of the page, pixels
_SIZE = {"width": 1280, "height": 900}


def write_all(folder: Path) -> tuple[Path, ...]:
    """Write every picture below a folder; return their paths."""
    for name in (CORN, POTATOES):
        (folder / name).mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory() as name:
        corn, potatoes = (
            Path(shutil.copytree(Path(__file__).parent / each, Path(name) / each)) for each in (CORN, POTATOES)
        )
        plan = plan_field(corn).folder
        for picture, source in OF_PLAN.items():
            shutil.copyfile(plan / source, folder / picture)
        with _answering(corn) as address:
            _photograph(address, folder / PAGE)
        plan_field(potatoes)
        spread = compare_field(potatoes, None, out=None, within_m=None, progress=silence).folder
        shutil.copyfile(spread / "spread.png", folder / SPREAD)
        places = sample_field(potatoes, count=None, pipeline=None, out=None, progress=silence).folder
        shutil.copyfile(places / "sampling.png", folder / SAMPLING)
    return tuple(folder / picture for picture in PICTURES)


@contextmanager
def _answering(field: Path) -> Iterator[str]:
    """Address of the review page of a field, while it answers."""
    asked = {"pipeline": None, "out": None, "formats": None, "port": 0, "fresh": False, "progress": silence}
    with opened(field, **asked) as page:
        ready = threading.Event()
        server = server_of(page, ready=ready.set)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [page.socket]})
        thread.start()
        ready.wait()
        try:
            yield page.address
        finally:
            server.should_exit = True
            thread.join()


def _photograph(address: str, path: Path) -> None:
    """Save the upper part of the page, in bright light and with everything on it."""
    from playwright.sync_api import sync_playwright

    executable = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=executable, args=["--no-sandbox"])
        page = browser.new_page(viewport=_SIZE, color_scheme="light")
        page.goto(address)
        page.wait_for_selector("html[data-ready]")
        page.wait_for_selector("#notes li", state="attached")
        page.evaluate("document.fonts.ready")
        page.screenshot(path=path)
        browser.close()


if __name__ == "__main__":
    for path in write_all(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent):
        print(path)
