"""Vector files: by an allow-list and by their first bytes."""

from __future__ import annotations

import json
import sqlite3
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import fiona
import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from zonemap.errors import InputError, OutputError
from zonemap.io.sources import FieldFolder
from zonemap.io.vectors import Layer, geojson_layer, read_layer

RING = [(500000.0, 4500000.0), (500400.0, 4500000.0), (500400.0, 4500300.0), (500000.0, 4500000.0)]
KML = """<?xml version="1.0" encoding="UTF-8"?>{head}<kml xmlns="http://www.opengis.net/kml/2.2"><Document>
<Folder><name>a</name><Placemark><name>north</name><Polygon><outerBoundaryIs><LinearRing><coordinates>
-97.5,41,0 -97.49,41,0 -97.49,41.005,0 -97.5,41,0</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>
</Folder><Folder><name>b</name><Placemark><name>south</name><Point><coordinates>-97.5,41</coordinates></Point>
</Placemark></Folder></Document></kml>"""


def _write(path: Path, driver: str, *, layer: str | None = None, crs: str | None = "EPSG:32614") -> Path:
    schema = {"geometry": "Polygon", "properties": {"name": "str", "zone": "int"}}
    with fiona.open(path, "w", driver=driver, crs=crs, schema=schema, layer=layer) as target:
        geometry = {"type": "Polygon", "coordinates": [RING]}
        target.write({"type": "Feature", "geometry": geometry, "properties": {"name": "Alder", "zone": 7}})
    return path


def _read(folder: Path, name: str, *, layer: str | None = None) -> Layer:
    return read_layer(FieldFolder(folder), folder / name, layer=layer)


def _zip(folder: Path, members: dict[str, bytes], name: str = "boundary.zip") -> Path:
    with zipfile.ZipFile(folder / name, "w", zipfile.ZIP_DEFLATED) as archive:
        for member, content in members.items():
            archive.writestr(member, content)
    return folder / name


def _parts(folder: Path) -> dict[str, bytes]:
    _write(folder / "part.shp", "ESRI Shapefile")
    parts = {path.name: path.read_bytes() for path in folder.glob("part.*")}
    for name in parts:
        (folder / name).unlink()
    return parts


@pytest.mark.parametrize(("name", "driver"), [("b.gpkg", "GPKG"), ("b.shp", "ESRI Shapefile")])
def test_a_binary_format_gives_the_geometry_and_what_is_said_of_it(tmp_path: Path, name: str, driver: str) -> None:
    _write(tmp_path / name, driver)

    layer = _read(tmp_path, name)

    (feature,) = layer.features
    assert feature.geometry is not None
    assert feature.geometry.equals(shapely.Polygon(RING))
    assert feature.properties["name"] == "Alder"
    assert feature.properties["zone"] == 7
    assert "UTM zone 14N" in layer.crs


def test_all_folders_of_a_kml_file_are_read(tmp_path: Path) -> None:
    (tmp_path / "b.kml").write_text(KML.format(head=""))

    layer = _read(tmp_path, "b.kml")

    assert [feature.title for feature in layer.features] == ["0 (north)", "0 (south)"]
    assert not any(feature.geometry.has_z for feature in layer.features if feature.geometry is not None)


def test_a_shapefile_may_be_zipped_or_lie_in_a_folder(tmp_path: Path) -> None:
    parts = _parts(tmp_path)
    _zip(tmp_path, {f"deep/{name}": content for name, content in parts.items()} | {"__MACOSX/part.shp": b""})
    (tmp_path / "set").mkdir()
    for name, content in parts.items():
        (tmp_path / "set" / name.upper()).write_bytes(content)

    for name in ("boundary.zip", "set"):
        (feature,) = _read(tmp_path, name).features
        assert feature.geometry is not None
        assert feature.geometry.equals(shapely.Polygon(RING))


