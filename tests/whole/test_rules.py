"""A field of conventional extracts, planned by rules of public services."""

import numpy as np
import pytest
import tomlkit

from zonemap.errors import InputError
from zonemap.job import plan_field
from zonemap.units import KG_HA_PER_LB_AC


def edit(folder, change):
    path = folder / "field.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    change(document)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


@pytest.fixture(scope="module")
def planned(outcomes):
    return outcomes["limed_rotation"]


def test_every_rule_becomes_a_product_and_is_named_with_its_source(planned):
    plan = planned.plan
    assert plan.pipeline == "extract_rules"
    assert {a.product.name for a in plan.prescription.applications} == {"MAP", "potash", "lime"}
    texts = [note.text for note in plan.notes]
    assert any("Tri-State potassium" in text and "Culman et al. 2020" in text for text in texts)
    assert any("cation exchange capacity" in text and "mean of the samples" in text for text in texts)
    assert any("buffer pH" in text and "follows pH" in text for text in texts)
    assert any("laboratory's own calibration" in note.text for note in plan.notes if note.kind == "caution")


def test_the_sour_side_gets_more_lime(planned):
    plan = planned.plan
    lime = next(a for a in plan.prescription.applications if a.product.name == "lime")
    ph = plan.zone_report.supply["pH"]
    assert np.all(np.diff(lime.rate_kg_ha[np.argsort(ph)]) <= 0)
    assert lime.rate_kg_ha.max() / KG_HA_PER_LB_AC > 1000


def test_rules_and_tables_of_one_s_own_stand_together(tmp_path, copy_of):
    folder = copy_of("limed_rotation")

    def change(document):
        table = tomlkit.aot()
        table.append(tomlkit.item({"value": "CEC", "product": "compost", "points": [[5, 4000], [20, 1000]]}))
        document["rate_table"] = table

    edit(folder, change)
    plan = plan_field(folder, out=tmp_path / "out").plan
    assert {a.product.name for a in plan.prescription.applications} == {"MAP", "potash", "lime", "compost"}


@pytest.mark.parametrize(
    ("change", "mend"),
    [
        (lambda d: d["samples"].update(extractant="Olsen"), "Use a rule for your extractant"),
        (lambda d: d["rule"][0].update(cec=12.0), "It takes: yield_goal"),
        (lambda d: d["rule"][0].update(product="potash"), "holds no P"),
        (lambda d: d["rule"][0].update(product="guano"), "has no .*product.* table"),
        (lambda d: d["rule"][0].pop("yield_goal"), "Write yield_goal = "),
        (lambda d: d["rule"][0].update(name="tri_state_k"), "Keep one of the two"),
        (lambda d: d["rule"][0].update(name="bray"), "Choose one of tri_state_p"),
        (lambda d: d["rule"][0].update(value="Zn"), "was not measured"),
        (lambda d: d["rule"][1].update(value="P"), "Keep one of|rule"),
    ],
)
def test_a_rule_that_does_not_fit_is_refused(tmp_path, copy_of, change, mend):
    folder = copy_of("limed_rotation")
    edit(folder, change)
    if mend == "Keep one of|rule":
        # potassium's rule on the column of phosphorus: the user's own doing, and said in the result
        assert plan_field(folder, out=tmp_path / "out").plan.needs[1].quantity == "P"
        return
    with pytest.raises(InputError, match=mend):
        plan_field(folder, out=tmp_path / "out")


def test_resin_is_refused_by_rules(tmp_path, copy_of):
    folder = copy_of("limed_rotation")

    def change(document):
        document["samples"].update(basis="resin", unit="lb/ac/day", burial_days=4)
        document["samples"].pop("extractant")
        document["samples"]["columns"] = {"id": "sample", "longitude": "lon", "latitude": "lat", "P": "p", "K": "k"}
        document.pop("rule")
        rules = tomlkit.aot()
        rules.append(tomlkit.item({"name": "tri_state_p", "crop": "corn", "yield_goal": 190}))
        document["rule"] = rules

    edit(folder, change)
    path = folder / "samples.csv"
    header, _, rest = path.read_text(encoding="utf-8").partition("\n")
    path.write_text(header.replace("_ppm", "") + "\n" + rest, encoding="utf-8")
    with pytest.raises(InputError, match="Give values of that extract"):
        plan_field(folder, pipeline="extract_rules", out=tmp_path / "out")
