"""Styles of map layers, coloured classes and labels, in an open standard (SLD and SE 1.1, OGC 05-078r4, 05-077r4)."""

from __future__ import annotations

from xml.sax.saxutils import escape

from zonemap.io.coloured import EDGE, NO_SPREAD_EDGE, NO_SPREAD_TITLE, ColourClass, Coloured, classes_of
from zonemap.values.colours import INK, NO_SPREAD

_SCHEMA = (
    'xmlns="http://www.opengis.net/sld" xmlns:se="http://www.opengis.net/se" xmlns:ogc="http://www.opengis.net/ogc" '
    'version="1.1.0"'
)


def sld(style: Coloured) -> str:
    """Write a style: a rule for each colour in use, one for zone 0, and labels.

    Colours go from nothing to the largest value; zone 0 is white within a grey edge.
    """
    rules = [_rule(NO_SPREAD_TITLE, _both(style, _compare("EqualTo", "zone", "0")), NO_SPREAD, NO_SPREAD_EDGE)]
    rules += [
        _rule(each.title, _both(style, _compare("GreaterThan", "zone", "0"), *_bounds(style, each)), each.colour, EDGE)
        for each in classes_of(style)
    ]
    rules.append(_labels(style))
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<StyledLayerDescriptor {_SCHEMA}>'
        f"<NamedLayer><se:Name>{escape(style.layer)}</se:Name><UserStyle><se:Name>{escape(style.name)}</se:Name>"
        f"<se:FeatureTypeStyle>{''.join(rules)}</se:FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>\n"
    )


def _bounds(style: Coloured, each: ColourClass) -> list[str]:
    """Comparisons that hold for the values of a class."""
    bounds = [] if each.least is None else [_compare("GreaterThanOrEqualTo", style.column, each.least)]
    return bounds if each.below is None else [*bounds, _compare("LessThan", style.column, each.below)]


def _both(style: Coloured, *conditions: str) -> str:
    """Filter of the rows of a style that meet all conditions."""
    own = [_compare("EqualTo", column, text) if text else _empty(column) for column, text in style.only]
    every = [*own, *conditions]
    if not every:
        return ""
    joined = every[0] if len(every) == 1 else f"<ogc:And>{''.join(every)}</ogc:And>"
    return f"<ogc:Filter>{joined}</ogc:Filter>"


def _compare(how: str, column: str, text: str) -> str:
    name = f"<ogc:PropertyName>{escape(column)}</ogc:PropertyName>"
    return f"<ogc:PropertyIs{how}>{name}<ogc:Literal>{escape(text)}</ogc:Literal></ogc:PropertyIs{how}>"


def _empty(column: str) -> str:
    return f"<ogc:PropertyIsNull><ogc:PropertyName>{escape(column)}</ogc:PropertyName></ogc:PropertyIsNull>"


def _rule(title: str, conditions: str, fill: str, edge: str) -> str:
    return (
        f"<se:Rule><se:Name>{escape(title)}</se:Name>"
        f"<se:Description><se:Title>{escape(title)}</se:Title></se:Description>{conditions}"
        f"<se:PolygonSymbolizer><se:Fill>{_parameter('fill', fill)}</se:Fill>"
        f"<se:Stroke>{_parameter('stroke', edge)}{_parameter('stroke-width', '1')}</se:Stroke>"
        "</se:PolygonSymbolizer></se:Rule>"
    )


def _labels(style: Coloured) -> str:
    return (
        f"<se:Rule><se:Name>labels</se:Name>{_both(style)}"
        f"<se:TextSymbolizer><se:Label><ogc:PropertyName>{escape(style.label)}</ogc:PropertyName></se:Label>"
        f"<se:Font>{_parameter('font-size', '10')}</se:Font>"
        f"<se:Halo><se:Radius>1</se:Radius><se:Fill>{_parameter('fill', EDGE)}</se:Fill></se:Halo>"
        f"<se:Fill>{_parameter('fill', INK)}</se:Fill></se:TextSymbolizer></se:Rule>"
    )


def _parameter(name: str, text: str) -> str:
    return f'<se:SvgParameter name="{name}">{text}</se:SvgParameter>'
