"""What a comparison says and shows, from values made by hand."""

import json
import math

import numpy as np
import pytest
import shapely
from matplotlib.image import imread

from zonemap.report.comparison import TREND_WORDS, comparison_columns, comparison_json, comparison_text
from zonemap.report.comparison_figure import draw_comparison
from zonemap.units import KG_HA_PER_LB_AC
from zonemap.values.basis import Basis
from zonemap.values.comparison import Comparison, QuantityComparison, RankCorrelation, SampleSet, SetComparison
from zonemap.values.field import Field
from zonemap.values.note import Note
from zonemap.values.samples import Column, Samples

FIELD = Field("Alder Flat", shapely.MultiPolygon([shapely.box(0, 0, 300, 200)]), "EPSG:32614")


def a_set(name, basis, unit):
    column = Column(unit, np.ones(1), np.zeros(1, dtype=bool))
    return SampleSet(name, Samples(("1",), np.zeros(1), np.zeros(1), basis, {"K": column}, 0.1), None)


def a_quantity(trend="agree", count=10, **changed):
    share = np.linspace(0, 1, count) if count else np.zeros(0)
    other = share.copy()
    if count > 4:
        other[[0, 4]] = other[[4, 0]]
    names = tuple(f"A{k}" for k in range(count))
    values = {
        "quantity": "K", "other_quantity": "K", "how": "paired", "sample": names, "other_sample": names,
        "easting_m": 20 + 260 * share, "northing_m": np.full(count, 100.0), "distance_m": np.full(count, 3.048),
        "unit": "kg/ha/day", "value": KG_HA_PER_LB_AC * share, "other_unit": "%", "other_value": other,
        "share": share, "other_share": other, "trend": trend,
        "correlation": RankCorrelation(count, 9.2, 0.8, 0.35, 0.95),
    }  # fmt: skip
    return QuantityComparison(**(values | changed))


def a_comparison(*quantities, notes=()):
    first, other = a_set("soil", Basis("resin", burial_days=4), "kg/ha/day"), a_set("leaf", Basis("tissue"), "%")
    causes = (("K", "Roots and water."),)
    return Comparison(FIELD, "us", (SetComparison(first, other, 30.48, quantities, causes),), notes, ())


def test_the_text_gives_distances_in_the_units_people_read():
    text = comparison_text(a_comparison(a_quantity()), None)

    # 30.48 m are 100 ft, 3.048 m are 10 ft
    assert "Places up to 100 ft apart are taken for one; half of the pairs lie within 10 ft." in text
    assert "K 10 9 0.80 0.35 to 0.95 agree in ranking" in " ".join(text.split())


def test_places_are_named_where_ranks_lie_more_than_a_third_apart():
    # ranks 0 and 4 of 0 to 9 exchanged: 4/9 of the ranking
    text = comparison_text(a_comparison(a_quantity()), None)

    assert "K: leaf ranks lower at A4; higher at A0" in text
    assert "Roots and water." in text


@pytest.mark.parametrize("trend", ["too_few", "no_spread", "no_pattern"])
def test_where_nothing_can_be_said_no_number_and_no_place_is_shown(trend):
    comparison = a_comparison(a_quantity(trend))

    text = comparison_text(comparison, None)

    assert TREND_WORDS[trend] in text
    assert "0.80" not in text
    assert "A4" not in text
    assert comparison_json(comparison)["comparisons"][0]["quantities"]["K"]["stands_out"] == []


def test_the_summary_is_plain_json_without_nan():
    nothing = RankCorrelation(10, 10.0, math.nan, math.nan, math.nan)
    comparison = a_comparison(a_quantity("no_spread", correlation=nothing), notes=(Note("warning", "look"),))

    content = comparison_json(comparison)

    assert json.loads(json.dumps(content, allow_nan=False)) == content
    assert content["comparisons"][0]["quantities"]["K"]["rank_correlation"] is None


def test_every_column_of_the_table_has_a_cell_a_pair():
    columns = comparison_columns(a_comparison(a_quantity(), a_quantity(quantity="N", other_quantity="N")))

    assert {len(cells) for cells in columns.values()} == {20}
    assert columns["stands_out"].count("yes") == 4


@pytest.mark.parametrize("trend", TREND_WORDS)
@pytest.mark.parametrize("count", [0, 1, 10])
def test_every_kind_of_result_can_be_drawn(tmp_path, trend, count):
    path = tmp_path / "compare.png"

    draw_comparison(a_comparison(a_quantity(trend, count)), path)

    assert np.ptp(imread(path)[..., :3]) > 0.5


def test_a_picture_of_many_quantities_stays_a_picture(tmp_path):
    path = tmp_path / "compare.png"

    draw_comparison(a_comparison(*[a_quantity(quantity=f"Q{k}") for k in range(15)]), path)

    assert imread(path).shape[0] < 5000
