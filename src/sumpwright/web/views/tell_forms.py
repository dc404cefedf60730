"""Forms that tell a service, a drive, or the use of a machine: as typed, and as it is kept."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sumpwright.errors import Complaint
from sumpwright.planning.machine import WetSystem
from sumpwright.planning.plausible import check_drive
from sumpwright.records.books import about
from sumpwright.records.cells import read_date
from sumpwright.records.taking import at_midnight
from sumpwright.records.told import ToldUse
from sumpwright.web.views.complaints import Complaints
from sumpwright.web.views.show import Show
from sumpwright.web.views.typed import Reader, write_ends

DONE = (
    ("changed", "Changed: old fluid out, new in"),
    ("filled", "Filled: it was empty"),
    ("topped up", "Topped up"),
    ("lost", "Lost: a leak or a spill"),
    ("inspected", "Inspected: looked at, nothing moved"),
)
VERDICTS = (("", "Nothing said"), ("good", "Good"), ("replace", "To be replaced"))
SERVICES = (
    ("", "As the logged drives say"),
    ("normal", "Normal"),
    ("severe", "Severe"),
)
LABELS = {
    "system": "Wet system",
    "volume": "Volume",
    "share": "Fresh share",
    "times": "In how many refills",
    "odometer": "Odometer",
    "hours": "Running hours",
    "price": "Paid for the fluid",
    "verdict": "What it found",
    "day": "On",
    "sure": "It was read twice",
    "distance": "Distance",
    "duration": "Time with the engine running",
    "idle": "Of it at a stand",
    "load": "Load",
    "outside": "Temperature outside",
    "climb": "Height gained in all",
}
MOST_REFILLS = 20
_BARE = re.compile(r"[\d\s.,’']+")


@dataclass(frozen=True)
class ReadTold:
    """A form as it was read: SI values by field, when it was, and what is wrong."""

    values: dict[str, Any]
    at: datetime
    complaints: Complaints


def read_service(typed: dict[str, str], show: Show, systems: tuple[WetSystem, ...]) -> ReadTold:
    """Read the form of a service."""
    reader = Reader(typed, show)
    done = next((name for name, _ in DONE if name == reader.raw("done")), "changed")
    names = {system.name: system for system in systems}
    system = names.get(reader.raw("system"), systems[0])
    values: dict[str, Any] = {
        "system": system.name,
        "done": done,
        "odometer": _above_zero(reader, "odometer", "distance"),
        "hours": _above_zero(reader, "hours", "time"),
    }
    if done == "inspected":
        for name in ("volume", "share", "price"):
            if reader.raw(name):
                label = LABELS[name]
                reader.wrong(
                    name, label, "an inspection moves no fluid", "tell the fluid as its own service"
                )
        values["verdict"] = reader.raw("verdict") if reader.raw("verdict") in _VERDICTS else None
    else:
        values |= {
            "volume": _above_zero(reader, "volume", "volume"),
            "share": _above_zero(reader, "share", "share"),
            "times": reader.whole("times", LABELS["times"]),
            "way": "exchange" if reader.raw("exchange") else "refill",
            "price": reader.amount("price", LABELS["price"]),
            "lot": reader.text("lot", "Lot"),
        }
        if done != "lost":
            values["fluid"] = reader.text("fluid", "Fluid") or system.fluid
        if values["share"] is not None and done != "changed":
            reader.wrong("share", LABELS["share"], "only a change has one", "leave it out")
        if values["times"] is not None and not 1 <= values["times"] <= MOST_REFILLS:
            what = f"is not from 1 to {MOST_REFILLS}"
            reader.wrong("times", LABELS["times"], what, "correct it, or leave it out")
        needed = done != "filled" and not reader.raw("share")
        if needed and not reader.raw("volume"):
            reader.wrong("volume", LABELS["volume"], "is missing", "write how much it was")
    return ReadTold(values, _day(reader), reader.complaints())


_VERDICTS = ("good", "replace")


def read_drive(typed: dict[str, str], show: Show) -> ReadTold:
    """Read the form of a drive; bare times are minutes, a bare height is in metres or feet."""
    units = {"duration": "min", "idle": "min", "climb": "ft" if show.us else "m"}
    full = dict(typed)
    for name, unit in units.items():
        text = typed.get(name, "").strip()
        if text and _BARE.fullmatch(text):
            full[name] = f"{text} {unit}"
    reader = Reader(full, show)
    values: dict[str, Any] = {
        "distance": _above_zero(reader, "distance", "distance"),
        "duration": _above_zero(reader, "duration", "time"),
        "idle": _above_zero(reader, "idle", "time"),
        "load": _load(reader),
        "outside": reader.value("outside", LABELS["outside"], "temperature"),
        "climb": _above_zero(reader, "climb", "length"),
        "trailer": bool(reader.raw("trailer")),
        "dust": bool(reader.raw("dust")),
    }
    if not reader.raw("distance") and not reader.raw("duration"):
        reader.wrong("distance", LABELS["distance"], "is missing", "write it, or the time")
    if not reader.wrongs:
        try:
            numbers = ("distance", "duration", "idle", "load", "outside")
            check_drive(*(values[name] for name in numbers))
        except Complaint as complaint:
            field = complaint.field
            reader.wrong(field, LABELS.get(field, ""), complaint.what, complaint.do)
    return ReadTold(values, _day(reader), reader.complaints())


def read_use(typed: dict[str, str], show: Show) -> ReadTold:
    """Read the form of the use; a single figure of a year is taken for a quarter about it."""
    reader = Reader(typed, show)
    values: dict[str, Any] = {
        "service": reader.raw("service") if reader.raw("service") in _KINDS else None
    }
    for name, label, dimension in (
        ("distance", "Distance in a year", "distance"),
        ("hours", "Running hours in a year", "time"),
    ):
        ends = reader.ends(name, label, dimension)  # type: ignore[arg-type]
        if ends is not None and ends[0] <= 0:
            reader.wrong(name, label, "is not above zero", "write what it runs in a year")
        values[name] = None if ends is None else about(*ends)
    return ReadTold(values, datetime.now(UTC), reader.complaints())


_KINDS = ("normal", "severe")


def use_typed(told: ToldUse | None, show: Show) -> dict[str, str]:
    """Return what the form of the use shows at first: what was told last."""
    if told is None:
        return {}
    typed: dict[str, str] = {"service": told.service or ""}
    if told.distance is not None:
        typed["distance"] = write_ends(*told.distance, "distance", show)
    if told.hours is not None:
        typed["hours"] = write_ends(*told.hours, "time", show)
    return typed


def _above_zero(reader: Reader, name: str, dimension: Any) -> float | None:
    value = reader.value(name, LABELS[name], dimension)
    zero_too = name in ("odometer", "hours", "idle", "climb")
    if value is not None and (value < 0 or (value == 0 and not zero_too)):
        reader.wrong(name, LABELS[name], "is not above zero", "correct it")
    elif name == "share" and value is not None and value > 1:
        reader.wrong(name, LABELS[name], "is more than all of it", "write up to 100 %")
    return value


def _load(reader: Reader) -> float | None:
    """Read a load in percent; more than all that is permitted is left to the rules of drives."""
    text = reader.raw("load")
    amount = Reader({"load": text.removesuffix("%")}, reader.show)
    value = amount.amount("load", LABELS["load"])
    if amount.wrongs or (value is not None and value < 0):
        reader.wrong("load", LABELS["load"], "is not a share", "write e.g. 80 %")
        return None
    return None if value is None else value / 100


def _day(reader: Reader) -> datetime:
    now = datetime.now(UTC)
    if not reader.raw("day"):
        return now
    try:
        day = read_date(reader.raw("day"), None)
    except Complaint as complaint:
        reader.wrong("day", LABELS["day"], complaint.what, complaint.do)
        return now
    # East of Greenwich a day begins before it does in UTC.
    if day > max(now.date(), datetime.now().astimezone().date()):
        reader.wrong("day", LABELS["day"], "lies ahead", "give the day on which it was")
    return min(at_midnight(day), now)
