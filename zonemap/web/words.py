"""What a change is called in the log of the page."""

from __future__ import annotations

from zonemap.amounts import Reader
from zonemap.io.journal import (
    AssuranceChange,
    Change,
    CloseChange,
    MergeChange,
    MoveChange,
    Published,
    RateChange,
    Redo,
    SplitChange,
    Undo,
    ZonesChange,
)


def words_of(change: Change | Published, read: Reader) -> str:
    """Say a change in one line, in the units of the field."""
    match change:
        case AssuranceChange():
            return f"Assurance {change.assurance:.0%}"
        case ZonesChange():
            return "Zones as planned" if change.count is None else f"{change.count} zones"
        case RateChange():
            on = f" on {change.on}" if change.on else ""
            rate = "back to the plan" if change.rate_kg_ha is None else read.rate(change.rate_kg_ha)
            return f"{change.product}{on}, zone {change.zone}: {rate}"
        case MergeChange():
            return f"Zones {' and '.join(str(zone) for zone in change.zones)} made one"
        case SplitChange():
            return f"Zone {change.zone} split"
        case MoveChange() | CloseChange():
            return "An area closed to spreading" if change.kind == "close" else f"An area given to zone {change.to}"
        case Published():
            return f"Published to {change.folder}"
        case Undo() | Redo():
            return "Undone" if change.kind == "undo" else "Made again"
