"""How many zones, and what each number is expected to lose."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from zonemap.errors import InputError
from zonemap.pipeline.choice import Candidate, by_fuzziness, by_value, fixed, losses_of
from zonemap.values.distribution import Distribution
from zonemap.values.grid import Grid
from zonemap.values.need import Costs, Need, NeedCurve
from zonemap.values.season import Product
from zonemap.values.surface import Evidence, Surface, Transform
from zonemap.values.zones import Memberships, Zones

EVIDENCE = Evidence(20, "found", 0.01, None, None, None)
POTASH = Product("potash", {"K": 0.498})
#: a field of two halves that need 10 and 30 kg/ha, nearly for certain
HALVES = np.repeat([10.0, 30.0], 50)
GRID = Grid("EPSG:32614", 0.0, 100.0, 10.0, np.full((10, 10), 100.0))


def losses(*, priced=True, cost_of_varying=None, spread=1e-6):
    curve = NeedCurve("K", "kg/ha", [0.0, 100.0], [0.0, 100.0])
    need = Need(curve, Costs(1.0, 1.0, priced), None, POTASH, date(2026, 5, 1), 1.0, None, None, 1.0)
    level = Distribution.normal(HALVES, np.full(100, spread))
    surface = Surface("K", "kg/ha", Transform("none"), level, EVIDENCE)
    return losses_of((need,), {"K": surface}, GRID, cost_of_varying=cost_of_varying)


def strips(count):
    """Strips of the field: two are its halves."""
    return Zones(1 + np.arange(100) * count // 100)


def candidate(count):
    return Candidate(strips(count), strips(count), None, ())


def test_losses_of_two_certain_halves_by_hand():
    # One rate anywhere from 10 to 30 is off by 10 on average, the halves' own rates never, and nothing by 20.
    found = losses()
    assert found.of_zones(found.flat()) == pytest.approx(10.0, abs=1e-3)
    assert found.of_zones(strips(2)) == pytest.approx(0.0, abs=1e-3)
    assert found.of_cells() == pytest.approx(0.0, abs=1e-3)
    assert found.of_nothing() == pytest.approx(20.0, abs=1e-3)


def test_zones_are_taken_as_long_as_each_saves_enough():
    choice = by_value(candidate, losses(), most=4)
    assert choice.zones.count == 2
    assert list(choice.loss) == [1, 2, 3, 4]


@pytest.mark.parametrize(("cost", "zones"), [(9.9, 2), (10.1, 1), (None, 2)])
def test_zones_that_save_less_than_varying_costs_are_not_taken(cost, zones):
    assert by_value(candidate, losses(cost_of_varying=cost), most=4).zones.count == zones


def test_more_zones_are_taken_where_only_they_are_worth_varying():
    def quarters_worth_more(count):
        # of two zones that cut the halves the wrong way nothing is saved; four hold the halves
        wrong = Zones(1 + np.arange(100) % 2)
        return candidate(4) if count == 4 else Candidate(wrong, wrong, None, ())

    assert by_value(quarters_worth_more, losses(cost_of_varying=9.0), most=4).zones.count == 4
    assert by_value(quarters_worth_more, losses(cost_of_varying=11.0), most=4).zones.count == 1


def test_a_cost_in_money_says_nothing_of_losses_that_are_not():
    assert losses(priced=False, cost_of_varying=1e6).cost_of_varying is None


def test_numbers_of_zones_that_cannot_be_told_apart_are_passed_over():
    def told_apart_from_three(count):
        return replace(candidate(count), alike=((1, 2),) if count == 2 else ())

    # four strips save as much as two; three save less
    assert by_value(told_apart_from_three, losses(), most=4).zones.count == 4
    assert by_value(told_apart_from_three, losses(), most=4, distinct=False).zones.count == 2
    assert by_value(told_apart_from_three, losses(), most=4).alike == {2: ((1, 2),)}


def test_the_least_fuzzy_number_is_taken():
    def fuzzy(count):
        sharp = 0.9 if count == 3 else 0.6
        grade = np.full((100, count), (1 - sharp) / (count - 1))
        grade[np.arange(100), strips(count).number - 1] = sharp
        return replace(candidate(count), memberships=Memberships(grade))

    choice = by_fuzziness(fuzzy, losses(), most=5)
    assert choice.zones.count == 3
    assert choice.memberships is not None
    assert min(choice.fuzziness, key=lambda count: choice.fuzziness[count]) == 3
    with pytest.raises(InputError, match="fuzzy_c_means"):
        by_fuzziness(candidate, losses())


def test_what_making_zones_workable_loses_is_kept():
    def shifted(count):
        moved = Zones(np.roll(strips(count).number, 10))
        return replace(candidate(count), zones=Zones(np.sort(moved.number)), grouped=strips(count))

    choice = fixed(shifted, losses(), count=2)
    assert choice.loss_as_grouped == pytest.approx(losses().of_zones(strips(2)), abs=1e-6)


def test_a_fixed_number_is_taken_whatever_it_saves():
    choice = fixed(candidate, losses(cost_of_varying=1e6), count=3)
    assert choice.zones.count == 3
    assert set(choice.loss) == {1, 3}


def test_of_very_many_cells_some_tell_the_mean_loss():
    side = 400
    grid = Grid("EPSG:32614", 0.0, 4000.0, 10.0, np.full((side, side), 100.0))
    curve = NeedCurve("K", "kg/ha", [0.0, 200.0], [0.0, 200.0])
    need = Need(curve, Costs(3.0, 1.0, priced=True), None, POTASH, None, 1.0, None, None, 1.0)
    centre = 100 + 30 * np.sin(np.arange(side * side) / 7000)
    surface = Surface("K", "kg/ha", Transform("none"), Distribution.normal(centre, np.full(side**2, 10.0)), EVIDENCE)

    found = losses_of((need,), {"K": surface}, grid)

    # Arithmetic: loss at the best rate of a normal need is (c_u + c_o) sigma phi(z), z the 0.75 quantile.
    assert found.counted.size < side**2
    assert found.of_cells() == pytest.approx(4 * 10 * 0.317777, rel=5e-3)
    rates = found.zone_rates(found.flat())[0]
    draws = centre + 10 * np.random.default_rng(0).standard_normal(side**2)
    charged = np.mean(3 * np.maximum(draws - rates, 0) + np.maximum(rates - draws, 0))
    assert found.of_zones(found.flat()) == pytest.approx(charged, rel=0.01)
