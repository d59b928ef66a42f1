"""Many fields by one command."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest
from click.testing import CliRunner
from distributed import Client

from zonemap.batch import plan_fields
from zonemap.cli import main
from zonemap.errors import InputError

GARDEN = Path(__file__).resolve().parents[2] / "sample_fields" / "home_garden"
ENDED = "zonemap: stopped; the last published result is as it was.\n"


@pytest.fixture
def gardens(tmp_path):
    """Give a function that makes so many gardens, the first of which is spoilt."""

    def made(count):
        for number in range(count):
            shutil.copytree(GARDEN, tmp_path / f"garden_{number}", ignore=shutil.ignore_patterns("plan*"))
        spoilt = tmp_path / "garden_0" / "samples.csv"
        spoilt.write_text(spoilt.read_text(encoding="utf-8").replace("1.10", "1..10"), encoding="utf-8")
        return [tmp_path / f"garden_{number}" for number in range(count)]

    return made


def invoke(*arguments):
    return CliRunner().invoke(main, ["batch", *map(str, arguments)])


def hashes(folder):
    return json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["files"]


def test_a_field_that_fails_is_told_of_and_the_rest_are_what_plan_writes(gardens, tmp_path, outcomes):
    folders = gardens(3)
    done = invoke(tmp_path / "garden_*", "--json")
    assert done.stderr == ""
    content = json.loads(done.stdout)
    broken, *good = content["fields"]
    assert (done.exit_code, content["exit_code"], broken["exit_code"]) == (2, 2, 2)
    assert broken["error"].startswith("samples.csv, line 2")
    assert "1..10" in broken["error"]
    assert broken["result"] is None
    assert not (folders[0] / "plan").exists()
    for folder, field in zip(folders[1:], good, strict=True):
        assert field["exit_code"] == 0
        assert field["result"] == str(folder / "plan")
        assert hashes(folder / "plan") == hashes(outcomes["home_garden"].folder)
    summary = json.loads((folders[1] / "plan" / "summary.json").read_text(encoding="utf-8"))
    for product in content["products"]:
        own = next(each for each in summary["products"] if each["product"] == product["product"])
        assert product["total_kg"] == pytest.approx(2 * own["total_kg"], rel=1e-12)
        assert product["cost"] == pytest.approx(2 * own["cost"], rel=1e-12)
        assert product["fields"] == 2


def test_a_killed_process_costs_no_field(gardens):
    folders, killed = gardens(5), []

    def kill(result, fields):
        """Once the first plan is there, the processes that make the next ones."""
        assert fields == 5
        if result is None or result.planned is None or killed:
            return
        time.sleep(0.3)  # so that they have begun
        for process in psutil.Process().children(recursive=True):
            if "spawn_main" in " ".join(process.cmdline()):
                process.send_signal(signal.SIGKILL)
                killed.append(process.pid)

    results = plan_fields(folders, workers=2, progress=kill)
    assert len(killed) == 2
    assert [result.exit_code for result in results] == [2, 0, 0, 0, 0]
    assert [(folder / "plan" / "manifest.json").exists() for folder in folders] == [False, True, True, True, True]


def test_outlines_of_one_file_are_fields_with_the_samples_in_them(gardens, tmp_path):
    folder = gardens(2)[1]
    rings = {
        name: [[x, 41.0], [x + 0.0002, 41.0], [x + 0.0002, 41.0001], [x, 41.0001], [x, 41.0]]
        for name, x in (("Upper", -96.0), ("Lower", -96.001), ("Bare", -96.002))
    }
    features = [
        {"type": "Feature", "properties": {"name": name}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
        for name, ring in rings.items()
    ]
    boundary = {"type": "FeatureCollection", "features": features}
    (folder / "boundary.geojson").write_text(json.dumps(boundary), encoding="utf-8")
    rows = "\n".join(
        f"{name},{rings[name][0][0] + 0.0001},41.00005,{n}" for name, n in (("Upper", 1.1), ("Lower", 0.4))
    )
    (folder / "samples.csv").write_text(f"sample,lon,lat,no3_n\n{rows}\n", encoding="utf-8")
    toml = (folder / "field.toml").read_text(encoding="utf-8")
    start = toml.index("columns = ")
    columns = 'columns = { id = "sample", longitude = "lon", latitude = "lat", N = "no3_n" }'
    toml = toml.replace(toml[start : toml.index("\n", start)], columns)
    (folder / "field.toml").write_text(toml, encoding="utf-8")

    done = invoke(folder, "--out", tmp_path / "results" / "of_2026", "--json")
    fields = {field["name"]: field for field in json.loads(done.stdout)["fields"]}
    assert list(fields) == ["Upper", "Lower", "Bare"]
    assert done.exit_code == 2
    assert "every sample lies in another outline" in fields["Bare"]["error"]
    for name, lb_ac_day in (("Upper", 1.1), ("Lower", 0.4)):
        result = tmp_path / "results" / "of_2026" / f"garden_1-{name}"
        assert fields[name]["result"] == str(result)
        summary = json.loads((result / "summary.json").read_text(encoding="utf-8"))
        assert summary["field"]["name"] == name
        # 1 lb/ac is 1.1208511 kg/ha (NIST Special Publication 811, appendix B.8)
        assert summary["nutrients"]["N"]["mean_supply_kg_ha_day"] == pytest.approx(1.1208511 * lb_ac_day, rel=1e-6)
    assert not (folder / "plan").exists()


def test_two_fields_of_one_name_are_asked_about(gardens, tmp_path):
    first, second, _ = gardens(3)
    (tmp_path / "other").mkdir()
    twin = second.rename(tmp_path / "other" / "garden_0")
    done = invoke(first, twin, "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert "would both write to" in done.stderr
    assert list((tmp_path / "out").iterdir()) == []


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--scheduler", "tcp://127.0.0.1:9"], "none answers at 'tcp://127.0.0.1:9'"),
        (["--pipeline", "season_suply"], "season_supply"),
        (["--formats", "shapefiles"], "shapefile"),
    ],
)
def test_what_is_wrong_for_all_fields_is_said_once(gardens, monkeypatch, options, told):
    monkeypatch.setattr("zonemap.batch._CONNECT_SECONDS", 1)
    done = invoke(*gardens(2), *options)
    assert done.exit_code == 2
    assert told in done.stderr
    assert done.stderr.count("\n") == 1


def test_workers_elsewhere_plan_the_fields(gardens, tmp_path):
    tools = Path(sys.executable).parent
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    known = tmp_path / "scheduler.json"
    scheduler = subprocess.Popen(
        [
            tools / "dask",
            "scheduler",
            "--host",
            "127.0.0.1",
            "--port",
            "0",
            "--no-dashboard",
            "--scheduler-file",
            known,
        ],
        **quiet,
    )
    worker = None
    try:
        while not known.exists():
            assert scheduler.poll() is None
            time.sleep(0.1)
        address = json.loads(known.read_text(encoding="utf-8"))["address"]
        with pytest.raises(InputError, match="has no workers"):
            plan_fields(gardens(1), scheduler=address)
        worker = subprocess.Popen([tools / "dask", "worker", address, "--nthreads", "1", "--no-dashboard"], **quiet)
        with Client(address) as client:
            client.wait_for_workers(1, timeout=60)
        (result,) = plan_fields([shutil.copytree(GARDEN, tmp_path / "last")], scheduler=address)
        assert result.exit_code == 0
    finally:
        for process in (worker, scheduler):
            if process is not None:
                process.terminate()
                process.wait(timeout=30)


def test_ctrl_c_stops_all_and_leaves_results_whole(gardens, tmp_path):
    folders = gardens(6)
    command = [sys.executable, "-c", "import signal; signal.signal(signal.SIGINT, signal.default_int_handler);"
               "from zonemap.cli import main; main()", "batch", *map(str, folders), "--workers", "2"]  # fmt: skip
    running = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=tmp_path, start_new_session=True
    )
    while not any((folder / "plan").exists() for folder in folders):
        assert running.poll() is None
        time.sleep(0.05)
    children = psutil.Process(running.pid).children(recursive=True)
    os.killpg(running.pid, signal.SIGINT)
    printed, told = running.communicate(timeout=60)
    assert (running.returncode, printed, told) == (130, "", ENDED)
    _, alive = psutil.wait_procs(children, timeout=20)
    assert alive == []
    published = [folder for folder in folders if (folder / "plan").exists()]
    assert 1 <= len(published) < 5
    for folder in folders:
        left = {path.name for path in folder.iterdir()} - {path.name for path in GARDEN.iterdir()}
        assert left <= {"plan", ".plan.lock"} | {name for name in left if name.startswith(".plan.building-")}
        if folder in published:
            assert hashes(folder / "plan")
