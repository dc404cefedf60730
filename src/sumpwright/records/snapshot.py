"""A machine sheet as plain JSON values in SI, so that a record stands on its own."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from pydantic import TypeAdapter, ValidationError

from sumpwright.errors import Complaint
from sumpwright.planning.machine import Sheet

_LATER = ("limits", "bounds", "clean")


@cache
def _adapter() -> TypeAdapter[Sheet]:
    return TypeAdapter(Sheet)


def sheet_to_plain(sheet: Sheet) -> dict[str, Any]:
    """Return a sheet as JSON values; what the sheet is silent about is left out.

    Examples
    --------
    >>> from sumpwright.planning.machine import Machine, Span, WetSystem
    >>> box = WetSystem("gearbox", "torque-converter automatic", Span(0.0092, 0.0092))
    >>> sheet = Sheet(Machine("Carrier 2", (box,)))
    >>> sheet_from_plain(sheet_to_plain(sheet)) == sheet
    True
    """
    plain: dict[str, Any] = _adapter().dump_python(
        sheet, mode="json", exclude_none=True, exclude={"warnings"}
    )
    # A sheet that says nothing of them is written as it was before they were known, so
    # that its text, by which sheets are compared, stays the same.
    for system in plain["machine"]["systems"]:
        for key in _LATER:
            if not system.get(key):
                system.pop(key, None)
    for fluid in plain["fluids"]:
        if not fluid.get("spreads"):
            fluid.pop("spreads", None)
    return plain


def sheet_from_plain(plain: Mapping[str, Any]) -> Sheet:
    """Read a sheet back.

    Raises
    ------
    Complaint
        When the values do not make a sheet.
    """
    try:
        return _adapter().validate_python(dict(plain))
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        raise Complaint(
            f"the kept machine sheet cannot be read: {key}: {first['msg']}",
            "use a file or database that was written whole",
        ) from None
