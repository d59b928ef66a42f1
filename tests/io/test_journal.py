import json
import stat
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zonemap.errors import InputError, OutputError
from zonemap.io.journal import (
    JOURNAL,
    AssuranceChange,
    CloseChange,
    Entry,
    Journal,
    MergeChange,
    Published,
    RateChange,
    Redo,
    SplitChange,
    Undo,
    ZonesChange,
    set_aside,
    standing,
)
from zonemap.values.review import AssuranceByHand, RateByHand, ZoneCount, decisions_of

UNDO, REDO = Undo(kind="undo"), Redo(kind="redo")
NINE = AssuranceChange(kind="assurance", assurance=0.9)
FOUR = ZonesChange(kind="zones", count=4, why="the hopper")
UREA = RateChange(kind="rate", zone=2, product="urea", on=date(2026, 6, 5), rate_kg_ha=112.5, why="<b>wet</b>")
MERGE = MergeChange(kind="merge", zones=[1, 2])
CLOSE = CloseChange(kind="close", polygon=[[0.0, 0.0], [9.0, 0.0], [9.0, 9.0]], why="a well")


def opened(folder, *, inputs="a", crs="EPSG:32614"):
    return Journal(folder / JOURNAL, inputs=inputs, crs=crs)


def written(folder, *changes):
    journal = opened(folder)
    for change in changes:
        journal.append(change, at="2026-05-01T08:00:00Z")
    journal.close()


def entries(*changes):
    return [Entry(number, "", change) for number, change in enumerate(changes, start=1)]


def test_what_was_written_is_read_again(tmp_path):
    changes = (
        NINE,
        FOUR,
        UREA,
        MERGE,
        CLOSE,
        UNDO,
        Published(kind="published", folder="plan", manifest_sha256="0" * 64),
    )
    written(tmp_path, *changes)
    again = opened(tmp_path)
    assert tuple(entry.change for entry in again.entries) == changes
    again.close()


def test_it_is_readable_by_its_owner_alone(tmp_path):
    written(tmp_path, NINE)
    assert stat.S_IMODE((tmp_path / JOURNAL).stat().st_mode) == 0o600


@pytest.mark.parametrize("lost", range(1, 40))
def test_a_line_cut_short_is_dropped_and_the_next_one_follows_what_was_whole(tmp_path, lost):
    written(tmp_path, NINE, FOUR)
    path = tmp_path / JOURNAL
    path.write_bytes(path.read_bytes()[:-lost])
    journal = opened(tmp_path)
    assert [entry.change for entry in journal.entries] == [NINE]
    journal.append(UREA, at="")
    journal.close()
    again = opened(tmp_path)
    assert [entry.change for entry in again.entries] == [NINE, UREA]
    again.close()


def test_a_broken_line_in_the_middle_is_an_error_that_names_it(tmp_path):
    written(tmp_path, NINE, FOUR)
    path = tmp_path / JOURNAL
    path.write_text(path.read_text(encoding="utf-8").replace('"assurance", ', '"assurance" '), encoding="utf-8")
    before = path.read_bytes()
    with pytest.raises(InputError, match=r"line 2: cannot be read. Run with --fresh"):
        opened(tmp_path)
    assert path.read_bytes() == before


def test_a_missing_line_is_an_error(tmp_path):
    written(tmp_path, NINE, FOUR, UREA)
    path = tmp_path / JOURNAL
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join([*lines[:2], *lines[3:]]), encoding="utf-8")
    with pytest.raises(InputError, match="a line before it is missing"):
        opened(tmp_path)


def test_a_journal_of_other_inputs_is_refused_and_kept_when_asked_to_begin_anew(tmp_path):
    written(tmp_path, NINE)
    with pytest.raises(InputError, match=r"have changed since this review began\. Run with --fresh"):
        opened(tmp_path, inputs="b")
    aside = set_aside(tmp_path / JOURNAL)
    journal = opened(tmp_path, inputs="b")
    assert journal.entries == ()
    assert json.loads(aside.read_text(encoding="utf-8").splitlines()[1])["change"]["assurance"] == 0.9
    journal.close()


def test_a_link_is_not_followed(tmp_path):
    (tmp_path / "other").write_text("", encoding="utf-8")
    (tmp_path / JOURNAL).symlink_to(tmp_path / "other")
    with pytest.raises(InputError, match="Move it away"):
        opened(tmp_path)


def test_a_full_disk_leaves_the_journal_as_it_was(tmp_path, monkeypatch):
    journal = opened(tmp_path)
    journal.append(NINE, at="")
    before = (tmp_path / JOURNAL).read_bytes()

    def full(descriptor):
        del descriptor
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr("zonemap.io.journal.os.fsync", full)
        with pytest.raises(OutputError, match="Free some space"):
            journal.append(FOUR, at="")
    assert (tmp_path / JOURNAL).read_bytes() == before
    assert journal.lines == 1
    journal.append(UREA, at="")
    journal.close()
    assert [entry.change for entry in opened(tmp_path).entries] == [NINE, UREA]


def test_undo_takes_back_and_redo_gives_back_until_something_else_is_done():
    assert standing(entries(NINE, FOUR, UNDO)).steps == (AssuranceByHand(0.9),)
    assert standing(entries(NINE, FOUR, UNDO, REDO)).steps == (AssuranceByHand(0.9), ZoneCount(4, "the hopper"))
    other = standing(entries(NINE, FOUR, UNDO, UREA, REDO))
    assert [type(step) for step in other.steps] == [AssuranceByHand, RateByHand]
    assert other.undone == ()


@given(st.lists(st.sampled_from([NINE, FOUR, UREA, UNDO, REDO]), max_size=30))
def test_undoing_everything_and_making_it_again_changes_nothing(changes):
    before = standing(entries(*changes))
    undone = [UNDO] * len(before.made)
    assert standing(entries(*changes, *undone)).made == ()
    assert standing(entries(*changes, *undone, *[REDO] * len(undone))).steps == before.steps


def test_another_number_of_zones_sets_changes_to_zones_and_rates_aside():
    steps = standing(entries(NINE, UREA, MERGE, FOUR, CLOSE)).steps
    decisions = decisions_of(steps)
    assert (decisions.assurance, decisions.count, decisions.by_hand) == (0.9, 4, ())
    assert [place.reason for place in decisions.closed] == ["a well"]


def test_a_line_that_is_a_point_is_refused():
    change = SplitChange(kind="split", zone=1, line=[[1.0, 1.0], [1.0, 1.0]])
    with pytest.raises(InputError, match="Draw it through the zone"):
        change.step()
