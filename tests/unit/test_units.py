"""The unit edge: what may be written, what is refused, what is shown."""

from __future__ import annotations

import math
import subprocess
import sys
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.unit_words import EXAMPLE, Dimension, units_of
from sumpwright.units import exact_text, parse_pieces, parse_quantity, read_quantity

DIMENSIONS: tuple[Dimension, ...] = get_args(Dimension)


@pytest.mark.parametrize(
    ("text", "dimension", "si"),
    [
        ("9.2 L", "volume", 0.0092),
        ("9,2 L", "volume", 0.0092),
        ("4.1L", "volume", 0.0041),
        ("4.1 l", "volume", 0.0041),
        (".5 litres", "volume", 0.0005),
        ("250 ml", "volume", 0.00025),
        ("250 mL", "volume", 0.00025),
        ("75 cl", "volume", 0.00075),
        ("5 dl", "volume", 0.0005),
        ("100 cc", "volume", 0.0001),
        ("0,0041 m³", "volume", 0.0041),
        ("4.1e-3 m3", "volume", 0.0041),
        ("5 1/2 US qt", "volume", 5.5 * 9.46352946e-4),
        ("5½ US qt", "volume", 5.5 * 9.46352946e-4),
        ("2 quarts (US)", "volume", 2 * 9.46352946e-4),
        ("1 U.K. gal.", "volume", 4.54609e-3),
        ("38 C", "temperature", 311.15),
        ("38 °C", "temperature", 311.15),
        ("38℃", "temperature", 311.15),
        ("−5 °C", "temperature", 268.15),
        ("95F", "temperature", 308.15),
        ("300 K", "temperature", 300.0),
        ("5 C", "temperature_difference", 5.0),
        ("9 F", "temperature_difference", 5.0),
        ("27 N.m", "torque", 27.0),
        ("27 N m", "torque", 27.0),
        ("27 Nm", "torque", 27.0),
        ("27 N·m", "torque", 27.0),
        ("846 kg/m3", "density", 846.0),
        ("0.846 g/cm³", "density", 846.0),
        ("0,846 kg/L", "density", 846.0),
        ("29.6 mm2/s", "viscosity", 29.6e-6),
        ("29.6 mm²/s", "viscosity", 29.6e-6),
        ("29.6 cSt", "viscosity", 29.6e-6),
        ("2.96e-5 m^2/s", "viscosity", 29.6e-6),
        ("6 L/min", "flow", 1e-4),
        ("6 litres per minute", "flow", 1e-4),
        ("800 cm2", "area", 0.08),
        ("15 mm", "length", 0.015),
        ("84 350 km", "distance", 84_350_000.0),
        ("84.350,5 km", "distance", 84_350_500.0),
        ("84,350.5 km", "distance", 84_350_500.0),
        ("1,234,567 m", "distance", 1_234_567.0),
        ("25 min", "time", 1500.0),
        ("10 %", "share", 0.1),
        ("0.1", "share", 0.1),
        (0.25, "share", 0.25),
    ],
)
def test_reads_what_people_write(text: object, dimension: Dimension, si: float) -> None:
    reading = read_quantity(text, dimension)
    assert reading.si == pytest.approx(si, rel=1e-15)
    assert reading.warnings == ()


@pytest.mark.parametrize("spelling", ["lbf.ft", "lb-ft", "ft-lb", "ft·lbf", "lb ft", "foot-pounds"])
def test_spellings_of_one_torque_are_one(spelling: str) -> None:
    assert parse_quantity(f"20 {spelling}", "torque") == parse_quantity("20 lbf·ft", "torque")


@pytest.mark.parametrize("unit", ["qt", "gal", "pt", "fl oz", "quarts", "gallon"])
def test_bare_customary_unit_is_us_and_says_so(unit: str) -> None:
    warnings: list[str] = []
    bare = parse_quantity(f"4.3 {unit}", "volume", "sheet.toml:3", warnings)
    assert bare == parse_quantity(f"4.3 US {unit}", "volume")
    assert len(warnings) == 1
    assert warnings[0].startswith("sheet.toml:3: ")
    assert "'US " in warnings[0]
    assert "'imp " in warnings[0]


