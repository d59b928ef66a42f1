"""The product table on the command line."""

import json

import pytest
from click.testing import CliRunner

from zonemap.cli import main
from zonemap.products.table import product_kinds


def test_every_product_is_listed_with_its_analysis():
    shown = CliRunner().invoke(main, ["products"])
    assert shown.exit_code == 0
    lines = {line.split()[0]: line for line in shown.output.splitlines() if line}
    assert set(product_kinds()) <= set(lines)
    assert "21-0-0-24S" in lines["ammonium_sulfate"]
    assert "10.67 lb/gal" in lines["uan_28"]


@pytest.mark.parametrize("kind", product_kinds())
def test_a_product_is_shown_with_all_its_sources(kind):
    shown = CliRunner().invoke(main, ["products", kind])
    assert shown.exit_code == 0
    assert "Where the figures come from" in shown.output
    assert max(len(line) for line in shown.output.splitlines()) <= 120


def test_urea_is_shown_with_what_to_mind():
    shown = " ".join(CliRunner().invoke(main, ["products", "urea"]).output.split())
    for text in ("74.4", "72.5%", "never with the seed", "Never blended with: ammonium_nitrate", "44-48 lb/ft3"):
        assert text in shown


def test_the_table_is_there_for_other_programs():
    content = json.loads(CliRunner().invoke(main, ["products", "--json"]).output)
    assert tuple(content) == product_kinds()
    assert content["potassium_chloride"]["analysis_percent"] == {"K2O": 60}
    assert content["uan_28"]["density_kg_l"] == pytest.approx(1.2785, abs=1e-4)
    assert content["urea"]["bulk_density_kg_m3"] == pytest.approx([704.8, 768.9], abs=0.05)
    assert all(entry["source"] and entry["status"] for row in content.values() for entry in row["sources"])


def test_an_unknown_product_is_answered_with_the_nearest():
    shown = CliRunner().invoke(main, ["products", "amonium_sulfate"])
    assert shown.exit_code == 2
    assert "Did you mean ammonium_sulfate" in shown.output + shown.stderr
