"""What was spread against what was planned, in words and in numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from zonemap.amounts import Reader, rate_digits, reader, small
from zonemap.report.layout import columns, folded
from zonemap.report.shown import named, plain, three_digits
from zonemap.report.text import notes_text
from zonemap.report.words import length_unit
from zonemap.units import UnitSystem
from zonemap.values.file_units import FileUnits, file_units
from zonemap.values.spread_comparison import PassComparison, SpreadComparison, ZoneSpread

Json = dict[str, Any]

HOW = (
    "A point of a log stands for the ground half way to the points before and after it, as wide as the swath; where "
    "records overlap, what they put on adds up, and ground that was not covered counts with 0."
)
#: nutrients are told of where what was put on is off by this share of the plan
_TOLD = 0.05
#: a product's total counts as met within this share
_MET = 0.005


@dataclass(frozen=True, slots=True)
class _Shown:
    """Units of one product on one field."""

    units: FileUnits
    read: Reader
    tiny: bool

    @property
    def rate_unit(self) -> str:
        return self.read.small_rate_unit if self._by_small_area else self.units.rate_unit

    @property
    def _by_small_area(self) -> bool:
        return self.tiny and self.units.amount_unit in ("lb", "kg")

    def rate(self, kg_ha: float) -> str:
        per = self.read.kg_ha_per_small_rate if self._by_small_area else self.units.kg_ha_per_rate
        return rate_digits(kg_ha / per, 3)

    def rate_with_unit(self, kg_ha: float) -> str:
        return f"{self.rate(kg_ha)} {self.rate_unit}"

    def amount(self, kg: float) -> str:
        """Product as its machine meters it."""
        if self.units.amount_unit in ("lb", "kg"):
            return self.read.weight(kg) if self.tiny else self.read.mass(kg)
        return amount_in(kg, self.units)

    def nutrient(self, kg_ha: float) -> str:
        return self.read.small_rate(kg_ha) if self.tiny else self.read.rate(kg_ha)


def amount_in(kg: float, units: FileUnits) -> str:
    """Amount of a product in the unit of the files."""
    return f"{three_digits(kg / units.kg_per_amount)} {units.amount_unit}"


def _shown(comparison: SpreadComparison, each: PassComparison) -> _Shown:
    units, tiny = comparison.units, small(comparison.field.area_ha)
    return _Shown(file_units(units, each.application.product), reader(units), tiny)


def spread_text(comparison: SpreadComparison, folder: Path | None) -> str:
    """By product: rates by zone, shares, totals, what it means for the crop; then notes, and where the files are."""
    lines = [f"{comparison.field.name}: what was spread against what was planned"]
    for each in comparison.passes:
        lines += ["", *_pass_lines(comparison, each)]
    lines += ["", folded(HOW), *notes_text(comparison.notes)]
    if folder is not None:
        lines += ["", f"Files: {folder}"]
    return "\n".join(lines)


def _pass_lines(comparison: SpreadComparison, each: PassComparison) -> list[str]:
    show = _shown(comparison, each)
    head = f"{named(each.application)}, by {' and '.join(each.log_names)} ({_records(each, show)}):"
    lines = [folded(head), *(f"  {line}" for line in _table(each, show)), ""]
    return [*lines, *(folded(sentence, indent=2) for sentence in spread_sentences(comparison, each))]


def _records(each: PassComparison, show: _Shown) -> str:
    metres, unit = length_unit(show.read)
    plural = "s" * (each.records != 1)
    if math.isnan(each.swath_m):
        return f"{each.records:,} polygon{plural}"
    return f"{each.records:,} record{plural}, swath {each.swath_m / metres:.3g} {unit}"


def _table(each: PassComparison, show: _Shown) -> list[str]:
    head = ["zone", "area", f"planned [{show.rate_unit}]", "spread", "off by"]
    rows = [[*head, "within 5%", "within 10%", "not covered", "twice"]]
    zones = each.zones
    for zone in (*zones, *([each.whole] if len(zones) != 1 else [])):
        shares = (zone.within_5_percent, zone.within_10_percent, zone.not_covered, zone.covered_twice)
        rows.append(
            [
                "all" if zone.zone is None else str(zone.zone),
                show.read.area(zone.area_ha),
                show.rate(zone.planned_kg_ha),
                show.rate(zone.spread_kg_ha),
                _off(zone),
                *("" if share is None else f"{share:.0%}" for share in shares),
            ]
        )
    return columns(rows)


def _off(zone: ZoneSpread) -> str:
    return "" if not zone.planned_kg_ha else f"{zone.difference_kg_ha / zone.planned_kg_ha:+.1%}"


def spread_sentences(comparison: SpreadComparison, each: PassComparison) -> list[str]:
    """Say how much was spread and how well, and what the difference means, in the field's units."""
    show, whole = _shown(comparison, each), each.whole
    sentences = [_total_sentence(whole, show)]
    if whole.within_10_percent is not None:
        sentences.append(
            f"{whole.within_10_percent:.0%} of the area that was to get something got its rate within a tenth, "
            f"{whole.within_5_percent:.0%} within a twentieth; {whole.not_covered:.1%} was not covered, and "
            f"{whole.covered_twice:.1%} was covered twice."
        )
    elsewhere = [
        f"{show.amount(kg)} fell {where}"
        for kg, where in (
            (each.on_no_spread_kg, "where nothing may be spread"),
            (each.beyond_kg, "beyond the field"),
        )
        if kg > 5e-4 * each.laid.total_kg
    ]
    if elsewhere:
        sentences.append(f"Besides, by the log, {' and '.join(elsewhere)}.")
    return [*sentences, *_nutrient_sentences(each, show)]


