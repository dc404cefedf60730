"""The water of a report as laboratories write it: a share, parts per million, or a word."""

from __future__ import annotations

import re

from sumpwright.errors import Complaint

UNITS = {"%": 1e-2, "wt%": 1e-2, "mass%": 1e-2, "percent": 1e-2, "ppm": 1e-6, "mg/kg": 1e-6,
         "mgkg": 1e-6}  # fmt: skip
"""Share by mass of one of each unit, spelt without spaces and in small letters."""
_NONE_FOUND = frozenset(
    ("neg", "negative", "nil", "none", "nd", "none found", "none detected", "not detected")
)
_SOME_FOUND = frozenset(("pos", "positive", "present", "trace", "traces", "yes"))
_WRITTEN = re.compile(r"([<≤]?)(\d+(?:[.,]\d*)?|[.,]\d+)(\D*)")


def read_word(text: str, where: str = "") -> str:
    """Read a word for the water of a report.

    Parameters
    ----------
    text : str
    where : str
        Where it was written, for the complaint.

    Returns
    -------
    str
        A remark where it says that no water was found; empty where it is no such word.

    Raises
    ------
    Complaint
        Where it says that there is water.

    Examples
    --------
    >>> read_word("Neg."), read_word("n/a")
    ("water 'Neg.' was read as none found", '')
    """
    word = " ".join(text.replace(".", "").casefold().split())
    if word in _SOME_FOUND:
        raise Complaint(
            f"'{text}' tells that there is water, and not how much",
            "give the laboratory's figure, such as 0.1 % or 1000 ppm",
            where,
        )
    return f"water '{text}' was read as none found" if word in _NONE_FOUND else ""


def read_water(text: str, unit: str = "", where: str = "") -> tuple[float, str]:
    """Read the water of a report.

    Parameters
    ----------
    text : str
        Such as ``0.05 %``, ``500 ppm``, ``<0.05 %`` or ``neg``.
    unit : str
        That of a number without one; when left out such a number is refused, because 0.05
        may be meant as a share or in percent.
    where : str
        Where it was written, for the complaint.

    Returns
    -------
    share : float
        By mass. Half of what could have been detected where it is below that.
    remark : str
        How a word, or what is below detection, was read; else empty.

    Raises
    ------
    Complaint
        When it cannot be read, or tells of water without an amount.

    Examples
    --------
    >>> read_water("0,06 %"), read_water("600 ppm"), read_water("0.06", "%")
    ((0.0006, ''), (0.0006, ''), (0.0006, ''))
    >>> read_water("<0.05 %")
    (0.00025, "water '<0.05 %' was read as half of it (below detection; common practice)")
    >>> read_water("neg")
    (0.0, "water 'neg' was read as none found")
    """
    shown = text.strip()
    none = read_word(shown, where)
    if none:
        return 0.0, none
    found = _WRITTEN.fullmatch("".join(shown.casefold().split()))
    if found is None:
        raise Complaint(
            f"'{shown}' is no content of water",
            "write e.g. 0.05 %, 500 ppm, <0.05 % or neg",
            where,
        )
    below, digits, own = found.groups()
    amount = float(digits.replace(",", "."))
    if not own and not unit and amount:
        raise Complaint(f"'{shown}' has no unit", "write e.g. 0.05 % or 500 ppm", where)
    factor = UNITS.get(own or unit or "%")
    if factor is None:
        raise Complaint(f"the unit '{own}' does not fit here", "use % or ppm", where)
    share = round(amount * factor, 12)
    if share > 1:
        what = f"'{shown}' is more than all of the fluid"
        raise Complaint(what, "check the unit: % or ppm", where)
    if below:
        remark = f"water '{shown}' was read as half of it (below detection; common practice)"
        return share / 2, remark
    return share, ""
