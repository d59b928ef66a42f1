"""Layers open coloured and labelled: the style is read by a small reader of its own, rule by rule."""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any
from xml.etree import ElementTree  # what is parsed is what was written a line above

import fiona
import numpy as np
import pytest
from PIL import Image

from zonemap.errors import OutputError
from zonemap.io.coloured import Coloured
from zonemap.io.geopackage import write_geopackage
from zonemap.io.prescription_rows import ADVICE
from zonemap.io.sld import sld
from zonemap.io.verify import verify_geopackage
from zonemap.values.colours import RATE_COLOURS
from zonemap.values.prescription import Application
from zonemap.values.season import Product

SYSTEM_PYTHON = "/usr/bin/python3"
needs_qgis = pytest.mark.skipif(
    not Path(SYSTEM_PYTHON).exists()
    or subprocess.run([SYSTEM_PYTHON, "-c", "import qgis.core"], capture_output=True, check=False).returncode != 0,
    reason="no QGIS for the system's Python (Debian: python3-qgis)",
)
SE, OGC, SLD = "{http://www.opengis.net/se}", "{http://www.opengis.net/ogc}", "{http://www.opengis.net/sld}"


def written(path: Path, plan: Any, **changes: Any) -> Path:
    given = {"field": plan.field, "samples": plan.samples, "outlines": plan.outlines, "written_on": date(2026, 5, 1)}
    write_geopackage(path, **{**given, "prescription": plan.prescription, **changes})
    return path


def queried(path: Path, query: str) -> list[Any]:
    with closing(sqlite3.connect(path)) as database:
        return database.execute(query).fetchall()


def holds(condition: ElementTree.Element, row: dict[str, Any]) -> bool:
    """Whether a row meets a filter (OGC 04-095, Filter Encoding 1.1)."""
    kind = condition.tag.removeprefix(OGC)
    if kind in {"Filter", "And"}:
        return all(holds(each, row) for each in condition)
    value = row[condition.findtext(f"{OGC}PropertyName", "")]
    if kind == "PropertyIsNull":
        return value is None
    if value is None:
        return False
    text = condition.findtext(f"{OGC}Literal", "")
    literal = text if isinstance(value, str) else float(text)
    return bool({
        "PropertyIsEqualTo": value == literal,
        "PropertyIsGreaterThan": value > literal,
        "PropertyIsGreaterThanOrEqualTo": value >= literal,
        "PropertyIsLessThan": value < literal,
    }[kind])  # fmt: skip


def drawn(style: str, row: dict[str, Any]) -> tuple[list[str], list[str]]:
    """Fill colours and labels that a style draws on a row."""
    fills: list[str] = []
    labels: list[str] = []
    for rule in ElementTree.fromstring(style).iter(f"{SE}Rule"):
        condition = rule.find(f"{OGC}Filter")
        if condition is not None and not holds(condition, row):
            continue
        fills += [each.findtext(f"{SE}Fill/{SE}SvgParameter", "") for each in rule.iter(f"{SE}PolygonSymbolizer")]
        columns = [each.findtext(f"{SE}Label/{OGC}PropertyName", "") for each in rule.iter(f"{SE}TextSymbolizer")]
        labels += [str(row[column]) for column in columns]
    return fills, labels


def test_every_polygon_has_one_colour_and_its_label_in_the_style_of_its_application(tmp_path: Path, plan: Any) -> None:
    path = written(tmp_path / "p.gpkg", plan)
    with fiona.open(path, layer="prescription") as layer:
        rows = [dict(each.properties) for each in layer]
    styles = dict(queried(path, "SELECT styleName, styleSLD FROM layer_styles WHERE f_table_name = 'prescription'"))
    unit = "lb/ac" if plan.prescription.units == "us" else "kg/ha"
    low = f"{100.0 if unit == 'lb/ac' else 112.0851:.4g}"

    # the largest rate has the darkest colour; 100 of 205 is 3.4 of 7 steps
    potash = [drawn(styles["potash 2026-05-20"], row) for row in rows[:3]]
    assert [fills for fills, _ in potash] == [[RATE_COLOURS[3]], [RATE_COLOURS[7]], ["#ffffff"]]
    assert potash[0][1] == [f"1: {low} {unit}"]
    assert potash[2][1] == ["no spread"]
    # rows of another application are not drawn
    assert all(drawn(styles["potash 2026-05-20"], row) == ([], []) for row in rows[3:])
    assert [drawn(styles["Señor blend 21/7"], row)[0] for row in rows[3:5]] == [[RATE_COLOURS[7]], [RATE_COLOURS[0]]]


