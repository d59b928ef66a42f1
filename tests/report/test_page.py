"""The page, parsed by html5lib, strictly (another library than wrote it)."""

from __future__ import annotations

import hashlib
import itertools
import re
from base64 import b64decode, b64encode
from dataclasses import replace

import html5lib
import pytest

from zonemap.errors import OutputError
from zonemap.machine.operator import operator_sheet
from zonemap.report.page.write import write_report
from zonemap.report.read_back import check_page
from zonemap.units import KG_PER_LB
from zonemap.values.field import NoSpread
from zonemap.values.note import Note

HTML = "{http://www.w3.org/1999/xhtml}"


def parsed(path):
    return html5lib.HTMLParser(strict=True).parse(path.read_text(encoding="utf-8"))


def elements(tree, tag):
    return list(tree.iter(f"{HTML}{tag}"))


def words(element):
    return " ".join("".join(element.itertext()).split())


@pytest.fixture
def page_of(tmp_path, pictures):
    """Give a function that writes the page of a plan and parses it."""

    def made(plan):
        operator = operator_sheet(plan.prescription, plan.case.field, plan.case.spreader)
        return parsed(write_report(plan, tmp_path, pictures=pictures, operator=operator))

    return made


def test_totals_are_those_of_the_plan(page_of, tomatoes):
    table = next(
        t for t in elements(page_of(tomatoes), "table") if words(t.find(f"{HTML}caption")).startswith("Totals")
    )
    rows = [[words(cell) for cell in row] for row in table.find(f"{HTML}tbody")]
    for row, application in zip(rows, tomatoes.prescription.applications, strict=True):
        assert row[:2] == [application.product.name, str(application.on)]
        kg = float(row[2].removesuffix(" lb").replace(",", "")) * KG_PER_LB
        assert kg == pytest.approx(tomatoes.prescription.total_kg(application), abs=0.5 * KG_PER_LB)


@pytest.mark.parametrize("name", ["tomatoes", "garden", "stripes", "idle"])
def test_every_plan_makes_a_page_that_parses_without_a_fault(page_of, name, request):
    tree = page_of(request.getfixturevalue(name))
    assert tree.get("lang") == "en"
    assert len(elements(tree, "h1")) == 1


def test_headings_go_down_by_one_and_every_link_has_a_place(page_of, tomatoes):
    tree = page_of(tomatoes)
    levels = [int(e.tag[-1]) for e in tree.iter() if re.fullmatch(f"{HTML}h[1-6]", str(e.tag))]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    places = [element.get("id") for element in tree.iter() if element.get("id")]
    assert len(set(places)) == len(places)
    assert {link.get("href") for link in elements(tree, "a")} == {f"#{place}" for place in places}


def test_tables_have_captions_and_their_heads_say_what_they_head(page_of, tomatoes):
    tables = elements(page_of(tomatoes), "table")
    assert len(tables) > 8
    for table in tables:
        assert words(table.find(f"{HTML}caption"))
        assert {head.get("scope") for head in table.iter(f"{HTML}th")} == {"col", "row"}


def test_pictures_are_within_the_page_and_in_words(page_of, tomatoes, pictures):
    tree = page_of(tomatoes)
    images = elements(tree, "img")
    assert len(images) == len(pictures)
    for image in images:
        head, _, body = image.get("src").partition(",")
        assert head == "data:image/png;base64"
        assert b64decode(body) == pictures["season"].read_bytes()
        assert len(image.get("alt")) > 40
    drawings = list(tree.iter("{http://www.w3.org/2000/svg}svg"))
    assert len(drawings) == len(tomatoes.prescription.applications)
    for drawing in drawings:
        assert drawing.get("role") == "img"
        assert drawing.find("{http://www.w3.org/2000/svg}title").text.startswith("Map of Lower Bench, north up")


def test_nothing_is_loaded_run_or_sent(page_of, tomatoes):
    tree = page_of(tomatoes)
    tags = {str(element.tag).rpartition("}")[2] for element in tree.iter()}
    assert tags.isdisjoint({"script", "link", "iframe", "object", "embed", "form", "base", "audio", "video", "source"})
    for element in tree.iter():
        for name, said in element.attrib.items():
            assert not str(name).startswith("on"), name
            assert name != "style"
            if name in {"src", "href"}:
                assert said.startswith(("data:image/png;base64,", "#"))
    (style,) = elements(tree, "style")
    assert "url(" not in style.text
    assert "@import" not in style.text


