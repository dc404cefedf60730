"""Quantities, money and times as this device wants to see them."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Literal

from sumpwright.display import Display, with_comma
from sumpwright.planning.said import Said, worded
from sumpwright.unit_words import Dimension
from sumpwright.worded import Worded

if TYPE_CHECKING:
    from sumpwright.web.security import Visitor

_FAR = re.compile(r"(?<![\d.,])\d{5,}(?= (?:km|mi)\b)")


class Show:
    """Everything that a page shows with a number in it.

    Parameters
    ----------
    display : Display
        Units and money.
    comma : bool
        Whether the decimal sign is a comma.

    Examples
    --------
    >>> Show(Display("metric", "EUR"), comma=True).volume(0.0041)
    '4,10 L'
    >>> Show(Display("us")).temperature(311.15)
    '100 °F'
    """

    def __init__(self, display: Display, comma: bool = False) -> None:
        self.display = display
        self.comma = comma

    @staticmethod
    def of(visitor: Visitor, currency: str = "") -> Show:
        """Return what a visitor has chosen."""
        return Show(Display(visitor.session.units, currency), visitor.comma)

    def in_units(self, units: Literal["metric", "us"]) -> Show:
        """Return the same in given units."""
        return Show(Display(units, self.display.currency), self.comma)

    @property
    def us(self) -> bool:
        """Whether US units are shown."""
        return self.display.system == "us"

    def text(self, text: str) -> str:
        """Put units, decimal signs and the thousands of distances of a sentence right.

        Examples
        --------
        >>> Show(Display("us"), comma=True).text("read odometer: 12346 mi, 1.5 h")
        'read odometer: 12 346 mi, 1,5 h'
        """
        if isinstance(text, Worded):
            text = text.say(self.display)
        text = _FAR.sub(lambda far: f"{int(far[0]):,}".replace(",", " "), text)
        return with_comma(text) if self.comma else text

    def told(self, text: str) -> str:
        """Put a complaint right; one without quantities may quote what was typed.

        Examples
        --------
        >>> from sumpwright.planning.said import worded
        >>> show = Show(Display("us"), comma=True)
        >>> show.told(worded("a drain of {v:given volume}", v=0.0123)), show.told("'1.2.3'")
        ('a drain of 12,9973 US qt', "'1.2.3'")
        """
        return self.text(text) if isinstance(text, Worded) else text

    def say(self, sentence: Said) -> str:
        """Write a sentence of planning in the device's units."""
        return self.text(sentence.say(self.display))

    def unit(self, dimension: Dimension) -> str:
        """Return the label of a unit."""
        return self.display.unit(dimension)

    def volume(self, m3: float) -> str:
        """Volume in litres or quarts."""
        return self.text(self.display.volume(m3))

    def litres(self, litres: float) -> str:
        """Volume that planning's reports give in litres."""
        return self.volume(litres * 1e-3)

    def volumes(self, low: float, high: float) -> str:
        """Range of volumes."""
        return self.text(self.display.volumes(low, high))

    def temperature(self, kelvin: float) -> str:
        """Temperature to the degree."""
        return self.text(self.display.temperature(kelvin))

    def temperature_fine(self, kelvin: float) -> str:
        """Temperature to a tenth."""
        return self.text(self.display.temperature_fine(kelvin))

    def torque(self, newton_metres: float) -> str:
        """Torque to three figures."""
        return self.text(self.display.torque(newton_metres))

    def distance(self, metres: float) -> str:
        """Distance, thousands set apart."""
        number, _, unit = self.display.distance(metres).partition(" ")
        return f"{int(number):,} {unit}".replace(",", " ")

    def hours(self, seconds: float) -> str:
        """Running hours, to the tenth that a meter shows.

        Examples
        --------
        >>> Show(Display()).hours(45000), Show(Display(), comma=True).hours(45000)
        ('12.5 h', '12,5 h')
        >>> Show(Display()).hours(43200)
        '12 h'
        """
        number = f"{seconds / 3600:,.1f}".replace(",", " ").removesuffix(".0")
        return self.text(f"{number} h")

    def length(self, metres: float) -> str:
        """Length in millimetres or inches."""
        return self.text(self.display.length(metres))

    def flow(self, m3_per_s: float) -> str:
        """Flow in litres or quarts a minute."""
        return self.text(self.display.flow(m3_per_s))

    def density(self, kg_per_m3: float) -> str:
        """Density."""
        return self.text(self.display.density(kg_per_m3))

    def viscosity(self, m2_per_s: float) -> str:
        """Kinematic viscosity."""
        return self.text(self.display.viscosity(m2_per_s))

    def share(self, share: float) -> str:
        """Share in percent."""
        return self.text(self.display.share(share))

    def content(self, share: float) -> str:
        """Content of what should not be in the fluid, in percent."""
        return self.text(self.display.content(share))

    def band(self, quantiles: dict[str, float]) -> str:
        """Share with its 5 to 95 % band.

        Examples
        --------
        >>> Show(Display()).band({"p05": 0.6, "p50": 0.7, "p95": 0.8})
        '70 % (60–80 %)'
        """
        middle = self.share(quantiles["p50"])
        low, high = self.share(quantiles["p05"]), self.share(quantiles["p95"])
        if low == high:
            return middle
        return f"{middle} ({low.removesuffix(' %')}–{high})"

    def duration(self, seconds: float) -> str:
        """Hours and minutes."""
        return self.display.duration(seconds)

    def minutes(self, minutes: float) -> str:
        """Hours and minutes from minutes."""
        return self.duration(minutes * 60)

    def money(self, amount: float) -> str:
        """Money in the yard's currency."""
        return self.text(self.display.money(amount))

    def number(self, value: float, places: int = 2) -> str:
        """Plain number without needless zeros."""
        text = f"{value:.{places}f}"
        return self.text(text.rstrip("0").rstrip(".") if "." in text else text)

    def day(self, when: datetime | date) -> str:
        """Day in the local calendar of the machine that serves."""
        if isinstance(when, datetime):
            when = when.astimezone().date()
        return when.isoformat()

    def time(self, when: datetime) -> str:
        """Day and time on the clock of the machine that serves."""
        return f"{when.astimezone():%Y-%m-%d %H:%M}"

    def example(self, value: float | tuple[float, float], dimension: Dimension) -> str:
        """Write a quantity, or a range of it, as somebody might type it.

        Examples
        --------
        >>> Show(Display(), comma=True).example((0.009, 0.0096), "volume")
        '9 to 9,6 L'
        >>> Show(Display("us")).example((311.15, 319.15), "temperature")
        '100 to 110 °F'
        """
        return self.text(worded(f"{{v:example {dimension}}}", v=value))

    def iso(self, when: datetime) -> str:
        """Machine-readable time for a ``time`` element."""
        return when.astimezone(UTC).isoformat(timespec="seconds")

    def quantity(self, si: float, dimension: Dimension) -> str:
        """Write any quantity."""
        plain = {
            "volume": self.volume,
            "temperature": self.temperature,
            "torque": self.torque,
            "distance": self.distance,
            "time": self.hours,
            "length": self.length,
            "flow": self.flow,
            "density": self.density,
            "viscosity": self.viscosity,
            "share": self.share,
        }
        if dimension in plain:
            return plain[dimension](si)
        return f"{self.number(self.display.number(si, dimension), 1)} {self.unit(dimension)}"
