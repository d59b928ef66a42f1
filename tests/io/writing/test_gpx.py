"""Waypoints against the rules of the GPX 1.1 schema."""

import re
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from zonemap.io.gpx import NAMESPACE, Waypoint, write_gpx

# GPX 1.1 schema, from memory: order of the children of each type, as far as they occur here, and what is required.
CHILDREN = {
    "gpx": ["metadata", "wpt", "rte", "trk", "extensions"],
    "metadata": ["name", "desc", "author", "copyright", "link", "time", "keywords", "bounds", "extensions"],
    "wpt": ["ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type"],
    "rtept": ["ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type"],
    "rte": ["name", "cmt", "desc", "src", "link", "number", "type", "extensions", "rtept"],
}
REPEATED = {"gpx": {"wpt", "rte", "trk"}, "rte": {"rtept", "link"}}
ATTRIBUTES = {"gpx": {"version", "creator"}, "wpt": {"lat", "lon"}, "rtept": {"lat", "lon"}}
DECIMAL = re.compile(r"[+-]?\d+(\.\d+)?")  # xsd:decimal has no exponent


def check(element):
    tag = element.tag.removeprefix(f"{{{NAMESPACE}}}")
    assert element.tag == f"{{{NAMESPACE}}}{tag}"
    assert set(element.attrib) == ATTRIBUTES.get(tag, set())
    names = [child.tag.removeprefix(f"{{{NAMESPACE}}}") for child in element]
    if tag in CHILDREN:
        at = [CHILDREN[tag].index(name) for name in names]
        assert at == sorted(at)
        once = [name for name in names if name not in REPEATED.get(tag, set())]
        assert len(once) == len(set(once))
    else:
        assert names == []
    if tag in ("wpt", "rtept"):
        assert DECIMAL.fullmatch(element.get("lat"))
        assert DECIMAL.fullmatch(element.get("lon"))
        assert -90 <= float(element.get("lat")) <= 90
        assert -180 <= float(element.get("lon")) < 180
    for child in element:
        check(child)


text = st.text(max_size=12)


@settings(max_examples=60)
@given(
    st.lists(
        st.builds(
            Waypoint,
            st.floats(-180, 179.9).map(lambda at: f"{at:.7f}"),
            st.floats(-90, 90).map(lambda at: f"{at:.7f}"),
            text,
            text,
            st.sampled_from(["cover", "pair"]),
        ),
        max_size=4,
    ),
    text,
)
def test_files_keep_the_rules_of_the_schema_whatever_the_names(tmp_path_factory, waypoints, title):
    path = tmp_path_factory.mktemp("gpx") / "out.gpx"

    write_gpx(path, title=title, description="as the crow flies", waypoints=waypoints)

    root = ElementTree.fromstring(path.read_bytes())
    assert root.tag == f"{{{NAMESPACE}}}gpx"
    assert root.get("version") == "1.1"
    check(root)
    for tag in ("wpt", "rte/{*}rtept"):
        found = [(each.get("lon"), each.get("lat")) for each in root.findall(f"{{*}}{tag}")]
        assert found == [(each.longitude, each.latitude) for each in waypoints]


def test_what_xml_takes_for_markup_comes_back_as_text(tmp_path):
    name = 'A & B <c> "d" ]]>'

    write_gpx(
        tmp_path / "out.gpx", title=name, description=name, waypoints=[Waypoint("1.0", "2.0", name, name, "next")]
    )

    root = ElementTree.fromstring((tmp_path / "out.gpx").read_bytes())
    assert {each.text for each in root.findall(".//{*}name")} == {name}


@pytest.mark.parametrize("inner", ["<type>a</type><name>b</name>", "<name>a</name><name>b</name>", "<depth>1</depth>"])
def test_the_check_itself_refuses_what_the_schema_refuses(inner):
    wpt = f'<wpt lat="1" lon="2">{inner}</wpt>'

    with pytest.raises((AssertionError, ValueError)):
        check(ElementTree.fromstring(f'<gpx xmlns="{NAMESPACE}" version="1.1" creator="x">{wpt}</gpx>'))