def test_the_policy_allows_this_style_by_its_hash_and_pictures_in_the_page_only(page_of, tomatoes):
    tree = page_of(tomatoes)
    (policy,) = (m.get("content") for m in elements(tree, "meta") if m.get("http-equiv") == "Content-Security-Policy")
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    digest = b64encode(hashlib.sha256(elements(tree, "style")[0].text.encode()).digest()).decode()
    assert rules == {
        "default-src": "'none'",
        "style-src": f"'sha256-{digest}'",
        "img-src": "data:",
        "base-uri": "'none'",
        "form-action": "'none'",
    }


def test_markup_in_names_stays_text(page_of, tomatoes):
    nasty = "<script>alert(1)</script>\"' onload=x &amp; <b>\x00\x0b\ufffe\u202e"
    field = replace(tomatoes.case.field, name=nasty, no_spread=(NoSpread(nasty, tomatoes.case.field.boundary),))
    applications = tuple(replace(a, product=replace(a.product, name=nasty)) for a in tomatoes.prescription.applications)
    plan = replace(
        tomatoes,
        case=replace(tomatoes.case, field=field),
        prescription=replace(tomatoes.prescription, applications=applications),
        notes=(Note("warning", nasty),),
    )
    tree = page_of(plan)
    assert not elements(tree, "script")
    assert not elements(tree, "b")
    kept = "<script>alert(1)</script>\"' onload=x &amp; <b>"
    assert words(elements(tree, "h1")[0]) == kept
    assert kept in [words(point) for point in elements(tree, "li")]


def luminance(colour):
    """Relative luminance (WCAG 2.2, definition of the same name)."""
    parts = [int(colour[index : index + 2], 16) / 255 for index in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_every_colour_of_text_stands_out_from_every_ground(page_of, tomatoes):
    style = elements(page_of(tomatoes), "style")[0].text
    inks = set(re.findall(r"[ {;]color: (#[0-9a-f]{6})", style))
    grounds = set(re.findall(r"background: (#[0-9a-f]{6})", style))
    assert len(inks) >= 3
    assert "#ffffff" in grounds
    for ink in inks:
        for ground in grounds:
            light, dark = sorted((luminance(ink), luminance(ground)), reverse=True)
            # WCAG 2.2, success criterion 1.4.3
            assert (light + 0.05) / (dark + 0.05) >= 4.5, (ink, ground)


def test_the_same_plan_gives_the_same_bytes(tomatoes, pictures, tmp_path):
    first = write_report(tomatoes, tmp_path, pictures=pictures).read_bytes()
    assert write_report(tomatoes, tmp_path, pictures=pictures).read_bytes() == first


def test_a_refusal_is_the_first_thing_after_the_verdict(page_of, tomatoes):
    tree = page_of(replace(tomatoes, notes=(Note("refusal", "No map."), *tomatoes.notes)))
    assert words(elements(tree, "h2")[0]) == "Cannot be done with these samples"
    assert elements(tree, "body")[0].get("class") == "refused"


def test_a_picture_that_was_not_drawn_is_left_out(tomatoes, tmp_path):
    assert not elements(parsed(write_report(tomatoes, tmp_path, pictures={})), "img")


def test_a_page_that_is_whole_passes_and_one_that_is_cut_does_not(tomatoes, pictures, tmp_path):
    path = write_report(tomatoes, tmp_path, pictures=pictures)
    check_page(path, tomatoes)
    text = path.read_text(encoding="utf-8")
    for part in (0, len(text) // 3, text.index("</section>"), len(text) - 10):
        path.write_text(text[:part], encoding="utf-8")
        with pytest.raises(OutputError, match="check free space and the disk"):
            check_page(path, tomatoes)


def test_a_page_of_another_plan_is_not_published(tomatoes, tmp_path):
    path = write_report(tomatoes, tmp_path, pictures={})
    applications = tuple(replace(a, rate_kg_ha=2 * a.rate_kg_ha) for a in tomatoes.prescription.applications)
    doubled = replace(tomatoes, prescription=replace(tomatoes.prescription, applications=applications))
    pounds = sum(doubled.prescription.polygon_rates(applications[0]) * doubled.prescription.area_ha) / KG_PER_LB
    with pytest.raises(OutputError, match=f"does not show the total of feather meal, {pounds:,.0f} lb"):
        check_page(path, doubled)


def test_a_folder_that_is_gone_is_said(tomatoes, tmp_path):
    with pytest.raises(OutputError, match="Check free space and permission"):
        write_report(tomatoes, tmp_path / "gone", pictures={})