def test_zones_have_a_colour_and_their_number(tmp_path: Path, plan: Any) -> None:
    path = written(tmp_path / "p.gpkg", plan)
    ((style,),) = queried(path, "SELECT styleSLD FROM layer_styles WHERE f_table_name = 'zones'")

    assert drawn(style, {"zone": 1}) == ([RATE_COLOURS[4]], ["1"])
    assert drawn(style, {"zone": 2}) == ([RATE_COLOURS[7]], ["2"])


def test_one_style_a_layer_is_the_default(tmp_path: Path, plan: Any) -> None:
    path = written(tmp_path / "p.gpkg", plan)
    table = queried(path, "SELECT f_table_name, f_geometry_column, useAsDefault FROM layer_styles")

    assert table == [("zones", "geom", 1), ("prescription", "geom", 1), ("prescription", "geom", 0)]


def test_both_languages_of_a_style_have_the_same_colours_and_legend(tmp_path: Path, plan: Any) -> None:
    name = 'it\'s <urea> & "more" \\'
    applications = (
        replace(plan.prescription.applications[0], product=Product(name, {})),
        *plan.prescription.applications[1:],
    )
    path = written(tmp_path / "p.gpkg", plan, prescription=replace(plan.prescription, applications=applications))

    for qml_text, sld_text in queried(path, "SELECT styleQML, styleSLD FROM layer_styles"):
        legend, top = ElementTree.fromstring(sld_text), ElementTree.fromstring(qml_text)
        symbols = {each.get("name"): each for each in top.findall("./renderer-v2/symbols/symbol")}
        fills = {}
        for rule in top.findall("./renderer-v2/rules/rule"):
            color = symbols[rule.get("symbol")].find("./layer[@class='SimpleFill']/prop[@k='color']")
            *rgb, alpha = (int(number) for number in color.get("v").split(","))
            assert alpha == 255
            fills[rule.get("label")] = f"#{bytes(rgb).hex()}"
        rules = [rule for rule in legend.iter(f"{SE}Rule") if rule.find(f"{SE}PolygonSymbolizer") is not None]
        assert fills == {
            rule.findtext(f"{SE}Name"): rule.findtext(f"{SE}PolygonSymbolizer/{SE}Fill/{SE}SvgParameter")
            for rule in rules
        }
        (label,) = legend.iter(f"{SE}Label")
        assert top.find("./labeling/settings/text-style").get("fieldName") == label.findtext(f"{OGC}PropertyName")
        hatched = [each.get("name") for each in symbols.values() if each.find("./layer[@class='LinePatternFill']")]
        assert hatched == ["0"]


@needs_qgis
def test_qgis_opens_every_style_coloured_and_labelled_as_the_standard_one(tmp_path: Path, plan: Any) -> None:
    rates = np.array([50.0, 60.0])
    days = (date(2026, 5, 1), date(2026, 6, 1), None)
    several = tuple(Application(Product('it\'s <46> \\ "&" more', {}), on, rates, rates) for on in days)
    applications = (*plan.prescription.applications, *several)
    path = written(tmp_path / "p.gpkg", plan, prescription=replace(plan.prescription, applications=applications))
    picture = tmp_path / "p.png"
    script = Path(__file__).parent / "qgis_reads.py"
    environment = {**os.environ, "QT_QPA_PLATFORM": "offscreen", "XDG_RUNTIME_DIR": str(tmp_path)}
    run = subprocess.run(
        [SYSTEM_PYTHON, script, path, picture], capture_output=True, text=True, check=False, env=environment
    )
    assert run.returncode == 0, run.stderr
    told = json.loads(run.stdout)

    for layer in ("zones", "prescription"):
        with fiona.open(path, layer=layer) as opened:
            rows = [dict(each.properties) for each in opened]
        styles = queried(
            path, f"SELECT styleName, styleSLD, useAsDefault FROM layer_styles WHERE f_table_name='{layer}'"
        )
        for name, style, default in styles:
            shown = told[layer][name]
            assert shown["features"] == [drawn(style, row)[0] for row in rows]
            titles = [rule.findtext(f"{SE}Name") for rule in ElementTree.fromstring(style).iter(f"{SE}Rule")]
            assert [*shown["classes"], "labels"] == titles
            assert shown["label"] == ("zone" if layer == "zones" else "label")
            assert shown["hatched"] == [True] + [False] * (len(titles) - 2)
            if default:
                assert told[layer][""] == shown
    with Image.open(picture) as image:
        seen = {colour for _, colour in image.convert("RGB").getcolors(maxcolors=1_000_000)}
    assert {tuple(bytes.fromhex(RATE_COLOURS[step][1:])) for step in (3, 7)} <= seen


