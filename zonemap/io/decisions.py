"""What field.toml says of products, rate tables, prices, machine and measurement, as values in metric units."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

from zonemap.errors import InputError
from zonemap.io import product_rows
from zonemap.io.field_file import (
    NAME,
    CropTable,
    DecisionTable,
    ProductTable,
    RateTableTable,
    RuleTable,
    SamplesTable,
    SeasonTable,
    ShapeTable,
    SpreaderTable,
)
from zonemap.io.label_forms import by_element
from zonemap.io.sources import shown
from zonemap.io.spreading import measured_pattern
from zonemap.units import (
    CM_PER_IN,
    ELEMENTS,
    HA_PER_AC,
    KG_HA_PER_RATE,
    KG_M3_PER_LB_FT3,
    KG_PER_LB,
    M_PER_FT,
    M_S_PER_KM_H,
    M_S_PER_MPH,
    UnitSystem,
    fahrenheit_to_celsius,
)
from zonemap.values.arrays import FloatArray
from zonemap.values.basis import Basis
from zonemap.values.note import Note
from zonemap.values.rules import Rule
from zonemap.values.season import Crop, Decision, Product, RateTable, Season, Spreader, Temperatures, UptakeShape
from zonemap.values.terms import Pass, Terms

#: used where nobody states how well a laboratory repeats itself (common practice)
DEFAULT_REPEATABILITY_CV = 0.15
#: rise of supply over 10 degrees C where none is stated (common practice; from memory)
DEFAULT_Q10 = 2.0
_RATE_UNIT_OF: dict[UnitSystem, str] = {"us": "lb/ac", "metric": "kg/ha"}


def one_of(us: float | None, metric: float | None, *, factor: float, keys: tuple[str, str], where: str) -> float | None:
    """Metric value of a quantity that either unit system may state, but not both.

    Raises
    ------
    InputError
        When both keys are given.
    """
    if us is not None and metric is not None:
        raise InputError(where, f"{keys[0]} and {keys[1]} are both given", f"Keep one of {keys[0]} and {keys[1]}.")
    return us * factor if us is not None else metric


def basis_of(table: SamplesTable) -> Basis:
    """Measurement basis, complete enough to compare values by.

    Raises
    ------
    InputError
        For a resin rate without its burial time and an extract without its extractant.
    """
    where = f"{NAME}, samples"
    depth = one_of(table.depth_in, table.depth_cm, factor=CM_PER_IN, keys=("depth_in", "depth_cm"), where=where)
    if table.basis == "resin" and table.burial_days is None and "burial_days" not in (table.columns or {}):
        mend = "Write how many days the resin lay in the soil: burial_days = 4, or name their column in columns."
        raise InputError(f"{where}, burial_days", "is missing; a resin rate means nothing without it", mend)
    if table.basis == "extract" and not table.extractant.strip():
        mend = 'Name it: extractant = "Mehlich-3" (for pH, extractant = "water" or "CaCl2").'
        raise InputError(f"{where}, extractant", "is missing; extracts of different kinds are not alike", mend)
    stray = [
        key
        for key in ("burial_days", "rebase_to_days", "burial_exponent")
        if table.basis != "resin" and getattr(table, key)
    ]
    stray += ["columns, burial_days"] if table.basis != "resin" and "burial_days" in (table.columns or {}) else []
    stray += ["extractant"] if table.basis != "extract" and table.extractant.strip() else []
    if stray:
        raise InputError(f"{where}, {stray[0]}", f"does not belong to {table.basis} values", f"Remove {stray[0]}.")
    return Basis(table.basis, table.extractant.strip(), table.burial_days, depth)


def repeatability(table: SamplesTable) -> tuple[float, tuple[Note, ...]]:
    """Repeatability CV, and a warning where nobody stated it."""
    if table.repeatability_cv is not None:
        return table.repeatability_cv, ()
    text = (
        f"{NAME}, samples, repeatability_cv: not stated, {DEFAULT_REPEATABILITY_CV:.0%} was assumed."
        " State the laboratory's, or give replicate rows."
    )
    return DEFAULT_REPEATABILITY_CV, (Note("warning", text),)


def products_of(tables: Sequence[ProductTable], *, units: UnitSystem) -> tuple[Product, ...]:
    """Products, their analysis by element.

    Raises
    ------
    InputError
        For an analysis that cannot be, or two products of one name.
    """
    products = tuple(_product(table, number, units=units) for number, table in enumerate(tables, start=1))
    names = [product.name for product in products]
    for number, name in enumerate(names, start=1):
        if name in names[: number - 1]:
            where = f"{NAME}, product {number}, name"
            raise InputError(where, f"{shown(name)} is there twice", "Give every product its own name.")
    return products


def _product(table: ProductTable, number: int, *, units: UnitSystem) -> Product:
    where = f"{NAME}, product {number}"
    density_keys = ("bulk_density_lb_ft3", "bulk_density_kg_m3")
    bulk = one_of(
        table.bulk_density_lb_ft3, table.bulk_density_kg_m3, factor=KG_M3_PER_LB_FT3, keys=density_keys, where=where
    )
    bag_kg = one_of(table.bag_lb, table.bag_kg, factor=KG_PER_LB, keys=("bag_lb", "bag_kg"), where=where)
    row = product_rows.row_like(table, where=where)
    name = product_rows.name_of(table, row)
    label = table.analysis or (row.label if row else {})
    density = product_rows.density_kg_l(table, row, bulk=bulk, where=where)
    half_life, fraction, available = product_rows.release_of(table, row)
    return Product(
        name=name,
        analysis=_analysis(label, where=f"{where}, analysis"),
        label=label,
        price_per_kg=product_rows.price_per_kg(table, bag_kg=bag_kg, density=density, units=units, where=where),
        source=table.source if row is None or "source" in table.model_fields_set else row.source,
        bulk_density_kg_m3=product_rows.bulk_density_kg_m3(bulk, table, row),
        release_half_life_days=half_life,
        release_lag_days=table.release_lag_days,
        available_fraction=fraction,
        bag_kg=bag_kg,
        kind=product_rows.kind_of(name, row),
        density_kg_l=density,
        on_hand_kg=product_rows.on_hand_kg(table, units=units),
        available_by_element=available,
    )


def _analysis(label: Mapping[str, float], *, where: str) -> dict[str, float]:
    """Element -> mass fraction from the label's percentages."""
    stated = by_element(label, where=where)
    elements = {element: percent / 100 * factor for element, (percent, factor) in stated.items()}
    total = sum(label.values())
    if total > 100:
        raise InputError(where, f"adds up to {total:g}%", "Correct the percentages so that they add up to at most 100.")
    return elements


