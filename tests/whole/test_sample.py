"""Places to sample, from folder to published result."""

import csv
import json
import shutil
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pyogrio
import pytest
import shapely
from click.testing import CliRunner
from matplotlib.image import imread

from zonemap.cli import main
from zonemap.errors import InputError
from zonemap.io.folder import read_folder
from zonemap.io.manifest import check_manifest
from zonemap.job import default_pipeline
from zonemap.pipeline.parse import read_pipeline
from zonemap.pipeline.run import ask, prepare
from zonemap.pipeline.sampling_worth import what_counts, worth_most
from zonemap.sampling import sample_field

FILES = {
    "sampling.gpkg", "sampling.csv", "sampling.gpx", "sampling.png", "sampling.txt", "sampling.json", "manifest.json"
}  # fmt: skip
SAMPLE_FIELDS = Path(__file__).resolve().parents[2] / "sample_fields"
SMALLEST = """
[field]
boundary = "boundary.geojson"
units = "metric"
"""


def sample(folder, *, count=None, out=None, pipeline=None):
    return sample_field(folder, count=count, pipeline=pipeline, out=out, progress=lambda _: None)


def copy_to(top, name):
    return Path(shutil.copytree(SAMPLE_FIELDS / name, top / name, ignore=shutil.ignore_patterns("plan*", "*.png")))


def table_of(folder):
    with (folder / "sampling.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def text_of(outcome):
    """The text beside the files, its lines unfolded."""
    return " ".join((outcome.folder / "sampling.txt").read_text(encoding="utf-8").split())


def with_samples(folder, change):
    """Write the rows of samples.csv again as a function changes them."""
    path = folder / "samples.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = change(list(csv.DictReader(file)))
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)


def shuffled(rows):
    """Values dealt out anew among the places: whatever pattern there was is gone."""
    names = [name for name in rows[0] if name not in ("sample", "lon", "lat")]
    order = np.random.default_rng(5).permutation(len(rows))
    return [row | {name: rows[other][name] for name in names} for row, other in zip(rows, order, strict=True)]


@pytest.fixture(scope="module")
def further(tmp_path_factory):
    return sample(copy_to(tmp_path_factory.mktemp("further"), "organic_tomatoes"), count=6)


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    folder = copy_to(tmp_path_factory.mktemp("first"), "irrigated_corn")
    (folder / "samples.csv").unlink()
    return sample(folder, count=30)


@pytest.mark.parametrize("kind", ["first", "further"])
def test_the_result_is_whole_and_all_files_name_the_same_places(kind, request):
    outcome = request.getfixturevalue(kind)
    folder = outcome.folder

    assert {path.name for path in folder.iterdir()} == FILES
    check_manifest(folder)
    assert imread(folder / "sampling.png").shape[2] == 4
    rows = table_of(folder)
    places = [(row["id"], float(row["longitude"]), float(row["latitude"])) for row in rows]
    _, _, geometry, columns = pyogrio.raw.read(folder / "sampling.gpkg", layer="sampling", columns=["id"])
    at = shapely.get_coordinates(shapely.from_wkb(geometry)).tolist()
    assert [(name, *xy) for name, xy in zip(columns[0], at, strict=True)] == places
    root = ElementTree.fromstring((folder / "sampling.gpx").read_bytes())
    for tag in ("{*}wpt", "{*}rte/{*}rtept"):
        points = [(p.find("{*}name").text, float(p.get("lon")), float(p.get("lat"))) for p in root.findall(tag)]
        assert points == places
    content = json.loads((folder / "sampling.json").read_text(encoding="utf-8"))
    assert [(place["id"], place["longitude"], place["latitude"]) for place in content["places"]] == places
    assert [int(row["order"]) for row in rows] == list(range(1, len(rows) + 1))
    outline = shapely.from_geojson((folder.parent / "boundary.geojson").read_text(encoding="utf-8"))
    assert shapely.covers(shapely.union_all([outline]), shapely.points([place[1:] for place in places])).all()


def test_first_samples_cover_the_field_and_a_tenth_stand_in_pairs(first):
    assert first.exit_code == 0
    assert [row["kind"] for row in table_of(first.folder)].count("pair") == 3
    text = text_of(first)
    assert "27 cover the field evenly" in text
    assert "'samples.csv' is not there yet" in text
    assert "4 days as field.toml states" in text


def test_what_is_expected_to_be_lost_now_is_what_a_plan_says(further):
    case = read_folder(further.folder.parent)
    prepared = prepare(case, read_pipeline(default_pipeline(case)), lambda _: None)

    planned = ask(prepared, case).losses.of_cells()

    # a plan averages over all cells, with other nodes
    assert further.sampling.worth.now == pytest.approx(planned, rel=0.02)


def test_each_sample_is_worth_something_and_all_together_what_the_loss_falls_by(further):
    places, worth = further.sampling.places, further.sampling.worth
    area = further.sampling.about.field.area_ha

    assert worth.measure == "money"
    assert sorted(places.rank) == [1, 2, 3, 4, 5, 6]
    assert places.saves.min() > 0
    assert places.saves.sum() == pytest.approx(worth.now - worth.after)
    assert places.saves[places.rank.index(1)] == places.saves.max()
    told = sum(float(row["worth"]) for row in table_of(further.folder))
    assert told == pytest.approx((worth.now - worth.after) * area, rel=1e-4)
    assert all(0 < left < 1 for left in worth.variance_left.values())


