"""Other sets of samples: read by the code of [samples], told of by their own name."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from zonemap.errors import InputError
from zonemap.io.folder import read_folder
from zonemap.io.sample_sets import read_other_sets, read_sample_sets

Fill = Callable[..., Path]
LEAF_CSV = "sample,lon,lat,k_pct\n1,-97.498,41.001,1.5\n2,-97.495,41.003,1.25\n"
LEAF = """
[[other_samples]]
name = "leaf"
file = "leaf.csv"
basis = "tissue"
unit = "%"
collected = 2026-07-14
columns = { id = "sample", longitude = "lon", latitude = "lat", K = "k_pct" }
"""


def _with_leaf(field_folder: Fill, *changes: tuple[str, str], leaf: str = LEAF_CSV, **others: str) -> Path:
    text = LEAF
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return field_folder(("", text), **{"leaf.csv": leaf}, **others)


def test_another_set_keeps_its_own_basis_unit_and_values(field_folder: Fill) -> None:
    sets = read_sample_sets(_with_leaf(field_folder))

    [leaf] = sets.others
    assert (leaf.name, leaf.samples.basis.kind, leaf.samples.columns["K"].unit) == ("leaf", "tissue", "%")
    np.testing.assert_array_equal(leaf.samples.columns["K"].value, [1.5, 1.25])
    assert str(leaf) == "leaf (tissue, 2026-07-14)"
    assert sets.first.name == "resin samples"
    assert [name for name, _ in sets.input_sha256] == ["boundary.geojson", "field.toml", "leaf.csv", "samples.csv"]


def test_a_plan_never_sees_another_set(field_folder: Fill) -> None:
    alone, beside = read_folder(field_folder()).samples, read_folder(_with_leaf(field_folder)).samples

    assert alone.quantities == beside.quantities
    np.testing.assert_array_equal(alone.columns["K"].value, beside.columns["K"].value)


@pytest.mark.parametrize(
    ("old", "new", "mend"),
    [
        ('unit = "%"', 'unit = "lb/ac/day"', r"^field\.toml, other_samples 1, unit: .*not a unit of tissue values"),
        ('basis = "tissue"', 'basis = "extract"', r"^field\.toml, other_samples 1, extractant: is missing"),
        ('K = "k_pct"', 'K = "k_percent"', r"^field\.toml, other_samples 1, columns, K: .*Did you mean 'k_pct'"),
        ('name = "leaf"\n', "", r'other_samples 1, name: is missing\. Write name = "\.\.\." in this'),
        ('file = "leaf.csv"\n', "", r"other_samples 1, file: is missing\. Name its file"),
        ("leaf.csv", "leaves.csv", r"leaves\.csv"),
        ("basis", "bassis", r"other_samples 1, bassis: .*Did you mean basis"),
    ],
)
def test_a_fault_is_told_of_under_the_name_of_its_table(field_folder: Fill, old: str, new: str, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        read_other_sets(_with_leaf(field_folder, (old, new)))


def test_a_mend_names_the_table_it_belongs_into(field_folder: Fill) -> None:
    folder = _with_leaf(field_folder, leaf=LEAF_CSV.replace("-97.498,41.001", "41.001,-97.498"))

    with pytest.raises(InputError, match=r"Set swap = true under this \[\[other_samples\]\] table"):
        read_other_sets(folder)


def test_notes_of_another_set_name_it(field_folder: Fill) -> None:
    notes = [note.text for note in read_sample_sets(_with_leaf(field_folder)).notes]

    assert any(text.startswith("field.toml, other_samples 1, repeatability_cv: not stated") for text in notes)


def test_two_sets_of_one_name_are_refused(field_folder: Fill) -> None:
    with pytest.raises(InputError, match=r"'Leaf' is the name of other_samples 1 too\. Give every other_samples"):
        read_other_sets(field_folder(("", LEAF), ("", LEAF.replace('"leaf"', '"Leaf"')), **{"leaf.csv": LEAF_CSV}))


def test_without_another_set_there_is_nothing_to_compare(field_folder: Fill) -> None:
    folder = field_folder()

    assert read_other_sets(folder) == ()
    with pytest.raises(InputError, match=r"nothing to compare with\. Add an \[\[other_samples\]\] table"):
        read_sample_sets(folder)


def _second(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    other = tmp_path_factory.mktemp("second") / "june"
    shutil.copytree(folder, other)
    return other


def test_a_second_folder_in_another_crs_lands_on_the_same_places(
    field_folder: Fill, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = field_folder()
    other = _second(folder, tmp_path_factory)
    toml = (other / "field.toml").read_text().replace('units = "us"', 'units = "us"\nworking_crs = "EPSG:26914"')
    (other / "field.toml").write_text(toml.replace('[crop]\nname = "corn"\nplanted = 2026-04-25\n', ""))

    sets = read_sample_sets(folder, other)

    # EPSG:26914 (NAD83) and EPSG:32614 (WGS 84) differ by a metre or two at most
    np.testing.assert_allclose(sets.others[0].samples.easting_m, sets.first.samples.easting_m, atol=2.5)
    assert sets.others[0].name == "june"
    assert sets.field.crs == "EPSG:32614"


def test_a_folder_of_another_field_is_refused(field_folder: Fill, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = field_folder()
    other = _second(folder, tmp_path_factory)
    for name in ("boundary.geojson", "samples.csv"):
        text = (other / name).read_text()
        (other / name).write_text(text.replace("-97.4", "-97.3").replace("-97.5", "-97.4"))

    with pytest.raises(InputError, match=r"the two fields do not overlap\. Name two folders of one field"):
        read_sample_sets(folder, other)