def test_warning_gives_both_readings() -> None:
    (warning,) = read_quantity("4.3 qt", "volume").warnings
    assert "US quarts, 4.07 L" in warning
    assert "an imperial quart would make it 4.89 L" in warning
    (warning,) = read_quantity("2 qt/min", "flow").warnings
    assert "1.89 L/min" in warning
    assert "'imp qt/min'" in warning


@pytest.mark.parametrize("unit", ["US qt", "imp qt", "UK gal", "L"])
def test_clear_unit_gives_no_warning(unit: str) -> None:
    assert read_quantity(f"3 {unit}", "volume").warnings == ()


@pytest.mark.parametrize(
    ("text", "dimension", "what", "do"),
    [
        ("9.2", "volume", "'9.2' has no unit", 'write e.g. "9.2 L"'),
        (9.2, "volume", "'9.2' has no unit", 'write e.g. "9.2 L"'),
        ("9.2 qts.us!", "volume", "unit 'qts.us!' is not known", "'US qt'"),
        ("9.2 liteer", "volume", "unit 'liteer' is not known", "nearest known unit is 'L'"),
        ("27 Nmm", "torque", "unit 'Nmm' is not known", "nearest known unit is 'N.m'"),
        ("9.2 kg", "volume", "'kg' is a unit of mass, and a volume is wanted", "9.2 L"),
        ("9.2 L", "torque", "'L' is a unit of volume", "27 N.m"),
        ("nan L", "volume", "not a finite number", "finite"),
        ("-inf L", "volume", "not a finite number", "finite"),
        ("1e999 L", "volume", "not a finite number", "finite"),
        (math.nan, "share", "not a finite number", "finite"),
        ("", "volume", "has no number", "9.2 L"),
        ("some L", "volume", "has no number", "9.2 L"),
        ("9.2.1 L", "volume", "not one number", "one decimal sign"),
        ("9 2 L", "volume", "not one number", "one decimal sign"),
        ("12,500 km", "distance", "can mean 12.500 or 12500", "12500 without comma"),
        ("1/0 L", "volume", "divides by zero", "decimal"),
        ("9.0-9.6 L", "volume", "a range", '["9.0 L", "9.6 L"]'),
        ("9 to 10 L", "volume", "a range", "two values"),
        (True, "share", "bool is not a quantity", "10 %"),
        (None, "volume", "is not a quantity", "9.2 L"),
        ("x" * 200, "volume", "too long", "9.2 L"),
    ],
)
def test_refuses_with_a_remedy(text: object, dimension: Dimension, what: str, do: str) -> None:
    with pytest.raises(Complaint) as raised:
        parse_quantity(text, dimension, "sheet.toml:3: drain")
    assert what in raised.value.what
    assert do in raised.value.do
    assert raised.value.where == "sheet.toml:3: drain"


def test_tiny_exponent_is_zero_and_quick() -> None:
    assert parse_quantity("1e-999999999999 L", "volume") == 0.0


@pytest.mark.parametrize("pieces", [["4.1", "L"], ["4.1 L"], ["4.1L"], ["4,1", "l"]])
def test_command_line_pieces(pieces: list[str]) -> None:
    assert parse_pieces(pieces, "volume") == 0.0041


def test_command_line_pieces_of_a_unit_in_two_words() -> None:
    assert parse_pieces(["3", "US", "qt"], "volume") == parse_quantity("3 US qt", "volume")


@pytest.mark.parametrize("dimension", DIMENSIONS)
def test_every_example_reads_without_warning(dimension: Dimension) -> None:
    assert read_quantity(EXAMPLE[dimension], dimension).warnings == ()


@pytest.mark.parametrize("dimension", DIMENSIONS)
def test_every_label_reads_back_as_its_own_unit(dimension: Dimension) -> None:
    for unit in units_of(dimension).values():
        assert read_quantity(f"3 {unit.label}", dimension).unit == unit.label