def decision_of(
    table: DecisionTable, *, units: UnitSystem, rate_products: Sequence[str], where: str = f"{NAME}, decision"
) -> Decision:
    """Assurance and prices per kg.

    Raises
    ------
    InputError
        For a price of something unknown, or one price of a pair.
    """
    known = (*ELEMENTS, *rate_products)
    for key, prices, other in (
        ("cost_short", table.cost_short, table.cost_over),
        ("cost_over", table.cost_over, table.cost_short),
    ):
        for name in prices:
            if name not in known:
                mend = f"Use one of {', '.join(known)}."
                what = f"{shown(name)} is neither an element nor the product of a rate table"
                raise InputError(f"{where}, {key}, {name}", what, mend)
            if name not in other:
                missing = "cost_over" if key == "cost_short" else "cost_short"
                raise InputError(
                    f"{where}, {missing}, {name}", "is missing", f"Give {name} both prices, or use assurance."
                )
    kg = KG_PER_LB if units == "us" else 1.0
    short = {name: price / kg for name, price in table.cost_short.items()}
    over = {name: price / kg for name, price in table.cost_over.items()}
    area = HA_PER_AC if units == "us" else 1.0
    varying = None if table.cost_of_varying is None else table.cost_of_varying / area
    return Decision(cost_short=short, cost_over=over, cost_of_varying_ha=varying, **_assurance(table))