def test_places_that_were_worth_most_are_no_worse_than_places_elsewhere(further):
    # The same number of places, but drawn: none of ten draws beats the choice.
    case = read_folder(further.folder.parent)
    prepared = prepare(case, read_pipeline(default_pipeline(case)), lambda _: None)
    cells = np.arange(0, prepared.grid.cells, prepared.grid.cells // 300)
    places = np.column_stack(prepared.grid.centres())[cells]
    quantities, _, _ = what_counts(prepared, ask(prepared, case).losses.needs, cells, places)
    weight = np.full(len(cells), 1 / len(cells))
    _, losses, _ = worth_most(quantities, weight, 3)

    rng = np.random.default_rng(0)
    for _ in range(10):
        loss = 0.0
        for each in quantities.values():
            seen = each.outlook
            for place in rng.choice(len(places), 3, replace=False).tolist():
                seen = seen.with_sample(place)
            loss += float(each.losses(seen.left) @ weight)
        assert losses[-1] <= loss + 1e-9


def test_samples_without_a_pattern_get_closer_ones_and_a_refusal(tmp_path):
    folder = copy_to(tmp_path, "organic_tomatoes")
    with_samples(folder, shuffled)

    outcome = sample(folder, count=7)

    assert outcome.sampling.purpose == "closer"
    assert outcome.exit_code == 1
    assert set(outcome.sampling.places.kind) == {"pair"}
    about = outcome.sampling.about
    at = dict(zip(about.sampled, zip(about.easting_m, about.northing_m, strict=True), strict=True))
    for name, east, north in zip(
        outcome.sampling.places.beside,
        outcome.sampling.places.easting_m,
        outcome.sampling.places.northing_m,
        strict=True,
    ):
        away = np.hypot(east - at[name][0], north - at[name][1])
        assert away == pytest.approx(outcome.sampling.pair_m, rel=0.35)
    assert "closer ones would show" in text_of(outcome)


def test_samples_too_few_to_say_get_their_gaps_filled(tmp_path):
    folder = copy_to(tmp_path, "organic_tomatoes")
    with_samples(folder, lambda rows: rows[:5])

    outcome = sample(folder, count=4)

    sampling = outcome.sampling
    assert sampling.purpose == "gaps"
    there = np.column_stack([sampling.about.easting_m, sampling.about.northing_m])
    new = np.column_stack([sampling.places.easting_m, sampling.places.northing_m])
    away = np.hypot(*(new[:, None] - there).transpose(2, 0, 1)).min(axis=1)
    assert away.min() > 0.4 * sampling.spacing_m


def test_new_names_are_none_that_a_sample_has(tmp_path):
    folder = copy_to(tmp_path, "organic_tomatoes")
    with_samples(folder, lambda rows: [{**row, "sample": f"n{k:02}"} for k, row in enumerate(rows[:5], start=1)])

    assert sample(folder, count=2).sampling.places.name == ("N2-01", "N2-02")


def test_a_garden_gets_a_sheet_of_cores_and_with_its_one_sample_places_for_a_map(tmp_path):
    folder = copy_to(tmp_path, "home_garden")
    assert sample(folder).sampling.purpose == "first"
    (folder / "samples.csv").unlink()

    cores = sample(folder)

    assert (cores.sampling.purpose, cores.sampling.places.count) == ("composite", 15)
    assert "12 to 20 cores in a zigzag are common practice" in text_of(cores)


def test_a_boundary_and_two_lines_are_enough(tmp_path):
    shutil.copy(SAMPLE_FIELDS / "rolling_potatoes" / "boundary.geojson", tmp_path)
    (tmp_path / "field.toml").write_text(SMALLEST)

    outcome = sample(tmp_path)

    assert outcome.sampling.places.count >= 8
    assert "has no [samples]" in outcome.sampling.notes[1].text


def test_a_second_run_gives_the_same_bytes_and_keeps_the_first(first, further):
    for outcome, count in ((first, 30), (further, 6)):
        again = sample(outcome.folder.parent, count=count)

        for name in FILES:
            kept = outcome.folder.with_name("sampling.previous") / name
            assert (again.folder / name).read_bytes() == kept.read_bytes(), name


def test_the_command_prints_text_or_numbers_and_nothing_else(first, tmp_path):
    arguments = ["sample", str(first.folder.parent), "--count", "12", "--out", str(tmp_path / "out")]

    done, as_json = CliRunner().invoke(main, arguments), CliRunner().invoke(main, [*arguments, "--json"])

    assert (done.exit_code, done.stderr) == (0, "")
    assert "where to take 12 samples" in done.stdout
    assert json.loads(as_json.stdout)["purpose"] == "first"


@pytest.mark.parametrize(
    ("break_it", "mend"),
    [
        (lambda folder: (folder / "boundary.geojson").unlink(), "Name a file that is there"),
        (lambda folder: (folder / "field.toml").unlink(), "zonemap start DIR"),
        (lambda folder: (folder / "field.toml").write_text(SMALLEST + "[[no_spred]]\n"), "no_spread"),
        (lambda folder: (folder / "field.toml").write_text("[field]\nunits = 'us'\n[samples]\nfile = '../x.csv'\n"
                                                           "basis = 'paste'\nunit = 'mg/L'\n"), "plain name"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_named_with_its_mend(tmp_path, break_it, mend):
    shutil.copy(SAMPLE_FIELDS / "rolling_potatoes" / "boundary.geojson", tmp_path)
    (tmp_path / "field.toml").write_text(SMALLEST)
    break_it(tmp_path)

    with pytest.raises(InputError, match=mend):
        sample(tmp_path)
    assert not (tmp_path / "sampling").exists()


def test_more_samples_than_are_weighed_end_the_command_with_one_line(further):
    done = CliRunner().invoke(main, ["sample", str(further.folder.parent), "--count", "2000"])

    assert done.exit_code == 2
    assert done.stderr.count("\n") == 1
    assert "or fewer" in done.stderr
