"""Entries as people write them: a reading with its unit, as the log keeps it."""

from __future__ import annotations

import difflib
import re
from typing import Any

from sumpwright.errors import Complaint
from sumpwright.records.bodies import UNITS
from sumpwright.unit_words import Dimension
from sumpwright.units import parse_quantity

_DIMENSIONS: dict[str, Dimension] = {
    "temperature": "temperature",
    "ambient": "temperature",
    "odometer": "distance",
    "hours": "time",
    "height": "length",
    "level": "length",
    "pressure": "pressure",
    "flow": "flow",
    "volume": "volume",
}


def reading_body(what: str, text: str, warnings: list[str] | None = None) -> dict[str, Any]:
    """Read what was measured, as the body of a ``read`` entry.

    Parameters
    ----------
    what : str
        ``temperature``, ``odometer``, … or a name of the user's own.
    text : str
        Value with its unit.
    warnings : list of str, optional
        Receives a line when the unit can mean two things.

    Returns
    -------
    dict
        ``what``, ``value`` and ``unit`` in SI; a reading of the user's own keeps
        the unit in which it was written.

    Raises
    ------
    Complaint
        If the value cannot be read.

    Examples
    --------
    >>> reading_body("temperature", "41 C")
    {'what': 'temperature', 'value': 314.15, 'unit': 'K'}
    >>> reading_body("line pressure at idle", "5.5 kPa")
    {'what': 'line pressure at idle', 'value': 5.5, 'unit': 'kPa'}
    """
    name = " ".join(what.split()).casefold()
    dimension = _DIMENSIONS.get(name)
    if dimension is not None:
        value = parse_quantity(text, dimension, name, warnings)
        return {"what": name, "value": value, "unit": UNITS[name]}
    near = difflib.get_close_matches(name, list(_DIMENSIONS), n=1, cutoff=0.8)
    if near:
        raise Complaint(
            f"'{what}' is not a usual reading", f"did you mean '{near[0]}'?", field="what"
        )
    match = re.fullmatch(r"\s*([-+]?\d+(?:[.,]\d+)?)\s*(\S.*)?", text.replace("\u2212", "-"))
    if match is None:
        raise Complaint(
            f"'{text}' is not a number with its unit", 'write e.g. "5.5 bar"', field="value"
        )
    return {
        "what": " ".join(what.split()),
        "value": float(match[1].replace(",", ".")),
        "unit": (match[2] or "1").strip(),
    }
