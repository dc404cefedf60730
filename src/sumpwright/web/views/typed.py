"""Quantities as people type them into a form, and the same quantities written back.

A number without a unit is in the unit that the form shows beside the field. A range is
two numbers with ``to``, a dash or dots between them. What was not changed keeps its exact
value, however it was rounded for showing.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from sumpwright.display import Display, significant
from sumpwright.errors import Complaint
from sumpwright.planning.machine import Origin, Span
from sumpwright.planning.sanity import Finding
from sumpwright.unit_words import Dimension
from sumpwright.units import exact_text, read_quantity
from sumpwright.web.views.complaints import Complaints, Wrong
from sumpwright.web.views.show import Show
from sumpwright.worded import Worded, joined

ORIGINS: tuple[tuple[Origin, str], ...] = (
    ("sheet", "not said"),
    ("manual", "service manual"),
    ("measured", "measured"),
    ("assumed", "assumed"),
)
LONGEST_TEXT = 200
LONGEST_NOTE = 2000
LONGEST_DECIMALS = 5
"""Decimals that somebody may have typed; more come of a change of units."""

_BETWEEN = re.compile(
    r"\s*(?:–|—|…|\.{2,3}|\bto\b)\s*|(?<=[0-9A-Za-z°%])(?<![0-9][eE])\s*-\s*(?=[0-9])"
)
_BARE = re.compile(r"[+\-−]?[0-9\s.,'’/½¼¾]+")


COUNTED: tuple[Dimension, ...] = ("distance", "time")
"""Read off a counter: three decimals of a kilometre are no reading, thousands are."""

_EITHER = re.compile(
    r"(?<![0-9.,'’])(?<![0-9]\s)([1-9][0-9]{0,2})([.,])([0-9]{3})(?![0-9.,'’]|[eE][0-9+\-])"
)


def sure(text: str, dimension: Dimension | None, comma: bool) -> str:
    """Return a text with its numbers in digits that mean one thing only.

    The decimal sign of the device is believed, save where a counter is read; the other
    sign before three digits may set thousands apart, and is asked about.

    Parameters
    ----------
    text : str
        A quantity or a range, as typed.
    dimension : str or None
        What it is; ``None`` for money and plain numbers.
    comma : bool
        Whether the device's decimal sign is a comma.

    Raises
    ------
    Complaint
        When a number can mean two.

    Examples
    --------
    >>> sure("4,125 L", "volume", True), sure("12.380,5", "distance", True)
    ('4.125 L', '12.380,5')
    >>> sure("12.345 mi", "distance", True)
    Traceback (most recent call last):
    ...
    sumpwright.errors.Complaint: '12.345' can mean 12,345 or 12345; write 12345, or 12,3450 for \
the small one
    """
    own = "," if comma else "."

    def one(match: re.Match[str]) -> str:
        whole, sign, rest = match.groups()
        if sign == own and dimension not in COUNTED:
            return f"{whole}.{rest}"
        small, large = f"{whole}{own}{rest}", f"{whole}{rest}"
        choice = f"{large}, or {small}0 for the small one" if dimension in COUNTED else ""
        raise Complaint(
            f"'{match[0]}' can mean {small} or {large}", f"write {choice or f'{small} or {large}'}"
        )

    return _EITHER.sub(one, text)


def unit_of(display: Display, dimension: Dimension) -> str:
    """Return the unit that a field of this dimension shows."""
    return "%" if dimension == "share" else display.unit(dimension)


def read_one(text: str, dimension: Dimension, display: Display, unit: str = "") -> float:
    """Read one quantity; without a unit it is in the one shown.

    Raises
    ------
    Complaint
        When it cannot be read.

    Examples
    --------
    >>> read_one("4,1", "volume", Display()), round(read_one("4.3", "volume", Display("us")), 6)
    (0.0041, 0.004069)
    >>> read_one("10", "share", Display()), read_one("0.1", "share", Display())
    (0.1, 0.1)
    """
    if _BARE.fullmatch(text.strip()):
        if dimension == "share":
            value = read_quantity(text, "share").si
            return value if value <= 1 else value / 100
        text = f"{text} {unit or unit_of(display, dimension)}"
    return read_clear(text, dimension, display)


def read_clear(text: str, dimension: Dimension, display: Display) -> float:
    """Read a quantity whose unit leaves no doubt.

    Quarts are US quarts where US units are shown; elsewhere the user is asked which.

    Raises
    ------
    Complaint
        When it cannot be read, or its unit is one of two.

    Examples
    --------
    >>> round(read_clear("4.3 qt", "volume", Display("us")), 6)
    0.004069
    >>> read_clear("4.3 qt", "volume", Display())
    Traceback (most recent call last):
    ...
    sumpwright.errors.Complaint: '4.3 qt' would be 4.07 L as US quarts; an imperial quart would \
