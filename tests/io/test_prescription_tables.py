"""[prescription] of field.toml in metric units, and what it refuses."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from zonemap.errors import InputError
from zonemap.io.folder import read_folder
from zonemap.io.formats import chosen_formats
from zonemap.units import HA_PER_AC, KG_HA_PER_LB_AC
from zonemap.values.prescription_terms import PrescriptionTerms

Fill = Callable[..., Path]
SPREADER = "\n[spreader]\nmin_rate = 40\nmax_rate = 400\nstep = 5\n"


def test_nothing_said_changes_nothing(field_folder: Fill) -> None:
    assert read_folder(field_folder()).prescription_terms == PrescriptionTerms()


def test_us_units_become_metric(field_folder: Fill) -> None:
    table = (
        "\n[prescription]\nextend_edge_ft = 30\nminimum_polygon_ac = 0.1\nmost_polygons = 500\n"
        "outside_rate = 100\nposition_lost_rate = 45\n"
    )
    terms = read_folder(field_folder(("", SPREADER + table))).prescription_terms

    assert terms.extend_edge_m == pytest.approx(9.144)  # 1 ft = 0.3048 m by definition
    assert terms.minimum_polygon_ha == pytest.approx(0.1 * HA_PER_AC)
    assert terms.most_polygons == 500
    assert terms.outside_rate_kg_ha == pytest.approx(100 * KG_HA_PER_LB_AC)
    assert terms.position_lost_rate_kg_ha == pytest.approx(45 * KG_HA_PER_LB_AC)


def test_formats_stand_in_one_order_whatever_the_file_says(field_folder: Fill) -> None:
    terms = read_folder(field_folder(("", '\n[prescription]\nformats = ["csv", "geopackage", "csv"]\n')))

    assert terms.prescription_terms.formats == ("geopackage", "csv")
    assert chosen_formats(None, stated=terms.prescription_terms.formats) == ("geopackage", "csv")
    assert chosen_formats("shapefile", stated=terms.prescription_terms.formats) == ("shapefile",)


@pytest.mark.parametrize(
    ("line", "mend"),
    [
        ("extend_edge_ft = 30\nextend_edge_m = 9", "Keep one of extend_edge_ft and extend_edge_m"),
        ("extend_edge_m = 400", "prescription, extend_edge_m: .*0 to 300 metres"),
        ("minimum_polygon_ha = -1", "Write the smallest polygon in hectares"),
        ("most_polygons = 0", "Write how many polygons the controller takes"),
        ("outside_rate = 500", "prescription, outside_rate: .*Write 0, or a rate from 40 to 400"),
        ("position_lost_rate = 20", "prescription, position_lost_rate: .*Write 0, or a rate from 40 to 400"),
        ("outside_rate = 42", "no multiple of step = 5"),
        ('formats = ["geopackage", "kml"]', "prescription, formats: 'kml' is no format. .*or some of geopackage"),
        ("formats = []", "prescription, formats: names no format"),
        ('formats = "csv"', r'Write a list of formats: formats = \["geopackage"'),
        ("outside_rates = 40", r"Did you mean outside_rate\?"),
    ],
)
def test_what_no_controller_can_do_is_refused(field_folder: Fill, line: str, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        read_folder(field_folder(("", f"{SPREADER}[prescription]\n{line}\n")))
