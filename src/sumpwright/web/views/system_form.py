"""The form of a wet system: its numbers with their origins, its plugs, its fluid."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from sumpwright.planning.kinds import KINDS
from sumpwright.planning.machine import Fluid, Plug, Sheet, Source, Span, WetSystem
from sumpwright.planning.said import worded
from sumpwright.planning.sanity import check_sheet
from sumpwright.records.sheet_text import SPANS
from sumpwright.unit_words import Dimension
from sumpwright.web.views.complaints import Complaints
from sumpwright.web.views.limit_form import limit_fields, read_limits, typed_limits
from sumpwright.web.views.show import Show
from sumpwright.web.views.typed import (
    Reader,
    check_findings,
    count_text,
    rows_of,
    unit_of,
    write_ends,
)

MOST_PLUGS = 24


@dataclass(frozen=True)
class Number:
    """One number of a wet system as the form and the page name it."""

    key: str
    label: str
    hint: str

    @property
    def dimension(self) -> Dimension:
        """What it is a number of."""
        return SPANS[self.key]

    def unit(self, show: Show) -> str:
        """Unit beside the field."""
        return "" if self.key == "tanks" else unit_of(show.display, self.dimension)


FIRST: tuple[Number, ...] = (
    Number("capacity", "Capacity", "all of the fluid when the level is right"),
    Number("drain", "Drain", "what opening the drain plug brings out"),
)
VOLUMES: tuple[Number, ...] = (
    Number("sump", "Sump", "running volume of the pan, at least the drain"),
    Number("cooler_loop", "Cooler loop", "hoses and cooler"),
    Number(
        "pickup_reserve", "Pick-up reserve", "must stay in the sump so that the pump draws no air"
    ),
    Number("discharge", "Bottle for one discharge", "the largest safe one if left out"),
)
FINE: tuple[Number, ...] = (
    Number("tanks", "Tanks in the upper works", "1 mixes as one, more moves as a queue"),
    Number("pockets", "Pockets", "share of the upper works that moves only when worked or driven"),
    Number("flow", "Flow through the cooler line", "engine at idle"),
    Number("purge_share", "Moved by air", "share of the loop that low-pressure air pushes out"),
    Number("lean_gain", "Gained by leaning", "what leaning over the plug brings out besides"),
    Number("sweep_share", "Moved by a sweep", "share of the pockets that one selector sweep moves"),
    Number("pan_area", "Pan area at the level port", "for the error of the level on a slope"),
    Number("port_offset", "Port from the pan’s middle", "for the error of the level on a slope"),
)
NUMBERS: tuple[Number, ...] = (*FIRST, *VOLUMES, *FINE)
PLUG_PARTS = (
    ("name", "Plug"),
    ("torque", "Torque"),
    ("seal", "Seal"),
    ("drive", "Drive"),
    ("thread", "Thread"),
)


def kinds(current: str) -> list[tuple[str, str]]:
    """Return the kinds to choose from, the present one included however it is written."""
    known = list(KINDS) if current in KINDS or not current else [current, *KINDS]
    return [(kind, kind) for kind in known]


def typed_of(system: WetSystem | None, show: Show) -> dict[str, str]:
    """Return what the form shows of a system before anything is typed."""
    typed: dict[str, str] = {"kind": KINDS[0]} if system is None else {}
    if system is None:
        return typed
    typed |= {"name": system.name, "kind": system.kind, "fluid": system.fluid}
    for number in NUMBERS:
        span: Span | None = getattr(system, number.key)
        if span is not None:
            typed[number.key] = (
                count_text(span.low, span.high)
                if number.key == "tanks"
                else write_ends(span.low, span.high, number.dimension, show)
            )
            typed[f"{number.key}_origin"] = span.origin
            typed[f"{number.key}_note"] = span.note
    if system.window:
        typed["window"] = write_ends(*system.window, "temperature", show)
        source = _source(system)
        if source:
            typed["window_origin"], typed["window_note"] = source.origin, source.note
    for i, plug in enumerate(system.plugs):
        typed |= _typed_plug(i, plug, show)
    return typed | typed_limits(system.limits, show)


def _source(system: WetSystem) -> Source | None:
    return next((s for s in system.sources if s.key == "window"), None)


def _typed_plug(i: int, plug: Plug, show: Show) -> dict[str, str]:
    typed = {
        f"plug_{i}_name": plug.name,
        f"plug_{i}_seal": plug.seal,
        f"plug_{i}_drive": plug.drive,
        f"plug_{i}_thread": plug.thread,
    }
    if plug.torque:
        typed[f"plug_{i}_torque"] = write_ends(plug.torque.low, plug.torque.high, "torque", show)
        typed[f"plug_{i}_torque_origin"] = plug.torque.origin
        typed[f"plug_{i}_torque_note"] = plug.torque.note
    return typed


def plug_rows(typed: Mapping[str, str], more: bool = False) -> int:
    """Return how many rows for plugs to show."""
    used = [
        i
        for i in range(MOST_PLUGS)
        if any(typed.get(f"plug_{i}_{part}", "").strip() for part, _ in PLUG_PARTS)
    ]
    return rows_of(typed, "plug_{}_name", used, MOST_PLUGS, more)


@dataclass(frozen=True)
class ReadSystem:
    """What came of a form: the sheet with the system in it, unless something is wrong."""

    sheet: Sheet | None
    system: WetSystem | None
    complaints: Complaints
    warnings: tuple[str, ...] = ()


def read_system(
    typed: Mapping[str, str], show: Show, sheet: Sheet | None, place: int | None
) -> ReadSystem:
    """Read the form of a system and put it into its sheet.

    Parameters
    ----------
    typed : mapping
    show : Show
    sheet : Sheet or None
        The machine's sheet; ``None`` while the machine is being added.
    place : int or None
        Which system of the sheet, from 0; ``None`` for a new one.

    Returns
    -------
    ReadSystem
    """
    before = sheet.machine.systems[place] if sheet is not None and place is not None else None
    reader = Reader(typed, show, typed_of(before, show) if before else {})
    name = reader.text("name", "Name", required="write e.g. gearbox, engine, rear axle")
    kind = reader.text("kind", "Kind") or "other"
    fluid = reader.text("fluid", "Fluid")
    spans: dict[str, Any] = {
        n.key: reader.span(n.key, n.label, n.dimension, getattr(before, n.key, None))
        for n in NUMBERS
    }
    if spans["capacity"] is None and not reader.raw("capacity"):
        reader.wrong(
            "capacity",
            "Capacity",
            "is missing",
            worded(
                "take it from the manual or the plate; a range such as {b:example volume} will do",
                b=(0.008, 0.01),
            ),
        )
    window = reader.ends("window", "Window", "temperature", before.window if before else None)
    sources = _window_source(reader) if window else ()
    rows = [i for i in range(MOST_PLUGS) if _plug_used(reader, i)]
    plugs = tuple(_plug(reader, i, before) for i in rows)
    limits = read_limits(reader, before.limits if before else ())
    if reader.wrongs:
        return ReadSystem(None, None, reader.complaints())
    # What the form does not show is kept as it was.
    kept = before or WetSystem(name, kind, Span(0.0, 0.0))
    others = tuple(source for source in kept.sources if source.key != "window")
    system = replace(
        kept,
        name=name,
        kind=kind,
        fluid=fluid,
        window=window,
        plugs=plugs,
        limits=tuple(limits.values()),
        sources=(*sources, *others),
        **spans,
    )
    return _into_sheet(system, sheet, place, (rows, list(limits)), reader)


def _window_source(reader: Reader) -> tuple[Source, ...]:
    origin = reader.origin("window_origin")
    note = reader.text("window_note", "Window, page or remark")
    return (Source("window", origin, note),) if origin != "sheet" or note else ()


def _plug_used(reader: Reader, i: int) -> bool:
    return any(reader.raw(f"plug_{i}_{part}") for part, _ in PLUG_PARTS)


def _plug(reader: Reader, i: int, before: WetSystem | None) -> Plug:
    old = before.plugs[i].torque if before and i < len(before.plugs) else None
    name = reader.text(
        f"plug_{i}_name", f"Plug {i + 1}", required="name it, e.g. drain, fill, level"
    )
    ends = reader.ends(
        f"plug_{i}_torque",
        f"Torque of plug {i + 1}",
        "torque",
        (old.low, old.high) if old else None,
    )
    torque = None
    if ends is not None:
        torque = Span(
            *ends,
            reader.origin(f"plug_{i}_torque_origin"),
            reader.text(f"plug_{i}_torque_note", f"Torque of plug {i + 1}, page or remark"),
        )
    return Plug(
        name,
        torque,
        reader.text(f"plug_{i}_seal", f"Seal of plug {i + 1}"),
        reader.text(f"plug_{i}_drive", f"Drive of plug {i + 1}"),
        reader.text(f"plug_{i}_thread", f"Thread of plug {i + 1}"),
    )


def _into_sheet(
    system: WetSystem,
    sheet: Sheet | None,
    place: int | None,
    rows: tuple[list[int], list[int]],
    reader: Reader,
) -> ReadSystem:
    if sheet is None:
        return ReadSystem(None, system, Complaints())
    systems = list(sheet.machine.systems)
    at = len(systems) if place is None else place
    systems[at : at + 1] = [system]
    made = with_fluids(replace(sheet, machine=replace(sheet.machine, systems=tuple(systems))))
    checked = check_findings(
        check_sheet(made),
        fields_of(at, rows[0]) | limit_fields(at, rows[1]),
        {"name": "Name", **reader.labels},
    )
    ours = None if checked.complaints.any else made
    return ReadSystem(ours, system, checked.complaints, checked.warnings)


def fields_of(place: int, rows: list[int]) -> dict[tuple[str | int, ...], str]:
    """Return the field of each path of a system in its sheet."""
    at = ("system", place)
    fields: dict[tuple[str | int, ...], str] = {
        (*at, key): key for key in ("name", "kind", "fluid", "window", *SPANS)
    }
    for k, row in enumerate(rows):
        for part, _ in PLUG_PARTS:
            fields[(*at, "plug", k, part)] = f"plug_{row}_{part}"
    return fields


def with_fluids(sheet: Sheet) -> Sheet:
    """Return the sheet with an entry for every fluid that it names."""
    known = {fluid.name for fluid in sheet.fluids}
    more = dict.fromkeys(
        name
        for name in (
            *(s.fluid for s in sheet.machine.systems),
            *(o.fluid for o in sheet.offers),
        )
        if name and name not in known
    )
    return replace(sheet, fluids=(*sheet.fluids, *(Fluid(name) for name in more)))
