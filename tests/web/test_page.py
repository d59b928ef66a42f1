"""The page in a real browser: what a specialist does, and what must not go wrong meanwhile."""

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import geopandas
import pytest
from shapely import box

from zonemap.io.manifest import check_manifest

TOP = Path(__file__).resolve().parents[2]
AXE = Path(__file__).parent / "vendor" / "axe.min.js"
STRANGE = "<img src=x onerror=alert(1)>&amp;"


class Seen:
    """A window, and everything it complained of."""

    def __init__(self, browser, address, **options):
        self.context = browser.new_context(**({"viewport": {"width": 1280, "height": 900}} | options))
        self.page = self.context.new_page()
        self.faults = []
        self.page.on("console", self.hear)
        self.page.on("pageerror", lambda e: self.faults.append(str(e)))
        self.asked = []
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.open(address)

    def hear(self, message):
        # Chromium's advice on the speed of reading pixels back, of which the map's hit detection does a little
        if message.type in {"error", "warning"} and not message.text.startswith("Canvas2D: Multiple readback"):
            self.faults.append(message.text)

    def open(self, address):
        self.page.goto(address)
        self.page.wait_for_selector("html[data-ready]", timeout=20_000)

    def rate(self, product, zone):
        return self.page.get_by_label(re.compile(rf"^{product},.*zone {zone}, lb/ac"))

    def until(self, test, what):
        end = time.monotonic() + 90
        while not test():
            assert time.monotonic() < end, what
            self.page.wait_for_timeout(30)


@pytest.fixture
def window(browser, review):
    seen = Seen(browser, review.address)
    yield seen
    seen.context.close()
    assert seen.faults == []


def test_it_opens_with_the_plan_and_asks_no_other_address(window, review):
    port = review.socket.getsockname()[1]
    assert window.page.locator("#field-name").inner_text() == "Two Cottonwoods"
    plan = review.session.desk.decided(review.session.at[1]).prescription
    shown = [
        float(value)
        for value in window.page.locator("#zones input[type=number]").evaluate_all("a => a.map(i => i.value)")
    ]
    wanted = [a.rate_kg_ha[z] / 1.120851 for z in range(review.session.desk.own_count) for a in plan.applications]
    assert shown == pytest.approx(wanted, rel=1e-5)
    assert all(url.startswith((f"http://127.0.0.1:{port}/", "blob:")) for url in window.asked)
    # the key is neither left in the address bar nor ever part of an address that is asked for
    key = review.address.partition("#")[2]
    assert key not in window.page.url
    assert not any(key in url for url in window.asked[1:])


def test_another_number_of_zones_changes_table_cost_and_loss(window, review):
    cost, loss = window.page.locator("#sums strong").nth(0), window.page.locator("#sums strong").nth(1)
    before = cost.inner_text(), loss.inner_text()
    window.page.locator("#count-6").check()
    window.until(lambda: window.page.locator("#zones tbody tr").count() == 6, "six rows")
    window.until(lambda: cost.inner_text() != before[0] and loss.inner_text() != before[1], "sums")
    assert review.session.at[1].count == 6


def test_the_slider_is_followed_while_it_moves_and_kept_when_it_rests(window, review):
    slider = window.page.locator("#assurance")
    total = window.page.locator("#zones tfoot td").nth(3)
    before = total.inner_text()
    slider.evaluate("s => { s.value = 92; s.dispatchEvent(new Event('input')); }")
    window.until(lambda: total.inner_text() != before, "totals follow")
    assert review.session.at[0] == 0  # nothing is kept yet
    slider.evaluate("s => s.dispatchEvent(new Event('change'))")
    window.until(lambda: review.session.at[1].assurance == 0.92, "kept")
    assert window.page.locator("#assurance-shown").inner_text() == "92%"


def test_a_rate_is_overridden_undone_and_made_again_with_its_reason_in_the_record(window, review):
    window.page.fill("#why", "a pale strip")
    rate = window.rate("urea", 1)
    planned = float(rate.input_value())
    rate.fill(str(planned + 52))
    rate.press("Enter")
    window.until(lambda: window.page.locator("td.by-hand").count() == 1, "marked as set by hand")
    assert float(window.rate("urea", 1).input_value()) == planned + 50  # the step of 5 lb/ac
    assert "nearest the spreader can do" in window.page.locator("#note").inner_text()
    assert "a pale strip" in window.page.locator("#log").inner_text()
    window.page.click("#undo")
    window.until(lambda: window.page.locator("td.by-hand").count() == 0, "undone")
    assert float(window.rate("urea", 1).input_value()) == planned
    assert "taken back" in window.page.locator("#log").inner_text()
    window.page.click("#redo")
    window.until(lambda: window.page.locator("td.by-hand").count() == 1, "made again")
    kinds = [entry.change.kind for entry in review.session.journal.entries]
    assert kinds == ["rate", "undo", "redo"]


