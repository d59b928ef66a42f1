"""Comparisons from folder to published result."""

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from click.testing import CliRunner
from matplotlib.image import imread

from zonemap.cli import main
from zonemap.comparing import compare_field
from zonemap.errors import InputError
from zonemap.io.manifest import check_manifest

FILES = {"compare.json", "compare.csv", "compare.png", "manifest.json"}


def compare(folder, other=None, *, out=None, within_m=None):
    return compare_field(folder, other, out=out, within_m=within_m, progress=lambda _: None)


def table_of(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def corn(tmp_path_factory):
    folder = tmp_path_factory.mktemp("compare") / "irrigated_corn"
    source = Path(__file__).resolve().parents[2] / "sample_fields" / "irrigated_corn"
    shutil.copytree(source, folder, ignore=shutil.ignore_patterns("plan*", "compare*"))
    return compare(folder)


def test_the_result_is_whole_and_its_hashes_hold(corn):
    assert {path.name for path in corn.folder.iterdir()} == FILES
    check_manifest(corn.folder)
    assert imread(corn.folder / "compare.png").shape[2] == 4
    assert corn.exit_code == 0


def test_the_numbers_follow_from_the_two_files_alone(corn):
    # Peer: the two tables joined by their identifiers here, and another implementation of the coefficient.
    field = corn.folder.parent
    soil = {row["sample"]: row for row in table_of(field / "samples.csv")}
    leaf = table_of(field / "leaf.csv")

    for quantity, ours, theirs in (("N", "no3_n", "n_pct"), ("K", "k", "k_pct"), ("Zn", "zn", "zn_mg_kg")):
        pairs = [(float(soil[row["sample"]][ours]), float(row[theirs])) for row in leaf]
        found = corn.content["comparisons"][0]["quantities"][quantity]

        assert found["pairs"] == len(pairs) == 40
        assert found["rank_correlation"] == pytest.approx(scipy.stats.spearmanr(pairs).statistic, abs=1e-9)


def test_potassium_parts_where_the_readme_says_and_nitrogen_agrees(corn):
    quantities = corn.content["comparisons"][0]["quantities"]

    assert quantities["N"]["trend"] == "agree"
    lower = {place["place"] for place in quantities["K"]["stands_out"] if place["rank_difference"] < 0}
    # samples 440 m east at most and 420 m north at least of the field's corner
    soil = {row["sample"]: row for row in table_of(corn.folder.parent / "samples.csv")}
    degrees_per_m = 1 / (111_320 * np.cos(np.radians(40.613))), 1 / 111_050
    east = {name: (float(row["lon"]) + 98.4370) / degrees_per_m[0] for name, row in soil.items()}
    north = {name: (float(row["lat"]) - 40.6130) / degrees_per_m[1] for name, row in soil.items()}
    assert len(lower) >= 3
    assert all(east[name] < 450 and north[name] > 410 for name in lower)


def test_the_table_and_the_summary_say_the_same(corn):
    rows = table_of(corn.folder / "compare.csv")

    for quantity, found in corn.content["comparisons"][0]["quantities"].items():
        of_it = [row for row in rows if row["quantity"] == quantity]
        assert len(of_it) == found["pairs"]
        assert sum(row["stands_out"] == "yes" for row in of_it) == len(found["stands_out"])
        assert max(float(row["distance_m"]) for row in of_it) <= corn.content["comparisons"][0]["within_m"]


def test_a_second_run_gives_the_same_bytes(corn, tmp_path):
    again = compare(corn.folder.parent, out=tmp_path / "again")

    for name in FILES:
        assert (again.folder / name).read_bytes() == (corn.folder / name).read_bytes(), name


def test_the_command_says_what_a_grower_needs_and_converts_nothing(corn, tmp_path):
    arguments = ["compare", str(corn.folder.parent), "--out", str(tmp_path / "out")]

    done, as_json = CliRunner().invoke(main, arguments), CliRunner().invoke(main, [*arguments, "--json"])

    assert done.exit_code == 0
    assert done.stderr == ""
    for words in ("agree in ranking", "ear leaf ranks lower at", "Possible causes, general", "trend only", "Files:"):
        assert words in done.stdout
    assert json.loads(as_json.stdout) == json.loads((tmp_path / "out" / "compare.json").read_text(encoding="utf-8"))


def test_a_field_against_its_own_file_is_refused(copy_of):
    folder = copy_of("irrigated_corn")

    with pytest.raises(InputError, match=r"on the same basis and of the same day\. Name the file of a second set"):
        compare(folder, folder)


def test_sets_without_a_common_quantity_are_refused_and_same_as_mends_it(copy_of):
    folder = copy_of("irrigated_corn")
    toml = (folder / "field.toml").read_text(encoding="utf-8")
    leaf = 'unit = { copper_leaf = "mg/kg" }'
    toml = toml.replace('unit = { N = "%", P = "%", K = "%", S = "%", Zn = "mg/kg" }', leaf)
    toml = toml.replace(
        'N = "n_pct", P = "p_pct", K = "k_pct", S = "s_pct", Zn = "zn_mg_kg"', 'copper_leaf = "zn_mg_kg"'
    )
    (folder / "field.toml").write_text(toml, encoding="utf-8")

    with pytest.raises(InputError, match=r"no quantity is in both sets .*same_as = \{ their_name"):
        compare(folder)
    (folder / "field.toml").write_text(
        toml.replace(leaf, leaf + '\nsame_as = { copper_leaf = "Zn" }'), encoding="utf-8"
    )
    found = compare(folder).content["comparisons"][0]["quantities"]["Zn"]

    assert found["other_quantity"] == "copper_leaf"
    assert found["trend"] == "agree"


@pytest.mark.parametrize("same_as", ['Xy = "K"', 'K = "Xy"'])
def test_same_as_of_something_unknown_is_refused(copy_of, same_as):
    folder = copy_of("irrigated_corn")
    toml = (folder / "field.toml").read_text(encoding="utf-8")
    toml = toml.replace('basis = "tissue"', f'basis = "tissue"\nsame_as = {{ {same_as} }}')
    (folder / "field.toml").write_text(toml, encoding="utf-8")

    with pytest.raises(InputError, match=r"'Xy' is no quantity of .*Use one of N, P, K"):
        compare(folder)


def test_few_pairs_give_no_statement_and_exit_code_1(copy_of):
    folder = copy_of("irrigated_corn")
    lines = (folder / "leaf.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (folder / "leaf.csv").write_text("".join(lines[:7]), encoding="utf-8")

    outcome = compare(folder)

    assert outcome.exit_code == 1
    for quantity in outcome.content["comparisons"][0]["quantities"].values():
        assert quantity["trend"] == "too_few"
        assert quantity["stands_out"] == []
    assert outcome.content["notes"][0]["kind"] == "refusal"


def test_sets_that_share_no_place_are_mapped_and_it_is_said(copy_of, tmp_path):
    # The same soil at the places between: the generator gave phosphorus a pattern and sulfur none.
    folder = copy_of("irrigated_corn")
    header, *rows = (folder / "samples.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    second = tmp_path / "second"
    second.mkdir()
    for name in ("field.toml", "boundary.geojson"):
        (second / name).write_bytes((folder / name).read_bytes())
    (folder / "samples.csv").write_text("".join([header, *rows[::2]]), encoding="utf-8")
    (second / "samples.csv").write_text("".join([header, *rows[1::2]]), encoding="utf-8")

    outcome = compare(folder, second, within_m=5)

    found = outcome.content["comparisons"][0]["quantities"]
    assert {quantity["how"] for quantity in found.values()} == {"kriged"}
    assert found["P"]["trend"] == "agree"
    assert found["P"]["effective_pairs"] < found["P"]["pairs"]
    assert found["S"]["trend"] == "no_pattern"
    assert found["P"]["pairs"] == 32
    assert any("both were mapped and read at the places of" in note["text"] for note in outcome.content["notes"])