def test_a_missing_index_is_rebuilt_without_touching_the_folder(tmp_path: Path) -> None:
    _write(tmp_path / "b.shp", "ESRI Shapefile")
    (tmp_path / "b.shx").unlink()

    layer = _read(tmp_path, "b.shp")

    assert "rebuilt" in layer.notes[0].text
    assert len(layer.features) == 1
    assert not (tmp_path / "b.shx").exists()


def test_a_missing_dbf_and_prj_and_a_wrong_cpg_are_told(tmp_path: Path) -> None:
    _write(tmp_path / "b.shp", "ESRI Shapefile")
    (tmp_path / "b.dbf").unlink()
    (tmp_path / "b.prj").unlink()
    (tmp_path / "b.cpg").write_text("nonsense")

    layer = _read(tmp_path, "b.shp")

    assert layer.crs == ""
    assert ".dbf part is missing" in layer.notes[0].text
    assert ".cpg part names no known encoding" in layer.notes[1].text


def test_several_layers_are_asked_about(tmp_path: Path) -> None:
    for layer in ("east", "west"):
        _write(tmp_path / "b.gpkg", "GPKG", layer=layer)

    with pytest.raises(InputError, match='layer = "east"'):
        _read(tmp_path, "b.gpkg")
    with pytest.raises(InputError, match="Set layer to one of: east, west"):
        _read(tmp_path, "b.gpkg", layer="north")
    assert len(_read(tmp_path, "b.gpkg", layer="west").features) == 1


VRT = (
    '<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource>/etc/passwd</SrcDataSource></OGRVRTLayer>'
    "</OGRVRTDataSource>"
)


@pytest.mark.parametrize(
    ("name", "mend"),
    [
        ("b.geojson", "is XML, not GeoJSON. Export it again as GeoJSON"),
        ("b.json", "Export it again as GeoJSON"),
        ("b.gpkg", "not a GeoPackage.*Save it as GeoJSON, GeoPackage"),
        ("b.shp", "not a shapefile.*Save it as GeoJSON, GeoPackage"),
        ("b.kml", "not KML.*Save it as GeoJSON, GeoPackage"),
        ("b.zip", "Pack the shapefile's parts"),
        ("b.vrt", "Save it as GeoJSON, GeoPackage"),
        ("b.tif", "Save it as GeoJSON, GeoPackage"),
        ("b.kmz", "Unpack it"),
        ("b.dbf", r"Name its \.shp"),
    ],
)
def test_a_list_of_other_sources_is_refused_whatever_its_name(tmp_path: Path, name: str, mend: str) -> None:
    (tmp_path / name).write_text(VRT)

    with pytest.raises(InputError, match=mend):
        _read(tmp_path, name)


@pytest.mark.parametrize(
    "head",
    [
        '<!DOCTYPE kml [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]>',
        '<!DOCTYPE kml SYSTEM "http://example.org/x.dtd">',
        '<!doctype kml [<!entity % x SYSTEM "file:///etc/passwd">]>',
    ],
)
def test_kml_with_declarations_is_refused_unparsed(tmp_path: Path, head: str) -> None:
    (tmp_path / "b.kml").write_text(KML.format(head=head))

    with pytest.raises(InputError, match="Export it again as KML or GeoJSON"):
        _read(tmp_path, "b.kml")


def test_kml_in_another_encoding_cannot_hide_declarations(tmp_path: Path) -> None:
    (tmp_path / "b.kml").write_bytes(KML.format(head="<!DOCTYPE kml>").encode("utf-16"))

    with pytest.raises(InputError, match="Export it again as KML or GeoJSON"):
        _read(tmp_path, "b.kml")


@pytest.mark.parametrize(
    ("member", "mend"),
    [
        ("../part.shp", "named to land outside.*Pack the shapefile's parts"),
        ("/tmp/part.shp", "named to land outside.*Pack the shapefile's parts"),
        ("a\\..\\..\\part.shp", "named to land outside.*Pack the shapefile's parts"),
        ("C:/part.shp", "named to land outside.*Pack the shapefile's parts"),
        ("inner.zip", "archive again.*Pack the shapefile's parts"),
        ("boundary.geojson", "does not hold one shapefile.*unpack the file"),
    ],
)
def test_an_archive_with_odd_entries_is_refused(tmp_path: Path, member: str, mend: str) -> None:
    _zip(tmp_path, {member: b"x"})

    with pytest.raises(InputError, match=mend):
        _read(tmp_path, "boundary.zip")


