"""Quantities as text for people: metric or US, with digits that make sense."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from sumpwright.unit_words import Dimension, affine


def significant(value: float, digits: int) -> str:
    """Round to significant digits and write without an exponent."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{places}f}"


_POINT = re.compile(r"(?<=\d)\.(?=\d)")


def with_comma(text: str) -> str:
    """Write the numbers of a text with a decimal comma.

    Examples
    --------
    >>> with_comma("4.10 L, p. 41")
    '4,10 L, p. 41'
    """
    return _POINT.sub(",", text)


_SHOWN: dict[str, dict[str, tuple[str, str]]] = {
    "metric": {
        "volume": ("L", "liter"),
        "small volume": ("mL", "milliliter"),
        "temperature": ("°C", "degC"),
        "temperature_difference": ("K", "kelvin"),
        "torque": ("N·m", "newton*meter"),
        "density": ("kg/m³", "kilogram/meter**3"),
        "viscosity": ("mm²/s", "millimeter**2/second"),
        "flow": ("L/min", "liter/minute"),
        "area": ("cm²", "centimeter**2"),
        "length": ("mm", "millimeter"),
        "distance": ("km", "kilometer"),
        "mass": ("kg", "kilogram"),
        "pressure": ("bar", "bar"),
        "angle": ("°", "degree"),
        "time": ("h", "hour"),
        "period": ("months", "calendar_month"),
        "share": ("%", "percent"),
    },
    "us": {
        "volume": ("US qt", "quart"),
        "small volume": ("US fl oz", "fluid_ounce"),
        "temperature": ("°F", "degF"),
        "temperature_difference": ("°F", "delta_degF"),
        "torque": ("lbf·ft", "force_pound*foot"),
        "density": ("kg/m³", "kilogram/meter**3"),
        "viscosity": ("mm²/s", "millimeter**2/second"),
        "flow": ("US qt/min", "quart/minute"),
        "area": ("in²", "inch**2"),
        "length": ("in", "inch"),
        "distance": ("mi", "mile"),
        "mass": ("lb", "pound"),
        "pressure": ("psi", "psi"),
        "angle": ("°", "degree"),
        "time": ("h", "hour"),
        "period": ("months", "calendar_month"),
        "share": ("%", "percent"),
    },
}


