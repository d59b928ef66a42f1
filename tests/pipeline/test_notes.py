"""Cautions that belong to what is spread."""

import shutil
from pathlib import Path

import tomlkit

from zonemap.io.folder import read_folder


def test_quick_nitrogen_beyond_a_pound_at_once_is_cautioned_on_turf(tmp_path, outcomes, plan_only):
    fields = Path(__file__).resolve().parents[2] / "sample_fields"
    folder = tmp_path / "turf"
    shutil.copytree(fields / "turf_greens", folder, ignore=shutil.ignore_patterns("plan*"))
    slow = outcomes["turf_greens"].plan
    text = (folder / "field.toml").read_text(encoding="utf-8")
    (folder / "field.toml").write_text(
        text.replace("release = { half_life_days = 35 } # an assumption\n", ""), encoding="utf-8"
    )
    assert read_folder(folder).products[0].release_half_life_days is None
    quick = plan_only(folder)

    # Cornell University, Lawn Care: The Easiest Steps, Feeding: never more than 1 lb N/1000 ft2, 4.88 g/m2, at a time
    said = "burns turf; keep each time to 4.88 g/m2 at most (Cornell University"
    assert any(said in note.text for note in quick.notes)
    assert not any("burns turf; keep" in note.text for note in slow.notes)


def tomatoes(tmp_path, **programme):
    fields = Path(__file__).resolve().parents[2] / "sample_fields"
    folder = tmp_path / "tomatoes"
    shutil.copytree(fields / "organic_tomatoes", folder, ignore=shutil.ignore_patterns("plan*"))
    path = folder / "field.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    document.setdefault("programme", tomlkit.table()).update(programme)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
    return folder


def short_notes(plan):
    return [note.text for note in plan.notes if "is short, and none is planned" in note.text]


def test_an_answer_without_a_product_for_what_is_short_is_warned_of_with_the_mend(tmp_path, plan_only):
    # all products of this field are organic
    plan = plan_only(tomatoes(tmp_path, organic="none"))
    (nitrogen, *others) = short_notes(plan)
    assert nitrogen == (
        'N: is short, and none is planned: organic = "none" under [programme] leaves out feather meal and bone meal, '
        'and nothing else holds it. Add a mineral [[product]] that does, or set organic = "any".'
    )
    assert {text[:2] for text in others} == {"P:", "K:"}


def test_where_the_answer_has_a_product_for_all_that_is_short_nothing_is_warned_of(outcomes):
    assert short_notes(outcomes["organic_tomatoes"].plan) == []


def test_products_that_no_pass_allows_are_named_with_the_mend(tmp_path, plan_only):
    folder = tomatoes(tmp_path)
    path = folder / "field.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    days = document["season"]["apply_on"]
    passes = tomlkit.aot()
    for day in days:
        passes.append(tomlkit.item({"on": day, "products": ["bone meal"]}))
    document["pass"] = passes
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
    said = " ".join(short_notes(plan_only(folder)))
    assert "K: is short, and none is planned: sulfate of potash may go on no pass." in said
    assert "Name it under products of a [[pass]]" in said
