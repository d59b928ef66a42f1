"""Changes made by hand on the review page are in what the command line plans, byte for byte."""

import json
import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from pypdf import PdfReader

from zonemap.cli import main
from zonemap.errors import InputError
from zonemap.io.folder import read_folder
from zonemap.io.journal import JOURNAL, Journal, MergeChange, Posted, RateChange
from zonemap.job import plan_field
from zonemap.pipeline.parse import read_pipeline
from zonemap.reviewed import changes_of_folder, inputs_hash
from zonemap.web.serve import opened

TOP = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def pipeline(coarse):
    return str(coarse)


def copied(folder):
    return shutil.copytree(TOP / "sample_fields" / "irrigated_corn", folder / "field")


def posted(session, **change):
    asked = Posted.model_validate_json(json.dumps({"revision": session.at[0], "change": change}))
    session.change(asked.change, revision=asked.revision)


def files_of(folder):
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory, pipeline):
    """A field, changed and published through the session that the page talks to."""
    field = copied(tmp_path_factory.mktemp("reviewed"))
    west, south, east, north = read_folder(field).field.boundary.bounds
    middle = (west + east) / 2, (south + north) / 2
    ring = [[middle[0] + dx, middle[1] + dy] for dx, dy in ((-40, -40), (40, -40), (40, 40), (-40, 40))]
    asked = {"out": None, "formats": "all", "port": 0, "fresh": False, "progress": lambda _: None}
    with opened(field, pipeline=pipeline, **asked) as page:
        session = page.session
        posted(session, kind="rate", zone=1, product="urea", on="2026-06-05", rate_kg_ha=40.0, why="too low a guess")
        posted(session, kind="assurance", assurance=0.8)
        posted(session, kind="merge", zones=[1, 2], why="the driver asked for fewer")
        posted(session, kind="rate", zone=1, product="urea", on="2026-06-05", rate_kg_ha=150.0, why="yellow leaves")
        posted(session, kind="close", polygon=ring, why="a wet hole")
        posted(session, kind="split", zone=1, line=[[middle[0], south - 9], [middle[0], north + 9]])
        posted(session, kind="undo")
        session.publish(revision=session.at[0])
        session.wait()
        assert session.publishing.state == "done", session.publishing.message
    return field


def test_the_command_line_writes_the_bytes_that_the_page_published(reviewed, pipeline):
    plan_field(reviewed, pipeline=pipeline, out=reviewed.parent / "again", formats="all")
    mine, page = files_of(reviewed.parent / "again"), files_of(reviewed / "plan")
    assert len(page) > 20
    assert {name for name in page if page[name] != mine.get(name)} == set()
    assert mine.keys() == page.keys()


def test_the_record_lists_what_holds_with_reasons_and_not_what_was_set_aside_or_undone(reviewed):
    summary = json.loads((reviewed / "plan" / "summary.json").read_text(encoding="utf-8"))
    changes = summary["changes"]
    # the first rate fell when its zone was merged; the split was taken back
    assert [(change["kind"], change["why"]) for change in changes["by_hand"]] == [
        ("assurance", ""),
        ("merge", "the driver asked for fewer"),
        ("rate", "yellow leaves"),
        ("close", "a wet hole"),
    ]
    assert changes["revision"] == 7
    by_kind = {change["kind"]: change for change in changes["by_hand"]}
    assert by_kind["merge"]["zones"] == [1, 2]
    rate = by_kind["rate"]["rate_kg_ha"]
    assert rate == pytest.approx(150, abs=5 * 1.120851)  # to the spreader's step of 5 lb/ac
    assert summary["zones"][0]["rate"]["urea"]["2026-06-05"] == rate
    assert by_kind["close"]["area_ha"] == pytest.approx(0.64, rel=1e-6)
    # the time of a change is in the journal and the manifest's copy of it, nowhere else
    journal = (reviewed / JOURNAL).read_text(encoding="utf-8")
    at = json.loads(journal.splitlines()[1])["at"]
    holding = [name for name, content in files_of(reviewed / "plan").items() if at.encode() in content]
    assert holding == ["manifest.json"]


