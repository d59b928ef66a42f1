import hashlib
import re
from pathlib import Path

import pytest

import zonemap.web

STATIC = Path(zonemap.web.__file__).parent / "static"
TESTS = Path(__file__).parent / "vendor"


@pytest.mark.parametrize("folder", [STATIC / "vendor", TESTS], ids=["OpenLayers", "axe-core"])
def test_what_others_wrote_is_as_they_published_it(folder):
    stated = dict(reversed(line.split()) for line in (folder / "SHA256SUMS").read_text().splitlines())
    found = {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir() if p.name != "SHA256SUMS"}
    assert found == stated
    assert any("LICENSE" in name for name in found)


def test_the_page_has_no_script_or_style_of_its_own_in_its_markup():
    page = (STATIC / "index.html").read_text(encoding="utf-8")
    assert not re.search(r"\son\w+=|\sstyle=|<style|<script(?![^>]*\ssrc=)", page)
    assert "://" not in page


@pytest.mark.parametrize("script", sorted(STATIC.glob("*.js")), ids=lambda path: path.name)
def test_scripts_never_turn_text_into_markup(script):
    text = script.read_text(encoding="utf-8")
    assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(|new Function", text)
