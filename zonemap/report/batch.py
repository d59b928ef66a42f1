"""What came of many fields, in words and in numbers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from zonemap.amounts import reader
from zonemap.report.layout import columns, folded
from zonemap.units import UnitSystem
from zonemap.values.batch import FieldResult, Planned

Json = dict[str, Any]

_ADVICE = {
    "vary": "rates by zone",
    "one_rate": "one rate",
    "no_map": "one rate, no map",
    "nothing_needed": "nothing to spread",
    "one_sample": "one rate",
}


@dataclass(frozen=True, slots=True)
class Total:
    """A product over many fields; `cost` counts the `priced` fields of `fields` that have a price for it."""

    product: str
    kg: float
    from_hand_kg: float
    cost: float
    priced: int
    fields: int


def batch_text(results: Sequence[FieldResult]) -> str:
    """A row a field, what asks to be read, what stopped some of them, and the products of all."""
    units = common_units(results)
    rows = [["field", "area", "zones", "result", "files"], *map(_row, results)]
    lines = [*columns(rows, left=(0, 3, 4)), "", counted(results)]
    refused = [(r.name, text) for r in results if r.planned for text in r.planned.refusals]
    if refused:
        lines += ["", "Cannot be done with these samples:"]
        lines += [folded(f"- {name}: {text}", indent=2) for name, text in refused]
    stopped = [result for result in results if result.error]
    if stopped:
        lines += ["", "No plan:"]
        lines += [folded(f"- {result.folder}: {result.error}", indent=2) for result in stopped]
    return "\n".join([*lines, *_bought(totals(results), units)])


def counted(results: Sequence[FieldResult]) -> str:
    """One sentence: how many fields, and how many of them have a plan."""
    done = sum(result.planned is not None for result in results)
    warned = sum(result.planned is not None and result.planned.warnings > 0 for result in results)
    text = f"{done} of {len(results)} field{'s' if len(results) > 1 else ''} planned"
    return (
        f"{text}; {warned} with something to look at, in {'their' if warned > 1 else 'its'} sheet."
        if warned
        else f"{text}."
    )


def finished(result: FieldResult) -> str:
    """One line for a field that has just ended."""
    return f"{result.name}: {_said(result)}, {result.seconds:.1f} s"


def batch_json(results: Sequence[FieldResult]) -> Json:
    """All fields and the products of all; plain types, metric."""
    return {
        "fields": [_field_json(result) for result in results],
        "products": [
            {
                "product": total.product,
                "total_kg": total.kg,
                "from_hand_kg": total.from_hand_kg,
                "cost": total.cost if total.priced else None,
                "fields": total.fields,
                "fields_with_a_price": total.priced,
            }
            for total in totals(results)
        ],
        "exit_code": exit_code_of(results),
    }


def exit_code_of(results: Iterable[FieldResult]) -> int:
    """The greatest of the fields' own."""
    return max((result.exit_code for result in results), default=0)


def common_units(results: Iterable[FieldResult]) -> UnitSystem:
    """System of units that all plans are read in; metric where they differ."""
    found = {result.planned.units for result in results if result.planned}
    return found.pop() if len(found) == 1 else "metric"


def totals(results: Iterable[FieldResult]) -> tuple[Total, ...]:
    """Products over all fields, in the order of their first field; a name stands for one product."""
    sums: dict[str, Total] = {}
    for bought in (each for result in results if result.planned for each in result.planned.bought):
        so_far = sums.get(bought.product, Total(bought.product, 0.0, 0.0, 0.0, 0, 0))
        sums[bought.product] = Total(
            bought.product,
            so_far.kg + bought.kg,
            so_far.from_hand_kg + bought.from_hand_kg,
            so_far.cost + (bought.cost or 0.0),
            so_far.priced + (bought.cost is not None),
            so_far.fields + 1,
        )
    return tuple(sums.values())


def _row(result: FieldResult) -> list[str]:
    planned = result.planned
    if planned is None:
        return [result.name, "", "", _said(result), ""]
    zones = str(planned.zones) if planned.zones > 1 else ""
    return [result.name, reader(planned.units).area(planned.area_ha), zones, _said(result), str(result.target)]


def _said(result: FieldResult) -> str:
    return "no plan" if result.planned is None else _ADVICE[result.planned.advice]


def _bought(found: Sequence[Total], units: UnitSystem) -> list[str]:
    if not found:
        return []
    read = reader(units)
    rows = [["product", "in all", "fields", "cost"]]
    for total in found:
        left = "" if total.priced == total.fields else f" ({total.fields - total.priced} without a price)"
        cost = f"{total.cost:,.2f}{left}" if total.priced else "no price"
        rows.append([total.product, read.mass(total.kg), str(total.fields), cost])
    lines = ["", "Products of all fields:", *(f"  {line}" for line in columns(rows, left=(0,)))]
    shed = [total.product for total in found if total.from_hand_kg > 0 and total.fields > 1]
    if shed:
        text = f"What is on hand counts in every field whose field.toml states it: {', '.join(shed)}. Share it by hand."
        lines += ["", folded(text)]
    return lines


def _field_json(result: FieldResult) -> Json:
    content: Json = {
        "folder": str(result.folder),
        "name": result.name,
        "exit_code": result.exit_code,
        "seconds": round(result.seconds, 3),
        "error": result.error or None,
        "result": None if result.planned is None else str(result.target),
    }
    return content | ({} if result.planned is None else _planned_json(result.planned))


def _planned_json(planned: Planned) -> Json:
    return {
        "area_ha": planned.area_ha,
        "zones": planned.zones,
        "advice": planned.advice,
        "warnings": planned.warnings,
        "refusals": list(planned.refusals),
        "products": [
            {"product": b.product, "total_kg": b.kg, "from_hand_kg": b.from_hand_kg, "cost": b.cost}
            for b in planned.bought
        ],
    }
