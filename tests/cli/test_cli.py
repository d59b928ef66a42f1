"""The commands as a user types them."""

import json
import shutil
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest
import tomlkit
from click.testing import CliRunner

from zonemap import __version__
from zonemap.cli import main

SAMPLE_FIELDS = Path(__file__).resolve().parents[2] / "sample_fields"


@pytest.fixture
def garden(tmp_path, blank_pictures):
    del blank_pictures  # names_of_strangers and outcomes draw theirs
    folder = tmp_path / "garden"
    shutil.copytree(SAMPLE_FIELDS / "home_garden", folder, ignore=shutil.ignore_patterns("plan*"))
    return folder


def invoke(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def test_the_version():
    assert invoke("--version").output == f"zonemap, version {__version__}\n"


@pytest.mark.parametrize("command", [[], ["plan"], ["check"], ["start"], ["compare"]])
def test_help_shows_an_example(command):
    done = invoke(*command, "--help")
    assert done.exit_code == 0
    assert "Example" in done.output


def test_help_imports_nothing_heavy():
    code = "import sys, zonemap.cli; print(' '.join(sys.modules))"
    loaded = set(
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    )
    assert not loaded & {"numpy", "scipy", "shapely", "pydantic", "rich", "fiona", "sklearn", "geopandas", "matplotlib"}


def test_plan_says_what_a_grower_needs(garden):
    done = invoke("plan", garden)
    assert done.exit_code == 0
    assert done.stderr == ""
    for word in ("zone", "area", "in all", "Cautions", "local codes", f"Files: {garden / 'plan'}"):
        assert word in done.stdout


def test_json_is_the_summary_and_nothing_else(garden):
    done = invoke("plan", garden, "--json")
    assert done.stderr == ""
    assert json.loads(done.stdout) == json.loads((garden / "plan" / "summary.json").read_text(encoding="utf-8"))


def test_check_reads_and_plans_nothing(garden):
    done = invoke("check", garden)
    assert done.exit_code == 0
    assert "can be planned" in done.stdout
    assert not (garden / "plan").exists()


@pytest.mark.parametrize(
    ("changed", "told", "code"),
    [
        (("crop", "name", "tomatoe"), "crop.name: 'tomatoe' is not in the crop table. Choose one of", 2),
        (("crop", "planted", date(2029, 5, 1)), "over 300 days before planting, 2029-05-01. Check the year.", 0),
        (("crop", "planted", date(2020, 5, 1)), "season.apply_on: every day is after", 2),
    ],
    ids=["unknown crop", "days of another year", "days after the season"],
)
def test_check_holds_the_crop_against_its_table_and_the_calendar(garden, changed, told, code):
    table, key, value = changed
    path = garden / "field.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    document[table][key] = value
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
    done = invoke("check", garden)
    assert done.exit_code == code
    assert told in " ".join(done.output.split())


def test_check_says_what_a_product_without_a_price_counts_as(garden):
    path = garden / "field.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    name = document["product"][0]["name"]
    for key in [key for key in document["product"][0] if key.startswith("price_per")]:
        document["product"][0].pop(key)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
    told = " ".join(invoke("check", garden).stdout.split())
    assert f"{name}: no price, so they are taken only where no priced product will do" in told
    assert "Write price_per_ton = 520" in told


def test_an_error_is_one_line_on_stderr_with_exit_code_2(garden):
    (garden / "field.toml").write_text("[field]\nnmae = 'x'\n", encoding="utf-8")
    for command in ("check", "plan"):
        done = invoke(command, garden)
        assert done.exit_code == 2
        assert done.stdout == ""
        assert done.stderr.count("\n") == 1
        assert done.stderr.startswith("zonemap: field.toml")
        assert "Traceback" not in done.output


def test_a_folder_that_is_not_there(tmp_path):
    done = invoke("plan", tmp_path / "nowhere")
    assert done.exit_code == 2
    assert "Name a field folder" in done.stderr


def test_output_that_is_not_ours_is_left_alone(garden, tmp_path):
    target = tmp_path / "precious"
    target.mkdir()
    (target / "thesis.txt").write_text("years of work", encoding="utf-8")
    done = invoke("plan", garden, "--out", target)
    assert done.exit_code == 3
    assert (target / "thesis.txt").read_text(encoding="utf-8") == "years of work"


@pytest.mark.parametrize("kind", ["file", "link"])
def test_a_file_or_a_link_as_output_is_refused(garden, tmp_path, kind):
    target = tmp_path / "out"
    if kind == "file":
        target.write_text("", encoding="utf-8")
    else:
        (tmp_path / "elsewhere").mkdir()
        target.symlink_to(tmp_path / "elsewhere")
    done = invoke("plan", garden, "--out", target)
    assert done.exit_code == 3
    assert done.stderr.count("\n") == 1


def test_a_second_plan_replaces_the_first_and_keeps_it_as_previous(garden):
    assert invoke("plan", garden).exit_code == 0
    first = (garden / "plan" / "manifest.json").read_bytes()
    assert invoke("plan", garden).exit_code == 0
    assert (garden / "plan.previous" / "manifest.json").read_bytes() == first


def test_a_failed_plan_leaves_the_published_one(garden):
    assert invoke("plan", garden).exit_code == 0
    before = (garden / "plan" / "manifest.json").read_bytes()
    (garden / "samples.csv").write_text("", encoding="utf-8")
    assert invoke("plan", garden).exit_code == 2
    assert (garden / "plan" / "manifest.json").read_bytes() == before


def test_start_then_check_asks_for_what_only_the_user_knows(tmp_path):
    folder = tmp_path / "new"
    folder.mkdir()
    for name in ("boundary.geojson", "samples.csv"):
        shutil.copy(SAMPLE_FIELDS / "irrigated_corn" / name, folder)
    done = invoke("start", folder)
    assert done.exit_code == 0
    assert "field.toml" in done.stdout
    checked = invoke("check", folder)
    assert checked.exit_code == 2
    assert "field.toml" in checked.stderr
    assert invoke("start", folder).exit_code == 3


def test_an_unknown_pipeline_lists_the_shipped_ones(garden):
    done = invoke("plan", garden, "--pipeline", "nonsense")
    assert done.exit_code == 2
    assert "one_composite, rate_table, season_supply" in done.stderr


def test_formats_choose_what_is_written(garden):
    done = invoke("plan", garden, "--formats", "csv,iso_v4_grid2")
    assert done.exit_code == 0
    found = {path.relative_to(garden / "plan").as_posix() for path in (garden / "plan").rglob("*") if path.is_file()}
    assert {"zones.csv", "controller/TASKDATA/TASKDATA.XML", "controller/TASKDATA/GRD00001.BIN"} <= found
    assert not [name for name in found if name.endswith((".gpkg", ".shp"))]
    sheet = (garden / "plan" / "controller" / "TASKDATA.txt").read_text(encoding="utf-8")
    assert "in these files" in sheet
    assert "Local codes" in sheet
    assert set(json.loads((garden / "plan" / "manifest.json").read_text(encoding="utf-8"))["files"]) == found - {
        "manifest.json"
    }


def test_all_formats_stand_side_by_side(garden):
    assert invoke("plan", garden, "--formats", "all").exit_code == 0
    folder = garden / "plan"
    assert len(list(folder.glob("controller/iso_*/TASKDATA/TASKDATA.XML"))) == 6
    assert {"prescription.gpkg", "zones.csv", "rates"} <= {path.name for path in folder.iterdir()}
    assert list(folder.glob("controller/*.shp"))


def test_without_formats_the_same_is_written_as_ever(garden):
    assert invoke("plan", garden).exit_code == 0
    names = {path.name for path in (garden / "plan").iterdir()}
    assert {"prescription.gpkg", "controller"} <= names
    assert not names & {"zones.csv", "rates"}
    assert not list((garden / "plan").rglob("TASKDATA*"))


@pytest.mark.parametrize("formats", ["shape", "csv,isoxml", ",", ""])
def test_an_unknown_format_lists_those_there_are(garden, formats):
    done = invoke("plan", garden, "--formats", formats)
    assert done.exit_code == 2
    assert "geopackage, shapefile, rate_raster, csv, iso_v3_grid1" in done.stderr
    assert not (garden / "plan").exists()
