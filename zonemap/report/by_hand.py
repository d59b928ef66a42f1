"""What was changed by hand on the review page, in words and as numbers."""

from __future__ import annotations

from typing import Any

from shapely.geometry import mapping

from zonemap.amounts import Reader
from zonemap.values.field import NoSpread
from zonemap.values.hand import MergeZones, MoveCells, SplitZone
from zonemap.values.plan import Plan
from zonemap.values.review import AssuranceByHand, RateByHand, Step, ZoneCount

Json = dict[str, Any]


def step_words(step: Step, read: Reader) -> str:
    """Say a change in one line.

    >>> from zonemap.amounts import reader
    >>> step_words(RateByHand(2, "urea", None, 112.0851), reader("us"))
    'urea, zone 2: 100 lb/ac'
    """
    match step:
        case AssuranceByHand():
            return f"Assurance {step.assurance:.0%}"
        case ZoneCount():
            return "Zones as planned" if step.count is None else f"{step.count} zones"
        case RateByHand():
            on = f" on {step.on}" if step.on else ""
            rate = "back to the plan" if step.rate_kg_ha is None else read.rate(step.rate_kg_ha)
            return f"{step.product}{on}, zone {step.zone}: {rate}"
        case MergeZones():
            return f"Zones {' and '.join(str(zone) for zone in step.zones)} made one"
        case SplitZone():
            return f"Zone {step.zone} split"
        case MoveCells():
            return f"An area given to zone {step.to}"
        case NoSpread():
            return "An area closed to spreading"


def by_hand_sentences(plan: Plan, read: Reader) -> tuple[str, ...]:
    """Changes that hold, in order, with the reason that was given."""
    return tuple(f"{step_words(step, read)}{f' ({step.reason})' if step.reason else ''}." for step in plan.by_hand)


def by_hand_json(plan: Plan) -> list[Json]:
    """Changes that hold, in order; zone numbers in each are those after the one before, places in the working CRS."""
    return [{**_step_json(step), "why": step.reason} for step in plan.by_hand]


def _step_json(step: Step) -> Json:
    match step:
        case AssuranceByHand():
            return {"kind": "assurance", "assurance": step.assurance}
        case ZoneCount():
            return {"kind": "zones", "count": step.count}
        case RateByHand():
            on = step.on.isoformat() if step.on else None
            rate = {"zone": step.zone, "product": step.product, "date": on, "rate_kg_ha": step.rate_kg_ha}
            return {"kind": "rate", **rate}
        case MergeZones():
            return {"kind": "merge", "zones": list(step.zones)}
        case SplitZone():
            return {"kind": "split", "zone": step.zone, "line_m": [list(place) for place in step.line.coords]}
        case MoveCells():
            return {"kind": "move", "to": step.to, **_area(step.area)}
        case NoSpread():
            return {"kind": "close", **_area(step.area)}


def _area(area: Any) -> Json:
    return {"area_ha": area.area / 1e4, "polygons_m": mapping(area)["coordinates"]}