def test_a_link_in_an_archive_is_refused(tmp_path: Path) -> None:
    info = zipfile.ZipInfo("part.shp")
    info.external_attr = 0o120777 << 16
    with zipfile.ZipFile(tmp_path / "b.zip", "w") as archive:
        archive.writestr(info, "/etc/passwd")

    with pytest.raises(InputError, match=r"is a link. Pack the shapefile's parts"):
        _read(tmp_path, "b.zip")


def test_a_locked_archive_is_refused(tmp_path: Path) -> None:
    content = bytearray(_zip(tmp_path, {"part.shp": b"x"}).read_bytes())
    content[content.index(b"PK\x01\x02") + 8] |= 1  # general purpose bit 0 of the central header: encrypted
    (tmp_path / "b.zip").write_bytes(content)

    with pytest.raises(InputError, match="Pack it without a password"):
        _read(tmp_path, "b.zip")


def test_an_archive_that_unpacks_without_end_is_refused(tmp_path: Path) -> None:
    _zip(tmp_path, {"part.shp": bytes(50_000_000)})

    with pytest.raises(InputError, match="Cut the file down"):
        _read(tmp_path, "boundary.zip")


def test_an_archive_whose_headers_lie_about_a_size_is_refused(tmp_path: Path) -> None:
    content = _zip(tmp_path, {"part.shp": bytes(5_000_000)}).read_bytes()
    size = (5_000_000).to_bytes(4, "little")
    (tmp_path / "b.zip").write_bytes(content.replace(size, (100).to_bytes(4, "little")))

    with pytest.raises(InputError, match="Pack the shapefile's parts"):
        _read(tmp_path, "b.zip")


def test_an_archive_of_two_shapefiles_is_asked_about(tmp_path: Path) -> None:
    parts = _parts(tmp_path)
    other = {name.replace("part", "other"): content for name, content in parts.items()}
    _zip(tmp_path, parts | other)

    with pytest.raises(InputError, match=r'layer = "(part|other)"'):
        _read(tmp_path, "boundary.zip")
    assert len(_read(tmp_path, "boundary.zip", layer="other").features) == 1


def test_a_geopackage_with_a_table_that_reaches_elsewhere_is_refused(tmp_path: Path) -> None:
    _write(tmp_path / "b.gpkg", "GPKG")
    with sqlite3.connect(tmp_path / "b.gpkg") as database:
        database.execute("PRAGMA writable_schema = ON")
        statement = "CREATE VIRTUAL TABLE outside USING VirtualOGR('/etc/passwd')"
        database.execute("INSERT INTO sqlite_master VALUES ('table', 'outside', 'outside', 0, ?)", (statement,))
    database.close()

    with pytest.raises(InputError, match=r"Export the layer into a new, plain GeoPackage|save it again"):
        _read(tmp_path, "b.gpkg")


def test_a_geopackage_layer_that_is_a_view_is_no_layer(tmp_path: Path) -> None:
    _write(tmp_path / "b.gpkg", "GPKG")
    with sqlite3.connect(tmp_path / "b.gpkg") as database:
        endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT i FROM n"
        database.execute(f"CREATE VIEW endless AS {endless}")
        database.execute("UPDATE gpkg_contents SET table_name = 'endless'")
    database.close()

    with pytest.raises(InputError, match=r"Export the layer into a new, plain GeoPackage|save it again"):
        _read(tmp_path, "b.gpkg")


def test_a_geopackage_open_in_another_program_is_not_read_half(tmp_path: Path) -> None:
    _write(tmp_path / "b.gpkg", "GPKG")
    (tmp_path / "b.gpkg-wal").write_bytes(b"pending")

    with pytest.raises(InputError, match="Close it in the other program"):
        _read(tmp_path, "b.gpkg")


