"""The forms of a machine itself, and of what its fluids cost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from sumpwright.planning.machine import (
    Fluid,
    Machine,
    Offer,
    Sheet,
    Source,
    Span,
    Spread,
    WetSystem,
)
from sumpwright.planning.said import worded
from sumpwright.planning.sanity import check_sheet
from sumpwright.unit_words import Dimension
from sumpwright.web.views.complaints import Complaints
from sumpwright.web.views.show import Show
from sumpwright.web.views.system_form import fields_of, read_system, with_fluids
from sumpwright.web.views.typed import (
    LONGEST_NOTE,
    Reader,
    check_findings,
    rows_of,
    write_ends,
    write_one,
)
from sumpwright.worded import Worded

MOST_ROWS = 40
FLUID_PARTS: tuple[tuple[str, str, Dimension], ...] = (
    ("density_15", "Density at 15 °C", "density"),
    ("viscosity_40", "Viscosity at 40 °C", "viscosity"),
    ("viscosity_100", "Viscosity at 100 °C", "viscosity"),
)
OFFER_PARTS = ("fluid", "seller", "size", "price", "carriage", "stock")
_FIELDS: dict[tuple[str | int, ...], str] = {
    ("machine", "name"): "machine_name",
    ("machine", "odometer"): "odometer",
    ("machine", "hours"): "hours",
    ("purchase", "spare"): "spare",
    ("vessels", "pump"): "pump",
    ("vessels", "catch"): "catch",
}


@dataclass(frozen=True)
class ReadSheet:
    """What came of a form: the new sheet, unless something is wrong."""

    sheet: Sheet | None
    complaints: Complaints
    warnings: tuple[str, ...] = ()


def machine_typed(sheet: Sheet, show: Show) -> dict[str, str]:
    """Return what the form of a machine shows before anything is typed."""
    machine = sheet.machine
    values: tuple[tuple[str, float | None, Dimension], ...] = (
        ("odometer", machine.odometer, "distance"),
        ("hours", machine.hours, "time"),
        ("pump", sheet.pump_vessel, "volume"),
        ("catch", sheet.catch_vessel, "volume"),
        ("spare", sheet.spare or None, "share"),
    )
    typed = {"machine_name": machine.name, "note": machine.note, "currency": sheet.currency}
    for name, value, dimension in values:
        if value is not None:
            typed[name] = write_one(value, dimension, show)
    return typed


def read_machine(typed: Mapping[str, str], show: Show, sheet: Sheet) -> ReadSheet:
    """Read the form of a machine and put it into its sheet."""
    reader = Reader(typed, show, machine_typed(sheet, show))
    machine = sheet.machine
    name = reader.text("machine_name", "Name", required="write what the machine is called")
    note = reader.text("note", "Remark", longest=LONGEST_NOTE)
    odometer = reader.value("odometer", "Odometer", "distance", machine.odometer)
    hours = reader.value("hours", "Running hours", "time", machine.hours)
    currency = reader.text("currency", "Currency")
    spare = reader.value("spare", "Bought for loss", "share", sheet.spare) or 0.0
    pump = reader.value("pump", "Pump vessel", "volume", sheet.pump_vessel)
    catch = reader.value("catch", "Catch vessel", "volume", sheet.catch_vessel)
    if reader.wrongs:
        return ReadSheet(None, reader.complaints())
    kept = {"odometer": odometer == machine.odometer, "hours": hours == machine.hours}
    sources = tuple(s for s in machine.sources if kept.get(s.key, True))
    made = replace(
        sheet,
        machine=replace(
            machine, name=name, note=note, odometer=odometer, hours=hours, sources=sources
        ),
        currency=currency,
        spare=spare,
        pump_vessel=pump,
        catch_vessel=catch,
    )
    return _judged(made, _FIELDS, reader)


def read_new_machine(typed: Mapping[str, str], show: Show) -> ReadSheet:
    """Read the form that adds a machine with its first wet system."""
    empty = Sheet(Machine("", ()))
    reader = Reader(typed, show)
    name = reader.text(
        "machine_name", "Name of the machine", required="write what the machine is called"
    )
    odometer = reader.value("odometer", "Odometer", "distance")
    hours = reader.value("hours", "Running hours", "time")
    currency = reader.text("currency", "Currency")
    system = read_system(typed, show, None, None)
    if reader.wrongs or system.system is None:
        return ReadSheet(None, reader.complaints() + system.complaints)
    machine = Machine(name, (system.system,), odometer=odometer, hours=hours)
    labels = {"name": "Name of the wet system", "capacity": "Capacity", "drain": "Drain"}
    reader.labels |= labels
    made = with_fluids(replace(empty, machine=machine, currency=currency))
    return _judged(made, _FIELDS | fields_of(0, []), reader)


def prices_typed(sheet: Sheet, show: Show) -> dict[str, str]:
    """Return what the form of fluids and prices shows before anything is typed."""
    typed: dict[str, str] = {}
    for i, fluid in enumerate(sheet.fluids):
        typed[f"fluid_{i}_name"] = fluid.name
        for part, _, dimension in FLUID_PARTS:
            span = fluid.span(part)
            if span is not None:
                typed[f"fluid_{i}_{part}"] = write_ends(span.low, span.high, dimension, show)
    for i, offer in enumerate(sheet.offers):
        typed |= {
            f"offer_{i}_fluid": offer.fluid,
            f"offer_{i}_seller": offer.seller,
            f"offer_{i}_size": write_one(offer.size, "volume", show),
            f"offer_{i}_price": show.text(f"{offer.price:.2f}"),
            f"offer_{i}_carriage": show.text(f"{offer.carriage:.2f}") if offer.carriage else "",
            f"offer_{i}_stock": "" if offer.stock is None else str(offer.stock),
        }
    return typed


def rows_used(typed: Mapping[str, str], table: str, mark: str, more: bool = False) -> int:
    """Return how many rows of a table to show; each has a field ``mark``."""
    used = [
        int(place)
        for key, text in typed.items()
        # A choice is never empty, and says nothing of its row.
        if key.startswith(f"{table}_") and not key.endswith("_fluid") and text.strip()
        for place in [key.split("_")[1]]
        if place.isdigit() and int(place) < MOST_ROWS
    ]
    return rows_of(typed, f"{table}_{{}}_{mark}", used, MOST_ROWS, more)


def read_prices(typed: Mapping[str, str], show: Show, sheet: Sheet) -> ReadSheet:
    """Read the form of fluids and prices and put it into the sheet."""
    before = prices_typed(sheet, show)
    reader = Reader(typed, show, before)
    fields: dict[tuple[str | int, ...], str] = {}
    fluids: list[Fluid] = []
    for i in range(MOST_ROWS):
        if any(
            reader.raw(f"fluid_{i}_{part}") for part in ("name", *(p for p, _, _ in FLUID_PARTS))
        ):
            old = sheet.fluids[i] if i < len(sheet.fluids) else None
            fields |= {
                ("fluid", len(fluids), part): f"fluid_{i}_{part}"
                for part in ("name", *(p for p, _, _ in FLUID_PARTS))
            }
            fluids.append(_fluid(reader, i, old))
    offers: list[Offer] = []
    for i in range(MOST_ROWS):
        if any(reader.raw(f"offer_{i}_{part}") for part in OFFER_PARTS if part != "fluid"):
            old_offer = sheet.offers[i] if i < len(sheet.offers) else None
            fields |= {("offer", len(offers), part): f"offer_{i}_{part}" for part in OFFER_PARTS}
            offers.append(_offer(reader, i, old_offer))
    if reader.wrongs:
        return ReadSheet(None, reader.complaints())
    made = with_fluids(replace(sheet, fluids=tuple(fluids), offers=tuple(offers)))
    return _judged(made, fields, reader)


def _fluid(reader: Reader, i: int, old: Fluid | None) -> Fluid:
    name = reader.text(f"fluid_{i}_name", f"Fluid {i + 1}", required="name the fluid")
    values: dict[str, float | None] = {}
    spreads: list[Spread] = []
    for part, label, dimension in FLUID_PARTS:
        known = old.span(part) if old else None
        ends = reader.ends(
            f"fluid_{i}_{part}",
            f"{label} of fluid {i + 1}",
            dimension,
            (known.low, known.high) if known else None,
        )
        values[part] = Span(*ends).mid if ends else None
        if ends and ends[0] < ends[1]:
            spreads.append(Spread(part, *ends))
    sources: tuple[Source, ...] = ()
    if old is not None:
        sources = tuple(s for s in old.sources if values.get(s.key) == getattr(old, s.key, None))
    return replace(old or Fluid(name), name=name, **values, sources=sources, spreads=tuple(spreads))


def _offer(reader: Reader, i: int, old: Offer | None) -> Offer:
    n = i + 1
    fluid = reader.text(f"offer_{i}_fluid", f"Fluid of offer {n}", required="choose the fluid")
    seller = reader.text(f"offer_{i}_seller", f"Seller of offer {n}", required="name the seller")
    size = reader.value(
        f"offer_{i}_size", f"Size of offer {n}", "volume", old.size if old else None
    )
    if size is None and not reader.raw(f"offer_{i}_size"):
        reader.wrong(
            f"offer_{i}_size",
            f"Size of offer {n}",
            "is missing",
            worded("write e.g. {v:example volume}", v=0.001),
        )
    price = reader.amount(f"offer_{i}_price", f"Price of offer {n}", old.price if old else None)
    if price is None and not reader.raw(f"offer_{i}_price"):
        reader.wrong(
            f"offer_{i}_price", f"Price of offer {n}", "is missing", Worded("write e.g. 11.40")
        )
    carriage = reader.amount(
        f"offer_{i}_carriage", f"Carriage of offer {n}", old.carriage if old else None
    )
    stock = reader.whole(f"offer_{i}_stock", f"Stock of offer {n}")
    made = Offer(fluid, seller, size or 0.0, price or 0.0, carriage or 0.0, stock)
    if old is None:
        return made
    return replace(
        old,
        fluid=fluid,
        seller=seller,
        size=made.size,
        price=made.price,
        carriage=made.carriage,
        stock=stock,
    )


def without_system(sheet: Sheet, place: int) -> Sheet:
    """Return the sheet without one of its systems."""
    systems: tuple[WetSystem, ...] = sheet.machine.systems
    kept = systems[:place] + systems[place + 1 :]
    return replace(sheet, machine=replace(sheet.machine, systems=kept))


def _judged(sheet: Sheet, fields: Mapping[tuple[str | int, ...], str], reader: Reader) -> ReadSheet:
    checked = check_findings(check_sheet(sheet), fields, reader.labels)
    return ReadSheet(
        None if checked.complaints.any else sheet, checked.complaints, checked.warnings
    )
