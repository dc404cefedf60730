"""A machine sheet written as TOML, such that reading it gives the same values."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from sumpwright.planning.machine import (
    Fluid,
    Machine,
    Offer,
    Plug,
    ReportBound,
    ServiceLimit,
    Sheet,
    Source,
    Span,
    WetSystem,
)
from sumpwright.unit_words import Dimension
from sumpwright.units import exact_text

if TYPE_CHECKING:
    from tomlkit.items import Table

SPANS: dict[str, Dimension] = {
    "capacity": "volume",
    "drain": "volume",
    "sump": "volume",
    "cooler_loop": "volume",
    "tanks": "share",
    "pockets": "share",
    "pickup_reserve": "volume",
    "discharge": "volume",
    "purge_share": "share",
    "lean_gain": "volume",
    "sweep_share": "share",
    "flow": "flow",
    "pan_area": "area",
    "port_offset": "length",
}


INTERVALS: dict[str, Dimension] = {
    "distance": "distance",
    "period": "period",
    "hours": "time",
    "thermal": "time",
    "severe_distance": "distance",
    "severe_period": "period",
    "severe_hours": "time",
    "severe_thermal": "time",
}
"""Intervals of a limit."""
BOUND_ENDS = ("caution_below", "caution_above", "act_below", "act_above")


def bound_dimension(bound_of: str, relative: bool) -> Dimension | None:
    """Dimension of the ends of a bound; ``None`` for a plain number."""
    if relative or bound_of == "water":
        return "share"
    return "viscosity" if bound_of in ("viscosity_40", "viscosity_100") else None


def dump_sheet(sheet: Sheet) -> str:
    """Write a machine sheet as TOML.

    Parameters
    ----------
    sheet : Sheet
        Warnings are not written.

    Returns
    -------
    str
        A text from which `parse_sheet` reads the same machine, fluids and offers.

    Examples
    --------
    >>> box = WetSystem("axle", "axle", Span(2.1e-3, 2.1e-3, "manual", "p. 214"))
    >>> print(dump_sheet(Sheet(Machine("Trailer 1", (box,)))))
    [machine]
    name = "Trailer 1"
    <BLANKLINE>
    [[system]]
    name = "axle"
    kind = "axle"
    capacity = {value = "2.1 L", origin = "manual", note = "p. 214"}
    <BLANKLINE>
    """
    import tomlkit

    document = tomlkit.document()
    document["machine"] = _machine(sheet.machine)
    for key, tables in (
        ("system", [_system(system) for system in sheet.machine.systems]),
        ("fluid", [_fluid(fluid) for fluid in sheet.fluids]),
        ("offer", [_offer(offer) for offer in sheet.offers]),
    ):
        if tables:
            document[key] = _array(tables)
    purchase = _table({"spare": sheet.spare or None, "currency": sheet.currency or None})
    vessels = _table(
        {
            "pump": _optional(sheet.pump_vessel, "volume"),
            "catch": _optional(sheet.catch_vessel, "volume"),
        }
    )
    for key, table in (("purchase", purchase), ("vessels", vessels)):
        if table:
            document[key] = table
    return tomlkit.dumps(document)


def _machine(machine: Machine) -> Table:
    return _table(
        {
            "name": machine.name,
            "odometer": _value(machine.odometer, "distance", "odometer", machine.sources),
            "hours": _value(machine.hours, "time", "hours", machine.sources),
            "note": machine.note or None,
        }
    )


def _system(system: WetSystem) -> Table:
    spans = {key: _span(getattr(system, key), key) for key in SPANS}
    table = _table(
        {
            "name": system.name,
            "kind": system.kind,
            **spans,
            "fluid": system.fluid or None,
            "window": _window(system),
            "thermal_reference": _value(
                system.thermal_reference, "temperature", "thermal_reference", system.sources
            ),
            "thermal_step": _value(
                system.thermal_step, "temperature_difference", "thermal_step", system.sources
            ),
            "clean": system.clean or None,
        }
    )
    for key, tables in (
        ("plug", [_plug(plug) for plug in system.plugs]),
        ("limit", [_limit(limit) for limit in system.limits]),
        ("bound", [_bound(bound) for bound in system.bounds]),
    ):
        if tables:
            table[key] = _array(tables)
    return table


def _limit(limit: ServiceLimit) -> Table:
    intervals = {
        key: _value(getattr(limit, key), dimension, key, limit.sources)
        for key, dimension in INTERVALS.items()
    }
    return _table({"action": limit.action, **intervals, "tail": limit.tail})


def _bound(bound: ReportBound) -> Table:
    dimension = bound_dimension(bound.of, bound.relative)

    def end(si: float | None) -> Any:
        if si is None or dimension is None or dimension == "share":
            return si
        return exact_text(si, dimension)

    return _table(
        {
            "of": bound.of,
            **{key: end(getattr(bound, key)) for key in BOUND_ENDS},
            "relative": bound.relative or None,
            "note": bound.note or None,
        }
    )


def _plug(plug: Plug) -> Table:
    return _table(
        {
            "name": plug.name,
            "torque": _span(plug.torque, "torque"),
            "seal": plug.seal or None,
            "drive": plug.drive or None,
            "thread": plug.thread or None,
        }
    )


def _fluid(fluid: Fluid) -> Table:
    return _table(
        {
            "name": fluid.name,
            "density_15": _property(fluid, "density_15", "density"),
            "viscosity_40": _property(fluid, "viscosity_40", "viscosity"),
            "viscosity_100": _property(fluid, "viscosity_100", "viscosity"),
        }
    )


def _offer(offer: Offer) -> Table:
    return _table(
        {
            "fluid": offer.fluid,
            "seller": offer.seller,
            "size": exact_text(offer.size, "volume"),
            "price": offer.price,
            "carriage": offer.carriage or None,
            "stock": offer.stock,
        }
    )


def _table(values: dict[str, Any]) -> Table:
    import tomlkit

    table = tomlkit.table()
    for key, value in values.items():
        if value is not None:
            table[key] = value
    return table


def _array(tables: Iterable[Table]) -> Any:
    import tomlkit

    array = tomlkit.aot()
    for table in tables:
        array.append(table)
    return array


def _span(span: Span | None, key: str) -> Any:
    if span is None:
        return None
    low, high = (_end(end, key) for end in (span.low, span.high))
    return _cite(low if span.exact else [low, high], span.origin, span.note)


def _end(si: float, key: str) -> Any:
    dimension = SPANS.get(key, "torque")
    if key == "tanks":
        return int(si)
    return float(si) if dimension == "share" else exact_text(si, dimension)


def _optional(si: float | None, dimension: Dimension) -> str | None:
    return None if si is None else exact_text(si, dimension)


def _value(si: float | None, dimension: Dimension, key: str, sources: tuple[Source, ...]) -> Any:
    return None if si is None else _sourced(exact_text(si, dimension), key, sources)


def _property(fluid: Fluid, key: str, dimension: Dimension) -> Any:
    span = fluid.span(key)
    if span is None or span.exact:
        return _value(None if span is None else span.low, dimension, key, fluid.sources)
    ends = [exact_text(end, dimension) for end in (span.low, span.high)]
    return _sourced(ends, key, fluid.sources)


def _window(system: WetSystem) -> Any:
    if system.window is None:
        return None
    ends = [exact_text(end, "temperature") for end in system.window]
    return _sourced(ends, "window", system.sources)


def _sourced(value: Any, key: str, sources: tuple[Source, ...]) -> Any:
    source = next((source for source in sources if source.key == key), None)
    return value if source is None else _cite(value, source.origin, source.note)


def _cite(value: Any, origin: str, note: str) -> Any:
    """Put a value in a table with its origin, unless the sheet itself is the origin."""
    import tomlkit

    if origin == "sheet" and not note:
        return value
    table = tomlkit.inline_table()
    table["range" if isinstance(value, list) else "value"] = value
    if origin != "sheet":
        table["origin"] = origin
    if note:
        table["note"] = note
    return table
