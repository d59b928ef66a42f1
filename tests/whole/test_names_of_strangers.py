"""Names that files, spreadsheets, terminals or page makers could trip over: the plan holds, or the error mends."""

from pathlib import Path

import pyogrio
import pytest
import tomlkit
from click.testing import CliRunner
from isoxml.util.isoxml_io import isoxml_from_path

from zonemap.cli import main

FORMATS = "geopackage,shapefile,csv,iso_v4_grid2"


def planned(folder, out, *, field="Plot", products=("blood meal", "sulfate of potash")):
    """What the command answers for a garden whose field and two products have these names."""
    path = folder / "field.toml"
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    document["field"]["name"] = field
    for table, name in zip((document["product"][0], document["product"][2]), products, strict=True):
        table["name"] = name
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
    return CliRunner().invoke(main, ["plan", str(folder), "--out", str(out), "--formats", FORMATS])


@pytest.mark.parametrize(
    ("field", "products"),
    [
        ('<b>&amp; "x"\'</b>', ("]]><!--", "#panic($x$) [ @a // */ \\")),
        ("../../etc", ("C:\\temp\\..", "..")),
        ("CON", ("NUL", "com1.txt")),
        ("x" * 200, ("y" * 200, "y" * 199 + "z")),
        ("\U0001f331 beds", ("\U0001f955", "\U0001f468\u200d\U0001f469\u200d\U0001f467")),
        ("=1+1", ("urea/46", "urea:46")),  # alike as file names
        ("-rf", ("Urea", "urea")),
    ],
)
def test_a_name_that_is_odd_stands_in_every_file(copy_of, tmp_path, field, products):
    out = tmp_path / "result" / "out"
    out.parent.mkdir()

    done = planned(copy_of("home_garden"), out, field=field, products=products)

    assert done.exit_code == 0, done.stderr
    assert not done.stderr
    assert [path.name for path in out.parent.iterdir()] == ["out"]  # nothing written beside
    names = [path.relative_to(out).as_posix() for path in out.rglob("*")]
    assert all(len(part) <= 100 and part.isascii() for name in names for part in Path(name).parts)
    assert len({name.casefold() for name in names}) == len(names)
    table = pyogrio.read_dataframe(out / "prescription.gpkg", layer="prescription")
    assert set(table["product"]) == set(products)
    assert len(list((out / "controller").glob("*.shp"))) == 2
    file, _ = isoxml_from_path(out / "controller" / "TASKDATA")
    told = [product.designator for product in file.products]
    assert len({name.casefold() for name in told}) == 2
    assert set(told) & set(products) or all(len(name.encode()) > 32 for name in products)


@pytest.mark.parametrize("name", ["x" * 300, "a\nb", "a\0b", "   ", "\u200b", "\u202e05", "a\u2028b", "a\ufffeb", ""])
@pytest.mark.parametrize("where", ["field", "products"])
def test_a_name_that_no_file_can_carry_is_a_clear_error_and_nothing_is_written(copy_of, tmp_path, name, where):
    folder, out = copy_of("home_garden"), tmp_path / "out"

    done = planned(folder, out, **{where: name if where == "field" else (name, "potash")})

    assert done.exit_code == 2
    assert done.stderr.startswith(f"zonemap: field.toml, {'field' if where == 'field' else 'product 1'}, name: ")
    assert 'Write name = "..." in ' in done.stderr
    assert "pattern" not in done.stderr
    assert done.stderr.count("\n") == 1
    assert not list(tmp_path.glob("out*"))
    assert not (folder / "plan").exists()


def test_one_day_twice_is_one_pass_or_an_error(copy_of, tmp_path):
    folder = copy_of("home_garden")
    toml = folder / "field.toml"
    text = toml.read_text(encoding="utf-8")
    toml.write_text(text.replace("[2026-05-16]", "[2026-05-16, 2026-05-16]"), encoding="utf-8")
    out = tmp_path / "out"
    done = CliRunner().invoke(main, ["plan", str(folder), "--out", str(out), "--formats", FORMATS])
    assert done.exit_code == 0, done.stderr
    table = pyogrio.read_dataframe(out / "prescription.gpkg", layer="prescription")
    assert not table.duplicated(["product", "date", "zone"]).any()

    toml.write_text(text + "\n[[pass]]\non = 2026-05-16\n" * 2, encoding="utf-8")
    done = CliRunner().invoke(main, ["plan", str(folder), "--out", str(tmp_path / "other")])
    assert done.exit_code == 2
    assert "pass 2, on: 2026-05-16 is there twice. Keep one [[pass]] a day." in done.stderr
    assert not (tmp_path / "other").exists()
