"""What to put on and when: the least-cost programme, and the ready answers beside it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from zonemap.products.account import balances, purchases, trips
from zonemap.products.blend import PassBlend, apart, compositions
from zonemap.products.model import Model, costs_of_columns, trip_cost
from zonemap.products.offers import Offer, blend_offer, offers_of
from zonemap.products.prices import binding_limits, limits_of_blend, shadow_prices
from zonemap.products.reshare import reshared, worth
from zonemap.products.rounding import rounded
from zonemap.products.solve import Solution, solve
from zonemap.values.prescription import Application
from zonemap.values.programme import Answer, Ask, Balance, Limit, NeedPath, Programme, Programmes
from zonemap.values.season import Product
from zonemap.values.terms import Spreading

#: less than this share of the need, or of a thousandth of a kg/ha, is a last bit
_CRUMB = 1e-5
#: share of a season that is not worth saying that nothing holds it
_TRIFLE = 0.01
#: a blend this close to the least possible cost, relative, is the cheapest there is
_PROVEN = 1e-6
#: turns of rates and compositions, and the least gain, relative, for another
_MOST_TURNS, _TURN_GAINS = 12, 1e-5
#: pass -> parts of its blend
Blends = Sequence[tuple[int, tuple[tuple[Product, float], ...]]]
_ANSWERS: tuple[Answer, ...] = ("least_cost", "mineral", "organic")
_OF_TERMS: dict[str, Answer] = {"any": "least_cost", "none": "mineral", "all": "organic"}


def programmes(ask: Ask) -> Programmes:
    """Make the programme the terms ask for, and beside it the other ready answers and the other way of spreading.

    Parameters
    ----------
    ask
        Paths from the first day of the season on; what is lacking before anything can feed the crop is taken off here.

    Returns
    -------
    Programmes
        The programme of the terms first. Where no product holds anything that is lacking it spreads nothing.
    """
    chosen = _OF_TERMS[ask.terms.organic]
    own = ask.terms.spreading
    main = programme(ask, answer=chosen, spreading=own)
    others: list[Programme] = []
    unavailable: dict[str, str] = {}
    for answer in _ANSWERS:
        if answer != chosen:
            found = programme(_as_answer(ask, answer), answer=answer, spreading=own)
            if isinstance(found, str):
                unavailable[answer] = found
            else:
                others.append(found)
    if isinstance(main, str):
        unavailable[chosen] = main
        return Programmes(_nothing(ask, chosen, own), tuple(others), unavailable)
    other: Spreading = "separate" if own == "blend" else "blend"
    if own == "blend" or _several_at_once(main):
        alternative = programme(ask, answer=chosen, spreading=other)
        if isinstance(alternative, str):
            unavailable[other] = alternative
        else:
            others.append(alternative)
    return Programmes(main, tuple(others), unavailable)


def programme_alone(ask: Ask) -> Programmes:
    """Make the programme the terms ask for and nothing beside it, for a first look."""
    answer = _OF_TERMS[ask.terms.organic]
    main = programme(ask, answer=answer, spreading=ask.terms.spreading)
    if isinstance(main, str):
        return Programmes(_nothing(ask, answer, ask.terms.spreading), (), {answer: main})
    return Programmes(main)


def programme(ask: Ask, *, answer: Answer = "least_cost", spreading: Spreading = "separate") -> Programme | str:
    """Make one programme: never behind where that can be, else as little as can be, and then at the least cost.

    Ties in cost go to fewer trips, then to later days, then to the product named first.

    Parameters
    ----------
    answer
        ``mineral`` and ``organic`` leave out all products of the other source.

    Returns
    -------
    Programme or str
        Or why there is none.
    """
    sources = {"least_cost": ("mineral", "organic"), "mineral": ("mineral",), "organic": ("organic",)}[answer]
    ask = replace(ask, products=tuple(product for product in ask.products if product.source in sources))
    lacking = [path.element for path in ask.paths if is_lacking(path)]
    offers = offers_of(ask.products, ask.passes, ask.paths)
    missing = tuple(e for e in lacking if not any(offer.given(e) > 0 for offer in offers))
    if not offers:
        if not lacking:
            return _nothing(ask, answer, spreading)
        return f"no {'' if answer == 'least_cost' else answer + ' '}product holds what is lacking"
    ask = _from_first_day(ask, offers)
    if not offers_of(ask.products, ask.passes, ask.paths):  # all that is lacking is lacking before anything could feed
        return replace(_nothing(ask, answer, spreading), missing=missing)

    def remodel(other: Ask) -> Model:
        again = offers_of(other.products, other.passes, other.paths)
        nothing = np.zeros((other.zones, len(other.paths)))
        return Model(other, again, nothing, side_by_side=spreading == "bins")

    solution = solve(remodel(ask))
    if solution is None:
        return "the limits contradict one another, whatever is spread"
    free = solution
    found = compositions(free, ask) if spreading == "blend" else ()
    if spreading == "blend":
        blended = _blended(free, found)
        if isinstance(blended, str):
            return blended
        solution = blended
    made = _made(solution, answer, spreading)
    behind = any(np.any(balance.behind_kg_ha > 0) for balance in made.balances)
    limits = _binding(solution, free, remodel) if behind else ()
    gap = _gap(solution, free, found) if spreading == "blend" else solution.gap
    proven = gap == 0.0 and (spreading != "blend" or not behind)
    return replace(made, missing=missing, binding=limits, proven=proven, gap=gap)


def _binding(solution: Solution, free: Solution, remodel: Callable[[Ask], Model]) -> tuple[Limit, ...]:
    return binding_limits(free, remodel) if solution is free else limits_of_blend(solution, free, remodel)


def is_lacking(path: NeedPath) -> bool:
    """Whether more than a trifle is lacking anywhere: a hundredth of what the crop asks."""
    return float(path.need_kg_ha.max()) > max(_CRUMB, _TRIFLE * path.total_kg_ha)


def _as_answer(ask: Ask, answer: Answer) -> Ask:
    """Return the ask of another answer: a share of organic products is no limit of one that has or lacks them all."""
    terms = ask.terms if answer == "least_cost" else replace(ask.terms, organic_share={})
    return replace(ask, terms=replace(terms, organic="any"))


def _several_at_once(made: Programme) -> bool:
    days = [dose.on for dose in made.doses]
    return len(set(days)) < len(days)


def _from_first_day(ask: Ask, offers: Sequence[Offer]) -> Ask:
    """Take off what is lacking before any offer can feed the crop; leave out elements that no offer holds."""
    paths = []
    for path in ask.paths:
        if not any(offer.given(path.element) > 0 for offer in offers):
            continue
        first = min((_first_fed(o, path) for o in offers if o.given(path.element) > 0), default=0)
        paths.append(_since(path, first))
    return replace(ask, paths=tuple(paths))


def _first_fed(offer: Offer, path: NeedPath) -> int:
    return int(np.argmax(offer.gives[path.element] > 0))


def _since(path: NeedPath, first: int) -> NeedPath:
    if first == 0:
        return path
    lost = path.lacking_kg_ha[:, first - 1]
    lacking = np.maximum(path.lacking_kg_ha - lost[:, None], 0.0)
    return replace(path, lacking_kg_ha=lacking, lost_kg_ha=path.lost_kg_ha + lost)


def _blended(free: Solution, found: Sequence[PassBlend]) -> Solution | str:
    """Return the same with one blend a pass: rates and compositions are sought in turns until neither gets better."""
    if not found:
        return "the products that are needed must not be blended with one another"
    starts: list[Blends] = [[(position, parts) for position, parts, _ in found]]
    if len(found) > 1:  # one pass is solved to its optimum already
        starts.append(_on_average(free))
    best: Solution | None = None
    for start in starts:
        made = _in_turns(free, start)
        if made is not None and (best is None or _better(made, best)):
            best = made
    if best is None or worth(best)[0] > worth(free)[0] + _TURN_GAINS:
        best = _alone(free, best)
    return best or "the limits contradict one another for a blend"


def _alone(free: Solution, best: Solution | None) -> Solution | None:
    """Return the better of a blend and the single products in its place: where a mix must fall behind, one may less."""
    positions = sorted({offer.position for offer in free.model.offers})
    for name in dict.fromkeys(offer.product.name for offer in free.model.offers):
        held = {o.position: o.product for o in free.model.offers if o.product.name == name}
        made = _of_blends(free, [(position, ((held[position], 1.0),)) for position in positions if position in held])
        if made is not None and (best is None or _better(made, best)):
            best = made
    return best


def _in_turns(free: Solution, start: Blends) -> Solution | None:
    """Rates and compositions sought in turns, from given compositions, until neither gets better."""
    best = _of_blends(free, start)
    for _ in range(_MOST_TURNS):
        parts = () if best is None else reshared(best, free.model.offers)
        other = _of_blends(free, parts) if parts else None
        if best is None or other is None or not _better(other, best):
            break
        best = other
    return best


def _on_average(free: Solution) -> Blends:
    """Compositions of what a programme of free rates puts on over the whole field, where they may be blended."""
    model, ask = free.model, free.model.ask
    kg = np.asarray(ask.zone_area_ha) @ free.rates
    blends = []
    for position in sorted({offer.position for offer in model.offers}):
        here = [n for n, offer in enumerate(model.offers) if offer.position == position and kg[n] > 0]
        products = [model.offers[n].product for n in here]
        if here and not apart(products, ask):
            total = sum(kg[n] for n in here)
            blends.append((position, tuple((model.offers[n].product, float(kg[n] / total)) for n in here)))
    return tuple(blends)


def _better(one: Solution, other: Solution) -> bool:
    """Whether a programme is less behind, or no more behind and cheaper."""
    (behind, cost), (was_behind, was_cost) = worth(one), worth(other)
    if abs(behind - was_behind) > _TURN_GAINS * (1e-6 + was_behind):
        return behind < was_behind
    return cost < was_cost * (1 - _TURN_GAINS)


def _of_blends(free: Solution, parts_of: Blends) -> Solution | None:
    """Best rates of blends of given parts, one a pass."""
    if not parts_of:
        return None
    model = free.model
    offers = []
    for position, parts in parts_of:
        if len(parts) == 1:
            name = parts[0][0].name
            offers.append(next(o for o in model.offers if o.position == position and o.product.name == name))
            continue
        name = "blend" if len(parts_of) == 1 else f"blend {position + 1}"
        offers.append(blend_offer(parts, position, model.ask.passes[position], model.ask.paths, name=name))
    return solve(Model(model.ask, tuple(offers), np.zeros_like(model.behind_kg_ha)))


def _gap(solution: Solution, free: Solution, found: Sequence[PassBlend]) -> float:
    """How much cheaper than a blend any other could be at most, relative; 0 where none is cheaper."""
    cost, least_cost = _spent(solution), _spent(free)
    if len(found) == 1:
        trips = trip_cost(free.model.ask, found[0][0])
        least_cost = max(least_cost, found[0][2].least_cost + trips)
    gap = max(1 - least_cost / cost, 0.0) if cost > 0 else 0.0
    return 0.0 if gap <= _PROVEN else gap


def _spent(solution: Solution) -> float:
    return float(costs_of_columns(solution.model) @ solution.column)


def _nothing(ask: Ask, answer: Answer, spreading: Spreading) -> Programme:
    none = np.zeros(ask.zones)
    balances = tuple(Balance(path, np.zeros_like(path.lacking_kg_ha), none) for path in ask.paths)
    missing = tuple(path.element for path in ask.paths if is_lacking(path))
    return Programme(answer, spreading, (), balances, (), 0, 0.0, missing)


def _made(solution: Solution, answer: Answer, spreading: Spreading) -> Programme:
    """Doses, balances and purchases at the rates that the machine can spread."""
    model, ask = solution.model, solution.model.ask
    planned = solution.rates
    rate = rounded(model, planned)
    doses = tuple(
        Application(offer.product, ask.passes[offer.position].on, planned[:, n], rate[:, n], offer.parts)
        for n, offer in enumerate(model.offers)
        if rate[:, n].max(initial=0.0) > 0
    )
    used = [offer for n, offer in enumerate(model.offers) if rate[:, n].max(initial=0.0) > 0]
    crossed, cost = trips(ask, (offer.position for offer in used), spreading)
    return Programme(
        answer,
        spreading,
        doses,
        balances(ask.paths, model.offers, rate),
        purchases(ask, doses),
        crossed,
        cost,
        shadow=() if spreading == "blend" else shadow_prices(solution),
    )
