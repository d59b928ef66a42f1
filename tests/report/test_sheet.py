"""The printed sheet, read by pypdf (another library than wrote it)."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date

import numpy as np
import pypdfium2
import pytest
import typst
from PIL import Image
from pypdf import PdfReader

from zonemap.errors import OutputError
from zonemap.machine.operator import operator_sheet
from zonemap.report.read_back import check_sheet
from zonemap.report.sheet import write as sheet_write
from zonemap.report.sheet.write import write_sheet
from zonemap.units import KG_PER_LB
from zonemap.values.delivery import Delivery
from zonemap.values.field import NoSpread
from zonemap.values.note import Note

DAY = date(2026, 3, 2)


def operated(plan):
    return operator_sheet(plan.prescription, plan.case.field, plan.case.spreader)


def pages(path):
    return [page.extract_text() for page in PdfReader(path).pages]


def bottom_pt(page, text):
    """Height of a line's lower edge above the foot of the page."""
    start, _ = page.search(text).get_next()
    return page.get_charbox(start)[1]


def line(text):
    """Without line ends: a cell may be folded."""
    return " ".join(text.split())


def test_a_page_for_each_pass_shows_its_total_and_the_rates_of_its_zones(tomatoes, pictures, tmp_path):
    path = write_sheet(tomatoes, tmp_path, pictures=pictures, operator=operated(tomatoes))
    texts = pages(path)
    applications = tomatoes.prescription.applications
    assert len(texts) > len(applications)
    for text, application in zip(texts, applications, strict=False):
        assert line(text).startswith(f"{application.product.name} spread on {application.on}")
        printed = float(re.search(r"In all ([\d,]+) lb", line(text))[1].replace(",", ""))
        assert printed * KG_PER_LB == pytest.approx(tomatoes.prescription.total_kg(application), abs=0.5 * KG_PER_LB)
        rows = re.findall(r"^(\d) ([\d.]+) ac ([\d,]+) ([\d,.]+) lb$", text, flags=re.MULTILINE)
        rates = [float(rate.replace(",", "")) * 1.12085 for _, _, rate, _ in rows]
        np.testing.assert_allclose(rates, application.rate_kg_ha, rtol=1e-3, atol=1e-9)
    assert "What stands behind it" in texts[len(applications)]
    check_sheet(path, tomatoes)


def test_a_garden_is_read_in_pounds_and_ounces(garden, tmp_path):
    path = write_sheet(garden, tmp_path, pictures={}, operator=operated(garden), files=[["a.shp"], ["b.shp"]])
    texts = [line(text) for text in pages(path)]
    assert "In all 22.2 lb" in texts[0]
    assert "In all 5 lb 15 oz" in texts[1]
    assert "lb/1000 ft2" in texts[0]
    assert "weigh out the amount of each zone" in texts[0]
    assert "memory stick" not in texts[0]


def test_the_same_plan_gives_the_same_bytes_and_another_rate_other_ones(tomatoes, pictures, tmp_path):
    def written(name, plan):
        (tmp_path / name).mkdir()
        return write_sheet(plan, tmp_path / name, pictures=pictures, written_on=DAY).read_bytes()

    first = written("first", tomatoes)
    assert written("second", tomatoes) == first
    applications = tuple(replace(a, rate_kg_ha=2 * a.rate_kg_ha) for a in tomatoes.prescription.applications)
    doubled = replace(tomatoes, prescription=replace(tomatoes.prescription, applications=applications))
    assert written("third", doubled) != first


def test_the_document_states_its_title_its_language_and_the_day_it_is_given(tomatoes, tmp_path):
    read = PdfReader(write_sheet(tomatoes, tmp_path, pictures={}, written_on=DAY))
    assert read.metadata.creation_date.date() == DAY
    assert read.metadata.title == "Lower Bench: what to spread"
    assert read.trailer["/Root"]["/Lang"] == "en"
    assert read.trailer["/Root"]["/MarkInfo"]["/Marked"]


