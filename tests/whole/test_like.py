"""A field whose products are like rows of the product table."""

import numpy as np
import pytest
import tomlkit

from zonemap.job import plan_field
from zonemap.products.table import product_row


@pytest.mark.usefixtures("blank_pictures")
def test_a_product_like_a_row_is_spread_by_what_feeds_the_crop_of_each_nutrient(tmp_path, copy_of):
    folder = copy_of("organic_tomatoes")
    path = folder / "field.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    products = tomlkit.aot()
    products.append(tomlkit.item({"like": "poultry_litter", "price_per_ton": 60}))
    document["product"] = products
    path.write_text(tomlkit.dumps(document), encoding="utf-8")

    plan = plan_field(folder, out=tmp_path / "out").plan

    row = product_row("poultry_litter")
    needs = {need.element: need for need in plan.needs if need.product is not None}
    assert set(needs) <= {"N", "P", "K"}
    assert len(needs) >= 2
    for element, need in needs.items():
        # first-order release to the season's end, of the element's own share; a nutrient differs by its share alone
        released = need.available_fraction / row.fraction_of(element)
        assert 0 < released < 1
        days = -np.log2(1 - released) * row.half_life_days.value
        assert days == pytest.approx(round(days), abs=1e-6)
    assert {a.product.kind for a in plan.prescription.applications} == {"poultry_litter"}
    assert any("zonemap products poultry_litter" in note.text for note in plan.notes)
