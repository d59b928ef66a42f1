"""Causes are named where they can apply, and only there."""

from datetime import date

from zonemap.agronomy.disagreement import possible_causes
from zonemap.values.basis import Basis

RESIN = Basis("resin", burial_days=4, depth_cm=15)
EXTRACT = Basis("extract", "Mehlich-3", depth_cm=15)
MARCH, JUNE = date(2026, 3, 28), date(2026, 6, 20)


def _texts(*arguments, collected=(MARCH, MARCH)):
    return " ".join(text for _, text in possible_causes(*arguments, collected=collected))


def test_where_nothing_disagrees_nothing_is_supposed():
    assert possible_causes(RESIN, EXTRACT, (), collected=(MARCH, JUNE)) == ()


def test_clay_and_lime_are_causes_of_extracts():
    assert "clay layers" in _texts(RESIN, EXTRACT, ("K",))
    assert "limy soil" in _texts(EXTRACT, RESIN, ("P",))
    assert "clay layers" not in _texts(RESIN, Basis("paste", depth_cm=15), ("K",))


def test_dates_are_a_cause_for_what_moves():
    assert "between the two dates" in _texts(RESIN, EXTRACT, ("N", "K"), collected=(MARCH, JUNE))
    assert "if the dates differ" in _texts(RESIN, EXTRACT, ("S",), collected=(MARCH, None))
    assert "leached" not in _texts(RESIN, EXTRACT, ("N",))
    assert "leached" not in _texts(RESIN, EXTRACT, ("K",), collected=(MARCH, JUNE))


def test_depths_are_a_cause_between_soils_only():
    assert "Depths of 15 and 30 cm" in _texts(RESIN, Basis("resin", burial_days=4, depth_cm=30), ("K",))
    assert "not stated" in _texts(RESIN, Basis("resin", burial_days=4), ("K",))
    assert "epth" not in _texts(RESIN, Basis("tissue"), ("K",))


def test_burial_times_are_a_cause_between_resins():
    assert "Burials of 4 and 14 days" in _texts(RESIN, Basis("resin", burial_days=14, depth_cm=15), ("K",))