def test_one_product_on_two_days_is_told_apart_by_the_day(tmp_path: Path, plan: Any) -> None:
    rates = np.array([50.0, 60.0])
    days = (date(2026, 5, 1), date(2026, 6, 1), None)
    urea = tuple(Application(Product("urea <46> & more", {}), on, rates, rates) for on in days)
    path = written(tmp_path / "p.gpkg", plan, prescription=replace(plan.prescription, applications=urea))
    with fiona.open(path, layer="prescription") as layer:
        rows = [dict(each.properties) for each in layer]
    styles = [row[0] for row in queried(path, "SELECT styleSLD FROM layer_styles WHERE f_table_name = 'prescription'")]

    for number, style in enumerate(styles):
        shown = [bool(drawn(style, row)[0]) for row in rows]
        assert shown == [index // 3 == number for index in range(9)]


def test_elements_stand_in_the_order_of_the_standard() -> None:
    # OGC 05-077r4, clauses 10 and 11: a rule is Name, Description, Filter, symbolizers; a text symbolizer is Label,
    # Font, (LabelPlacement,) Halo, Fill; a polygon symbolizer Fill, Stroke. OGC 05-078r4, clause 11: Name, UserStyle.
    style = sld(Coloured("zones", "zones", "zone", [1.0, 2.0], "", "zone"))
    top = ElementTree.fromstring(style)

    assert (top.tag, top.get("version")) == (f"{SLD}StyledLayerDescriptor", "1.1.0")
    assert [each.tag for each in top[0]] == [f"{SE}Name", f"{SLD}UserStyle"]
    rule = next(top.iter(f"{SE}Rule"))
    assert [each.tag.split("}")[1] for each in rule] == ["Name", "Description", "Filter", "PolygonSymbolizer"]
    assert [each.tag.split("}")[1] for each in next(top.iter(f"{SE}PolygonSymbolizer"))] == ["Fill", "Stroke"]
    text = next(top.iter(f"{SE}TextSymbolizer"))
    assert [each.tag.split("}")[1] for each in text] == ["Label", "Font", "Halo", "Fill"]


def test_the_file_carries_the_sentence_of_advice(tmp_path: Path, plan: Any) -> None:
    # OGC 12-128r17, F.8: scopes, and a reference for the whole file and for one table.
    path = written(tmp_path / "p.gpkg", plan, identifier="pipeline 1a2b")
    ((scope, kind, text),) = queried(path, "SELECT md_scope, mime_type, metadata FROM gpkg_metadata")

    assert (scope, kind) == ("dataset", "text/plain")
    assert text == f"{ADVICE} pipeline 1a2b"
    assert queried(path, "SELECT reference_scope, table_name, timestamp FROM gpkg_metadata_reference") == [
        ("geopackage", None, "2026-05-01T00:00:00.000Z"),
        ("table", "prescription", "2026-05-01T00:00:00.000Z"),
    ]


@pytest.mark.parametrize(
    "harm",
    [
        "DELETE FROM layer_styles WHERE id = 2",
        "UPDATE layer_styles SET styleQML = '' WHERE id = 3",
        "UPDATE gpkg_metadata SET metadata = ''",
    ],
)
def test_a_lost_style_or_sentence_is_seen_when_read_back(tmp_path: Path, plan: Any, harm: str) -> None:
    path = written(tmp_path / "p.gpkg", plan)
    with closing(sqlite3.connect(path)) as database, database:
        database.execute(harm)
    with pytest.raises(OutputError, match="Nothing was published"):
        verify_geopackage(
            path, field=plan.field, samples=plan.samples, outlines=plan.outlines, prescription=plan.prescription
        )


def test_colours_grow_darker_at_every_step_so_that_they_read_without_hue() -> None:
    # Relative luminance (IEC 61966-2-1) to CIE 1976 lightness L*; steps of 5 and more are seen side by side.
    def lightness(colour: str) -> float:
        share = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
        linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
        return float(116 * np.cbrt(linear @ [0.2126, 0.7152, 0.0722]) - 16)

    steps = -np.diff([lightness(colour) for colour in RATE_COLOURS])
    assert (steps >= 5).all()
