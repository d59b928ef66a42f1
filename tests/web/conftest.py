"""A field small enough to plan in a second, its review opened once, and a browser where there is one."""

import shutil
import threading
from contextlib import contextmanager
from pathlib import Path

import pytest

from zonemap.pipeline.review import Desk
from zonemap.web.serve import opened, server_of

TOP = Path(__file__).resolve().parents[2]
BROWSERS = ("chromium", "chromium-browser", "google-chrome")


def copied(folder, name="Two Cottonwoods"):
    field = shutil.copytree(TOP / "sample_fields" / "irrigated_corn", folder / "field")
    toml = field / "field.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace("Two Cottonwoods", name), encoding="utf-8")
    return field


@contextmanager
def running(field, pipeline, **options):
    """A review that answers, in a thread of this process."""
    asked = {"out": None, "formats": None, "port": 0, "fresh": False, "progress": lambda _: None} | options
    with opened(field, pipeline=pipeline and str(pipeline), **asked) as page:
        ready = threading.Event()
        server = server_of(page, ready=ready.set)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [page.socket]})
        thread.start()
        assert ready.wait(20)
        try:
            yield page
        finally:
            server.should_exit = True
            thread.join()


@pytest.fixture(scope="session")
def start_review(coarse, surfaces_once):
    """Start a review of a copy of the field in a folder; a field that is there already is opened again.

    The copies are alike, and a desk holds no decision: one serves them all, which saves a second a test.
    """
    del surfaces_once  # it holds from here on
    desks = {}

    def desk_of(case, pipeline, progress):
        key = (case.input_sha256, pipeline.sha256)
        if key not in desks:
            desks[key] = Desk(case, pipeline, progress)
        return desks[key]

    @contextmanager
    def start(folder, name="Two Cottonwoods", pipeline=coarse, **options):
        field = folder / "field"
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr("zonemap.web.serve.Desk", desk_of)
            with running(field if field.exists() else copied(folder, name), pipeline, **options) as page:
                yield page

    return start


@pytest.fixture
def review(tmp_path, start_review):
    with start_review(tmp_path) as page:
        yield page


@pytest.fixture(scope="session")
def browser():
    executable = next((found for name in BROWSERS if (found := shutil.which(name))), None)
    if executable is None:
        pytest.skip("no Chromium here: apt-get install chromium")
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with playwright.sync_playwright() as started:
        browser = started.chromium.launch(executable_path=executable, args=["--no-sandbox"])
        yield browser
        browser.close()
