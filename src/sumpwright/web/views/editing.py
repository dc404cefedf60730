"""Keeping changed sheets: a change is made to the version that was looked at."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from sumpwright.errors import Complaint
from sumpwright.planning.machine import Offer, Sheet
from sumpwright.planning.sanity import check_sheet
from sumpwright.records.machines import KeptMachine
from sumpwright.records.sheet import parse_sheet
from sumpwright.web.errors import NotHere
from sumpwright.web.views.system_form import FINE, with_fluids
from sumpwright.worded import joined

if TYPE_CHECKING:
    from starlette.datastructures import UploadFile

    from sumpwright.records.store import Store

LARGEST_SHEET = 1_000_000


def keep_sheet(
    store: Store,
    machine: KeptMachine,
    sheet: Sheet,
    version: str,
    by: str,
    source: str | None = None,
) -> KeptMachine:
    """Keep a changed sheet as a new version.

    Raises
    ------
    Complaint
        When somebody else has changed the sheet since it was looked at.
    """
    if version != str(machine.version):
        raise Complaint(
            f"the sheet was changed meanwhile, by {machine.by or 'somebody else'}",
            "what you typed is still here; look at the machine, then keep it again",
            field="version",
        )
    return store.machines.change(machine.id, sheet, by=by, source=source)


def sheet_with_prices(
    sheet: Sheet, offers: Iterable[Mapping[str, Any]], currency: str | None = None
) -> Sheet:
    """Return a sheet with other offers, each with the names and SI values of `Offer`.

    Raises
    ------
    Complaint
        When the sheet would not hold together.
    """
    made = with_fluids(
        replace(
            sheet,
            offers=tuple(Offer(**each) for each in offers),
            currency=sheet.currency if currency is None else currency,
        )
    )
    for finding in check_sheet(made):
        if finding.fatal:
            place = ".".join(str(part) for part in finding.path)
            raise Complaint(finding.what, finding.do, place, str(finding.path[-1]))
    return made


def sheet_text(upload: UploadFile | None, text: str) -> str:
    """Return the text of an uploaded sheet, else the text that was typed.

    Raises
    ------
    Complaint
        When the file is too large, is not UTF-8 text, or there is neither.
    """
    if upload is not None:
        data = upload.file.read(LARGEST_SHEET + 1)
        if len(data) > LARGEST_SHEET:
            raise Complaint(
                "the file is larger than 1 MB and cannot be a machine sheet",
                "choose the .toml file of the machine",
                field="sheet",
            )
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            raise Complaint(
                "the file is not UTF-8 text", "save the sheet as UTF-8 in the editor", field="sheet"
            ) from None
    if not text.strip():
        raise Complaint("there is no sheet", "choose the .toml file of the machine", field="sheet")
    return text


def read_text(text: str, field: str) -> Sheet:
    """Read a sheet as typed or uploaded; complaints belong to one field of the form.

    Raises
    ------
    Complaint
        With line and key in its text.
    """
    try:
        return parse_sheet(text)
    except Complaint as complaint:
        raise Complaint(
            joined(": ", complaint.where.removeprefix("sheet:"), complaint.what),
            complaint.do,
            "",
            field,
        ) from complaint


def fine_shown(typed: dict[str, str]) -> bool:
    """Whether the finer numbers are to be shown at once: some of them are given."""
    return any(typed.get(number.key, "").strip() for number in FINE)


def version_of(store: Store, machine: str, version: int) -> KeptMachine:
    """Return one version of a sheet.

    Raises
    ------
    NotHere
        When there is no such version.
    """
    if not 1 <= version < 2**31:
        raise NotHere(f"there is no version {version} of this sheet", "look at the versions")
    return store.machines.get(machine, version)