def test_a_rate_above_the_spreader_is_refused_in_words_and_the_table_is_as_it_was(window, review):
    rate = window.rate("urea", 1)
    planned = rate.input_value()
    rate.fill("900")
    rate.press("Enter")
    window.page.wait_for_selector("#trouble:not([hidden])")
    assert "largest rate" in window.page.locator("#trouble").inner_text()
    window.until(lambda: window.rate("urea", 1).input_value() == planned, "as it was")
    assert review.session.at[0] == 0
    window.faults = [fault for fault in window.faults if "422" not in fault]


def test_a_rate_edit_shows_before_anything_that_takes_longer(window):
    # how fast it is: tests/benchmarks/page.py
    window.until(lambda: window.page.locator("#notes li").count() > 0, "at rest")
    for slow in ("value", "season", "details", "raster"):
        window.page.route(f"**/api/{slow}*", lambda _: None)
    for rate in (40, 50, 60):
        window.page.locator("#rate-0-1").fill(str(rate))
        window.page.locator("#rate-0-1").press("Enter")
        window.until(lambda rate=rate: f"{rate} lb/ac" in window.page.locator("#log").inner_text(), "shown")
    assert window.page.locator("td.by-hand").count() == 1
    window.page.unroute_all(behavior="ignoreErrors")


def test_other_numbers_of_zones_are_made_ready_only_once_the_page_rests(browser, review, monkeypatch):
    made = []
    assert review.session._warmer is None
    monkeypatch.setattr(review.session, "warm", lambda: made.append("ready"))
    page = browser.new_page()
    page.route("**/api/details", lambda _: None)
    page.goto(review.address)
    page.wait_for_selector("html[data-ready]")
    page.wait_for_timeout(1500)
    assert made == []
    page.unroute_all(behavior="ignoreErrors")
    page.goto("about:blank")
    page.goto(review.address)
    page.wait_for_selector("#notes li", state="attached")
    assert made  # as often as the page asks: the session does it once
    page.close()


def test_an_answer_from_before_the_last_change_is_not_shown(window):
    page, held = window.page, []

    def hold_the_first(route):
        if held:
            route.fallback()
        else:
            held.append((route, route.fetch()))

    page.route("**/api/state", hold_the_first)
    page.click("#publish")  # once it is written the page asks how things stand
    window.until(lambda: page.wait_for_timeout(50) or held, "asked")
    rate = window.rate("urea", 1)
    planned = float(rate.input_value())
    rate.fill(str(planned + 50))
    rate.press("Enter")
    window.until(lambda: page.locator("td.by-hand").count() == 1, "set by hand")
    route, before = held[0]
    route.fulfill(response=before)
    page.wait_for_timeout(500)
    assert page.locator("td.by-hand").count() == 1
    page.click("#undo")
    window.until(lambda: page.locator("td.by-hand").count() == 0, "undone")


def test_shapes_of_a_change_that_was_taken_back_are_not_shown(window):
    page, held = window.page, []
    window.until(lambda: page.locator("#notes li").count() > 0, "at rest")
    before = page.locator("#map").screenshot()

    def hold_the_first(route):
        if held:
            route.fallback()
        else:
            held.append((route, route.fetch()))

    page.locator("#reshape summary").click()
    page.locator("#pick-1").check()
    page.select_option("#split-way", "0")
    page.route("**/api/shapes", hold_the_first)
    page.click("#split")
    window.until(lambda: page.wait_for_timeout(50) or held, "asked")
    zones = page.locator("#zones tbody tr").count()
    page.click("#undo")
    window.until(lambda: page.locator("#zones tbody tr").count() == zones - 1, "undone")
    route, of_the_split = held[0]
    route.fulfill(response=of_the_split)
    page.wait_for_timeout(500)
    page.evaluate("scrollTo(0, 0)")
    assert page.locator("#map").screenshot() == before


