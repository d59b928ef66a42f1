"""What is always said, and what a plan changed: notes that ride with the result."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial

import numpy as np

from zonemap.amounts import Reader, in_both
from zonemap.pipeline.product_cautions import product_cautions
from zonemap.units import KG_HA_PER_LB_1000FT2
from zonemap.values.arrays import FloatArray
from zonemap.values.case import Case
from zonemap.values.delivery import Delivery, HeadingScores
from zonemap.values.note import Note
from zonemap.values.prescription import Prescription
from zonemap.values.programme import Programmes
from zonemap.values.season import Product
from zonemap.values.surface import Surface

#: crops that are walked on, and the quick nitrogen they bear at once: 1 lb/1000 ft2, Cornell University, Lawn Care: The
#: Easiest Steps to an Attractive Environmental Asset, Feeding (read: never more at a time, of any source, on lawns);
#: greens are given far less at a time (common practice)
_TURF = frozenset({"putting_green", "cool_season_lawn"})
_MOST_TURF_N_KG_HA = KG_HA_PER_LB_1000FT2
#: a rate is right within a tenth; a heading is worth a word where it puts this much more of the area right
_RIGHT, _CLEARLY_BETTER = 0.1, 0.02


def surface_notes(surfaces: Mapping[str, Surface]) -> tuple[Note, ...]:
    """What each surface has to say."""
    return tuple(note for surface in surfaces.values() for note in surface.evidence.notes)


def limit_notes(prescription: Prescription, case: Case) -> tuple[Note, ...]:
    """Zones that a product named by a table or rule leaves short, because the spreader cannot do more."""
    notes = []
    for application in prescription.applications:
        if application.planned_kg_ha.max() > case.spreader.max_rate_kg_ha:
            short = (application.planned_kg_ha > application.rate_kg_ha * 1.001).nonzero()[0] + 1
            zones = ", ".join(str(zone) for zone in short)
            text = f"{application.product.name}: the largest rate leaves zone {zones} short; make a second pass."
            notes.append(Note("warning", text))
    return tuple(notes)


def price_notes(case: Case) -> tuple[Note, ...]:
    """Say what a product without a price counts as when products are chosen."""
    unpriced = [product.name for product in case.products if product.price_per_kg is None]
    if not unpriced:
        return ()
    counts = "so the least mass stands for the least cost"
    if len(unpriced) < len(case.products):
        counts = "so they are taken only where no priced product will do, and what the plan costs is not known"
    text = f"{', '.join(unpriced)}: no price, {counts}. Write price_per_ton = 520 (or price_per_bag) in [[product]]."
    return (Note("warning", text),)


def answer_notes(programmes: Programmes | None, case: Case) -> tuple[Note, ...]:
    """Warn of what is short and what the answer asked for, or the passes, keep all products away from.

    What no product holds at all is said where the needs are.
    """
    notes = []
    for element in () if programmes is None else programmes.chosen.missing:
        holding = [product for product in case.products if product.analysis.get(element, 0.0) > 0]
        if holding:
            names = " and ".join(product.name for product in holding)
            notes.append(
                Note("warning", f"{element}: is short, and none is planned: {_kept_out(holding, case, names)}")
            )
    return tuple(notes)


def _kept_out(holding: Sequence[Product], case: Case, names: str) -> str:
    """Say why products are not used, and the mend."""
    organic = case.season.terms.organic
    wanted = {"none": "mineral", "all": "organic"}.get(organic, "")
    if wanted and not any(product.source == wanted for product in holding):
        return (
            f'organic = "{organic}" under [programme] leaves out {names}, and nothing else holds it. '
            f'Add {"a mineral" if wanted == "mineral" else "an organic"} [[product]] that does, or set organic = "any".'
        )
    one = "it" if len(holding) == 1 else "one of them"
    return (
        f"{names} may go on no pass. Name {one} under products of a [[pass]], or leave that key out; urea and its like "
        "never go with the seed."
    )


def delivery_notes(deliveries: Sequence[Delivery], headings: HeadingScores | None) -> tuple[Note, ...]:
    """What the simulation of spreading took for granted, and a heading that would do clearly better."""
    notes = dict.fromkeys(note for delivery in deliveries for note in delivery.notes)
    if not deliveries or headings is None:
        return tuple(notes)
    driven = deliveries[0].heading_deg
    own = float(np.mean([delivery.share_within(_RIGHT) for delivery in deliveries]))
    best = float(headings.share_within_10.max())
    if best > own + _CLEARLY_BETTER:
        text = (
            f"Driven at {headings.best_deg:.0f} degrees from north instead of {driven:.0f}, {best:.0%} of the area "
            f"instead of {own:.0%} would get its rate within a tenth."
        )
        notes[Note("warning", text)] = None
    return tuple(notes)


def too_little(product: Product, planned_kg_ha: FloatArray, case: Case) -> Note:
    """Say that a product was left out because no zone asks for a rate the spreader can do."""
    most, least = float(planned_kg_ha.max()), case.spreader.min_rate_kg_ha
    texts = in_both(
        case.units,
        lambda read: (
            f"{product.name}: left out; no zone asks for more than {read.rate(most)}, and the spreader's least is "
            f"{read.rate(least)}. Blend it into another product, or spread it with another machine."
        ),
    )
    return Note("warning", *texts)


def _turf_cautions(case: Case, prescription: Prescription) -> list[Note]:
    """Nitrogen that burns a lawn or a green when spread at once."""
    if case.crop is None or case.crop.name not in _TURF:
        return []
    notes = []
    for application in prescription.applications:
        product = application.product
        quick = sum(
            share * part.analysis.get("N", 0.0)
            for part, share in application.parts or ((product, 1.0),)
            if part.release_half_life_days is None
        )
        most = float(application.rate_kg_ha.max()) * quick
        if most > _MOST_TURF_N_KG_HA:
            notes.append(Note("caution", *in_both(case.units, partial(_burns, product.name, most))))
    return notes


def _burns(name: str, n_kg_ha: float, read: Reader) -> str:
    return (
        f"{name}: {read.small_rate(n_kg_ha)} of quick nitrogen at once burns turf; keep each time to "
        f"{read.small_rate(_MOST_TURF_N_KG_HA)} at most (Cornell University, Lawn Care: The Easiest Steps), spread it "
        "dry and water it in."
    )


def cautions(case: Case, prescription: Prescription) -> tuple[Note, ...]:
    """Cautions that belong to what is being spread."""
    texts = [
        "Rates are advice from the data given. They defer to local codes, the nutrient management plan and licensed "
        "practice.",
        "Setbacks from wells, sinkholes and water differ from place to place: check that every one is among the "
        "no-spread areas.",
    ]
    spread = [a for a in prescription.applications if a.rate_kg_ha.any()]
    if any(a.product.analysis.get("N", 0) > 0 for a in spread):
        texts.append(
            "Nitrogen can reach groundwater as nitrate: keep it away from wells, and split it where soils are light or "
            "rain is near."
        )
    if spread:
        texts.append(
            "Fertilizer salt burns seed, seedlings and turf: keep it off wet leaves and away from the seed row."
        )
    after = list(product_cautions(spread, case.season.passes))
    if case.decision.assurance > 0.9:
        after.append("An assurance above 0.9 buys little and wastes much where supply is uncertain.")
    turf = _turf_cautions(case, prescription)
    return (*(Note("caution", text) for text in texts), *turf, *(Note("caution", text) for text in after))
