"""What to mind in the products that are spread: blending, storing, salt, water from the air, ammonia to it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from itertools import groupby

from zonemap.products.compatibility import conflicts
from zonemap.products.humidity import blend_humidity
from zonemap.products.salt import MORTVEDT, blend_salt_index, seed_cautions
from zonemap.products.volatilization import surface_losses
from zonemap.values.prescription import Application
from zonemap.values.season import Product
from zonemap.values.terms import Pass


def product_cautions(applications: Sequence[Application], passes: Sequence[Pass]) -> list[str]:
    """Cautions for the products of a prescription, with the numbers they rest on.

    Products whose kind is not known are passed over where they are single, and named as unknown in a blend.
    """
    placement = {when.on: when.placement for when in passes}
    texts: list[str] = []
    for application in applications:
        if application.parts:
            texts += _of_blend(application)
    by_day = sorted(applications, key=lambda a: a.on or date.min)
    for _, group in groupby(by_day, key=lambda a: a.on):
        texts += _of_one_day(list(group))
    for application in by_day:
        kinds = _kinds(application)
        how = placement.get(application.on, "surface")
        texts += surface_losses(kinds) if how == "surface" else ()
        texts += seed_cautions(kinds) if how == "with_seed" else ()
    return list(dict.fromkeys(texts))


def _kinds(application: Application) -> list[str]:
    return [product.kind for product in _products(application) if product.kind]


def _products(application: Application) -> list[Product]:
    return [product for product, _ in application.parts] or [application.product]


def _of_blend(application: Application) -> Iterator[str]:
    name, kinds = application.product.name, [product.kind for product in _products(application)]
    for conflict in conflicts(_kinds(application)):
        yield f"{name}: {conflict.sentence}"
    humidity = blend_humidity(kinds)
    rests = f" ({humidity.basis})" if humidity.basis else ""
    yield f"{name}: {humidity.sentence}{rests}."
    masses: dict[str, float] = {}
    for product, share in application.parts:
        masses[product.kind] = masses.get(product.kind, 0.0) + share
    salt = blend_salt_index(masses, author=MORTVEDT)
    if salt.value is not None:
        yield f"{name}: salt index {salt.value:.0f}, sodium nitrate being 100 ({MORTVEDT}, equal weights)."
    else:
        unknown = ", ".join(kind.replace("_", " ") or "a product of your own making" for kind in salt.missing)
        yield f"{name}: its salt index is not known, since that of {unknown} is not ({MORTVEDT})."


def _of_one_day(applications: Sequence[Application]) -> Iterator[str]:
    """Products that are spread on one day and must not come together on the way."""
    kinds = list(dict.fromkeys(kind for application in applications for kind in _kinds(application)))
    inside = [set(_kinds(application)) for application in applications]
    for conflict in conflicts(kinds):
        together = any(set(conflict.pair) <= blend for blend in inside)
        if conflict.severity == "never" and not together:
            yield f"Spread one after the other, from a clean hopper: {conflict.sentence}"