@pytest.mark.parametrize(
    ("text", "mend"),
    [
        ("", "Export it again as GeoJSON"),
        ("[]", "Export it again as GeoJSON"),
        ('{"type": "Topology"}', "Export it again as GeoJSON"),
        ('{"type": "FeatureCollection"}', "Export it again as GeoJSON"),
        ('{"type": "FeatureCollection", "features": [1]}', "feature 1: .*Export it again as GeoJSON"),
        ('{"type": "Feature", "geometry": {"type": "Polygon"}}', "feature 1: .*Draw the shape again"),
        ('{"type": "Feature", "geometry": {"type": "Circle"}}', "feature 1: .*Draw the shape again"),
        ('{"type": "Polygon", "coordinates": [[[0, 0], [1, 1]]]}', "feature 1: .*Draw the shape again"),
        ('{"type": "Polygon", "coordinates": [[["a", 0], [1, 1], [2, 2], [0, 0]]]}', "Draw the shape again"),
        ('{"type": "Point", "coordinates": [1e400, 0]}', "Draw the shape again"),
        ('{"type": "Point", "coordinates": [NaN, 0]}', "Export it again as GeoJSON"),
        ('{"type": "Point", "coordinates": [' + "9" * 5000 + ", 0]}", "Export it again as GeoJSON"),
        ('{"type": "Polygon", "coordinates": ' + "[" * 100_000, "Export it again as GeoJSON"),
        ('{"type": "Point", "coordinates": [0, 0], "crs": {"type": "link"}}', "Export it in WGS 84"),
        ('{"type": "Feature", "properties": [1], "geometry": null}', "Export it again as GeoJSON"),
    ],
)
def test_broken_geojson_names_the_feature_and_the_mend(text: str, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        geojson_layer(text.encode(), where="b.geojson")


def test_an_old_crs_member_is_honoured(geojson: Callable[..., str]) -> None:
    member = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32614"}}

    assert geojson_layer(geojson(RING, crs=member).encode(), where="b.geojson").crs == "EPSG:32614"


_JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=5) | st.sampled_from(["Polygon", "Point", "Feature"]),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["type", "geometry", "coordinates", "geometries", "properties", "features", "id", "crs"]),
            inner,
            max_size=5,
        )
    ),
    max_leaves=20,
)


@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow])
@given(
    _JSON,
    st.sampled_from(["FeatureCollection", "Feature", "Polygon", "MultiPoint", "GeometryCollection", "LineString"]),
)
def test_arbitrary_json_is_a_layer_of_finite_geometries_or_an_input_error(tree: Any, kind: str) -> None:
    root = {"features": tree, "geometry": tree, "coordinates": tree, "geometries": tree} | {"type": kind}

    try:
        layer = geojson_layer(json.dumps(root).encode(), where="b.geojson")
    except InputError:
        return
    for feature in layer.features:
        assert feature.geometry is None or np.isfinite(shapely.get_coordinates(feature.geometry)).all()


@pytest.mark.parametrize(("name", "driver"), [("b.gpkg", "GPKG"), ("b.shp", "ESRI Shapefile")])
def test_a_file_with_bytes_lost_or_changed_reads_or_is_refused(tmp_path: Path, name: str, driver: str) -> None:
    _write(tmp_path / name, driver)
    whole = (tmp_path / name).read_bytes()
    chance = np.random.default_rng(5)
    refused = 0

    for turn in range(8):
        content = bytearray(whole[: chance.integers(100, len(whole))] if turn % 2 else whole)
        for _ in range(0 if turn % 2 else 60):
            content[int(chance.integers(100, len(content)))] = int(chance.integers(256))
        (tmp_path / name).write_bytes(content)
        try:
            _read(tmp_path, name)
        except InputError as error:
            refused += bool(error.mend)

    assert refused > 0