@dataclass(frozen=True)
class Display:
    """How a user wants quantities shown: metric or US, and in which money.

    Every text that a method gives is read back by `parse_quantity`.

    Parameters
    ----------
    system : {'metric', 'us'}
        Which units.
    currency : str
        Name or sign of the yard's money, shown after the amount; may be empty.

    Examples
    --------
    >>> Display().volume(0.0041), Display("us").volume(0.0041)
    ('4.10 L', '4.33 US qt')
    >>> Display("us").torque(31.0), Display("us").temperature(308.15)
    ('22.9 lbf·ft', '95 °F')
    """

    system: Literal["metric", "us"] = "metric"
    currency: str = ""

    def unit(self, dimension: Dimension) -> str:
        """Label of the unit in which a dimension is shown."""
        return _SHOWN[self.system][dimension][0]

    def number(self, si: float, dimension: Dimension) -> float:
        """Value of an SI quantity in the unit shown."""
        return self._convert(si, dimension)

    def _convert(self, si: float, name: str) -> float:
        dimension: Dimension = "volume" if name == "small volume" else name  # type: ignore[assignment]
        factor, offset = affine(_SHOWN[self.system][name][1], dimension)
        return (si - float(offset)) / float(factor)

    def _show(self, si: float, name: str, places: int) -> str:
        value = round(self._convert(si, name), places) + 0.0
        return f"{value:.{places}f} {_SHOWN[self.system][name][0]}"

    def volume(self, m3: float) -> str:
        """Volume: two decimals up to 100 units, mL or fl oz below 0.1 L."""
        if 0 < abs(m3) < 0.995e-4:
            return self._show(m3, "small volume", 0 if self.system == "metric" else 1)
        size = abs(self._convert(m3, "volume"))
        return self._show(m3, "volume", 2 if size < 99.995 else 1 if size < 999.95 else 0)

    def volumes(self, low: float, high: float) -> str:
        """Range of volumes, or one volume when both ends look the same."""
        first, last = self.volume(low), self.volume(high)
        if first == last:
            return first
        number, _, unit = first.partition(" ")
        return f"{number}–{last}" if last.endswith(f" {unit}") else f"{first}–{last}"

    def temperature(self, kelvin: float) -> str:
        """Temperature to the whole degree, which is what a gauge is good for."""
        return self._show(kelvin, "temperature", 0)

    def temperature_fine(self, kelvin: float) -> str:
        """Temperature to a tenth, for a reading taken as such."""
        return self._show(kelvin, "temperature", 1)

    def temperature_from(self, kelvin: float) -> str:
        """Lower end of a window, never below it: to the degree, or to a tenth between two.

        Examples
        --------
        >>> Display().temperature_from(309.2611), Display().temperature_to(320.9278)
        ('36.2 °C', '47.7 °C')
        >>> Display().temperature_from(311.15), Display("us").temperature_to(320.9278)
        ('38 °C', '118 °F')
        """
        return self._edge(kelvin, math.ceil)

    def temperature_to(self, kelvin: float) -> str:
        """Upper end of a window, never above it."""
        return self._edge(kelvin, math.floor)

    def _edge(self, kelvin: float, inward: Callable[[float], int]) -> str:
        value = self._convert(kelvin, "temperature")
        # a unit that was converted and converted back strays by less than anyone reads
        whole = abs(value - round(value)) < 0.005
        shown = round(value) + 0.0 if whole else inward(round(10.0 * value, 2)) / 10.0
        return f"{shown:.{0 if whole or shown == round(shown) else 1}f} {self.unit('temperature')}"

    def torque(self, newton_metres: float) -> str:
        """Torque to three figures."""
        size = abs(self._convert(newton_metres, "torque"))
        return self._show(newton_metres, "torque", 1 if size < 99.95 else 0)

    def distance(self, metres: float) -> str:
        """Distance to the whole kilometre or mile."""
        return self._show(metres, "distance", 0)

    def length(self, metres: float) -> str:
        """Length in mm or inches."""
        return self._show(metres, "length", 0 if self.system == "metric" else 2)

    def pressure(self, pascals: float) -> str:
        """Pressure to three figures."""
        value = self._convert(pascals, "pressure")
        return f"{significant(value, 3)} {self.unit('pressure')}"

    def running_hours(self, seconds: float) -> str:
        """Hours of running, to the tenth that a meter shows.

        Examples
        --------
        >>> Display().running_hours(4100.5 * 3600), Display().running_hours(43200)
        ('4100.5 h', '12 h')
        """
        return f"{self._show(seconds, 'time', 1)}".replace(".0 ", " ")

    def band(self, low: float, middle: float, high: float) -> str:
        """Share with its range, where the range is wide enough to be seen.

        Examples
        --------
        >>> Display().band(0.55, 0.58, 0.61), Display().band(0.916, 0.916, 0.916)
        ('58 % (55–61)', '91.6 %')
        """
        least, shown, most = (self.share(share) for share in (low, middle, high))
        if least == most:
            return shown
        return f"{shown} ({least.removesuffix(' %')}–{most.removesuffix(' %')})"

    def flow(self, m3_per_s: float) -> str:
        """Flow to two decimals."""
        return self._show(m3_per_s, "flow", 2)

    def density(self, kg_per_m3: float) -> str:
        """Density in kg/m³, as every data sheet gives it."""
        return self._show(kg_per_m3, "density", 1).replace(".0 ", " ")

    def viscosity(self, m2_per_s: float) -> str:
        """Kinematic viscosity in mm²/s, to three figures."""
        value = self._convert(m2_per_s, "viscosity")
        return f"{significant(value, 3)} {self.unit('viscosity')}"

    def share(self, share: float) -> str:
        """Share in percent, to a tenth where it is near either end."""
        edge = share < 0.0995 or share > 0.9
        return self._show(share, "share", 1 if edge and 0 < share < 1 else 0)

    def content(self, share: float) -> str:
        """Content of what should not be in the fluid: below 1 % to two figures.

        Examples
        --------
        >>> [Display().content(x) for x in (0.0, 0.0005, 0.00064, 0.002, 0.021)]
        ['0 %', '0.05 %', '0.064 %', '0.2 %', '2.1 %']
        """
        percent = self._convert(share, "share")
        if not 0 < percent < 0.995:
            return self.share(share)
        return f"{significant(percent, 2).rstrip('0')} {self.unit('share')}"

    def duration(self, seconds: float) -> str:
        """Time in minutes, or hours and minutes."""
        minutes = round(seconds / 60)
        if abs(minutes) < 60:
            return f"{minutes} min"
        hours, rest = divmod(minutes, 60)
        return f"{hours} h {rest:02d} min" if rest else f"{hours} h"

    def money(self, amount: float) -> str:
        """Money in the yard's own currency."""
        return f"{amount:.2f} {self.currency}".strip()
