"""Expansion of lubricating oils against published worked examples and a handbook table."""

from __future__ import annotations

import numpy as np
import pytest

from sumpwright.physics.expansion import (
    BASE_15C,
    BASE_60F,
    base_density_from,
    correction_factor,
    density_at,
    expansivity,
    volume_at,
    volume_correction_factor,
)

# The standard works on the IPTS-68 temperature scale and on a base shifted by 0.01374979547 °F,
# and carries 15 °C bases through 60 °F. The two scales differ by at most 0.04 K between −50 and
# 150 °C (the standard's own conversion: 302 °F becomes 302.06 °F), and 0.04 K × 9e-4 /K is 4e-5.
SCALE = 4e-5

WATER_60F = 999.016
"""Density of water that API gravity refers to in the 2004 edition [kg/m³]."""


def kelvin_from_fahrenheit(t: float) -> float:
    return (t + 459.67) / 1.8


def from_api_gravity(api: float) -> float:
    return 141.5 / (131.5 + api) * WATER_60F


# Source: *Manual of Petroleum Measurement Standards*, ch. 11.1 (API, 2004; adjunct to ASTM D1250),
# worked examples of §11.1.6.1, §11.1.6.2 and §11.1.7.2 for the lubricating-oil group, as carried
# to twelve digits by the test programme of the institute's own C code (© 2003 American Petroleum
# Institute), which stands in public source repositories. CTL is what we call VCF.
AT_60F = [
    # (°F, base density in kg/m³, CTL)
    pytest.param(129.3, from_api_gravity(42.9), 0.969922293864, id="11.1.6.1 no. 8"),
    pytest.param(78.7, 917.442430351448, 0.992874116475, id="11.1.6.2 no. 8"),
    pytest.param(302.0, 801.061124838869, 0.892011191342, id="11.1.6.2 no. 9"),
]
AT_15C = [
    # (°C, base density in kg/m³, CTL)
    pytest.param(-49.97, 1163.078239292499, 1.034672971366, id="11.1.7.2 no. 9"),
    pytest.param(150.0, 820.979105094945, 0.894250233938, id="11.1.7.2 no. 10"),
]


@pytest.mark.parametrize(("fahrenheit", "rho", "ctl"), AT_60F)
def test_worked_examples_of_the_standard_at_60_fahrenheit(
    fahrenheit: float, rho: float, ctl: float
) -> None:
    got = volume_correction_factor(kelvin_from_fahrenheit(fahrenheit), rho, BASE_60F)
    assert float(got) == pytest.approx(ctl, rel=SCALE)


@pytest.mark.parametrize(("celsius", "rho", "ctl"), AT_15C)
def test_worked_examples_of_the_standard_at_15_celsius(
    celsius: float, rho: float, ctl: float
) -> None:
    got = volume_correction_factor(celsius + 273.15, rho, BASE_15C)
    assert float(got) == pytest.approx(ctl, rel=SCALE)


def test_an_observed_density_of_the_standard_goes_back_to_its_base() -> None:
    # §11.1.7.2 no. 10: 734.3 kg/m³ seen at 150 °C and 100 kPa gauge is 820.979 at 15 °C. The
    # pressure adds 1.9e-4 of density (the example's CPL, 1.000189663064), taken out here.
    got = base_density_from(734.3 / 1.000189663064, 423.15)
    assert float(got) == pytest.approx(820.979105, rel=SCALE)


# The equation itself, free of the lubricating-oil constant: α60 (1/°F) and temperature on the
# IPTS-68 scale as the standard prints them for its worked examples 1 to 4 and 6 of §11.1.6.1
# (crude oils and refined products), same source. The standard counts from 60.0068749 °F and
# writes (1 + 0.8 α (Δt + 0.01374979547)); both shifts together are worth less than 2e-5.
@pytest.mark.parametrize(
    ("t68", "alpha60", "ctl"),
    [
        (-27.712499233089, 0.000380407044, 1.033011591958),
        (301.993163042978, 0.000251982006, 0.938051116886),
        (48.043878159606, 0.000406689168, 1.004858068990),
        (85.013358222928, 0.000524557068, 0.986832406683),
        (27.298898616759, 0.000816362130, 1.026475833518),
    ],
)
def test_the_equation_against_the_standards_other_groups(
    t68: float, alpha60: float, ctl: float
) -> None:
    assert float(correction_factor(alpha60, t68 - 60.0068749)) == pytest.approx(ctl, rel=2e-5)


def test_the_two_bases_tell_the_same_story() -> None:
    t = np.linspace(233.15, 423.15, 20)
    at_60f = density_at(BASE_60F.temperature, 850.0)
    np.testing.assert_allclose(density_at(t, at_60f, BASE_60F), density_at(t, 850.0), rtol=SCALE)


# Source: F. P. Incropera and D. P. DeWitt, *Fundamentals of Heat and Mass Transfer*, table A.5,
# engine oil (unused), saturated liquid. The densities are from memory.
ENGINE_OIL = np.array(
    [
        [273.0, 899.1],
        [280.0, 895.3],
        [290.0, 890.0],
        [300.0, 884.1],
        [310.0, 877.9],
        [320.0, 871.8],
        [330.0, 865.8],
        [340.0, 859.9],
        [350.0, 853.9],
        [360.0, 847.8],
        [370.0, 841.8],
        [380.0, 836.0],
        [390.0, 830.6],
        [400.0, 825.1],
    ]
)


def test_densities_of_a_handbook_engine_oil() -> None:
    # One real oil against the standard's average one: over 110 K, in which the oil thins by 7 %,
    # they part by a tenth of that. Near level windows (300 to 340 K) they agree to 0.2 %.
    t, rho = ENGINE_OIL.T
    error = density_at(t, base_density_from(890.0, 290.0)) / rho - 1.0
    assert np.abs(error).max() < 0.007
    assert np.abs(error[(t >= 300.0) & (t <= 340.0)]).max() < 0.002
    # The same check would catch a coefficient that is a third too large.
    steeper = 890.0 * (1.0 - 4 / 3 * expansivity(290.0, 890.0) * (t - 290.0))
    assert np.abs(steeper / rho - 1.0).max() > 0.02


def test_rule_of_thumb_for_ten_kelvin() -> None:
    # Common practice, no source: an oil grows by about 0.7 to 0.8 % for each 10 K.
    grown = float(volume_at(1.0, 303.15, 313.15, 860.0)) - 1.0
    assert 0.007 < grown < 0.008