def test_pictures_and_maps_have_words_for_those_who_cannot_see_them(tomatoes, pictures, tmp_path):
    read = PdfReader(write_sheet(tomatoes, tmp_path, pictures=pictures))
    said = []

    def walk(node):
        node = node.get_object()
        if isinstance(node, list):
            for child in node:
                walk(child)
        elif isinstance(node, dict):
            said.extend([node["/Alt"]] if "/Alt" in node else [])
            walk(node.get("/K", []))

    walk(read.trailer["/Root"]["/StructTreeRoot"]["/K"])
    assert sum(text.startswith("Map of Lower Bench, north up") for text in said) == 3
    assert len(said) == 3 + len(pictures)


def test_a_tall_picture_leaves_room_for_its_caption_above_the_foot(tomatoes, tmp_path):
    tall = tmp_path / "tall.png"
    Image.new("L", (100, 190)).save(tall)

    document = pypdfium2.PdfDocument(write_sheet(tomatoes, tmp_path, pictures={"season": tall}))

    caption = "What the soil supplies and what the crop asks, day by day"
    page = next(page for page in map(pypdfium2.PdfPage.get_textpage, document) if caption in page.get_text_bounded())
    assert bottom_pt(page, caption) > bottom_pt(page, "Rates are of product") + 12


def test_markup_in_names_is_printed_as_it_is(tomatoes, tmp_path):
    nasty = '#strong[x] *b* $a$ \\ <i> "q" & @r = _u_'
    field = replace(tomatoes.case.field, name=nasty, no_spread=(NoSpread(nasty, tomatoes.case.field.boundary),))
    applications = tuple(
        replace(a, product=replace(a.product, name=f"{nasty}{index}"))
        for index, a in enumerate(tomatoes.prescription.applications)
    )
    plan = replace(
        tomatoes,
        case=replace(tomatoes.case, field=field),
        prescription=replace(tomatoes.prescription, applications=applications),
        notes=(Note("caution", nasty),),
    )
    text = line(pages(write_sheet(plan, tmp_path, pictures={}))[0])
    assert text.startswith(f"{nasty}0 ")
    assert f"{nasty}, tomato" in text
    assert f"– {nasty}" in text
    assert re.search(rf"A {re.escape(nasty)} 4.69 ac", text)


def test_eight_zones_many_closed_places_and_long_names_stay_on_one_page_a_pass(stripes, tmp_path):
    places = tuple(
        NoSpread(f"drinking-water well and sinkhole number {index}", stripes.case.field.no_spread[0].area)
        for index in range(4)
    )
    notes = (*stripes.notes, *(Note("caution", f"Caution {index}: {'words ' * 30}") for index in range(4)))
    field = replace(stripes.case.field, no_spread=places, name="The long field behind the old orchard")
    plan = replace(stripes, case=replace(stripes.case, field=field), notes=notes)
    texts = pages(write_sheet(plan, tmp_path, pictures={}, operator=operated(plan), files=[["f" * 60 + ".shp"]] * 3))
    for text, application in zip(texts, plan.prescription.applications, strict=False):
        assert text.startswith(application.product.name)
        assert "remarks" in text
    assert "What stands behind it" in texts[3]


def test_a_caution_that_names_another_product_stands_on_that_products_page_only(tomatoes, tmp_path):
    notes = (Note("caution", "bone meal: dusty."), Note("caution", "Mind the wells."))
    texts = pages(write_sheet(replace(tomatoes, notes=notes), tmp_path, pictures={}))[:3]
    assert ["bone meal: dusty." in text for text in texts] == [False, True, False]
    assert all("Mind the wells." in text for text in texts)


def test_nothing_to_spread_is_said_and_the_evidence_still_printed(idle, tmp_path):
    path = write_sheet(idle, tmp_path, pictures={})
    texts = pages(path)
    assert texts[0].startswith("Nothing to spread")
    assert "Variograms and cross-validation" in " ".join(texts)
    check_sheet(path, idle)


