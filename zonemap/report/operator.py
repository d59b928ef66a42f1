"""The operator's sheet in words: order of work, loads, what to order, and figures to check the machine by."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from zonemap.amounts import Reader, reader
from zonemap.units import KG_PER_LB, M_PER_FT, UnitSystem
from zonemap.values.operator_sheet import Calibration, Load, OperatorSheet, OrderLine


def operator_text(sheet: OperatorSheet, units: UnitSystem) -> str:
    """Lines for a terminal or a sheet, in the reader's units; empty where nothing is spread."""
    if not sheet.loads:
        return ""
    read = reader(units)
    lines = ["Order of work"]
    lines += [f"  {number}. {_load(load, read)}" for number, load in enumerate(sheet.loads, start=1)]
    lines += [f"To order, {sheet.margin:.0%} to spare"]
    lines += [f"  {_order(line, read)}" for line in sheet.order]
    lines += ["To check the machine"]
    lines += [line for figures in sheet.calibration for line in _calibration(figures, units)]
    lines += ["Keep out"] if sheet.keep_out else []
    lines += [f"  {reason}, {read.area(area_ha)}" for reason, area_ha in sheet.keep_out]
    return "\n".join(lines) + "\n"


def _load(load: Load, read: Reader) -> str:
    said = [f"{load.product}{f', {load.on}' if load.on else ''}: {read.mass(load.total_kg)}"]
    if load.hopper_kg is not None and load.fills == 1:
        said.append("1 fill")
    elif load.hopper_kg is not None:
        said.append(f"{load.fills} fills of {read.mass(load.hopper_kg)}, the last {read.mass(load.last_fill_kg)}")
    if load.tenders:
        said.append(f"{load.tenders} tender load{'s' if load.tenders > 1 else ''}")
    return "; ".join(said)


def _order(line: OrderLine, read: Reader) -> str:
    bags = f" ({line.units} bag{'s' if line.units != 1 else ''} of {read.mass(line.unit_kg)})" if line.in_bags else ""
    shed = f", besides {read.mass(line.on_hand_kg)} on hand" if line.on_hand_kg else ""
    return f"{line.product}: {read.mass(line.order_kg)}{bags}{shed}"


def _calibration(figures: Calibration, units: UnitSystem) -> Iterator[str]:
    """One line a rate, each once."""
    read = reader(units)
    for zones, place in _by_rate(figures.rate_kg_ha.tolist()):
        rate = figures.rate_kg_ha[place]
        if rate <= 0:
            continue
        said = [f"{1000 * figures.tray_kg[place]:.3g} g in a tray of {_tray(figures.tray_m2, units)}"]
        if np.isfinite(figures.caught_kg[place]):
            said.append(f"{read.mass(figures.caught_kg[place])} over {_run(figures.run_m, units)}")
        if np.isfinite(figures.flow_kg_s[place]):
            said.append(f"{_flow(figures.flow_kg_s[place], units)} at speed")
        yield f"  {figures.product}, zone {zones} at {read.rate(rate)}: {', '.join(said)}"


def _by_rate(rates: Sequence[float]) -> Iterator[tuple[str, int]]:
    """Numbers of the zones of each rate, highest rate first, and the position of one of them."""
    for rate in sorted(set(rates), reverse=True):
        zones = [number for number, other in enumerate(rates, start=1) if other == rate]
        yield ", ".join(map(str, zones)), zones[0] - 1


def _tray(area_m2: float, units: UnitSystem) -> str:
    return f"{area_m2 / M_PER_FT**2:.3g} ft2" if units == "us" else f"{area_m2:.3g} m2"


def _run(run_m: float, units: UnitSystem) -> str:
    return f"{run_m / M_PER_FT:.3g} ft" if units == "us" else f"{run_m:.3g} m"


def _flow(kg_s: float, units: UnitSystem) -> str:
    return f"{60 * kg_s / KG_PER_LB:.3g} lb/min" if units == "us" else f"{60 * kg_s:.3g} kg/min"