@given(st.sampled_from(DIMENSIONS), st.floats(allow_nan=False, allow_infinity=False))
def test_exact_text_reads_back_to_the_same_float(dimension: Dimension, si: float) -> None:
    # Beyond these no sheet goes, and a float in another unit may overflow.
    if si and not 1e-15 < abs(si) < 1e15:
        return
    assert parse_quantity(exact_text(si, dimension), dimension) == si


def _refusal(text: str, dimension: Dimension) -> Complaint | None:
    """The complaint about a text, or None when it is read as a finite number."""
    try:
        value = parse_quantity(text, dimension)
    except Complaint as complaint:
        return complaint
    assert math.isfinite(value)
    return None


@given(st.text(max_size=40), st.sampled_from(DIMENSIONS))
def test_any_text_is_read_or_refused(text: str, dimension: Dimension) -> None:
    complaint = _refusal(text, dimension)
    if complaint is not None:
        assert complaint.what
        assert complaint.do
        assert str(complaint).isprintable()


@given(
    st.text(alphabet="0123456789.,'/ -+eE½−", max_size=12),
    st.sampled_from(["L", "qt", "imp fl oz", "", " °C", "e"]),
)
def test_any_number_is_read_or_refused(number: str, unit: str) -> None:
    complaint = _refusal(number + unit, "volume")
    assert complaint is None or complaint.do


def test_metric_display() -> None:
    show = Display()
    assert show.volume(0.0041) == "4.10 L"
    assert show.volume(0.00005) == "50 mL"
    assert show.volume(0.0) == "0.00 L"
    assert show.volume(0.2345) == "234.5 L"
    assert show.volumes(0.0041, 0.0043) == "4.10–4.30 L"
    assert show.volumes(0.0041, 0.0041001) == "4.10 L"
    assert show.volumes(0.00005, 0.0002) == "50 mL–0.20 L"
    assert show.temperature(311.15) == "38 °C"
    assert show.temperature(272.95) == "0 °C"
    assert show.torque(27.0) == "27.0 N·m"
    assert show.torque(110.0) == "110 N·m"
    assert show.distance(84_350_000) == "84350 km"
    assert show.flow(1e-4) == "6.00 L/min"
    assert show.viscosity(29.6e-6) == "29.6 mm²/s"
    assert show.density(846.0) == "846 kg/m³"
    assert show.share(0.584) == "58 %"
    assert show.share(0.9234) == "92.3 %"
    assert show.content(0.0006) == "0.06 %"
    assert show.content(0.00051) == "0.051 %"
    assert show.content(0.00996) == "1.0 %"
    assert show.content(0.0) == "0 %"
    assert show.duration(25 * 60) == "25 min"
    assert show.duration(65 * 60) == "1 h 05 min"
    assert show.money(11.4) == "11.40"
    assert Display(currency="crowns").money(11.4) == "11.40 crowns"


def test_us_display() -> None:
    show = Display("us")
    assert show.volume(0.0041) == "4.33 US qt"
    assert show.temperature(308.15) == "95 °F"
    assert show.torque(50.0) == "36.9 lbf·ft"
    assert show.distance(1_609_344) == "1000 mi"
    assert show.unit("flow") == "US qt/min"
    assert show.number(0.000946352946, "volume") == pytest.approx(1.0)


@pytest.mark.parametrize("system", ["metric", "us"])
@given(litres=st.floats(0.03, 9000))
def test_what_is_shown_reads_back_to_what_was_meant(system: str, litres: float) -> None:
    show = Display("us" if system == "us" else "metric")
    reading = read_quantity(show.volume(litres / 1e3), "volume")
    assert reading.warnings == ()
    assert reading.si == pytest.approx(litres / 1e3, rel=0.06)
    temperature = show.temperature(250 + litres / 100)
    assert parse_quantity(temperature, "temperature") == pytest.approx(250 + litres / 100, abs=0.51)
    torque = show.torque(1 + litres / 10)
    assert parse_quantity(torque, "torque") == pytest.approx(1 + litres / 10, abs=0.7)


def test_importing_the_edge_does_not_import_pint() -> None:
    code = "import sys, sumpwright.units, sumpwright.records.sheet; print('pint' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