def _total_sentence(whole: ZoneSpread, show: _Shown) -> str:
    off = whole.spread_kg - whole.planned_kg
    said = f"{show.amount(whole.planned_kg)} was planned and {show.amount(whole.spread_kg)} spread"
    if not whole.planned_kg:
        return f"{said}."
    if abs(off) <= _MET * whole.planned_kg:
        return f"{said}: as planned."
    word = "more" if off > 0 else "less"
    return f"{said}: {show.amount(abs(off))} ({abs(off) / whole.planned_kg:.1%}) {word}."


def _nutrient_sentences(each: PassComparison, show: _Shown) -> list[str]:
    """What each zone got more or less of than planned; nothing where it is what was planned."""
    analysis = each.application.product.analysis
    if not analysis:
        return ["What it holds is not known, so nothing is said of nutrients: give analysis in its [[product]]."]
    sentences = [
        _zone_sentence(zone, analysis, show)
        for zone in each.zones
        if zone.difference_kg_ha and abs(zone.difference_kg_ha) > _TOLD * zone.planned_kg_ha
    ]
    if not sentences and each.whole.planned_kg:
        sentences.append("On average every zone got what was planned within a twentieth.")
    missed = [zone for zone in each.zones if zone.not_covered and zone.not_covered >= _MET and zone.planned_kg_ha > 0]
    if missed:
        area = sum((zone.not_covered or 0.0) * zone.area_ha for zone in missed)
        least, most = (pick(zone.planned_kg_ha for zone in missed) for pick in (min, max))
        lacking = (f"{element} {_range(share * least, share * most, show)}" for element, share in analysis.items())
        sentences.append(f"On the {show.read.area(area)} not covered it lacks all of it: {', '.join(lacking)}.")
    return sentences


def _zone_sentence(zone: ZoneSpread, analysis: Mapping[str, float], show: _Shown) -> str:
    over = zone.difference_kg_ha > 0
    parts = (
        f"{element} {show.nutrient(abs(zone.nutrient_kg_ha[element]))} {'beyond the' if over else 'of the'} "
        f"{show.nutrient(share * zone.planned_kg_ha)} planned"
        for element, share in analysis.items()
    )
    said = "the crop got more than it was to get" if over else "the crop is short"
    return f"Zone {zone.zone}: on average {said}: {', '.join(parts)}."


def _range(least: float, most: float, show: _Shown) -> str:
    """One amount, or from the least to the most, the unit once."""
    low, high = show.nutrient(least), show.nutrient(most)
    return high if low == high else f"{low.split()[0]} to {high}"