def test_zones_are_merged_split_and_an_area_is_closed(window, review):
    page = window.page
    page.locator("#reshape summary").click()
    page.locator("#pick-1").check()
    page.locator("#pick-2").check()
    page.click("#merge")
    window.until(lambda: page.locator("#zones tbody tr").count() == 2, "merged")
    page.locator("#pick-1").check()
    page.select_option("#split-way", "90")
    page.click("#split")
    window.until(lambda: page.locator("#zones tbody tr").count() == 3, "split")
    page.click("#close")
    page.wait_for_selector("#trouble:not([hidden])")
    assert "reason first" in page.locator("#trouble").inner_text()
    page.fill("#why", STRANGE)
    page.click("#close")
    window.until(lambda: len(review.session.at[1].closed) == 1, "closed")
    window.until(lambda: STRANGE in page.locator("#log").inner_text(), "in the record, as text")


def test_an_area_is_drawn_on_the_map(window, review):
    page = window.page
    page.fill("#why", "a wet hole")
    page.locator("#reshape summary").click()
    page.click("#close-draw")
    box = page.locator("#map").bounding_box()
    middle = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    for dx, dy in ((-90, -60), (-40, -60), (-40, -20)):
        page.mouse.click(middle[0] + dx, middle[1] + dy)
        page.wait_for_timeout(350)  # two clicks within a quarter of a second are one double click
    page.mouse.dblclick(middle[0] - 90, middle[1] - 20)
    window.until(lambda: len(review.session.at[1].closed) == 1, "closed")
    assert review.session.at[1].closed[0].reason == "a wet hole"


def test_publishing_writes_the_verified_result_with_the_changes_in_its_record(window, review):
    page = window.page
    rate = window.rate("urea", 1)
    rate.fill("135")
    rate.press("Enter")
    window.until(lambda: page.locator("td.by-hand").count() == 1, "set by hand")
    page.click("#publish")
    page.wait_for_selector("#progress:not([hidden])")
    window.until(lambda: "read back" in page.locator("#publish-said").inner_text(), "published")
    target = review.session.target
    check_manifest(target)
    manifest = json.loads((target / "manifest.json").read_text(encoding="utf-8"))
    assert [(change["kind"], change["counts"]) for change in manifest["changes"]] == [("rate", True)]
    summary = json.loads((target / "summary.json").read_text(encoding="utf-8"))
    assert summary["zones"][0]["rate"]["urea"]["2026-06-05"] == pytest.approx(135 * 1.120851, rel=1e-5)
    window.until(lambda: "Published to plan" in page.locator("#log").inner_text(), "in the record")
    assert window.rate("urea", 1).input_value() == "135"


