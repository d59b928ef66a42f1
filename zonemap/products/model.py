"""The programme as a mixed-integer linear programme: columns, rows, and days that are added as they are needed.

Columns, in order: rates x (zones x offers), whether an offer is spread in a zone (only where the machine has a least
rate), whether an offer is used, whether a pass is used, whether a product is used, what is bought, how far an element
falls behind in a zone, and how much of it is over.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Literal

import numpy as np

from zonemap.products.offers import Offer
from zonemap.products.salt import seed_row_limit_kg_ha
from zonemap.units import K2O_PER_K
from zonemap.values.arrays import FloatArray
from zonemap.values.programme import Ask, NeedPath
from zonemap.values.season import Product
from zonemap.values.terms import Pass

#: no programme puts on more than this
_MOST_KG_HA = 1e5
#: shares of the cost scale that break ties: one trip more; the order of products
_TRIP_TIE, _LATE_TIE, _ORDER_TIE = 1e-4, 1e-5, 1e-6
#: a stand-in price of a product without one, in multiples of the dearest
_UNPRICED = 10.0
_ALL = ""
#: of a need, to choose days by
_SHARES = (0.02, 0.1, 0.3, 0.6, 0.85)
#: of a season, to look for late days in
_PARTS = 6
#: where the user names no bound: nitrogen and phosphorus, which harm water, at most this share of the need beyond it,
#: or so many kg/ha where that is more. Our choice: products that release slowly would else be heaped up to be in time.
_OVER_BY_DEFAULT = {"N": (0.5, 20.0), "P": (0.5, 10.0)}

#: (zone, path, day) of a row that says: never behind on that day
Row = tuple[int, int, int]
Goal = Literal["cost", "behind"]


@dataclass(frozen=True)
class Model:
    """One programme to be solved.

    Attributes
    ----------
    ask, offers
        What is asked, and what may be spread.
    behind_kg_ha
        (zones, paths) how far behind each may fall.
    side_by_side
        Whether the offers of one pass share a trip.
    """

    ask: Ask
    offers: tuple[Offer, ...]
    behind_kg_ha: FloatArray
    side_by_side: bool = False

    @property
    def zones(self) -> int:
        """How many zones."""
        return self.ask.zones

    @cached_property
    def least_kg_ha(self) -> FloatArray:
        """(offers,) least rate that can be spread, a multiple of the machine's step."""
        return np.array([self._on_step(self._limits(offer)[0], up=True) for offer in self.offers])

    @cached_property
    def most_kg_ha(self) -> FloatArray:
        """(offers,) largest rate that can be spread, a multiple of the machine's step."""
        return np.array([self._on_step(self._limits(offer)[1], up=False) for offer in self.offers])

    def _limits(self, offer: Offer) -> tuple[float, float]:
        """Least and largest rate of the pass of an offer, or of the spreader."""
        when = self.ask.passes[offer.position]
        least = self.ask.min_rate_kg_ha if when.min_rate_kg_ha is None else when.min_rate_kg_ha
        return least, self.ask.max_rate_kg_ha if when.max_rate_kg_ha is None else when.max_rate_kg_ha

    def _on_step(self, rate_kg_ha: float, *, up: bool) -> float:
        step = self.ask.step_kg_ha
        if not step or not np.isfinite(rate_kg_ha):
            return rate_kg_ha
        return float(step * (np.ceil(rate_kg_ha / step - 1e-9) if up else np.floor(rate_kg_ha / step + 1e-9)))

    @cached_property
    def products(self) -> tuple[Product, ...]:
        """Products on offer, each once, in order."""
        return tuple({offer.product.name: offer.product for offer in self.offers}.values())

    @cached_property
    def counted(self) -> tuple[Product, ...]:
        """Products of which it matters how much is bought: there is some on hand, or it comes in whole bags."""
        return tuple(p for p in self.products if p.on_hand_kg > 0 or self.by_the_bag(p))

    def by_the_bag(self, product: Product) -> bool:
        """Whether a product is bought in whole bags."""
        return bool(self.ask.terms.whole_bags) and product.bag_kg is not None

    @cached_property
    def most_useful(self) -> FloatArray:
        """(zones, offers) rates beyond which nothing is gained."""
        most = np.zeros((self.zones, len(self.offers)))
        for column, offer in enumerate(self.offers):
            for path in self.ask.paths:
                gives = offer.gives.get(path.element)
                if gives is not None:
                    useful = gives > 1e-9
                    with np.errstate(over="ignore"):
                        wanted = (path.lacking_kg_ha[:, useful] / gives[useful]).max(axis=1, initial=0.0)
                    most[:, column] = np.maximum(most[:, column], wanted)
        # a least rate may be more than is useful: it must stay possible
        most = np.where(most > 0, np.maximum(most, self.least_kg_ha), 0.0)
        most = np.minimum(np.minimum(most, self._most_allowed()), np.minimum(self.most_kg_ha, _MOST_KG_HA))
        return np.where(most < self.least_kg_ha, 0.0, most)

    def _most_allowed(self) -> FloatArray:
        """(zones, offers) rates beyond which one offer alone would break a bound on what is over, or a cap."""
        most = np.full((self.zones, len(self.offers)), np.inf)
        for column, offer in enumerate(self.offers):
            for path in self.ask.paths:
                gives = offer.given(path.element)
                for zone, need in enumerate(path.need_kg_ha):
                    over = most_over_kg_ha(self.ask, path.element, float(need))
                    if over is not None and gives > 0:
                        most[zone, column] = min(most[zone, column], (need + over) / gives)
            caps = {**self.ask.terms.cap_per_season_kg_ha}
            for element, cap in cap_of(self.ask, self.ask.passes[offer.position]).items():
                caps[element] = min(cap, caps.get(element, np.inf))
            for element, cap in caps.items():
                if offer.product.analysis.get(element, 0.0) > 0:
                    most[:, column] = np.minimum(most[:, column], cap / offer.product.analysis[element])
        return most

    @cached_property
    def columns(self) -> Columns:
        """Where everything is."""
        rates = self.zones * len(self.offers)
        spread = rates if self.least_kg_ha.any() else 0
        sizes = (
            rates, spread, len(self.offers), len(self.ask.passes), len(self.products), len(self.counted),
            self.behind_kg_ha.size, self.behind_kg_ha.size,
        )  # fmt: skip
        return Columns(*np.concatenate([[0], np.cumsum(sizes)]).tolist())

    def first_rows(self) -> frozenset[Row]:
        """The last day, the eve of every day on which something more becomes available, and some between.

        Those between, where a few shares of a zone's need are lacking, are for products that release slowly.
        """
        rows: set[Row] = set()
        for number, path in enumerate(self.ask.paths):
            days = {path.lacking_kg_ha.shape[1] - 1}
            slow = False
            for offer in self.offers:
                gives = offer.gives.get(path.element)
                if gives is None or gives[-1] <= 0:
                    continue
                first = int(np.argmax(gives > 0))
                days |= {first - 1} if first else set()
                slow |= bool(gives[first] < gives[-1] * (1 - 1e-9))
            rows |= {(zone, number, day) for zone in range(self.zones) for day in days}
            if slow:
                rows |= {(zone, number, day) for zone in range(self.zones) for day in _between(path, zone)}
        return frozenset(rows)

    def rates_of(self, solution: FloatArray) -> FloatArray:
        """(zones, offers) rates of a solution."""
        return np.maximum(solution[: self.columns.spread].reshape(self.zones, len(self.offers)), 0.0)

    def behind(self, rates: FloatArray) -> list[FloatArray]:
        """(paths) (zones, days) how far release is behind what is lacking, negative where it is ahead."""
        return [path.lacking_kg_ha - given(path, self.offers, rates) for path in self.ask.paths]

    def late_rows(self, rates: FloatArray) -> frozenset[Row]:
        """Of every zone and element that falls further behind than it may, the worst day of each part of the season.

        The season is parted where offers start to feed; several days at a time spare many rounds.
        """
        rows = set()
        for number, behind in enumerate(self.behind(rates)):
            excess = behind - self.behind_kg_ha[:, number, None]
            slack = 2e-6 + 1e-6 * self.ask.paths[number].need_kg_ha
            for first, end in pairwise(self._parts(number)):
                day = first + excess[:, first:end].argmax(axis=1)
                late = excess[np.arange(self.zones), day] > slack
                rows |= {(int(zone), number, int(day[zone])) for zone in np.flatnonzero(late)}
        return frozenset(rows)

    def _parts(self, number: int) -> list[int]:
        """First days of the parts of a path's season, and its end."""
        path = self.ask.paths[number]
        days = path.lacking_kg_ha.shape[1]
        starts = {int(np.argmax(o.gives[path.element] > 0)) for o in self.offers if o.given(path.element) > 0}
        return sorted({0, days, *starts, *range(0, days, max(days // _PARTS, 1))})

    def may_fall_behind(self, behind_kg_ha: FloatArray | float) -> Model:
        """Return the same with other bounds on falling behind."""
        return replace(self, behind_kg_ha=np.broadcast_to(behind_kg_ha, self.behind_kg_ha.shape).astype(float))


def _between(path: NeedPath, zone: int) -> set[int]:
    """Days by which a few shares of a zone's need are lacking."""
    lacking = path.lacking_kg_ha[zone]
    return {int(np.searchsorted(lacking, share * lacking[-1])) for share in _SHARES} if lacking[-1] > 0 else set()


@dataclass(frozen=True, slots=True)
class Columns:
    """First column of each kind, and how many there are in all."""

    rate: int
    spread: int
    used: int
    passed: int
    product: int
    bought: int
    behind: int
    over: int
    count: int


def given(path: NeedPath, offers: Sequence[Offer], rates: FloatArray) -> FloatArray:
    """(zones, days) what has become available of an element by the end of each day."""
    total = np.zeros_like(path.lacking_kg_ha)
    for column, offer in enumerate(offers):
        if path.element in offer.gives:
            total = total + rates[:, column, None] * offer.gives[path.element]
    return total


@dataclass
class Rows:
    """Rows of the programme as they are added: low <= sum of value x column <= high."""

    row: list[int]
    column: list[int]
    value: list[float]
    low: list[float]
    high: list[float]

    def add(self, terms: Iterable[tuple[int, float]], *, low: float = -np.inf, high: float = np.inf) -> int:
        """Add one row and return its number."""
        number = len(self.low)
        for column, value in terms:
            if value:
                self.row.append(number)
                self.column.append(column)
                self.value.append(float(value))
        self.low.append(low)
        self.high.append(high)
        return number


def rows_of(model: Model, need_rows: Iterable[Row]) -> tuple[Rows, list[Row]]:
    """All rows; those of the needs first, in the order returned."""
    rows = Rows([], [], [], [], [])
    ordered = sorted(row for row in need_rows if model.ask.paths[row[1]].lacking_kg_ha[row[0], row[2]] > 0)
    for zone, number, day in ordered:
        path = model.ask.paths[number]
        terms = _gives(model, zone, path, day)
        terms.append((_behind_at(model, zone, number), 1.0))
        rows.add(terms, low=float(path.lacking_kg_ha[zone, day]))
    _link_rates(model, rows)
    _count(model, rows)
    _buy(model, rows)
    for zone in range(model.zones):
        _caps(model, rows, zone)
        _over(model, rows, zone)
    _organic(model, rows)
    return rows, ordered


def _rate_at(model: Model, zone: int, offer: int) -> int:
    return zone * len(model.offers) + offer


def _behind_at(model: Model, zone: int, path: int) -> int:
    return model.columns.behind + zone * len(model.ask.paths) + path


def _gives(model: Model, zone: int, path: NeedPath, day: int) -> list[tuple[int, float]]:
    return [
        (_rate_at(model, zone, number), float(offer.gives[path.element][day]))
        for number, offer in enumerate(model.offers)
        if path.element in offer.gives
    ]


def _link_rates(model: Model, rows: Rows) -> None:
    """No rate without the offer being used; none below the machine's least."""
    columns, offers = model.columns, len(model.offers)
    for zone in range(model.zones):
        for offer in range(offers):
            rate, most = _rate_at(model, zone, offer), float(model.most_useful[zone, offer])
            if model.least_kg_ha.any():
                spread = columns.spread + rate
                rows.add([(rate, 1.0), (spread, -most)], high=0.0)
                rows.add([(rate, 1.0), (spread, -float(model.least_kg_ha[offer]))], low=0.0)
                rows.add([(spread, 1.0), (columns.used + offer, -1.0)], high=0.0)
            else:
                rows.add([(rate, 1.0), (columns.used + offer, -most)], high=0.0)


def _count(model: Model, rows: Rows) -> None:
    """Passes and products in use, and what fits side by side."""
    columns, terms = model.columns, model.ask.terms
    names = [product.name for product in model.products]
    for number, offer in enumerate(model.offers):
        rows.add([(columns.used + number, 1.0), (columns.passed + offer.position, -1.0)], high=0.0)
        rows.add([(columns.used + number, 1.0), (columns.product + names.index(offer.product.name), -1.0)], high=0.0)
    if terms.most_passes is not None:
        rows.add([(columns.passed + number, 1.0) for number in range(len(model.ask.passes))], high=terms.most_passes)
    if terms.most_products is not None and not any(offer.parts for offer in model.offers):
        rows.add([(columns.product + number, 1.0) for number in range(len(names))], high=terms.most_products)
    if model.side_by_side:
        for position in range(len(model.ask.passes)):
            here = [number for number, offer in enumerate(model.offers) if offer.position == position]
            rows.add([(columns.used + number, 1.0) for number in here], high=terms.bins)


def _buy(model: Model, rows: Rows) -> None:
    """What is bought covers what is spread beyond what is on hand; in bags where it comes in bags."""
    for number, product in enumerate(model.counted):
        unit = product.bag_kg if model.by_the_bag(product) and product.bag_kg else 1.0
        terms = [(model.columns.bought + number, unit)]
        terms += [(column, -area) for column, area in _total(model, product.name)]
        rows.add(terms, low=-product.on_hand_kg)


def _total(model: Model, name: str) -> list[tuple[int, float]]:
    """Kg of a product in all, as (rate column, area)."""
    return [
        (_rate_at(model, zone, number), float(area))
        for zone, area in enumerate(model.ask.zone_area_ha)
        for number, offer in enumerate(model.offers)
        if offer.product.name == name
    ]


def _caps(model: Model, rows: Rows, zone: int) -> None:
    """Most of an element at once, in the season, and with the seed."""
    terms = model.ask.terms
    for position, when in enumerate(model.ask.passes):
        here = [(n, offer) for n, offer in enumerate(model.offers) if offer.position == position]
        for element, cap in cap_of(model.ask, when).items():
            rows.add([(_rate_at(model, zone, n), o.product.analysis.get(element, 0.0)) for n, o in here], high=cap)
        limit = seed_limit(when)
        if limit is not None:
            rows.add([(_rate_at(model, zone, n), seed_salt(o.product)) for n, o in here], high=limit)
    for element, cap in terms.cap_per_season_kg_ha.items():
        applied = [(_rate_at(model, zone, n), o.product.analysis.get(element, 0.0)) for n, o in enumerate(model.offers)]
        rows.add(applied, high=cap)


def cap_of(ask: Ask, when: Pass) -> dict[str, float]:
    """Element -> most on a pass, kg/ha: the smaller of the pass's own and that of the terms."""
    caps = dict(ask.terms.cap_per_pass_kg_ha)
    for element, cap in when.cap_kg_ha.items():
        caps[element] = min(cap, caps.get(element, np.inf))
    return caps


def seed_limit(when: Pass) -> float | None:
    """Most N + K2O with the seed, kg/ha; ``None`` where nothing is placed there."""
    if when.placement != "with_seed" or when.row_spacing_m is None:
        return None
    return seed_row_limit_kg_ha(row_spacing_m=when.row_spacing_m, soil="sandy" if when.sandy else "medium_fine")


def seed_salt(product: Product) -> float:
    """Kg of N + K2O in a kg of product."""
    return product.analysis.get("N", 0.0) + K2O_PER_K * product.analysis.get("K", 0.0)


def _over(model: Model, rows: Rows, zone: int) -> None:
    """Bounds on what is available beyond the need, and what it costs."""
    terms = model.ask.terms
    for number, path in enumerate(model.ask.paths):
        end = path.lacking_kg_ha.shape[1] - 1
        gives = _gives(model, zone, path, end)
        need = float(path.need_kg_ha[zone])
        most = most_over_kg_ha(model.ask, path.element, need)
        if most is not None:
            rows.add(gives, high=need + most)
        if terms.cost_of_over.get(path.element):
            over = model.columns.over + zone * len(model.ask.paths) + number
            rows.add([(over, 1.0), *((column, -value) for column, value in gives)], low=-need)


def most_over_kg_ha(ask: Ask, element: str, need_kg_ha: float) -> float | None:
    """Most of an element that may become available beyond the need; ``None`` for any amount."""
    if element in ask.terms.most_over_kg_ha:
        return ask.terms.most_over_kg_ha[element]
    if element in _OVER_BY_DEFAULT:
        share, least = _OVER_BY_DEFAULT[element]
        return max(share * need_kg_ha, least)
    return None


def _organic(model: Model, rows: Rows) -> None:
    """Least share from organic products, of an element or of all elements together."""
    for element, share in model.ask.terms.organic_share.items():
        terms = []
        for zone, area in enumerate(model.ask.zone_area_ha):
            for number, offer in enumerate(model.offers):
                counted = organic_parts(offer, element)
                terms.append((_rate_at(model, zone, number), area * (counted[0] - share * counted[1])))
        rows.add(terms, low=0.0)


def organic_parts(offer: Offer, element: str) -> tuple[float, float]:
    """Kg of an element (``""`` for all) in a kg of the offer: from organic products, and in all."""
    parts = offer.parts or ((offer.product, 1.0),)
    organic = total = 0.0
    for product, share in parts:
        content = sum(product.analysis.values()) if element == _ALL else product.analysis.get(element, 0.0)
        total += share * content
        organic += share * content * (product.source == "organic")
    return organic, total


def prices_of(products: Sequence[Product]) -> dict[str, float]:
    """Product -> money per kg; without a price ten times the dearest, or 1 where none has one.

    So that a priced product goes before an unpriced one, and the richest goes first where none is priced.
    """
    known = [product.price_per_kg for product in products if product.price_per_kg is not None]
    stand_in = _UNPRICED * max(known, default=0.0) or 1.0
    return {p.name: stand_in if p.price_per_kg is None else p.price_per_kg for p in products}


def trip_cost(ask: Ask, position: int) -> float:
    """Money for crossing the whole field once on a pass."""
    own = ask.passes[position].cost_of_trip_ha
    return (ask.terms.cost_of_trip_ha if own is None else own) * float(ask.zone_area_ha.sum())


def costs_of_columns(model: Model) -> FloatArray:
    """Money a unit of every column costs."""
    ask, columns = model.ask, model.columns
    cost, price = np.zeros(columns.count), prices_of(model.products)
    counted = [product.name for product in model.counted]
    for number, offer in enumerate(model.offers):
        if offer.product.name not in counted:
            for zone, area in enumerate(ask.zone_area_ha):
                cost[_rate_at(model, zone, number)] = price[offer.product.name] * area
        if not model.side_by_side:
            cost[columns.used + number] = trip_cost(ask, offer.position)
    for number, product in enumerate(model.counted):
        unit = product.bag_kg if model.by_the_bag(product) and product.bag_kg else 1.0
        cost[columns.bought + number] = price[product.name] * unit
    if model.side_by_side:
        for position in range(len(ask.passes)):
            cost[columns.passed + position] = trip_cost(ask, position)
    for zone, area in enumerate(ask.zone_area_ha):
        for number, path in enumerate(ask.paths):
            cost[columns.over + zone * len(ask.paths) + number] = area * ask.terms.cost_of_over.get(path.element, 0.0)
    return cost


def ties_of_columns(model: Model) -> FloatArray:
    """What breaks ties in cost: fewer trips, then later days, then the order in which products are named."""
    ask, columns = model.ask, model.columns
    price = prices_of(model.products)
    scale = max(float(model.most_useful.max(initial=0.0)) * max(price.values()) * float(ask.zone_area_ha.sum()), 1e-9)
    tie = np.zeros(columns.count)
    trips = columns.passed if model.side_by_side else columns.used
    tie[trips : trips + (len(ask.passes) if model.side_by_side else len(model.offers))] = _TRIP_TIE * scale
    names = [product.name for product in model.products]
    last = max(len(ask.passes) - 1, 1)
    for number, offer in enumerate(model.offers):
        early = (len(ask.passes) - 1 - offer.position) / last
        rank = names.index(offer.product.name) / len(names)
        for zone, area in enumerate(ask.zone_area_ha):
            per_kg = max(price[offer.product.name], 1e-6) * area
            tie[_rate_at(model, zone, number)] = per_kg * (_LATE_TIE * early + _ORDER_TIE * rank)
    return tie


def bounds_of_columns(model: Model) -> tuple[FloatArray, FloatArray]:
    """Largest value of every column, and 1 where it is a whole number."""
    columns = model.columns
    upper, whole = np.full(columns.count, np.inf), np.zeros(columns.count)
    upper[: columns.spread] = model.most_useful.ravel()
    upper[columns.spread : columns.bought] = 1.0
    whole[columns.spread : columns.bought] = 1
    for number, product in enumerate(model.counted):
        whole[columns.bought + number] = model.by_the_bag(product)
    upper[columns.behind : columns.over] = model.behind_kg_ha.ravel()
    return upper, whole
