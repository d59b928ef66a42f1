"""What a little more need would cost, and which limits keep a programme behind."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

import numpy as np

from zonemap.products.model import (
    Model,
    bounds_of_columns,
    cap_of,
    costs_of_columns,
    most_over_kg_ha,
    rows_of,
    seed_limit,
)
from zonemap.products.solve import Solution, least
from zonemap.values.arrays import FloatArray
from zonemap.values.programme import Ask, Limit, LimitName, ShadowPrice

#: a limit counts as binding when being behind falls by this share without it
_LEAST_RELIEF = 0.01


def shadow_prices(solution: Solution) -> tuple[ShadowPrice, ...]:
    """Money for one more kg of an element needed in a zone, all choices of trips and products left as they are.

    The duals of the linear programme that is left when whole numbers are held; those of an element's days are added up,
    as one kg more is lacking from some day on until the end. Nothing where a least rate or whole bags give more than is
    needed anyway.

    References
    ----------
    Shadow prices of linear programming, e.g. Dantzig 1963, Linear programming and extensions, ch. 12.
    """
    from scipy.optimize import linprog
    from scipy.sparse import csr_matrix, vstack

    model = solution.model
    rows, needs = rows_of(model, solution.rows)
    upper, whole = bounds_of_columns(model)
    held = np.where(whole > 0, np.round(solution.column), 0.0)
    bounds = list(zip(held.tolist(), np.where(whole > 0, held, upper).tolist(), strict=True))
    matrix = csr_matrix((rows.value, (rows.row, rows.column)), shape=(len(rows.low), model.columns.count))
    low, high = np.array(rows.low), np.array(rows.high)
    at_least, at_most = np.isfinite(low), np.isfinite(high)
    found = linprog(
        costs_of_columns(model),
        A_ub=vstack([-matrix[at_least], matrix[at_most]]),
        b_ub=np.concatenate([-low[at_least], high[at_most]]),
        bounds=bounds,
        method="highs",
    )
    if found.status != 0:
        return ()
    per_row = -np.asarray(found.ineqlin.marginals, dtype=float)[: len(needs)]
    price: dict[tuple[int, int], float] = {}
    for (zone, number, _), dual in zip(needs, per_row, strict=True):
        price[zone, number] = price.get((zone, number), 0.0) + dual
    return tuple(
        ShadowPrice(zone + 1, model.ask.paths[number].element, dual / float(model.ask.zone_area_ha[zone]))
        for (zone, number), dual in sorted(price.items())
    )


def binding_limits(solution: Solution, remodel: Callable[[Ask], Model]) -> tuple[Limit, ...]:
    """Limits without which, each for itself, the programme would be less behind; the one that helps most first.

    Parameters
    ----------
    remodel
        Builds the model of an ask: offers may depend on what is left out.
    """
    behind = _weighed(solution.model, solution.behind)
    if behind <= 0:
        return ()
    found = []
    for name, element, freed in _relaxed(solution.model.ask):
        model = remodel(freed).may_fall_behind(np.inf)
        bound = least(model, goal="behind", rows=solution.rows, how="relaxed")
        if bound is None or _weighed(model, bound.behind) > (1 - _LEAST_RELIEF) * behind:
            continue
        nearest = least(model, goal="behind", rows=bound.rows, how="rough")
        if nearest is not None:
            relief = 1 - _weighed(nearest.model, nearest.behind) / behind
            if relief > _LEAST_RELIEF:
                found.append(Limit(name, element, min(relief, 1.0)))
    return tuple(sorted(found, key=lambda limit: (-limit.relief, limit.name, limit.element)))


def limits_of_blend(blended: Solution, free: Solution, remodel: Callable[[Ask], Model]) -> tuple[Limit, ...]:
    """Limits that keep a blend behind: its one composition, and those that would keep rates of each product's own so.

    The relief of the composition is what such rates would spare; all are shares of what the blend leaves.

    Parameters
    ----------
    free
        The programme of the same ask whose products have rates of their own.
    """
    together, apart = (_weighed(made.model, made.behind) for made in (blended, free))
    if together <= 0:
        return ()
    spared = 1 - apart / together
    also = [replace(limit, relief=limit.relief * (1 - spared)) for limit in binding_limits(free, remodel)]
    own = [Limit("one_blend", relief=min(spared, 1.0))] if spared > _LEAST_RELIEF else []
    return tuple(sorted([*own, *also], key=lambda limit: (-limit.relief, limit.name, limit.element)))


def _weighed(model: Model, behind: FloatArray) -> float:
    short = np.array([path.short_cost for path in model.ask.paths])
    return float(np.asarray(model.ask.zone_area_ha) @ behind @ short)


def _relaxed(ask: Ask) -> Iterator[tuple[LimitName, str, Ask]]:
    """Every limit there is, and the ask without it."""
    yield from _without_amounts(ask)
    yield from _without_counts(ask)
    if any(seed_limit(when) is not None for when in ask.passes):
        passes = tuple(replace(when, placement="worked_in") for when in ask.passes)
        yield "with_seed", "", replace(ask, passes=passes)
    if any(when.products for when in ask.passes):
        yield "stated_products", "", replace(ask, passes=tuple(replace(when, products=()) for when in ask.passes))


def _without_amounts(ask: Ask) -> Iterator[tuple[LimitName, str, Ask]]:
    terms = ask.terms
    for element in sorted({e for when in ask.passes for e in cap_of(ask, when)}):
        passes = tuple(replace(when, cap_kg_ha=_without(when.cap_kg_ha, element)) for when in ask.passes)
        freed = replace(terms, cap_per_pass_kg_ha=_without(terms.cap_per_pass_kg_ha, element))
        yield "cap_per_pass", element, replace(ask, passes=passes, terms=freed)
    for element in sorted(terms.cap_per_season_kg_ha):
        freed = replace(terms, cap_per_season_kg_ha=_without(terms.cap_per_season_kg_ha, element))
        yield "cap_per_season", element, replace(ask, terms=freed)
    for element in sorted({path.element for path in ask.paths}):
        if most_over_kg_ha(ask, element, 0.0) is not None:
            freed = replace(terms, most_over_kg_ha={**terms.most_over_kg_ha, element: np.inf})
            yield "most_over", element, replace(ask, terms=freed)
    if np.isfinite(ask.max_rate_kg_ha) or any(when.max_rate_kg_ha is not None for when in ask.passes):
        passes = tuple(replace(when, max_rate_kg_ha=None) for when in ask.passes)
        yield "max_rate", "", replace(ask, max_rate_kg_ha=np.inf, passes=passes)


def _without_counts(ask: Ask) -> Iterator[tuple[LimitName, str, Ask]]:
    terms = ask.terms
    if terms.most_products is not None:
        yield "most_products", "", replace(ask, terms=replace(terms, most_products=None))
    if terms.most_passes is not None:
        yield "most_passes", "", replace(ask, terms=replace(terms, most_passes=None))
    for element in sorted(terms.organic_share):
        freed = replace(terms, organic_share=_without(terms.organic_share, element))
        yield "organic_share", element, replace(ask, terms=freed)
    if terms.spreading == "bins":
        yield "bins", "", replace(ask, terms=replace(terms, bins=len(ask.products)))


def _without(mapping: Mapping[str, float], key: str) -> dict[str, float]:
    return {element: amount for element, amount in mapping.items() if element != key}
