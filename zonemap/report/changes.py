"""What limits, steps and rounding changed, in words and as numbers."""

from __future__ import annotations

from typing import Any

from zonemap.amounts import Reader, reader, small
from zonemap.values.changes import Changes, changes_by_product, changes_of
from zonemap.values.file_units import FileUnits, file_units
from zonemap.values.plan import Plan
from zonemap.values.season import Product

Json = dict[str, Any]

#: changes below this share of what was planned are not worth a word
_WORTH = 5e-5


def changes_sentences(plan: Plan) -> list[str]:
    """One sentence an application: what the need asks for, and what each step makes of it."""
    read, little = reader(plan.case.units), small(plan.case.field.area_ha)
    return [_sentence(change, plan, read, little=little) for change in changes_of(plan.prescription)]


def changes_summary(plan: Plan) -> list[Json]:
    """Amounts of each product over all days, kg; a blend by its parts."""
    return [_json(change) for change in changes_by_product(plan.prescription)]


def changes_by_application(plan: Plan) -> list[Json]:
    """Amounts of each application, kg."""
    return [_json(change) for change in changes_of(plan.prescription)]


def _sentence(change: Changes, plan: Plan, read: Reader, *, little: bool) -> str:
    def amount(kg: float) -> str:
        return _amount(kg, change.product, file_units(plan.case.units, change.product), read, little=little)

    def tells(kg: float) -> bool:
        return abs(kg) > _WORTH * change.planned_kg and amount(abs(kg)) != amount(0.0)

    some = "" if plan.zones.count == 1 else " in some zones"
    said = [f"{amount(change.planned_kg)} asked for"]
    moves = [f"{amount(change.raised_kg)} more{some}"] if tells(change.raised_kg) else []
    moves += [f"{amount(change.cut_kg)} less{' in others' if moves else some}"] if tells(change.cut_kg) else []
    if moves or amount(change.limited_kg) != amount(change.planned_kg):
        in_zones = f" ({', '.join(moves)})" if moves else ""
        said.append(f"the spreader's limits and steps make it {amount(change.limited_kg)}{in_zones}")
    if tells(change.by_hand_kg):
        said.append(f"rates set by hand make it {amount(change.limited_kg + change.by_hand_kg)}")
    if tells(change.joined_kg):
        said.append(f"joined polygons {amount(change.prescribed_kg)}")
    if tells(change.rounded_kg):
        said.append(f"the decimals of the file {amount(change.written_kg)}")
    day = f" on {change.on}" if change.on else ""
    nothing = "" if len(said) > 1 else ", and that is what the file holds"
    return f"{change.product.name}{day}: {'; '.join(said)}{nothing}."


def _amount(kg: float, product: Product, units: FileUnits, read: Reader, *, little: bool) -> str:
    if product.density_kg_l is not None:
        volume = kg / units.kg_per_amount
        return f"{volume:,.0f} {units.amount_unit}" if volume >= 100 else f"{volume:.3g} {units.amount_unit}"
    return read.weight(kg) if little else read.mass(kg)


def _json(change: Changes) -> Json:
    return {
        "product": change.product.name,
        "date": change.on.isoformat() if change.on else None,
        "planned_kg": change.planned_kg,
        "raised_by_limits_kg": change.raised_kg,
        "cut_by_limits_kg": change.cut_kg,
        "after_limits_kg": change.limited_kg,
        "changed_by_hand_kg": change.by_hand_kg,
        "after_joining_kg": change.prescribed_kg,
        "as_written_kg": change.written_kg,
    }
