"""Sheet and page of every sample field, as published, read by other libraries than wrote them."""

import re

import html5lib
import pytest
from pypdf import PdfReader

from zonemap.report.shown import shown
from zonemap.units import KG_PER_LB

FIELDS = ("irrigated_corn", "organic_tomatoes", "turf_greens", "rolling_potatoes", "limed_rotation", "home_garden")
KG = {"lb": KG_PER_LB, "oz": KG_PER_LB / 16, "kg": 1.0, "g": 0.001}


def kg_of(text):
    """Mass of a text such as "5 lb 15 oz"."""
    return sum(
        float(amount.replace(",", "")) * KG[unit] for amount, unit in re.findall(r"([\d,.]+) (lb|oz|kg|g)", text)
    )


def coarseness(plan, kg):
    """How far a mass may be off as it is printed: half an ounce or gram, half a unit, or half of its third digit."""
    if shown(plan).tiny:
        return 0.5 * KG["oz"] + 0.005 * kg
    return max(0.5 * (KG["lb"] if plan.case.units == "us" else 1.0), 0.005 * kg)


@pytest.mark.parametrize("name", FIELDS)
def test_the_sheet_has_a_page_for_each_pass_with_its_total_and_files(outcomes, name):
    outcome = outcomes[name]
    plan = outcome.plan
    read = PdfReader(outcome.folder / "sheet.pdf")
    assert read.metadata.creation_date.date() == plan.case.collected
    texts = [" ".join(page.extract_text().split()) for page in read.pages]
    shapefiles = {path.name for path in (outcome.folder / "controller").glob("*.shp")}
    applications = plan.prescription.applications
    assert len(applications) < len(texts) <= len(applications) + 8
    for text, application in zip(texts, applications, strict=False):
        total = plan.prescription.total_kg(application)
        printed = re.search(r"In all ((?:[\d,.]+ (?:lb|oz|kg|g) ?)+)", text)[1]
        assert kg_of(printed) == pytest.approx(total, abs=coarseness(plan, total))
        assert text.startswith(application.product.name)
        assert "What was done" in text
        assert shown(plan).tiny or any(f"controller/{shapefile}" in text for shapefile in shapefiles)


@pytest.mark.parametrize("name", FIELDS)
def test_the_page_parses_and_its_totals_are_those_of_the_summary(outcomes, summary_of, name):
    outcome = outcomes[name]
    html = (outcome.folder / "report.html").read_text(encoding="utf-8")
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(html)
    rows = [["".join(cell.itertext()) for cell in row] for row in tree.iter("tr")]
    for product in summary_of(name)["products"]:
        (row,) = (row for row in rows if row[:2] == [product["product"], product["date"]])
        assert kg_of(row[2]) == pytest.approx(product["total_kg"], abs=coarseness(outcome.plan, product["total_kg"]))
    drawn = {path.name for path in outcome.folder.glob("*.png")}
    assert len(list(tree.iter("img"))) == len(drawn)
