"""The words for units: every accepted spelling, and its exact size by pint.

Spellings are compared without case, blanks, dots and hyphens, so that ``N·m``,
``N.m`` and ``Nm`` are one. The vocabulary is closed: pint never parses a user's text.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from fractions import Fraction
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import pint

Dimension = Literal[
    "volume",
    "temperature",
    "temperature_difference",
    "torque",
    "density",
    "viscosity",
    "flow",
    "area",
    "length",
    "distance",
    "time",
    "period",
    "mass",
    "pressure",
    "angle",
    "share",
]


@dataclass(frozen=True)
class Unit:
    """A unit as the user may write it: label, pint expression; for a word
    that is also an imperial unit the two nouns, the rival and the clear spellings."""

    label: str
    pint: str
    nouns: tuple[str, str] | None = None
    rival: str = ""
    clear: tuple[str, str] = ("", "")


SI: dict[Dimension, str] = {
    "volume": "meter**3",
    "temperature": "kelvin",
    "temperature_difference": "kelvin",
    "torque": "newton*meter",
    "density": "kilogram/meter**3",
    "viscosity": "meter**2/second",
    "flow": "meter**3/second",
    "area": "meter**2",
    "length": "meter",
    "distance": "meter",
    "time": "second",
    "period": "second",
    "mass": "kilogram",
    "pressure": "pascal",
    "angle": "radian",
    "share": "dimensionless",
}

EXAMPLE: dict[Dimension, str] = {
    "volume": "9.2 L",
    "temperature": "38 C",
    "temperature_difference": "5 K",
    "torque": "27 N.m",
    "density": "846 kg/m3",
    "viscosity": "29.6 mm2/s",
    "flow": "6 L/min",
    "area": "800 cm2",
    "length": "15 mm",
    "distance": "84350 km",
    "time": "1.5 h",
    "period": "4 years",
    "mass": "3.5 kg",
    "pressure": "0.5 bar",
    "angle": "2 deg",
    "share": "10 %",
}

EXAMPLE_US: dict[Dimension, str] = {
    **EXAMPLE,
    "volume": "9.5 US qt",
    "temperature": "100 F",
    "temperature_difference": "9 F",
    "torque": "20 lbf.ft",
    "flow": "6 US qt/min",
    "area": "125 in2",
    "length": "0.6 in",
    "distance": "52400 mi",
    "mass": "7.7 lb",
    "pressure": "7 psi",
}

NOUN: dict[Dimension, str] = {
    "temperature_difference": "temperature difference",
    "share": "share from 0 to 1",
    "angle": "angle",
    "area": "area",
}

# label | pint expression | other spellings
_PLAIN: dict[Dimension, str] = {
    "volume": """
        L | liter | l lt ltr liter liters litre litres
        mL | milliliter | ml milliliter milliliters millilitre millilitres
        cL | centiliter | cl
        dL | deciliter | dl
        hL | hectoliter | hl
        m3 | meter**3 | m3 cbm
        dm3 | decimeter**3 | dm3
        cm3 | centimeter**3 | cm3 cc ccm
        in3 | inch**3 | in3 cuin
    """,
    "temperature": """
        °C | degC | c °c degc degrees_c celsius deg_celsius
        °F | degF | f °f degf degrees_f fahrenheit deg_fahrenheit
        K | kelvin | k kelvin
    """,
    "temperature_difference": """
        K | kelvin | k kelvin c °c degc
        °F | delta_degF | f °f degf
    """,
    "torque": """
        N.m | newton*meter | nm newtonmeter newtonmeters newtonmetre newtonmetres
        daN.m | decanewton*meter | danm
        N.cm | newton*centimeter | ncm
        lbf.ft | force_pound*foot | lbfft lbft lbsft ftlb ftlbs ftlbf footpounds poundfeet
        lbf.in | force_pound*inch | lbfin lbin lbsin inlb inlbs inlbf inchpounds poundinches
        kgf.m | kilogram_force*meter | kgfm kgm mkgf mkg kpm
        kgf.cm | kilogram_force*centimeter | kgfcm kgcm
    """,
    "viscosity": """
        mm2/s | millimeter**2/second | mm2/s
        cSt | centistokes | cst centistoke centistokes
        St | stokes | st stokes
        m2/s | meter**2/second | m2/s
    """,
    "area": """
        cm2 | centimeter**2 | cm2 sqcm
        mm2 | millimeter**2 | mm2 sqmm
        dm2 | decimeter**2 | dm2
        m2 | meter**2 | m2 sqm
        in2 | inch**2 | in2 sqin
    """,
    "length": """
        mm | millimeter | mm millimeter millimeters millimetre millimetres
        cm | centimeter | cm centimeter centimeters centimetre centimetres
        m | meter | m meter meters metre metres
        km | kilometer | km kilometer kilometers kilometre kilometres
        in | inch | in inch inches "
        ft | foot | ft foot feet '
        mi | mile | mi mile miles
    """,
    "time": """
        s | second | s sec secs second seconds
        min | minute | min mins minute minutes
        h | hour | h hr hrs hour hours
        d | day | d day days
    """,
    "period": """
        days | day | d day days
        weeks | week | wk week weeks
        months | calendar_month | mo month months
        years | calendar_year | a y yr yrs year years
    """,
    "mass": """
        kg | kilogram | kg kilogram kilograms
        g | gram | g gram grams gramme grammes
        lb | pound | lb lbs pound pounds
        oz | ounce | oz ounce ounces
    """,
    "pressure": """
        bar | bar | bar bars
        mbar | millibar | mbar
        kPa | kilopascal | kpa
        MPa | megapascal | mpa
        Pa | pascal | pa
        psi | psi | psi lbf/in2
    """,
    "angle": """
        deg | degree | deg ° degree degrees
        rad | radian | rad radian radians
    """,
    "share": """
        % | percent | % percent pct
    """,
}

# key spellings | US pint unit | imperial pint unit | short | nouns
_TWOFOLD = (
    (("qt", "qts", "quart", "quarts"), "quart", "imperial_quart", "qt", "quart"),
    (("gal", "gals", "gallon", "gallons"), "gallon", "imperial_gallon", "gal", "gallon"),
    (("pt", "pts", "pint", "pints"), "pint", "imperial_pint", "pt", "pint"),
    (
        ("floz", "flozs", "fluidounce", "fluidounces", "flounce", "flounces"),
        "fluid_ounce",
        "imperial_fluid_ounce",
        "fl oz",
        "fluid ounce",
    ),
)
_US = ("us", "usa", "usliq", "american")
_IMPERIAL = ("imp", "imperial", "uk", "gb", "british")


def squeeze(text: str) -> str:
    """Reduce a spelling to what tells units apart: 'US qt', 'N·m' → 'usqt', 'nm'."""
    folded = unicodedata.normalize("NFKC", text).casefold()
    folded = re.sub(r"\bper\b", "/", folded)
    return re.sub(r"[\s.·⋅•*×^_()\[\]\-‐‑–]", "", folded).replace("⁄", "/").replace("º", "°")


def _plain(dimension: Dimension) -> dict[str, Unit]:
    table: dict[str, Unit] = {}
    for line in _PLAIN[dimension].strip().splitlines():
        label, expression, spellings = (part.strip() for part in line.split("|"))
        for spelling in spellings.split():
            table[squeeze(spelling)] = Unit(label, expression)
    return table


def _volumes() -> dict[str, Unit]:
    table = _plain("volume")
    for names, us, imperial, short, noun in _TWOFOLD:
        for name in names:
            for mark in _US:
                table[mark + name] = table[name + mark] = Unit(f"US {short}", us)
            for mark in _IMPERIAL:
                table[mark + name] = table[name + mark] = Unit(f"imp {short}", imperial)
            nouns = (f"US {noun}s", f"an imperial {noun}")
            table[name] = Unit(short, us, nouns, imperial, (f"US {short}", f"imp {short}"))
    return table


def _ratio(above: dict[str, Unit], below: dict[str, Unit]) -> dict[str, Unit]:
    return {
        f"{top}/{bottom}": _over(upper, lower)
        for top, upper in above.items()
        for bottom, lower in below.items()
    }


def _over(upper: Unit, lower: Unit) -> Unit:
    label, expression = f"{upper.label}/{lower.label}", f"{upper.pint}/({lower.pint})"
    nouns = upper.nouns or lower.nouns
    if nouns is None:
        return Unit(label, expression)
    rival = f"{upper.rival or upper.pint}/({lower.rival or lower.pint})"
    us, imperial = (
        f"{upper.clear[i] or upper.label}/{lower.clear[i] or lower.label}" for i in (0, 1)
    )
    return Unit(label, expression, nouns, rival, (us, imperial))


@cache
def units_of(dimension: Dimension) -> dict[str, Unit]:
    """Every accepted spelling of the units of a dimension."""
    if dimension == "volume":
        return _volumes()
    if dimension == "distance":
        return _plain("length")
    if dimension == "flow":
        table = _ratio(_volumes(), _plain("time"))
        return table | {"lpm": Unit("L/min", "liter/minute")}
    if dimension == "density":
        return _ratio(_plain("mass"), _volumes())
    return _plain(dimension)


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[Fraction]:
    import pint

    registry: pint.UnitRegistry[Fraction] = pint.UnitRegistry(
        non_int_type=Fraction, autoconvert_offset_to_baseunit=True
    )
    # The mean year of the calendar in use, 365.2425 days; pint's own has 365.25.
    registry.define("calendar_year = 31556952 * second")
    registry.define("calendar_month = 2629746 * second")
    return registry


@lru_cache(maxsize=512)
def affine(expression: str, dimension: Dimension) -> tuple[Fraction, Fraction]:
    """Factor and offset from a pint unit to SI, as exact fractions."""
    si = SI[dimension]
    registry = _registry()
    zero = Fraction(registry.Quantity(Fraction(0), expression).to(si).magnitude)
    one = Fraction(registry.Quantity(Fraction(1), expression).to(si).magnitude)
    return one - zero, zero