def spread_json(comparison: SpreadComparison) -> list[Json]:
    """Build the entry ``spread`` of compare.json, one item a planned application: plain types, no NaN, metric."""
    return [_pass_json(comparison, each) for each in comparison.passes]


def _pass_json(comparison: SpreadComparison, each: PassComparison) -> Json:
    on, units = each.application.on, file_units(comparison.units, each.application.product)
    return {
        "product": each.application.product.name,
        "date": None if on is None else on.isoformat(),
        "logs": list(each.log_names),
        "records": each.records,
        "unit_of_log": each.unit,
        "swath_m": None if math.isnan(each.swath_m) else each.swath_m,
        "zones": [_zone_json(zone, units) for zone in each.zones],
        "all": _zone_json(each.whole, units),
        "logged_kg": each.laid.total_kg,
        "on_no_spread_kg": each.on_no_spread_kg,
        "on_no_spread": [{"reason": reason, "kg": kg} for reason, kg in each.closed_kg],
        "beyond_field_kg": each.beyond_kg,
        "in_words": spread_sentences(comparison, each),
    }


def _zone_json(zone: ZoneSpread, units: FileUnits) -> Json:
    return {
        **({} if zone.zone is None else {"zone": zone.zone}),
        "area_ha": zone.area_ha,
        "planned_kg_ha": zone.planned_kg_ha,
        "spread_kg_ha": zone.spread_kg_ha,
        "difference_kg_ha": zone.difference_kg_ha,
        "planned_kg": zone.planned_kg,
        "spread_kg": zone.spread_kg,
        "share_within_5_percent": zone.within_5_percent,
        "share_within_10_percent": zone.within_10_percent,
        "share_not_covered": zone.not_covered,
        "share_covered_twice": zone.covered_twice,
        "nutrient_difference_kg_ha": dict(zone.nutrient_kg_ha),
        "in_files_units": {
            "rate_unit": units.rate_unit,
            "planned": zone.planned_kg_ha / units.kg_ha_per_rate,
            "spread": zone.spread_kg_ha / units.kg_ha_per_rate,
            "amount_unit": units.amount_unit,
            "planned_total": zone.planned_kg / units.kg_per_amount,
            "spread_total": zone.spread_kg / units.kg_per_amount,
        },
    }


def spread_columns(comparison: SpreadComparison) -> dict[str, list[str | float]]:
    """Build the columns of spread.csv: one row a product and zone, and one of all zones, in the units of the files."""
    rows = [_row(comparison.units, each, zone) for each in comparison.passes for zone in (*each.zones, each.whole)]
    return {heading: [row[heading] for row in rows] for heading in rows[0]}


def _row(units: UnitSystem, each: PassComparison, zone: ZoneSpread) -> dict[str, str | float]:
    stated, on = file_units(units, each.application.product), each.application.on
    shares: Sequence[tuple[str, float | None]] = (
        ("share_within_5_percent", zone.within_5_percent),
        ("share_within_10_percent", zone.within_10_percent),
        ("share_not_covered", zone.not_covered),
        ("share_covered_twice", zone.covered_twice),
    )
    return {
        "product": plain(each.application.product.name),
        "date": "" if on is None else on.isoformat(),
        "zone": "all" if zone.zone is None else str(zone.zone),
        "area": zone.area_ha / stated.ha_per_area,
        "area_unit": stated.area_unit,
        "planned_rate": zone.planned_kg_ha / stated.kg_ha_per_rate,
        "spread_rate": zone.spread_kg_ha / stated.kg_ha_per_rate,
        "rate_unit": stated.rate_unit,
        "planned_total": zone.planned_kg / stated.kg_per_amount,
        "spread_total": zone.spread_kg / stated.kg_per_amount,
        "amount_unit": stated.amount_unit,
        **{name: "" if share is None else share for name, share in shares},
        "nutrients_beyond_plan_kg_ha": "; ".join(f"{name} {kg:+.3g}" for name, kg in zone.nutrient_kg_ha.items()),
    }
