"""A comparison of two sets of measurements in words and in numbers."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from zonemap.amounts import Reader, reader
from zonemap.report.shown import field_json, notes_json
from zonemap.report.text import notes_text
from zonemap.report.words import length_unit, two_digits
from zonemap.values.comparison import Comparison, QuantityComparison, SetComparison, Trend

Json = dict[str, Any]

_WIDTH = 110
#: what is said of each trend
TREND_WORDS: Mapping[Trend, str] = {
    "agree": "agree in ranking",
    "loosely": "agree loosely",
    "not": "do not show a common ranking",
    "opposite": "rank opposite: high in one is low in the other",
    "too_few": "too few pairs to say",
    "no_spread": "nothing to say: all values of a set are equal",
    "no_pattern": "nothing to say: a mapped set shows no pattern",
}
A_TREND_ONLY = "A trend only: nothing is converted, and the numbers of the two sets must not be mixed."
NEIGHBOURS = (
    "Neighbouring places are alike, so the pairs are worth fewer independent ones; the intervals allow for that, "
    "roughly, and may still be a little too narrow."
)
BY_CHANCE = "Sampling error alone sets some places apart; look for neighbours that part the same way."
_MOST_PLACES = 12


def comparison_text(comparison: Comparison, folder: Path | None) -> str:
    """Pairs, rank correlations, where the sets disagree, what may be behind it, and where the files are."""
    read = reader(comparison.units)
    lines = [f"{comparison.field.name}: how alike two sets of measurements rank its places"]
    for each in comparison.sets:
        lines += ["", *_set_lines(each, read)]
    lines += ["", *textwrap.wrap(f"{A_TREND_ONLY} {NEIGHBOURS}", _WIDTH)]
    lines += notes_text(comparison.notes)
    if folder is not None:
        lines += ["", f"Files: {folder}"]
    return "\n".join(lines)


def _set_lines(each: SetComparison, read: Reader) -> list[str]:
    lines = [*_folded(f"{each.first} and {each.other}:"), *_folded(_pairing_words(each, read)), "", *_table(each)]
    places = [line for quantity in each.quantities if (line := _places_line(each, quantity))]
    if places:
        lines += ["", "Where their rankings lie more than a third apart:"]
        lines += [folded for line in places for folded in _folded(line, indent=2)]
        lines += _folded(BY_CHANCE)
    if each.causes:
        lines += ["", "Possible causes, general knowledge, not found out here:"]
        lines += [folded for _, text in each.causes for folded in _folded(f"- {text}", indent=2)]
    return lines


def _pairing_words(each: SetComparison, read: Reader) -> str:
    metres, unit = length_unit(read)
    within = f"{two_digits(each.within_m / metres)} {unit}"
    away = [quantity.distance_m for quantity in each.quantities if quantity.how == "paired" and quantity.sample]
    if not away:
        return f"No place of one set lies within {within} of one of the other."
    median = two_digits(float(np.median(np.concatenate(away))) / metres)
    return f"Places up to {within} apart are taken for one; half of the pairs lie within {median} {unit}."


def _table(each: SetComparison) -> list[str]:
    rows = [("", "pairs", "worth", "rank correlation", "95% interval", "the two sets")]
    for quantity in each.quantities:
        r = quantity.correlation
        said = quantity.says_something
        pairs = f"{r.pairs}{' (mapped)' if quantity.how == 'kriged' else ''}"
        interval = "none" if math.isnan(r.low_95) else f"{r.low_95:.2f} to {r.high_95:.2f}"
        number = f"{r.coefficient:.2f}" if said else ""
        worth = f"{r.effective_pairs:.0f}" if said else ""
        rows.append((quantity.name, pairs, worth, number, interval if said else "", TREND_WORDS[quantity.trend]))
    widths = [max(len(row[column]) for row in rows) for column in range(5)]
    return ["  ".join((*(c.rjust(w) for c, w in zip(row, widths, strict=False)), row[5])).rstrip() for row in rows]


def _places_line(each: SetComparison, quantity: QuantityComparison) -> str:
    """Names of the places that stand out, the largest difference first."""
    difference = quantity.rank_difference
    order = sorted(np.flatnonzero(quantity.stands_out).tolist(), key=lambda index: -abs(difference[index]))
    lower = [quantity.place(index) for index in order if difference[index] < 0]
    higher = [quantity.place(index) for index in order if difference[index] > 0]
    named = (("lower", lower), ("higher", higher))
    parts = [f"{word} at {_listed(places)}" for word, places in named if places]
    return f"{quantity.name}: {each.other.name} ranks {'; '.join(parts)}" if parts else ""


def _listed(places: Sequence[str]) -> str:
    more = f" and {len(places) - _MOST_PLACES} more" if len(places) > _MOST_PLACES else ""
    return ", ".join(places[:_MOST_PLACES]) + more


def _folded(text: str, *, indent: int = 0) -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=" " * indent, subsequent_indent=" " * (indent + 2), break_on_hyphens=False
    )


def comparison_json(comparison: Comparison) -> Json:
    """Build the content of compare.json: plain types, no NaN, metric."""
    return {
        "field": field_json(comparison.field),
        "comparisons": [_set_json(each) for each in comparison.sets],
        "about": [A_TREND_ONLY, NEIGHBOURS, BY_CHANCE],
        "notes": notes_json(comparison.notes),
    }


def _set_json(each: SetComparison) -> Json:
    return {
        "set": str(each.first),
        "other_set": str(each.other),
        "within_m": each.within_m,
        "quantities": {quantity.quantity: _quantity_json(quantity) for quantity in each.quantities},
        "possible_causes": [{"quantities": names, "text": text} for names, text in each.causes],
    }


def _quantity_json(quantity: QuantityComparison) -> Json:
    r = quantity.correlation
    return {
        "other_quantity": quantity.other_quantity,
        "how": quantity.how,
        "pairs": r.pairs,
        "effective_pairs": r.effective_pairs,
        "median_distance_m": float(np.median(quantity.distance_m)) if r.pairs else None,
        "rank_correlation": _finite(r.coefficient),
        "low_95": _finite(r.low_95),
        "high_95": _finite(r.high_95),
        "trend": quantity.trend,
        "trend_words": TREND_WORDS[quantity.trend],
        "stands_out": [
            {"place": quantity.place(index), "rank_difference": float(quantity.rank_difference[index])}
            for index in np.flatnonzero(quantity.stands_out).tolist()
        ],
    }


def comparison_columns(comparison: Comparison) -> dict[str, list[str | float]]:
    """Build the columns of compare.csv: one row a pair, metric, coordinates in the working CRS."""
    columns: dict[str, list[str | float]] = {}
    for each in comparison.sets:
        for quantity in each.quantities:
            n = len(quantity.sample)
            rows: dict[str, Sequence[str | float]] = {
                "set": [each.first.name] * n,
                "other_set": [each.other.name] * n,
                "quantity": [quantity.quantity] * n,
                "other_quantity": [quantity.other_quantity] * n,
                "how": [quantity.how] * n,
                "sample": quantity.sample,
                "other_sample": quantity.other_sample,
                "easting_m": quantity.easting_m.tolist(),
                "northing_m": quantity.northing_m.tolist(),
                "distance_m": quantity.distance_m.tolist(),
                "value": quantity.value.tolist(),
                "unit": [quantity.unit] * n,
                "other_value": quantity.other_value.tolist(),
                "other_unit": [quantity.other_unit] * n,
                "rank_share": quantity.share.tolist(),
                "other_rank_share": quantity.other_share.tolist(),
                "rank_difference": quantity.rank_difference.tolist(),
                "stands_out": ["yes" if far else "no" for far in quantity.stands_out.tolist()],
            }
            for name, cells in rows.items():
                columns.setdefault(name, []).extend(cells)
    return columns


def _finite(number: float) -> float | None:
    return float(number) if math.isfinite(number) else None
