"""A field of conventional extracts, planned by rules of public services."""

from datetime import date

import numpy as np
import pytest
import tomlkit

from zonemap.errors import InputError
from zonemap.job import plan_field
from zonemap.pipeline.parse import read_pipeline
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
        (lambda d: d["rule"][1].update(value="P"), "Write value = the column that holds K"),
        (lambda d: d["rule"][2].update(buffer_ph=6.9), "Give what the meaning says"),
        (lambda d: d["samples"]["unit"].update(CEC="g/kg"), "Give the column in that unit"),
    ],
)
def test_a_rule_that_does_not_fit_is_refused(tmp_path, copy_of, coarse, change, mend):
    folder = copy_of("limed_rotation")
    edit(folder, change)
    with pytest.raises(InputError, match=mend):
        plan_field(folder, pipeline=coarse, out=tmp_path / "out")


def test_resin_is_refused_by_rules(tmp_path, copy_of, coarse):
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
        plan_field(folder, pipeline=coarse, out=tmp_path / "out")


def test_rules_beside_resin_and_a_crop_are_refused_and_not_passed_over(tmp_path, copy_of):
    folder = copy_of("organic_tomatoes")
    rules = tomlkit.aot()
    rules.append(tomlkit.item({"name": "tri_state_k", "crop": "corn", "yield_goal": 190}))
    edit(folder, lambda document: document.append("rule", rules))
    with pytest.raises(InputError, match=r"rules read extracts, and these are resin.*Remove the \[\[rule\]\] tables"):
        plan_field(folder, out=tmp_path / "out")


@pytest.fixture
def coarse(tmp_path):
    """Give a pipeline that is quick: large cells, one zone."""
    text = read_pipeline("extract_rules").text
    path = tmp_path / "coarse.toml"
    path.write_text(text.replace('use = "square_cells"', 'use = "square_cells"\ncell_m = 40', 1), encoding="utf-8")
    return str(path)


def with_corn(document):
    document["crop"] = {"name": "corn", "yield_goal": 190, "planted": date(2027, 4, 25)}
    for rule in document["rule"][:2]:
        rule.pop("yield_goal")


def test_the_fields_yield_goal_serves_a_rule_of_its_crop_only(tmp_path, copy_of, coarse, plan_only):
    folder = copy_of("limed_rotation")
    stated = plan_only(folder, coarse)
    edit(folder, with_corn)
    taken = plan_only(folder, coarse)
    for ours, theirs in zip(taken.needs, stated.needs, strict=True):
        np.testing.assert_allclose(ours.curve.need_kg_ha, theirs.curve.need_kg_ha)

    edit(folder, lambda document: document["rule"][0].update(crop="soybean"))
    with pytest.raises(InputError, match="Write yield_goal = "):
        plan_field(folder, pipeline=coarse, out=tmp_path / "soybean")


def metric(document, *, goal):
    """The same field, read in metric units, with the yield goal of its two rules in t/ha."""
    for rule in document["rule"][:2]:
        rule.pop("yield_goal")
        rule.update(goal)


def test_a_yield_goal_in_tonnes_a_hectare_asks_for_the_same_rates(copy_of, coarse, plan_only):
    # 190 bu/ac of 56 lb are 190 x 62.77 kg/ha (crops.toml states the same factor): 11.926 t/ha
    folder = copy_of("limed_rotation")
    stated = plan_only(folder, coarse)
    edit(folder, lambda document: metric(document, goal={"yield_goal_t_ha": 11.926}))
    taken = plan_only(folder, coarse)
    for ours, theirs in zip(taken.needs, stated.needs, strict=True):
        np.testing.assert_allclose(ours.curve.need_kg_ha, theirs.curve.need_kg_ha, rtol=1e-4)


@pytest.mark.parametrize(
    ("goal", "mend"),
    [
        ({"yield_goal_t_ha": 12, "yield_goal": 190}, "yield_goal is stated too. Keep one of the two"),
        (
            {"yield_goal_t_ha": 12, "crop": "okra"},
            "'okra' has no weight of a bushel. Write crop = one of alfalfa, corn",
        ),
    ],
    ids=["stated twice", "no bushel"],
)
def test_a_yield_goal_in_tonnes_that_says_nothing_clear_is_refused(goal, mend, tmp_path, copy_of, coarse):
    folder = copy_of("limed_rotation")
    edit(folder, lambda document: metric(document, goal=goal))
    with pytest.raises(InputError, match=mend):
        plan_field(folder, pipeline=coarse, out=tmp_path / "out")


@pytest.mark.parametrize(("value", "product"), [("pH", "lime"), ("CEC", "potash")])
def test_a_product_of_a_rule_and_of_a_table_is_refused(tmp_path, copy_of, coarse, value, product):
    folder = copy_of("limed_rotation")
    table = tomlkit.aot()
    table.append(tomlkit.item({"value": value, "product": product, "points": [[5, 400], [20, 0]]}))
    edit(folder, lambda document: document.append("rate_table", table))
    with pytest.raises(InputError, match=r"meets a rule too.*give one of them another product"):
        plan_field(folder, pipeline=coarse, out=tmp_path / "out")


