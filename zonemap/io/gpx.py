"""Waypoints and a route for a receiver or a telephone: GPX 1.1 (an open schema, its rules from memory)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape

from zonemap.io.sources import one_line
from zonemap.io.text_file import write_lines

#: the schema's target namespace
NAMESPACE = "http://www.topografix.com/GPX/1/1"


@dataclass(frozen=True, slots=True)
class Waypoint:
    """A place: WGS 84 degrees as they are written, its name, what is to be known of it, and its kind."""

    longitude: str
    latitude: str
    name: str
    description: str
    kind: str


def write_gpx(path: Path, *, title: str, description: str, waypoints: Sequence[Waypoint]) -> None:
    """Write the places as waypoints, and the walk through them as a route.

    Parameters
    ----------
    title, description
        Of the walk.

    Raises
    ------
    OutputError
        When the file cannot be written.
    """
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<gpx xmlns="{NAMESPACE}" version="1.1" creator="zonemap">',
        f"  <metadata>{_element('name', title)}{_element('desc', description)}</metadata>",
        *(f"  {_point('wpt', each, full=True)}" for each in waypoints),
        f"  <rte>{_element('name', title)}",
        *(f"    {_point('rtept', each, full=False)}" for each in waypoints),
        "  </rte>",
        "</gpx>",
    ]
    write_lines(path, lines)


def _point(tag: str, at: Waypoint, *, full: bool) -> str:
    more = f"{_element('desc', at.description)}{_element('type', at.kind)}" if full else ""
    return f'<{tag} lat="{at.latitude}" lon="{at.longitude}">{_element("name", at.name)}{more}</{tag}>'


def _element(tag: str, text: str) -> str:
    return f"<{tag}>{escape(one_line(text))}</{tag}>"