def _assurance(table: DecisionTable) -> dict[str, float]:
    return {} if table.assurance is None else {"assurance": table.assurance}


def rate_tables_of(
    tables: Sequence[RateTableTable], *, units: UnitSystem, quantities: Sequence[str]
) -> tuple[RateTable, ...]:
    """Rate tables in kg/ha.

    Raises
    ------
    InputError
        For values that do not rise, negative rates, or a quantity nobody measured.
    """
    seen: set[str] = set()
    result = []
    for number, table in enumerate(tables, start=1):
        where = f"{NAME}, rate_table {number}"
        if table.product in seen:
            what = f"{shown(table.product)} has a rate table already"
            raise InputError(f"{where}, product", what, "Keep one rate table a product.")
        seen.add(table.product)
        result.append(_rate_table(table, units=units, quantities=quantities, where=where))
    return tuple(result)


def _rate_table(table: RateTableTable, *, units: UnitSystem, quantities: Sequence[str], where: str) -> RateTable:
    if table.value not in quantities:
        what = f"{shown(table.value)} was not measured"
        raise InputError(f"{where}, value", what, f"Use one of {', '.join(quantities)}, or add it to columns.")
    values, rates = [point[0] for point in table.points], [point[1] for point in table.points]
    if any(second <= first for first, second in pairwise(values)):
        mend = "Order the points by measured value, each value once."
        raise InputError(f"{where}, points", "the measured values do not rise", mend)
    bad = next((rate for rate in rates if not 0 <= rate <= 1e6), None)
    if bad is not None:
        mend = "Write 0 or more, up to a million."
        raise InputError(f"{where}, points", f"{bad:g} is not a rate that can be spread", mend)
    factor = KG_HA_PER_RATE[table.rate_unit or _RATE_UNIT_OF[units]]
    return RateTable(table.value, table.product, values, [rate * factor for rate in rates])  # type: ignore[arg-type]


def rules_of(tables: Sequence[RuleTable], *, quantities: Sequence[str]) -> tuple[Rule, ...]:
    """Recommendation rules the user asks for.

    Raises
    ------
    InputError
        For a quantity nobody measured.
    """
    rules = []
    for number, table in enumerate(tables, start=1):
        if table.value is not None and table.value not in quantities:
            what = f"{shown(table.value)} was not measured"
            mend = f"Use one of {', '.join(quantities)}, or add it to columns."
            raise InputError(f"{NAME}, rule {number}, value", what, mend)
        texts = {"name", "value", "product", "crop"}
        stated = {key: float(value) for key, value in table if key not in texts and value is not None}
        rules.append(Rule(table.name, table.value or "", table.product or "", table.crop or "", stated))
    return tuple(rules)


def spreader_of(table: SpreaderTable, *, units: UnitSystem) -> Spreader:
    """Machine limits in metric units.

    Raises
    ------
    InputError
        When something is given twice, or the smallest rate is above the largest.
    """
    where = f"{NAME}, spreader"
    rate = KG_HA_PER_RATE[_RATE_UNIT_OF[units]]
    speed_m_s = None if table.speed_km_h is None else table.speed_km_h * M_S_PER_KM_H
    if table.max_rate is not None and table.min_rate > table.max_rate:
        what = f"{table.min_rate:g} is above max_rate = {table.max_rate:g}"
        raise InputError(f"{where}, min_rate", what, "Make min_rate the smaller of the two.")
    if table.max_rate is not None and table.step > table.max_rate:
        what = f"{table.step:g} is above max_rate = {table.max_rate:g}"
        raise InputError(f"{where}, step", what, "Make step a small part of max_rate.")

    def metric(us: str, own: str, factor: float) -> float | None:
        return one_of(getattr(table, us), getattr(table, own), factor=factor, keys=(us, own), where=where)

    return Spreader(
        swath_m=metric("swath_ft", "swath_m", M_PER_FT),
        speed_m_s=one_of(table.speed_mph, speed_m_s, factor=M_S_PER_MPH, keys=("speed_mph", "speed_km_h"), where=where),
        response_s=table.response_s,
        min_rate_kg_ha=table.min_rate * rate,
        max_rate_kg_ha=float("inf") if table.max_rate is None else table.max_rate * rate,
        step_kg_ha=table.step * rate,
        heading_deg=table.heading_deg,
        overlap_share=table.overlap or 0.0,
        pattern=measured_pattern(table),
        position_offset_m=metric("position_offset_ft", "position_offset_m", M_PER_FT) or 0.0,
        look_ahead_s=table.look_ahead_s,
        headland_swaths=table.headland_swaths,
        hopper_m3=metric("hopper_ft3", "hopper_m3", M_PER_FT**3),
        hopper_kg=metric("hopper_lb", "hopper_kg", KG_PER_LB),
        tender_kg=metric("tender_lb", "tender_kg", KG_PER_LB),
    )


