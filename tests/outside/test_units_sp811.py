"""Unit factors against the published table, and two of the trade's own conversions.

Source: A. Thompson and B. N. Taylor, *Guide for the Use of the International System
of Units (SI)*, NIST Special Publication 811, 2008 edition, appendix B.8, "Factors for
units listed alphabetically"; printed there to seven figures unless exact.
"""

from __future__ import annotations

import pytest

from sumpwright.display import Display
from sumpwright.unit_words import Dimension
from sumpwright.units import parse_quantity

SEVEN_FIGURES = [
    ("gallon (U.S.)", "1 US gal", "volume", 3.785412e-03),
    ("quart (U.S. liquid)", "1 US qt", "volume", 9.463529e-04),
    ("pint (U.S. liquid)", "1 US pt", "volume", 4.731765e-04),
    ("fluid ounce (U.S.)", "1 US fl oz", "volume", 2.957353e-05),
    ("ounce [Canadian and U.K. fluid (Imperial)]", "1 imp fl oz", "volume", 2.841306e-05),
    ("pound-force foot", "1 lbf.ft", "torque", 1.355818e00),
    ("pound-force inch", "1 lbf.in", "torque", 1.129848e-01),
    ("pound (avoirdupois)", "1 lb", "mass", 4.535924e-01),
    ("ounce (avoirdupois)", "1 oz", "mass", 2.834952e-02),
    ("pound per gallon (U.S.)", "1 lb/US gal", "density", 1.198264e02),
    ("gallon (U.S.) per minute (gpm)", "1 US gal/min", "flow", 6.309020e-05),
    ("pound-force per square inch (psi)", "1 psi", "pressure", 6.894757e03),
]

EXACT = [
    ("gallon [Canadian and U.K. (Imperial)]", "1 imp gal", "volume", 4.54609e-03),
    ("liter", "1 L", "volume", 1.0e-03),
    ("inch", "1 in", "length", 2.54e-02),
    ("foot", "1 ft", "length", 3.048e-01),
    ("mile", "1 mi", "distance", 1.609344e03),
    ("square inch", "1 in2", "area", 6.4516e-04),
    ("centistokes", "1 cSt", "viscosity", 1.0e-06),
    ("kilogram-force meter", "1 kgf.m", "torque", 9.80665e00),
    ("bar", "1 bar", "pressure", 1.0e05),
    ("hour", "1 h", "time", 3.6e03),
    ("minute", "1 min", "time", 6.0e01),
]


@pytest.mark.parametrize(("entry", "text", "dimension", "factor"), SEVEN_FIGURES)
def test_factor_agrees_to_the_seven_figures_printed(
    entry: str, text: str, dimension: Dimension, factor: float
) -> None:
    assert f"{parse_quantity(text, dimension):.6e}" == f"{factor:.6e}", entry


@pytest.mark.parametrize(("entry", "text", "dimension", "factor"), EXACT)
def test_exact_factor_is_exact(entry: str, text: str, dimension: Dimension, factor: float) -> None:
    assert parse_quantity(text, dimension) == factor, entry


def test_imperial_quart_and_pint_are_parts_of_the_published_gallon() -> None:
    """Four quarts and eight pints to the gallon: Weights and Measures Act 1985, schedule 1."""
    gallon = 4.54609e-03
    assert parse_quantity("4 imp qt", "volume") == pytest.approx(gallon, rel=1e-15)
    assert parse_quantity("8 UK pt", "volume") == pytest.approx(gallon, rel=1e-15)


@pytest.mark.parametrize("fahrenheit", [-40.0, 0.0, 32.0, 95.0, 113.0, 212.0])
def test_degree_fahrenheit_follows_the_published_formula(fahrenheit: float) -> None:
    """Appendix B.8, degree Fahrenheit: T/K = (t/°F + 459.67)/1.8."""
    kelvin = (fahrenheit + 459.67) / 1.8
    assert parse_quantity(f"{fahrenheit} F", "temperature") == pytest.approx(kelvin, rel=1e-15)


@pytest.mark.parametrize(("feet", "metres"), [("22.9 lbf.ft", 31), ("36.9 lb-ft", 50)])
def test_odd_torques_in_pounds_are_round_ones_in_newtons(feet: str, metres: int) -> None:
    """Common practice, no source: a manual's odd figure is a round metric one, converted."""
    torque = parse_quantity(feet, "torque")
    assert round(torque) == metres
    shown = float(feet.split()[0])
    assert Display("us").torque(float(metres)) == f"{shown} lbf·ft"


@pytest.mark.parametrize(("fahrenheit", "celsius"), [("95 F", 35), ("113 °F", 45)])
def test_odd_window_in_fahrenheit_is_a_round_one_in_celsius(fahrenheit: str, celsius: int) -> None:
    """Common practice, no source."""
    kelvin = parse_quantity(fahrenheit, "temperature")
    assert kelvin == parse_quantity(f"{celsius} C", "temperature")
