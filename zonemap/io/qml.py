"""Styles of map layers as QGIS reads them from a database (QML, its own XML); it does not read the SLD there.

Element and attribute names are those that QGIS 3.22 writes for a renderer by rules and simple labels. Symbols are given
by ``prop``, which versions before and after it read as well (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from xml.sax.saxutils import quoteattr

from zonemap.io.coloured import EDGE, NO_SPREAD_EDGE, NO_SPREAD_TITLE, ColourClass, Coloured, classes_of
from zonemap.values.colours import INK, NO_SPREAD

_VERSION = "3.22.0"
_DATE = "date"
_LABEL_POINTS = 10
#: placement 4: level text inside of the polygon
_LEVEL = 4


def qml(style: Coloured) -> str:
    """Write a style: a rule for each colour in use, a hatched one for zone 0, and labels.

    The classes and colours are those of the same style as SLD.
    """
    classes = classes_of(style)
    filters = [_both(style, '"zone" = 0'), *(_both(style, '"zone" > 0', *_bounds(style, each)) for each in classes)]
    titles = [NO_SPREAD_TITLE, *(each.title for each in classes)]
    rules = [
        _tag("rule", {"key": str(number), "symbol": str(number), "label": title, "filter": condition})
        for number, (title, condition) in enumerate(zip(titles, filters, strict=True))
    ]
    symbols = [_symbol("0", "fill", _fill(NO_SPREAD, NO_SPREAD_EDGE), _hatch("@0@1"))]
    symbols += [_symbol(str(number), "fill", _fill(each.colour, EDGE)) for number, each in enumerate(classes, start=1)]
    return (
        f'<qgis version="{_VERSION}" styleCategories="Symbology|Labeling" labelsEnabled="1">\n'
        '<renderer-v2 type="RuleRenderer" symbollevels="0" forceraster="0" enableorderby="0">\n'
        f'<rules key="rules">\n{"".join(rules)}</rules>\n<symbols>\n{"".join(symbols)}</symbols>\n</renderer-v2>\n'
        f"{_labels(style)}<layerGeometryType>2</layerGeometryType>\n</qgis>\n"
    )


def _both(style: Coloured, *conditions: str) -> str:
    """Expression of the rows of a style that meet all conditions."""
    return " AND ".join([*(_holds(column, text) for column, text in style.only), *conditions])


def _holds(column: str, text: str) -> str:
    if not text:
        return f'"{column}" IS NULL'
    quoted = "'" + text.replace("\\", "\\\\").replace("'", "''") + "'"
    return f'"{column}" = {f"to_date({quoted})" if column == _DATE else quoted}'


def _bounds(style: Coloured, each: ColourClass) -> list[str]:
    least = [] if each.least is None else [f'"{style.column}" >= {each.least}']
    return least if each.below is None else [*least, f'"{style.column}" < {each.below}']


def _tag(name: str, attributes: Mapping[str, str], inside: str | None = None) -> str:
    """An element on lines of its own."""
    words = " ".join([name, *(f"{key}={quoteattr(text)}" for key, text in attributes.items())])
    return f"<{words}/>\n" if inside is None else f"<{words}>\n{inside}</{name}>\n"


def _symbol(name: str, kind: str, *layers: str) -> str:
    return _tag("symbol", {"name": name, "type": kind, "alpha": "1", "clip_to_extent": "1"}, "".join(layers))


def _layer(kind: str, properties: Mapping[str, str], inside: str = "") -> str:
    props = "".join(_tag("prop", {"k": key, "v": text}) for key, text in properties.items())
    return _tag("layer", {"class": kind, "pass": "0", "locked": "0", "enabled": "1"}, props + inside)


def _fill(colour: str, edge: str) -> str:
    return _layer(
        "SimpleFill",
        {
            "color": _rgba(colour),
            "style": "solid",
            "outline_color": _rgba(edge),
            "outline_style": "solid",
            "outline_width": "0.3",
            "outline_width_unit": "MM",
        },
    )


def _hatch(name: str) -> str:
    """Slanting lines 2 mm apart."""
    line = _layer("SimpleLine", {"line_color": _rgba(NO_SPREAD_EDGE), "line_width": "0.3", "line_width_unit": "MM"})
    spaced = {"angle": "45", "distance": "2", "distance_unit": "MM"}
    return _layer("LinePatternFill", spaced, _symbol(name, "line", line))


def _labels(style: Coloured) -> str:
    halo = {"bufferDraw": "1", "bufferSize": "0.8", "bufferSizeUnits": "MM", "bufferColor": _rgba(EDGE)}
    text = {
        "fieldName": style.label,
        "isExpression": "0",
        "fontSize": str(_LABEL_POINTS),
        "fontSizeUnit": "Point",
        "fontWeight": "50",  # normal; without it letters are hair-thin
        "textColor": _rgba(INK),
        "textOpacity": "1",
    }
    inside = _tag("text-style", text, _tag("text-buffer", halo | {"bufferOpacity": "1"}))
    inside += _tag("placement", {"placement": str(_LEVEL)}) + _tag("rendering", {"drawLabels": "1", "obstacle": "1"})
    return _tag("labeling", {"type": "simple"}, _tag("settings", {}, inside))


def _rgba(colour: str) -> str:
    """Opaque colour as red, green, blue, alpha.

    >>> _rgba("#27597a")
    '39,89,122,255'
    """
    return ",".join([*(str(int(colour[at : at + 2], 16)) for at in (1, 3, 5)), "255"])