def test_a_reader_that_dies_is_one_line_for_the_user(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from zonemap.io import apart

    _write(tmp_path / "b.gpkg", "GPKG")
    monkeypatch.setattr(apart, "_CALL", "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)")
    with pytest.raises(InputError, match=r"its reader gave up. Open it in the program that made it"):
        _read(tmp_path, "b.gpkg")

    monkeypatch.setattr(apart, "_CALL", "import time; time.sleep(60)")
    monkeypatch.setattr(apart, "_MOST_SECONDS", 0.5)
    with pytest.raises(InputError, match=r"no end after.*Open it in the program that made it"):
        _read(tmp_path, "b.gpkg")


def test_a_module_of_the_same_name_in_the_current_folder_is_not_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _write(tmp_path / "b.gpkg", "GPKG")
    (tmp_path / "fiona.py").write_text("raise SystemExit(9)")
    (tmp_path / "json.py").write_text("raise SystemExit(9)")
    monkeypatch.chdir(tmp_path)

    assert len(_read(Path(), "b.gpkg").features) == 1


def test_reading_leaves_nothing_behind(tmp_path: Path) -> None:
    _write(tmp_path / "b.gpkg", "GPKG")
    before = sorted(tmp_path.iterdir())

    _read(tmp_path, "b.gpkg")

    assert sorted(tmp_path.iterdir()) == before


def test_numbers_and_nestings_no_library_takes_are_refused_or_left_alone() -> None:
    huge = '{"type": "Polygon", "coordinates": [[[' + "9" * 4000 + ", 1], [2, 3], [4, 5], [1, 1]]]}"
    nested = '{"type": "Feature", "geometry": null, "properties": {"day": {"date": "never"}, "deep": [[1]]}}'

    with pytest.raises(InputError, match="Draw the shape again"):
        geojson_layer(huge.encode(), where="b.geojson")
    (feature,) = geojson_layer(nested.encode(), where="b.geojson").features
    assert set(feature.properties.values()) == {"(nested)"}


def test_control_characters_of_a_file_reach_no_screen() -> None:
    text = '{"type": "Feature", "geometry": null, "id": 1, "properties": {"name": "\\u001b[31mred\\nline"}}'

    (feature,) = geojson_layer(text.encode(), where="b.geojson").features

    assert feature.title == "1 ( [31mred line)"


@pytest.mark.parametrize("code", [0, -1])
def test_the_undefined_systems_of_a_geopackage_are_no_system(tmp_path: Path, code: int) -> None:
    _write(tmp_path / "b.gpkg", "GPKG")
    with sqlite3.connect(tmp_path / "b.gpkg") as database:
        database.execute("UPDATE gpkg_contents SET srs_id = ?", (code,))
        database.execute("UPDATE gpkg_geometry_columns SET srs_id = ?", (code,))
    database.close()

    assert _read(tmp_path, "b.gpkg").crs == ""


def test_a_state_plane_shapefile_in_feet_says_so_in_its_crs(tmp_path: Path) -> None:
    from zonemap.io.coordinates import code_of, file_crs

    _write(tmp_path / "b.shp", "ESRI Shapefile", crs="EPSG:2276")

    assert code_of(file_crs(_read(tmp_path, "b.shp").crs, where="b.shp")) in ("EPSG:2276", "ESRI:102738")


def test_no_room_for_a_private_copy_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _write(tmp_path / "b.gpkg", "GPKG")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "nowhere"))

    with pytest.raises(OutputError, match="Make room on that disk"):
        _read(tmp_path, "b.gpkg")


def test_a_file_in_a_folder_of_an_archive_is_found_whatever_its_path_looks_like(tmp_path: Path) -> None:
    parts = _parts(tmp_path)
    _zip(tmp_path, {f"./a//{name}": content for name, content in parts.items()})

    assert len(_read(tmp_path, "boundary.zip").features) == 1


def test_a_kml_file_without_a_placemark_holds_no_feature(tmp_path: Path) -> None:
    (tmp_path / "b.kml").write_text('<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"></kml>')

    assert _read(tmp_path, "b.kml").features == ()
