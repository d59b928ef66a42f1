"""Solving a programme: never behind where that can be, else as little behind as can be, and then at least cost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from zonemap.products.model import (
    Goal,
    Model,
    Row,
    bounds_of_columns,
    costs_of_columns,
    rows_of,
    ties_of_columns,
)
from zonemap.values.arrays import FloatArray

#: relative distance to the least cost that counts as none
_GAP = 1e-6
_SECONDS = 60.0
#: the same where a rough answer will do
_ROUGH_GAP = 5e-3
#: what remains behind is held to this much more than the least, for rounding
_SLACK = 1e-6


How = Literal["exact", "rough", "relaxed"]


@dataclass(frozen=True, slots=True)
class Solution:
    """A programme solved.

    Attributes
    ----------
    model
        What was solved, with the bounds on falling behind that could be held.
    column
        (columns,) values.
    rows
        Days on which not falling behind was asked for.
    gap
        Relative distance to the least possible cost, 0 where it is proven.
    """

    model: Model
    column: FloatArray
    rows: frozenset[Row]
    gap: float

    @property
    def rates(self) -> FloatArray:
        """(zones, offers) kg/ha; an offer that is not used is not spread by a last bit either."""
        first, offers = self.model.columns.used, len(self.model.offers)
        return self.model.rates_of(self.column) * (self.column[first : first + offers] > 0.5)

    @property
    def behind(self) -> FloatArray:
        """(zones, paths) how far each falls behind at the worst."""
        worst = [behind.max(axis=1) for behind in self.model.behind(self.rates)]
        return np.asarray(np.maximum(np.array(worst).T.reshape(self.model.zones, -1), 0.0), dtype=float)


def solve(model: Model) -> Solution | None:
    """Least cost among the programmes that fall behind the least; ``None`` where limits contradict one another.

    Being behind is weighed by what a kg short costs, over all zones and elements; a programme that is never behind is
    looked for first.
    """
    strict = least(model.may_fall_behind(0.0), goal="cost")
    if strict is not None:
        return strict
    nearest = least(model.may_fall_behind(np.inf), goal="behind")
    if nearest is None:
        return None
    allowed = nearest.behind + _SLACK * (1 + nearest.behind)
    return least(model.may_fall_behind(allowed), goal="cost", rows=nearest.rows)


def least(model: Model, *, goal: Goal, rows: frozenset[Row] | None = None, how: How = "exact") -> Solution | None:
    """Solve with the days that matter: those on which a solution is late are added until none is.

    The relaxation without whole numbers is cleared of late days first: it is quick.

    Parameters
    ----------
    how
        ``rough`` stops at half a hundredth of the best there can be and then adds no day; ``relaxed`` leaves whole
        numbers out, and so says what cannot be bettered.
    """
    rows = model.first_rows() if rows is None else rows | model.first_rows()
    for whole in (False,) if how == "relaxed" else (False, True):
        while True:
            solved = _solved(model, rows, goal=goal, whole=whole, how=how)
            if solved is None:
                return None
            column, gap = solved
            late = model.late_rows(model.rates_of(column)) if goal == "cost" else _later(model, column)
            if late <= rows or (how == "rough" and whole):
                break
            rows = rows | late
    return Solution(model, column, rows, gap)


def _later(model: Model, column: FloatArray) -> frozenset[Row]:
    """Days on which a solution is further behind than it says itself."""
    start = model.columns.behind
    own = column[start : start + model.behind_kg_ha.size].reshape(model.behind_kg_ha.shape)
    return model.may_fall_behind(own).late_rows(model.rates_of(column))


def _solved(
    model: Model, rows: frozenset[Row], *, goal: Goal, whole: bool, how: How
) -> tuple[FloatArray, float] | None:
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_matrix

    built, _ = rows_of(model, rows)
    upper, integral = bounds_of_columns(model)
    matrix = csr_matrix((built.value, (built.row, built.column)), shape=(len(built.low), model.columns.count))
    objective = objective_of(model, goal) + (ties_of_columns(model) if goal == "cost" else 0.0)
    scale = float(np.abs(objective).max()) or 1.0
    found = milp(
        objective / scale,
        constraints=LinearConstraint(matrix, np.array(built.low), np.array(built.high)),
        integrality=integral.astype(int) if whole else None,
        bounds=Bounds(np.zeros(upper.size), upper),
        options={
            "mip_rel_gap": _ROUGH_GAP if how == "rough" else _GAP,
            "time_limit": _SECONDS,
        },
    )
    if found.x is None:
        return None
    gap = float(found.mip_gap or 0.0) if whole else 0.0
    return np.asarray(found.x, dtype=float), 0.0 if gap <= 2 * _GAP else gap


def objective_of(model: Model, goal: Goal) -> FloatArray:
    """What is made least: money, or being behind weighed by what that costs."""
    if goal == "cost":
        return costs_of_columns(model)
    weight = np.zeros(model.columns.count)
    short = np.array([path.short_cost for path in model.ask.paths])
    weight[model.columns.behind : model.columns.over] = np.outer(model.ask.zone_area_ha, short).ravel()
    return weight
