"""The product table as text and as JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

from zonemap.products.compatibility import Severity, conflicts
from zonemap.products.salt import seed_cautions
from zonemap.products.table import Figure, ProductRow, grade, product_kinds
from zonemap.products.volatilization import surface_losses
from zonemap.units import KG_L_PER_LB_GAL, KG_M3_PER_LB_FT3

_WIDTH = 100
_PARTNERS: tuple[tuple[Severity, str], ...] = (
    ("never", "Never blended with:"),
    ("not_stored", "Blended only for spreading the same day:"),
)


def products_text(rows: Sequence[ProductRow]) -> str:
    """One line a product: name, what it is, analysis, density, release."""
    table = [["name", "product", "analysis", "source", "density", "first year"]]
    table += [[r.kind, r.title, grade(r.label), r.source, _density(r), _first_year(r)] for r in rows]
    widths = [max(len(line[column]) for line in table) for column in range(len(table[0]))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in table]
    hints = [
        'A [[product]] of field.toml takes a row with like = "urea"; what you state yourself wins.',
        "zonemap products KIND shows the figures of one, with their sources.",
    ]
    return "\n".join([*lines, "", *hints])


def product_text(row: ProductRow) -> str:
    """All that is known of one product."""
    lines = [f"{row.kind}: {row.title}, {row.source}, {row.form}", "", *_figure_lines(row)]
    lines += ["", "  Where the figures come from:"]
    lines += [_filled(f"{name}: {source} [{status}]") for name, source, status in row.figures()]
    cautions = [row.notes] if row.notes else []
    cautions += [*seed_cautions([row.kind]), *surface_losses([row.kind])]
    if cautions:
        lines += ["", "  Mind:", *(_filled(text) for text in cautions)]
    for severity, head in _PARTNERS:
        partners = _partners(row, severity)
        if partners:
            lines += ["", f"  {head}", *partners]
    return "\n".join(lines)


def _partners(row: ProductRow, severity: Severity) -> list[str]:
    """Products it does not go with, those of one reason together."""
    found = [each for other in product_kinds() for each in conflicts([row.kind, other]) if each.severity == severity]
    kinds: dict[str, list[str]] = {}
    for each in found:
        kinds.setdefault(f"{each.reason} ({each.source}) [{each.status}]", []).append(each.pair[1])
    return [_filled(f"{', '.join(others)}: {why}") for why, others in kinds.items()]


def _figure_lines(row: ProductRow) -> list[str]:
    facts = [
        ("analysis", f"{grade(row.label)} ({', '.join(f'{form} {value:g}%' for form, value in row.label.items())})")
    ]
    facts.append(("density" if row.form == "liquid" else "bulk density", _density(row, metric=True)))
    facts += [(f"salt index ({each.author})", f"{each.value:g} (sodium nitrate 100)") for each in row.salt_indices]
    if row.critical_humidity is not None:
        humidity = row.critical_humidity
        facts.append(("takes up water above", f"{humidity.percent:g}% humidity at {humidity.temperature_c:g} C"))
    half = row.half_life_days
    facts.append(("release", "at once" if half is None else f"half in {half.value:g} days"))
    facts.append(("feeds in the first year", _first_year(row)))
    width = max(len(name) for name, _ in facts)
    return [f"  {name.ljust(width)}  {fact}" for name, fact in facts]


def _density(row: ProductRow, *, metric: bool = False) -> str:
    if row.density_kg_l is not None:
        us = f"{row.density_kg_l.value / KG_L_PER_LB_GAL:.4g} lb/gal"
        return f"{us} ({row.density_kg_l.value:.3g} kg/l)" if metric else us
    figure = row.bulk_density_kg_m3
    if figure is None:
        return "-"
    us = f"{_range(figure, KG_M3_PER_LB_FT3)} lb/ft3"
    return f"{us} ({_range(figure, 1.0)} kg/m3)" if metric else us


def _range(figure: Figure, unit: float) -> str:
    low, high = f"{figure.low / unit:.0f}", f"{figure.value / unit:.0f}"
    return low if low == high else f"{low}-{high}"


def _first_year(row: ProductRow) -> str:
    if not row.available:
        return "all"
    shares = {element: row.fraction_of(element) for element in row.analysis}
    return ", ".join(f"{element} {share:.0%}" for element, share in shares.items())


def _filled(text: str) -> str:
    return textwrap.fill(text, _WIDTH, initial_indent="    ", subsequent_indent="      ", break_on_hyphens=False)


def product_json(row: ProductRow) -> dict[str, Any]:
    """Plain types, metric."""
    humidity = row.critical_humidity
    return {
        "title": row.title,
        "source": row.source,
        "form": row.form,
        "analysis_percent": row.label,
        "bulk_density_kg_m3": _figure_json(row.bulk_density_kg_m3),
        "density_kg_l": _figure_json(row.density_kg_l),
        "salt_index": {each.author: each.value for each in row.salt_indices},
        "critical_humidity_percent": None if humidity is None else humidity.percent,
        "critical_humidity_at_c": None if humidity is None else humidity.temperature_c,
        "half_life_days": _figure_json(row.half_life_days),
        "available_fraction": {element: row.fraction_of(element) for element in row.analysis},
        "notes": row.notes,
        "sources": [{"of": name, "source": source, "status": status} for name, source, status in row.figures()],
    }


def _figure_json(figure: Figure | None) -> float | list[float] | None:
    if figure is None:
        return None
    return figure.value if figure.low == figure.value else [figure.low, figure.value]