def test_sheet_and_report_tell_what_was_changed_by_hand(reviewed):
    sheet = " ".join(page.extract_text() for page in PdfReader(reviewed / "plan" / "sheet.pdf").pages)
    report = (reviewed / "plan" / "report.html").read_text(encoding="utf-8")
    for text in (re.sub(r"\s+", " ", sheet), report):
        assert "Changed by hand on the review page" in text
        assert "Zones 1 and 2 made one (the driver asked for fewer)." in text
        assert "An area closed to spreading (a wet hole)." in text
        assert "zone 1: 135 lb/ac (yellow leaves)." in text
        assert "4 changes made by hand on the review page are applied" in text
        assert "too low a guess" not in text


@pytest.mark.usefixtures("blank_pictures")
def test_without_changes_is_the_plan_of_a_field_that_was_never_reviewed(reviewed, pipeline, tmp_path):
    argv = ["plan", str(reviewed), "--pipeline", pipeline, "--out", str(tmp_path / "bare")]
    done = CliRunner().invoke(main, [*argv, "--without-changes"])
    assert done.exit_code == 0
    assert "made by hand" not in done.stdout
    fresh = copied(tmp_path)
    plan_field(fresh, pipeline=pipeline)
    assert files_of(tmp_path / "bare") == files_of(fresh / "plan")


def journal_of(field, pipeline):
    case = read_folder(field)
    return Journal(field / JOURNAL, inputs=inputs_hash(case, read_pipeline(pipeline).sha256), crs=case.field.crs)


def test_a_change_that_no_longer_fits_is_refused_by_its_number(tmp_path, pipeline):
    field = copied(tmp_path)
    journal = journal_of(field, pipeline)
    journal.append(MergeChange(kind="merge", zones=[1, 2]), at="")
    journal.append(RateChange(kind="rate", zone=9, product="urea", on=None, rate_kg_ha=10.0), at="")
    journal.close()
    with pytest.raises(InputError, match=r"change 2 .*no zone 9.*--without-changes"):
        plan_field(field, pipeline=pipeline)
    assert not (field / "plan").exists()


@pytest.mark.usefixtures("blank_pictures")
def test_changes_to_other_files_are_refused_and_a_journal_without_changes_hinders_nothing(tmp_path, pipeline):
    field = copied(tmp_path)
    journal = journal_of(field, pipeline)
    journal.append(MergeChange(kind="merge", zones=[1, 2]), at="")
    toml = field / "field.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace("yield_goal = ", "yield_goal = 1", 1), encoding="utf-8")
    with pytest.raises(InputError, match=r"have changed since this review began.*--without-changes"):
        plan_field(field, pipeline=pipeline)
    journal.append(Posted.model_validate_json('{"revision": 1, "change": {"kind": "undo"}}').change, at="")
    journal.close()
    shutil.copyfile(TOP / "sample_fields" / "irrigated_corn" / "field.toml", toml)
    toml.write_text(toml.read_text(encoding="utf-8").replace("step = 5", "step = 10", 1), encoding="utf-8")
    assert plan_field(field, pipeline=pipeline).plan.by_hand == ()


def test_a_log_of_what_was_spread_that_is_named_later_hinders_no_change(tmp_path, pipeline):
    field = copied(tmp_path)
    journal = journal_of(field, pipeline)
    journal.append(MergeChange(kind="merge", zones=[1, 2]), at="")
    journal.close()
    toml, spread = field / "field.toml", 'file = "log.csv"\nproduct = "urea"\ncolumn = "rate"\nunit = "lb/ac"\n'
    text = toml.read_text(encoding="utf-8")
    toml.write_text(f"# after the season\n{text}\n[[spread]]\n{spread}", encoding="utf-8")

    entries = changes_of_folder(field, read_folder(field), read_pipeline(pipeline).sha256)

    assert [entry.change for entry in entries] == [MergeChange(kind="merge", zones=[1, 2])]
