"""Conversion factors against published figures."""

import pytest

from zonemap import units


def test_oxide_factors_follow_from_atomic_weights():
    # Arithmetic from the IUPAC 2021 atomic weights.
    assert pytest.approx(2.2913, abs=5e-5) == units.P2O5_PER_P
    assert pytest.approx(1.2046, abs=5e-5) == units.K2O_PER_K


def test_oxide_factors_agree_with_a_printed_manual():
    # LibreTexts soil laboratory manual prints 2.29 and 1.21 (the latter a hundredth high).
    assert round(units.P2O5_PER_P, 2) == 2.29
    assert pytest.approx(1.21, abs=0.006) == units.K2O_PER_K


def test_a_wrong_potassium_factor_from_a_handout_is_not_ours():
    # A county handout prints K = K2O / 1.12, which is wrong.
    assert abs(units.K2O_PER_K - 1.12) > 0.08


def test_pounds_per_acre():
    # NIST SP 811 factors: 1 lb = 0.45359237 kg, 1 ac = 4046.8564224 m2.
    assert pytest.approx(1.120851, abs=5e-7) == units.KG_HA_PER_LB_AC
    assert pytest.approx(4046.8564224, abs=1e-7) == units.M2_PER_AC


def test_a_capsule_counts_a_hundredth_of_a_kilogram_per_hectare():
    # 1 ug per 10 cm2 on a plane (arithmetic).
    assert pytest.approx(0.01, rel=1e-12) == units.KG_HA_PER_UG_10CM2


def test_nitrate_and_nitrate_nitrogen():
    # 10 mg/L NO3-N = 44.3 mg/L NO3 (the usual drinking water equivalence).
    assert round(10 * units.NO3_PER_NO3_N, 1) == 44.3


def test_label_forms_are_masses_of_the_element():
    element, fraction = units.LABEL_FORMS["P2O5"]
    assert (element, round(fraction, 4)) == ("P", 0.4364)
    assert set(units.ELEMENTS) <= set(units.LABEL_FORMS)


def test_yields_in_the_units_of_rules():
    # Iowa State University Extension, Ag Decision Maker C6-80, Metric Conversions (from memory): 1 t/ha is 15.93 bu/ac
    # of corn (56 lb) and 14.87 of soybean and wheat (60 lb); 2.2417 t/ha are one short ton an acre.
    assert pytest.approx(15.93, abs=0.005) == units.US_YIELD_PER_T_HA["corn"]
    assert pytest.approx(14.87, abs=0.005) == units.US_YIELD_PER_T_HA["soybean"] == units.US_YIELD_PER_T_HA["wheat"]
    assert pytest.approx(1 / 2.2417, abs=5e-6) == units.US_YIELD_PER_T_HA["alfalfa"]