def test_the_report_that_was_published_can_be_read_on_a_phone(browser, review):
    review.session.publish(revision=0)
    review.session.wait()
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.goto((review.session.target / "report.html").as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    captions = page.locator("caption").evaluate_all("all => all.map(c => c.getBoundingClientRect().right)")
    assert len(captions) > 5
    assert max(captions) <= 390
    # letters of 7 points in pictures of up to 16 inches: narrower than this they cannot be read
    widths = page.locator(".picture img").evaluate_all("all => all.map(i => i.getBoundingClientRect().width)")
    assert len(widths) > 3
    assert min(widths) > 700
    unreachable = page.locator(".picture:not([tabindex])").count()
    assert unreachable == 0
    page.close()


def test_cancelling_leaves_the_old_result(window, review):
    page, target = window.page, review.session.target
    page.click("#publish")
    window.until(lambda: "read back" in page.locator("#publish-said").inner_text(), "published")
    before = (target / "manifest.json").read_bytes()
    page.locator("#count-2").check()
    window.until(lambda: page.locator("#zones tbody tr").count() == 2, "two zones")
    page.click("#publish")
    page.click("#cancel")
    window.until(lambda: "Cancelled" in page.locator("#publish-said").inner_text(), "cancelled")
    assert (target / "manifest.json").read_bytes() == before
    assert not [path for path in target.parent.iterdir() if "building" in path.name]


def test_two_windows_see_one_another_and_the_stale_one_changes_nothing(browser, window, review):
    other = Seen(browser, review.address)
    # hold the second window's news back, so that it asks with an old revision
    other.page.route("**/api/pulse", lambda _: None)
    rate = window.rate("urea", 1)
    rate.fill("135")
    rate.press("Enter")
    window.until(lambda: review.session.at[0] == 1, "changed in the first")
    late = other.rate("urea", 1)
    late.fill("200")
    late.press("Enter")
    other.page.wait_for_selector("#trouble:not([hidden])")
    assert "another window" in other.page.locator("#trouble").inner_text()
    other.until(lambda: other.rate("urea", 1).input_value() == "135", "shows how it stands")
    assert review.session.at[0] == 1
    other.page.unroute("**/api/pulse")
    other.context.close()


def test_the_first_window_hears_of_a_change_in_the_second(browser, window, review):
    other = Seen(browser, review.address)
    rate = other.rate("urea", 1)
    rate.fill("135")
    rate.press("Enter")
    window.until(lambda: window.rate("urea", 1).input_value() == "135", "the first follows")
    other.context.close()


def test_everything_can_be_done_by_keyboard(window, review):
    page = window.page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.focus("#count-3")
    page.keyboard.press("ArrowDown")
    window.until(lambda: page.locator("#zones tbody tr").count() == 4, "four zones")
    assert page.evaluate("document.activeElement.id") == "count-4"
    page.focus("#rate-0-1")
    page.keyboard.press("ControlOrMeta+a")
    page.keyboard.type("55")
    page.keyboard.press("Tab")
    window.until(lambda: page.locator("td.by-hand").count() == 1, "set by hand")
    page.focus("#assurance")
    page.keyboard.press("ArrowRight")
    window.until(lambda: review.session.at[1].assurance == 0.76, "one more percent")
    page.focus("#undo")
    page.keyboard.press("Enter")
    window.until(lambda: review.session.at[1].assurance is None, "undone")
    page.focus("#map")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("+")


@pytest.mark.parametrize(("width", "height"), [(1280, 900), (1024, 768), (390, 844)])
@pytest.mark.parametrize("light", ["light", "dark"])
def test_nothing_hinders_anyone_at_any_width_in_either_light(browser, review, width, height, light):
    seen = Seen(browser, review.address, viewport={"width": width, "height": height}, color_scheme=light)
    page = seen.page
    seen.until(lambda: page.locator("#notes li").count() > 0, "all is there")
    page.locator("#reshape summary").click()
    rate = seen.rate("urea", 1)
    rate.fill("135")
    rate.press("Enter")
    seen.until(lambda: page.locator("td.by-hand").count() == 1, "set by hand")
    for _ in range(4):  # a record long enough to scroll
        for button in ("#undo", "#redo"):
            page.locator(button).click()
            seen.until(lambda button=button: page.locator(button).is_disabled(), "done")
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    page.evaluate(AXE.read_text(encoding="utf-8"))  # by the test's own channel: the page's policy allows no script
    result = page.evaluate("async () => axe.run()")
    assert len(result["passes"]) > 20  # it did look
    found = [(each["impact"], each["id"], [node["html"] for node in each["nodes"]]) for each in result["violations"]]
    assert [each for each in found if each[0] in {"serious", "critical"}] == []
    seen.context.close()
    assert seen.faults == []


def test_units_and_light_are_switched_and_remembered(window):
    page = window.page
    us = float(window.rate("urea", 1).input_value())
    page.select_option("#units", "metric")
    window.until(lambda: page.get_by_label(re.compile("^urea,.*zone 1, kg/ha")).count() == 1, "metric")
    metric = float(page.get_by_label(re.compile("^urea,.*zone 1, kg/ha")).input_value())
    assert metric == pytest.approx(us * 1.120851, rel=1e-5)
    page.select_option("#theme", "shed")
    assert page.evaluate("document.documentElement.dataset.light") == "shed"
    page.reload()
    page.wait_for_selector("html[data-ready]")
    assert page.evaluate("document.documentElement.dataset.light") == "shed"
    assert page.locator("#units").input_value() == "metric"


def test_texts_follow_the_units_of_the_page(window):
    page = window.page
    page.fill("#why", "a pale strip")
    rate = window.rate("urea", 1)
    rate.fill("135")
    rate.press("Enter")
    shown = ("#verdict", "#warnings", "#notes", "#log", "#value thead", "#sums")
    window.until(lambda: page.locator("td.by-hand").count() == 1, "set by hand")
    window.until(lambda: "set by hand" in page.locator("#notes").text_content(), "all is said")

    def said():
        undo = page.locator("#undo").get_attribute("title")
        return {where: page.locator(where).text_content() for where in shown} | {"#undo": undo}

    in_us = said()
    page.select_option("#units", "metric")
    in_metric = said()
    for texts, own, other in (
        (in_us, ("lb/ac", "per ac"), ("kg/ha", "per ha")),
        (in_metric, ("kg/ha", "per ha"), ("lb/ac", "per ac")),
    ):
        for where, text in texts.items():
            assert any(unit in text for unit in own), where
            assert not any(unit in text for unit in other), where
    # 135 lb/ac, by the factor of NIST SP 811 appendix B.8
    assert "zone 1: set by hand to 151 kg/ha" in in_metric["#warnings"]
    assert "zone 1: 151 kg/ha" in in_metric["#log"]


def test_a_rate_typed_in_other_units_than_the_file_s_is_what_the_file_can_say(window, review):
    page = window.page
    page.select_option("#units", "metric")
    rate = page.get_by_label(re.compile("^urea,.*zone 1, kg/ha"))
    rate.fill("150")
    rate.press("Enter")
    window.until(lambda: page.locator("td.by-hand").count() == 1, "set by hand")
    window.until(lambda: page.locator("#note").is_visible(), "the rounding is told")
    # 150 kg/ha are 133.8 lb/ac; the spreader's step is 5 lb/ac
    assert "set to 151 kg/ha (135 lb/ac: the file for the controller is in lb/ac)" in page.locator("#note").inner_text()
    assert review.session.at[1].by_hand[0].rate_kg_ha == pytest.approx(135 * 1.120851, rel=1e-5)
    rate.fill("1000")
    rate.press("Enter")
    page.wait_for_selector("#trouble:not([hidden])")
    assert "1,000 kg/ha" in page.locator("#trouble").inner_text()
    window.faults = [fault for fault in window.faults if "422" not in fault]


def test_zones_of_each_product_are_shown_as_they_are_and_no_other_number_can_be_had(
    browser, tmp_path, start_review, coarse
):
    own = tmp_path / "own.toml"
    text = coarse.read_text(encoding="utf-8")
    assert 'use = "shared"' in text
    own.write_text(text.replace('use = "shared"', 'use = "per_product"', 1), encoding="utf-8")
    with start_review(tmp_path, pipeline=own) as page:
        seen = Seen(browser, page.address)
        seen.until(lambda: seen.page.locator("#notes li").count() > 0, "all is there")
        assert "Every product has zones of its own" in seen.page.locator("#notes").text_content()
        assert seen.page.locator("#zones tbody tr").count() == page.session.desk.own_count
        open_to_choice = seen.page.locator("#value input:not([disabled])").evaluate_all("all => all.map(i => i.value)")
        assert open_to_choice == [str(page.session.desk.own_count)]
        seen.page.locator("#reshape summary").click()
        seen.page.locator("#pick-1").check()
        seen.page.locator("#pick-2").check()
        seen.page.click("#merge")
        seen.until(lambda: seen.page.locator("#zones tbody tr").count() == page.session.desk.own_count - 1, "merged")
        seen.context.close()
        assert seen.faults == []


def test_zones_from_a_file_are_shown_with_its_names_as_text_and_can_be_changed(browser, tmp_path, start_review):
    with start_review(tmp_path) as page:
        west, south, east, north = page.session.desk.case.field.boundary.bounds
        crs = page.session.desk.case.field.crs
    middle = (west + east) / 2
    halves = [box(west - 50, south - 50, middle, north + 50), box(middle, south - 50, east + 50, north + 50)]
    drawn = geopandas.GeoDataFrame({"texture": [STRANGE, "clay"]}, geometry=halves, crs=crs).to_crs(4326)
    field = tmp_path / "field"
    drawn.to_file(field / "soil.geojson", driver="GeoJSON")
    toml = field / "field.toml"
    toml.write_text(
        toml.read_text(encoding="utf-8") + '\n[zones]\nfile = "soil.geojson"\ncolumn = "texture"\n', encoding="utf-8"
    )
    with start_review(tmp_path, fresh=True) as page:
        seen = Seen(browser, page.address)
        seen.until(lambda: seen.page.locator("#notes li").count() > 0, "all is there")
        assert seen.page.locator("#zones tbody tr").count() == 2
        assert f"1 is '{STRANGE}', 2 is 'clay'" in seen.page.locator("#notes").text_content()
        assert seen.page.locator("#value input:not([disabled])").count() == 1
        seen.page.locator("#reshape summary").click()
        seen.page.locator("#pick-1").check()
        seen.page.select_option("#split-way", "0")
        seen.page.click("#split")
        seen.until(lambda: seen.page.locator("#zones tbody tr").count() == 3, "split")
        seen.page.click("#undo")
        seen.until(lambda: seen.page.locator("#zones tbody tr").count() == 2, "undone")
        seen.context.close()
        assert seen.faults == []


def test_a_plot_with_one_sample_has_one_rate_and_a_page_that_says_so(browser, tmp_path, start_review):
    shutil.copytree(TOP / "sample_fields" / "home_garden", tmp_path / "field")
    with start_review(tmp_path, pipeline=None) as page:
        seen = Seen(browser, page.address)
        seen.until(lambda: seen.page.locator("#notes li").count() > 0, "all is there")
        assert seen.page.locator("#field-facts").inner_text().endswith(", 1 sample")
        assert seen.page.locator("#zones tbody tr").count() == 1
        assert "One composite sample gives one rate" in seen.page.locator("#verdict").inner_text()
        assert "no other to mistake it for" in seen.page.locator("#zone-facts").inner_text()
        # a garden is read in its own units: 363 lb/ac are 8.33 lb/1000 ft2 (43.56 thousand square feet an acre)
        rate = seen.page.locator("#rate-0-1")
        planned = page.session.desk.decided(page.session.at[1]).prescription.applications[0].rate_kg_ha[0]
        assert float(rate.input_value()) == pytest.approx(planned / 1.120851 / 43.56, rel=1e-3)
        rate.fill("2")
        rate.press("Enter")
        seen.until(lambda: seen.page.locator("td.by-hand").count() == 1, "set by hand")
        assert re.search(r"zone 1: (2|1.99|2.01) lb/1000 ft2", seen.page.locator("#log").inner_text())
        assert "lb/1000 ft2; the plan had" in seen.page.locator("#warnings").inner_text()
        seen.context.close()
        assert seen.faults == []


def test_every_layer_of_the_map_can_be_shown(window):
    page = window.page
    values = page.locator("#layer option").evaluate_all("all => all.map(o => o.value)")
    kinds = {value.partition(":")[0]: value for value in values}
    assert set(kinds) == {"rates", "zones", "certainty", "supply", "uncertainty", "shortfall", "delivered"}
    keys = set()
    for value in kinds.values():
        page.select_option("#layer", value)
        page.wait_for_timeout(250)
        keys.add(page.locator("#legend").get_attribute("aria-label"))
    assert len(keys) == len(kinds)


def test_names_with_markup_in_them_are_only_ever_text(browser, tmp_path, start_review):
    with start_review(tmp_path, name=STRANGE) as page:
        seen = Seen(browser, page.address)
        assert seen.page.locator("#field-name").inner_text() == STRANGE
        assert seen.page.locator("img").count() == 0
        assert seen.faults == []
        seen.context.close()


def test_a_killed_server_loses_nothing_and_the_page_says_it_is_gone(browser, tmp_path, start_review, coarse):
    with start_review(tmp_path):
        pass  # makes the field
    field = tmp_path / "field"
    command = [sys.executable, "-c", "from zonemap.cli import main; main()", "review", str(field), "--no-browser"]
    command += ["--pipeline", str(coarse)]

    def started():
        server = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=os.environ)
        line = server.stdout.readline()
        return server, re.search(r"http\S+", line)[0]

    server, address = started()
    try:
        seen = Seen(browser, address)
        rate = seen.rate("urea", 1)
        rate.fill("135")
        rate.press("Enter")
        seen.until(lambda: seen.page.locator("td.by-hand").count() == 1, "set by hand")
    finally:
        os.kill(server.pid, signal.SIGKILL)
        server.communicate()
    seen.page.wait_for_selector("#offline:not([hidden])")
    assert "Nothing is saved from here on" in seen.page.locator("#offline").inner_text()
    again, address = started()
    try:
        seen.open(address)
        assert seen.rate("urea", 1).input_value() == "135"
        assert seen.page.locator("td.by-hand").count() == 1
    finally:
        again.send_signal(signal.SIGINT)
        again.communicate(timeout=20)
    seen.context.close()


def test_a_second_review_of_the_field_is_refused(review, coarse):
    command = [sys.executable, "-c", "from zonemap.cli import main; main()", "review", "--no-browser"]
    command += ["--pipeline", str(coarse), str(review.session.journal.path.parent)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 3
    assert "Wait for it to end" in done.stderr