def test_a_product_of_which_half_feeds_the_crop_is_spread_at_twice_the_rate(copy_of, coarse, plan_only):
    folder = copy_of("limed_rotation")
    # the assurance alone decides, so that the price of what is available does not move it
    edit(folder, lambda document: document["spreader"].update(step=0.01, min_rate=0, max_rate=1e6))
    whole = plan_only(folder, coarse)
    edit(folder, lambda document: document["product"][1].update(available_fraction=0.5))
    half = plan_only(folder, coarse)

    def potash(plan):
        zones = plan.choice.zones.number - 1
        [rate] = [a.planned_kg_ha for a in plan.prescription.applications if a.product.name == "potash"]
        return np.average(rate[zones], weights=plan.grid.cell_area_ha)

    assert potash(half) == pytest.approx(2 * potash(whole), rel=0.02)


def nitrate(document):
    document["samples"]["columns"] = {"id": "sample", "longitude": "lon", "latitude": "lat", "NO3": "p_ppm"}
    document["samples"].update(extractant="KCl", unit="ppm")
    document["samples"].pop("depth_in")
    rules = tomlkit.aot()
    rules.append(tomlkit.item({"name": "nebraska_corn_n", "yield_goal": 200, "organic_matter": 3.0}))
    document["rule"] = rules
    document["product"][0].update(name="urea", analysis={"N": 46})


def test_nitrogen_is_planned_from_nitrate_and_asks_for_the_depth(tmp_path, copy_of, coarse):
    folder = copy_of("limed_rotation")
    edit(folder, nitrate)
    path = folder / "samples.csv"
    header, *rows = path.read_text(encoding="utf-8").splitlines()
    quarter = [",".join([*r.split(",")[:3], f"{float(r.split(',')[3]) / 4:.1f}", *r.split(",")[4:]]) for r in rows]
    path.write_text("\n".join([header, *quarter]) + "\n", encoding="utf-8")

    plan = plan_field(folder, pipeline=coarse, out=tmp_path / "out").plan

    [application] = plan.prescription.applications
    assert application.product.name == "urea"
    [need] = plan.needs
    # 35 + 240 - 84 - 8 NO3 at the samples' mean, DERIVED
    at_mean = 191 - 8 * float(plan.case.samples.columns["NO3"].value.mean())
    assert float(need.curve.at(plan.case.samples.columns["NO3"].value.mean())) == pytest.approx(
        at_mean * KG_HA_PER_LB_AC
    )
    texts = [note.text for note in plan.notes]
    assert any("reads samples of 24 in or deeper; theirs is not stated" in text for text in texts)
    assert any("top 2 to 4 ft" in note.text for note in plan.notes if note.kind == "caution")

    edit(folder, lambda document: document["samples"].update(depth_in=8))
    with pytest.raises(InputError, match="Sample to 24 in or deeper"):
        plan_field(folder, pipeline=coarse, out=tmp_path / "shallow")


def test_one_composite_sample_gets_the_rates_of_the_rules(tmp_path, copy_of):
    folder = copy_of("limed_rotation")
    path = folder / "samples.csv"
    header, *_ = path.read_text(encoding="utf-8").splitlines()
    path.write_text(f"{header}\nL01,-83.917696,40.463300,15,100,5.0,6.30,15\n", encoding="utf-8")

    def change(document):
        for rule in document["rule"][:2]:
            rule["yield_goal"] = 180
        document["rule"][2]["target_ph"] = 6.0
        # no doubt about the sample and no price: the rates are the rules' own
        document["samples"]["repeatability_cv"] = 1e-6
        document["spreader"].update(step=0.01, min_rate=0)

    edit(folder, change)

    plan = plan_field(folder, out=tmp_path / "out").plan

    assert plan.pipeline == "one_composite"
    given = {a.product.name: float(a.rate_kg_ha[0]) / KG_HA_PER_LB_AC for a in plan.prescription.applications}
    # P2O5: 5 x 5 + 180 x .35 = 88 in 52 %; K2O: 91 in 60 %; lime: .75 ton, as in the tests of the rules
    assert given["MAP"] == pytest.approx(88 / 0.52, rel=1e-3)
    assert given["potash"] == pytest.approx(91 / 0.60, rel=1e-3)
    assert given["lime"] == pytest.approx(1500, rel=1e-3)


def test_rules_ask_for_the_same_in_either_unit_system(copy_of, coarse, plan_only):
    folder = copy_of("limed_rotation")
    us = plan_only(folder, coarse)
    edit(folder, lambda document: document["field"].update(units="metric"))
    metric = plan_only(folder, coarse)
    for ours, theirs in zip(us.needs, metric.needs, strict=True):
        np.testing.assert_array_equal(ours.curve.need_kg_ha, theirs.curve.need_kg_ha)


def test_a_rule_and_a_table_on_one_quantity_are_called_by_what_meets_them(tmp_path, copy_of, coarse):
    folder = copy_of("limed_rotation")

    def change(document):
        table = tomlkit.aot()
        table.append(tomlkit.item({"value": "K", "product": "compost", "points": [[50, 4000], [200, 1000]]}))
        document["rate_table"] = table

    edit(folder, change)
    plan = plan_field(folder, pipeline=coarse, out=tmp_path / "out").plan
    assert {"K (potash)", "K (compost)"} <= set(plan.need_names)