def test_a_simulated_delivery_and_the_parts_of_a_blend_are_told(tomatoes, tmp_path):
    first, *rest = tomatoes.prescription.applications
    blend = replace(first, parts=((first.product, 0.75), (rest[0].product, 0.25)))
    plan = replace(tomatoes, prescription=replace(tomatoes.prescription, applications=(blend, *rest)))
    cells = np.ones(plan.grid.cells)
    delivery = Delivery(blend, 12.0, 6.0, 9, 1, cells, cells * np.linspace(0.8, 1, cells.size), cells, 0 * cells, 1.0)
    text = line(pages(write_sheet(plan, tmp_path, pictures={}, deliveries=[delivery]))[0])
    assert "A blend of 75.0% feather meal, 25.0% bone meal" in text
    assert "Drive 1 round along the edge, then 9 passes at 12 degrees." in text
    assert "50% of the area then gets its rate within 10%" in text


def test_files_say_how_they_are_carried(tomatoes, tmp_path):
    files = [["controller/f.shp", "controller/TASKDATA"]] * 3
    text = line(pages(write_sheet(tomatoes, tmp_path, pictures={}, files=files))[0])
    assert "Files: controller/f.shp, controller/TASKDATA." in text
    assert "take RATE as the rate, in lb/ac of product" in text
    assert "Copy a whole folder TASKDATA to the top of an empty memory stick" in text


def test_the_template_sets_without_a_warning(tomatoes, pictures, tmp_path, monkeypatch):
    warned = []

    def compiled(*arguments, **settings):
        made, warnings = typst.compile_with_warnings(*arguments, **settings)
        warned.extend(warnings)
        return made

    monkeypatch.setattr(typst, "compile", compiled)
    write_sheet(tomatoes, tmp_path, pictures=pictures, operator=operated(tomatoes))
    assert warned == []


def test_a_cut_sheet_is_not_published(tomatoes, tmp_path):
    path = write_sheet(tomatoes, tmp_path, pictures={})
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(OutputError, match="check free space and the disk"):
        check_sheet(path, tomatoes)


def test_a_sheet_of_another_plan_is_not_published(tomatoes, idle, tmp_path):
    path = write_sheet(tomatoes, tmp_path, pictures={})
    applications = tuple(replace(a, rate_kg_ha=2 * a.rate_kg_ha) for a in tomatoes.prescription.applications)
    doubled = replace(tomatoes, prescription=replace(tomatoes.prescription, applications=applications))
    pounds = sum(doubled.prescription.polygon_rates(applications[0]) * doubled.prescription.area_ha) / KG_PER_LB
    with pytest.raises(OutputError, match=f"page 1 does not show the total of feather meal, {pounds:,.0f} lb"):
        check_sheet(path, doubled)
    many = tuple(replace(applications[0], on=date(2026, 5, day)) for day in range(1, 29))
    with pytest.raises(OutputError, match="pages for 28 applications"):
        check_sheet(path, replace(idle, prescription=replace(idle.prescription, applications=many)))


def test_a_folder_that_is_gone_is_said(tomatoes, tmp_path):
    with pytest.raises(OutputError, match="Check free space and permission"):
        write_sheet(tomatoes, tmp_path / "gone", pictures={})


def test_what_cannot_be_set_is_said(tomatoes, tmp_path, monkeypatch):
    monkeypatch.setattr(sheet_write, "_CONTENT", "other.json")
    with pytest.raises(OutputError, match="look for unusual characters"):
        write_sheet(tomatoes, tmp_path, pictures={})


@pytest.mark.parametrize(
    "name", ["Поле за рекой", "Wiesen-Äcker №5 ½", "田んぼ", "🌽", "a\x01b\tc\ud7ff", "\ufffe", ""]
)
def test_names_in_any_script_can_be_set(garden, tmp_path, name):
    plan = replace(garden, case=replace(garden.case, field=replace(garden.case.field, name=name)))
    path = write_sheet(plan, tmp_path, pictures={})
    check_sheet(path, plan)


def test_a_name_cannot_turn_the_text_after_it(garden, tmp_path):
    plan = replace(garden, case=replace(garden.case, field=replace(garden.case.field, name="\u202eturned")))
    assert "turned, vegetable garden: 2,669 ft2" in pages(write_sheet(plan, tmp_path, pictures={}))[0]