make it 4.89 L; write 'US qt' or 'imp qt'
    """
    reading = read_quantity(text, dimension)
    if reading.warnings and display.system != "us":
        what, _, do = reading.warnings[0].partition(": ")
        noun, rest = what.partition(" is read as ")[2].split(", ", 1)
        size, _, other = rest.partition("; ")
        raise Complaint(Worded(f"'{text.strip()[:40]}' would be {size} as {noun}; {other}"), do)
    return reading.si


def read_span(text: str, dimension: Dimension, display: Display) -> tuple[float, float]:
    """Read a quantity or a range of it.

    Raises
    ------
    Complaint
        When it cannot be read, or its ends are the wrong way round.

    Examples
    --------
    >>> read_span("9,0 to 9,6 L", "volume", Display())
    (0.009, 0.0096)
    >>> read_span("38-46", "temperature", Display())
    (311.15, 319.15)
    """
    parts = [part for part in _BETWEEN.split(text.strip()) if part.strip()]
    if len(parts) > 2:
        raise Complaint(
            f"'{text.strip()[:40]}' is more than a range", "write one value, or two with 'to'"
        )
    if not parts:
        raise Complaint("there is no number", "write one value, or two with 'to' between them")
    last = re.search(r"[^0-9\s.,'’/½¼¾+\-−].*$", parts[-1].strip())
    unit = last[0] if last and len(parts) == 2 and _BARE.fullmatch(parts[0].strip()) else ""
    ends = [read_one(part, dimension, display, unit) for part in parts]
    if ends[0] > ends[-1]:
        raise Complaint("the range is the wrong way round", "write the lower value first")
    return ends[0], ends[-1]


def write_one(si: float, dimension: Dimension, show: Show) -> str:
    """Write a quantity for a field, in the unit that stands beside it.

    Metric numbers read back to the same value, unless they came from another unit and run
    on; those and US ones are rounded, and kept as they were unless they are changed.

    Examples
    --------
    >>> write_one(9 * 0.000946352946, "volume", Show(Display()))
    '8.5172'
    >>> [write_one(0.0041, "volume", Show(Display(units))) for units in ("metric", "us")]
    ['4.1', '4.3324']
    """
    if dimension == "share":
        return show.text(_tidy(significant(si * 100, 4)))
    if not show.us:
        exact = exact_text(si, dimension).partition(" ")[0]
        if len(exact.partition(".")[2]) <= LONGEST_DECIMALS:
            return show.text(exact)
    return show.text(_tidy(significant(show.display.number(si, dimension), 5)))


def _tidy(number: str) -> str:
    return number.rstrip("0").rstrip(".") if "." in number else number


def write_ends(low: float, high: float, dimension: Dimension, show: Show) -> str:
    """Write a quantity or a range of it."""
    if low == high:
        return write_one(low, dimension, show)
    return f"{write_one(low, dimension, show)} to {write_one(high, dimension, show)}"


def rows_of(typed: Mapping[str, str], mark: str, used: Sequence[int], most: int, more: bool) -> int:
    """Return how many rows of a table to show: an empty one too, and never less than before.

    Parameters
    ----------
    typed : mapping
    mark : str
        Field that every row has, with ``{}`` for its place.
    used : sequence of int
        Places of the rows with something in them.
    most : int
    more : bool
        Whether one more than was shown is asked for.

    Examples
    --------
    >>> rows_of({}, "plug_{}_name", [0, 1], 24, more=False)
    3
    >>> rows_of({f"plug_{i}_name": "" for i in range(3)}, "plug_{}_name", [0, 1], 24, more=True)
    4
    """
    shown = sum(mark.format(i) in typed for i in range(most))
    return min(most, max(max(used, default=-1) + 2, shown + more))


def count_text(low: float, high: float) -> str:
    """Write a whole number or a range of them."""
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


@dataclass
class Reader:
    """Takes the fields of a form one by one and gathers what is wrong with them.

    Parameters
    ----------
    typed : mapping
        What was typed, by field.
    show : Show
        Units of the device.
    before : mapping
        What the form showed before; a field that still reads so keeps its old value.
    """

    typed: Mapping[str, str]
    show: Show
    before: Mapping[str, str] = field(default_factory=dict)
    wrongs: list[Wrong] = field(default_factory=list)
    labels: dict[str, str] = field(default_factory=dict)

    def wrong(self, name: str, label: str, what: str, do: str = "") -> None:
        """Note a complaint."""
        self.wrongs.append(Wrong(name, label, what, do))

    def raw(self, name: str) -> str:
        """Return a text without the spaces around it."""
        return self.typed.get(name, "").strip()

    def text(
        self, name: str, label: str, *, required: str = "", longest: int = LONGEST_TEXT
    ) -> str:
        """Read a line of text; ``required`` says what to do when it is empty."""
        self.labels[name] = label
        lines = longest > LONGEST_TEXT
        value = self.raw(name).replace("\r\n", "\n")
        value = value if lines else " ".join(value.split())
        if not value and required:
            self.wrong(name, label, "is empty", required)
        elif len(value) > longest:
            self.wrong(name, label, f"has {len(value)} characters", f"keep it within {longest}")
        elif any(_hidden(c) and not (lines and c in "\n\t") for c in value):
            self.wrong(name, label, "holds control characters", "type the text afresh")
        else:
            return value
        return ""

    def _same(self, name: str) -> bool:
        return bool(self.raw(name)) and self.raw(name) == self.before.get(name, "").strip()

    def value(
        self, name: str, label: str, dimension: Dimension, old: float | None = None
    ) -> float | None:
        """Read a single quantity; empty is ``None``."""
        self.labels[name] = label
        if not self.raw(name):
            return None
        if self._same(name) and old is not None:
            return old
        try:
            text = sure(self.raw(name), dimension, self.show.comma)
            return read_one(text, dimension, self.show.display)
        except Complaint as complaint:
            self.wrong(name, label, complaint.what, complaint.do)
            return None

    def ends(
        self, name: str, label: str, dimension: Dimension, old: tuple[float, float] | None = None
    ) -> tuple[float, float] | None:
        """Read a quantity or a range; empty is ``None``."""
        self.labels[name] = label
        if not self.raw(name):
            return None
        if self._same(name) and old is not None:
            return old
        try:
            text = sure(self.raw(name), dimension, self.show.comma)
            return read_span(text, dimension, self.show.display)
        except Complaint as complaint:
            self.wrong(name, label, complaint.what, complaint.do)
            return None

    def counts(self, name: str, label: str) -> tuple[float, float] | None:
        """Read a whole number or a range of them."""
        self.labels[name] = label
        if not self.raw(name):
            return None
        match = re.fullmatch(r"(\d{1,4})(?:\s*(?:-|–|to)\s*(\d{1,4}))?", self.raw(name))
        if match is None:
            self.wrong(name, label, "is not a whole number", "write e.g. 2, or 1 to 4")
            return None
        return float(match[1]), float(match[2] or match[1])

    def span(self, name: str, label: str, dimension: Dimension, old: Span | None) -> Span | None:
        """Read a quantity with its origin and note."""
        kept = (old.low, old.high) if old else None
        ends = (
            self.counts(name, label) if name == "tanks" else self.ends(name, label, dimension, kept)
        )
        origin = self.origin(f"{name}_origin")
        note = self.text(f"{name}_note", f"{label}, page or remark", longest=LONGEST_TEXT)
        return None if ends is None else Span(*ends, origin, note)

    def origin(self, name: str) -> Origin:
        """Read where a number came from."""
        return next((known for known, _ in ORIGINS if known == self.raw(name)), "sheet")

    def amount(self, name: str, label: str, old: float | None = None) -> float | None:
        """Read an amount of money or a plain number; empty is ``None``."""
        self.labels[name] = label
        if not self.raw(name):
            return None
        if self._same(name) and old is not None:
            return old
        try:
            text = sure(self.raw(name), None, self.show.comma)
        except Complaint as complaint:
            self.wrong(name, label, complaint.what, complaint.do)
            return None
        try:
            value = read_quantity(text, "share").si
        except Complaint:
            value = math.nan
        if "%" in self.raw(name) or not math.isfinite(value):
            self.wrong(name, label, "is not a number", Worded("write e.g. 11.40"))
            return None
        return value

    def whole(self, name: str, label: str) -> int | None:
        """Read a whole number; empty is ``None``."""
        self.labels[name] = label
        if not self.raw(name):
            return None
        if not re.fullmatch(r"\d{1,9}", self.raw(name)):
            self.wrong(name, label, "is not a whole number", "write e.g. 6")
            return None
        return int(self.raw(name))

    def complaints(self) -> Complaints:
        """Return everything that is wrong so far."""
        return Complaints(self.wrongs)


@dataclass(frozen=True)
class Checked:
    """Findings of a sheet put beside the fields of a form."""

    complaints: Complaints
    warnings: tuple[str, ...]


def check_findings(
    findings: Iterable[Finding],
    fields: Mapping[tuple[str | int, ...], str],
    labels: Mapping[str, str],
) -> Checked:
    """Sort what was found into complaints and warnings, each with its field.

    Parameters
    ----------
    findings : iterable of Finding
    fields : mapping
        Field of each path that the form shows.
    labels : mapping
        What each field is called.
    """
    wrongs, warnings = [], []
    for finding in findings:
        name = fields.get(finding.path, "")
        if finding.fatal:
            label = labels.get(name, "")
            wrongs.append(Wrong(name, label, finding.what, finding.do, bool(name)))
        else:
            warnings.append(joined("; ", finding.what, finding.do))
    return Checked(Complaints(wrongs), tuple(warnings))


def _hidden(char: str) -> bool:
    code = ord(char)
    return code < 32 or 127 <= code < 160 or 0x202A <= code <= 0x202E or 0x2066 <= code <= 0x2069