def season_of(
    table: SeasonTable,
    samples: SamplesTable,
    temperatures: Temperatures | None,
    passes: tuple[Pass, ...] = (),
    terms: Terms | None = None,
) -> Season:
    """Days on which the spreader can go, sorted, each once, and how supply follows temperature.

    Raises
    ------
    InputError
        When supply is to follow a temperature that nobody recorded.
    """
    q10 = table.q10 if table.q10 is not None else (DEFAULT_Q10 if table.temperature_response else None)
    if q10 is not None and temperatures is None:
        mend = 'Name the file of daily temperatures: weather = "weather.csv".'
        raise InputError(f"{NAME}, season, weather", "is missing; supply cannot follow the temperature", mend)
    stated_f = samples.supply_temperature_f
    celsius = one_of(
        None if stated_f is None else fahrenheit_to_celsius(stated_f),
        samples.supply_temperature_c,
        factor=1.0,
        keys=("supply_temperature_f", "supply_temperature_c"),
        where=f"{NAME}, samples",
    )
    days = sorted({*table.apply_on, *(each.on for each in passes if each.on is not None)})
    return Season(tuple(days), table.apply_days_needed, temperatures, q10, celsius, passes, terms or Terms())


def crop_of(table: CropTable, own_demand: Mapping[str, FloatArray], *, units: UnitSystem) -> Crop:
    """What grows, with the user's own totals and shapes.

    Raises
    ------
    InputError
        For an unknown element, one stated twice, or one that the demand file holds too.
    """
    unit = KG_HA_PER_RATE[_RATE_UNIT_OF[units]]
    stated_totals = by_element(table.totals, where=f"{NAME}, crop, totals")
    totals = {element: amount * factor * unit for element, (amount, factor) in stated_totals.items()}
    for key, stated in (("totals", totals), ("shape", table.shape), ("sources", table.sources)):
        for element in stated:
            if element not in ELEMENTS:
                mend = f"Use one of {', '.join(ELEMENTS)}."
                raise InputError(f"{NAME}, crop, {key}, {element}", f"{shown(element)} is no element", mend)
            if element in own_demand:
                what = f"{element} is in the demand file too"
                raise InputError(f"{NAME}, crop, {key}, {element}", what, "Keep one of the two.")
    shapes = {element: _shape_of(shape, element, unit) for element, shape in table.shape.items()}
    return Crop(table.name, table.planted, table.yield_goal, own_demand, table.sources, totals, shapes)


def _shape_of(table: ShapeTable, element: str, unit: float) -> UptakeShape:
    """Shape by the days from 10 to 90 %, or by a mean over the steepest days, never by both."""
    by_peak = (table.peak_days is not None, table.peak_mean is not None)
    if (table.days_10_90 is not None, *by_peak) not in {(True, False, False), (False, True, True)}:
        what = "needs either days_10_90, or peak_days and peak_mean"
        mend = (
            "Write { midpoint_day = 55, days_10_90 = 30 }, or { midpoint_day = 55, peak_days = 10, peak_mean = 4.3 }."
        )
        raise InputError(f"{NAME}, crop, shape, {element}", what, mend)
    mean = None if table.peak_mean is None else table.peak_mean * unit
    return UptakeShape(table.midpoint_day, table.days_10_90, table.peak_days, mean)
