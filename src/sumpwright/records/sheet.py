"""The machine sheet: a TOML text that a user writes, read into plain values.

Every complaint names the file, the line and the key, what is wrong and what to do.
"""

from __future__ import annotations

import difflib
import os
import re
import tomllib
from dataclasses import replace
from pathlib import Path as FilePath
from typing import Any, cast, get_args

from sumpwright.errors import Complaint, printable
from sumpwright.planning.machine import (
    Action,
    Fluid,
    Machine,
    Offer,
    Plug,
    ReportBound,
    ServiceLimit,
    Sheet,
    Source,
    Spread,
    WetSystem,
)
from sumpwright.planning.sanity import check_sheet
from sumpwright.records.fields import Fields, tidy
from sumpwright.records.places import Path, lines_of
from sumpwright.records.sheet_text import (
    BOUND_ENDS,
    INTERVALS,
    SPANS,
    bound_dimension,
    dump_sheet,
)
from sumpwright.unit_words import EXAMPLE, Dimension

__all__ = ["LARGEST", "dump_sheet", "parse_bytes", "parse_sheet", "read_sheet"]

LARGEST = 1_000_000
"""Bytes that a machine sheet may have."""


def read_sheet(path: str | os.PathLike[str]) -> Sheet:
    """Read a machine sheet from a file.

    Parameters
    ----------
    path : str or path-like
        A TOML file in UTF-8.

    Returns
    -------
    Sheet
        With warnings, each with its place.

    Raises
    ------
    Complaint
        The file cannot be read, or its content is not a machine sheet.
    """
    name = printable(str(path))
    try:
        with FilePath(path).open("rb") as file:
            data = file.read(LARGEST + 1)
    except FileNotFoundError:
        raise Complaint("there is no such file", "check the path of the sheet", name) from None
    except IsADirectoryError:
        raise Complaint(
            "is a directory, not a machine sheet", "name the .toml file in it", name
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise Complaint(
            f"cannot be read ({reason})", "check the path and the permissions", name
        ) from None
    return parse_bytes(data, name)


def parse_bytes(data: bytes, name: str) -> Sheet:
    """Read a machine sheet from the bytes of a file.

    Parameters
    ----------
    data : bytes
        TOML in UTF-8.
    name : str
        What to call it in complaints.

    Returns
    -------
    Sheet

    Raises
    ------
    Complaint
        If it is too large, no UTF-8 text, or not a machine sheet.

    Examples
    --------
    >>> parse_bytes(b"\\xff", "v.toml")
    Traceback (most recent call last):
    ...
    sumpwright.errors.Complaint: v.toml:1: is not UTF-8 text; save the sheet as UTF-8 in the editor
    """
    if len(data) > LARGEST:
        raise Complaint(
            f"is larger than {LARGEST // 1000} kB and cannot be a machine sheet",
            "name the .toml file of the machine",
            name,
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise Complaint(
            "is not UTF-8 text", "save the sheet as UTF-8 in the editor", f"{name}:{line}"
        ) from None
    return parse_sheet(text, name)


def parse_sheet(text: str, name: str = "sheet") -> Sheet:
    """Read a machine sheet from text.

    Parameters
    ----------
    text : str
        TOML.
    name : str
        What to call the text in complaints, usually the file's path.

    Returns
    -------
    Sheet
        With warnings, each with its place.

    Raises
    ------
    Complaint
        With `where` such as ``carrier.toml:7: system 'gearbox'.drain``.

    Examples
    --------
    >>> sheet = parse_sheet('''
    ... [machine]
    ... name = "Carrier 2"
    ... [[system]]
    ... name = "gearbox"
    ... kind = "torque-converter automatic"
    ... capacity = ["9.0 L", "9.6 L"]
    ... drain = {value = "4.1 L", origin = "measured"}
    ... ''')
    >>> sheet.machine.systems[0].drain
    Span(low=0.0041, high=0.0041, origin='measured', note='')
    """
    text = text.removeprefix("\ufeff").replace("\r\n", "\n")
    data = _load(text, name)
    return _Reader(name, data, lines_of(text)).sheet()


def _load(text: str, name: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise Complaint("is nested too deep", "write it as the example sheets are", name) from None
    except ValueError as error:
        message = str(error)
        at = re.search(r"\(at line (\d+), column \d+\)$", message)
        lines = text.split("\n")
        if at:
            line = int(at[1])
        else:
            line = max((i for i, row in enumerate(lines, 1) if row.strip()), default=1)
        reason = re.sub(r"\s*\(at [^()]*\)$", "", message)
        row = lines[line - 1] if line <= len(lines) else ""
        raise Complaint(
            f"is not valid TOML: {tidy(reason)}", _remedy(row, reason), f"{name}:{line}"
        ) from None


def _remedy(row: str, reason: str) -> str:
    """What most often goes wrong on such a line."""
    comma = re.match(r"\s*([\w.-]+)\s*=\s*([+-]?\d+),(\d+)\s*(?:#|$)", row)
    if comma:
        return f"write a plain number with a point: {comma[1]} = {comma[2]}.{comma[3]}"
    bare = re.match(r"\s*([\w.-]+)\s*=\s*([+-]?[\d.,]+\s*[^\d\s\"'#\[\]{}][^\"'#]*)", row)
    bare = bare or re.match(r"\s*([\w.-]+)\s*=\s*(?!true|false)([^\W\d_][^\"'#\[\]{}]*)$", row)
    if bare:
        return f'put the value in quotes: {bare[1]} = "{tidy(bare[2])}"'
    if re.search("[“”„‘’]", row):
        return 'use plain quotes: " instead of typographic ones'
    if "overwrite" in reason or "declare" in reason or "mutate" in reason:
        return "a key or table stands twice: keep one ([[system]] with two brackets may repeat)"
    if "=" in row and row.count('"') % 2:
        return 'close the quotes: each value looks like "9.2 L"'
    return 'write each line as key = "value", and each table as [name] or [[name]]'


class _Reader(Fields):
    """Builds the sheet from its tables."""

    def sheet(self) -> Sheet:
        data = self.table(self.data, (), "")
        if "machine" not in data:
            raise self.wrong((), "there is no [machine] table", 'add [machine] with name = "…"')
        machine = self.machine(self.sub(data, (), "machine"))
        fluids = [self.fluid(raw, path) for raw, path in self.many(data, (), "fluid")]
        offers = [self.offer(raw, path) for raw, path in self.many(data, (), "offer")]
        purchase = self.sub(data, (), "purchase")
        vessels = self.sub(data, (), "vessels")
        sheet = Sheet(
            machine=machine,
            fluids=tuple(fluids),
            offers=tuple(offers),
            spare=self.value(purchase, ("purchase", "spare"), "share") or 0.0,
            pump_vessel=self.value(vessels, ("vessels", "pump"), "volume"),
            catch_vessel=self.value(vessels, ("vessels", "catch"), "volume"),
            currency=self.text(purchase, ("purchase", "currency")),
        )
        for finding in check_sheet(sheet):
            if finding.fatal:
                raise self.wrong(finding.path, finding.what, finding.do)
            self.warnings.append(f"{self.where(finding.path)}: {finding.what}; {finding.do}")
        named = {fluid.name for fluid in fluids}
        for fluid in [s.fluid for s in machine.systems] + [o.fluid for o in offers]:
            if fluid and fluid not in named:
                named.add(fluid)
                fluids.append(Fluid(fluid))
        return replace(sheet, fluids=tuple(fluids), warnings=tuple(self.warnings))

    def machine(self, raw: dict[str, Any]) -> Machine:
        path: Path = ("machine",)
        sources: list[Source] = []
        return Machine(
            name=self.text(raw, (*path, "name"), required=True),
            systems=tuple(self.system(r, p) for r, p in self.many(self.data, (), "system")),
            odometer=self.value(raw, (*path, "odometer"), "distance", sources),
            hours=self.value(raw, (*path, "hours"), "time", sources),
            note=self.text(raw, (*path, "note"), lines=True),
            sources=tuple(sources),
        )

    def system(self, raw: dict[str, Any], path: Path) -> WetSystem:
        sources: list[Source] = []
        name = self.text(raw, (*path, "name"), required=True)
        kind = self.text(raw, (*path, "kind"), required=True)
        if "capacity" not in raw:
            raise self.missing((*path, "capacity"), f'capacity = "{EXAMPLE["volume"]}"')
        spans = {
            key: self.tanks(raw, (*path, key))
            if key == "tanks"
            else self.span(raw, (*path, key), d)
            for key, d in SPANS.items()
        }
        return WetSystem(
            name=name,
            kind=kind,
            **cast(dict[str, Any], spans),
            fluid=self.text(raw, (*path, "fluid")),
            window=self.window(raw, (*path, "window"), sources),
            plugs=tuple(self.plug(r, p) for r, p in self.many(raw, path, "plug")),
            limits=tuple(self.limit(r, p) for r, p in self.many(raw, path, "limit")),
            bounds=tuple(self.bound(r, p) for r, p in self.many(raw, path, "bound")),
            thermal_reference=self.value(raw, (*path, "thermal_reference"), "temperature", sources),
            thermal_step=self.value(
                raw, (*path, "thermal_step"), "temperature_difference", sources
            ),
            clean=self.text(raw, (*path, "clean")),
            sources=tuple(sources),
        )

    def limit(self, raw: dict[str, Any], path: Path) -> ServiceLimit:
        sources: list[Source] = []
        action = self.text(raw, (*path, "action"), required=True)
        if action not in get_args(Action):
            near = difflib.get_close_matches(action, get_args(Action), n=1, cutoff=0.0)
            raise self.wrong(
                (*path, "action"),
                f"action '{tidy(action)}' is not known",
                f"did you mean '{near[0]}'? known: {', '.join(get_args(Action))}",
            )
        intervals = {
            key: self.value(raw, (*path, key), dimension, sources)
            for key, dimension in INTERVALS.items()
        }
        return ServiceLimit(
            action=cast(Action, action),
            **cast(dict[str, Any], intervals),
            tail=self.value(raw, (*path, "tail"), "share"),
            sources=tuple(sources),
        )

    def bound(self, raw: dict[str, Any], path: Path) -> ReportBound:
        of = self.text(raw, (*path, "of"), required=True)
        relative = raw.get("relative", False)
        if not isinstance(relative, bool):
            raise self.wrong((*path, "relative"), "relative is not a choice", "write true or false")
        dimension = bound_dimension(of, relative)
        ends = {
            key: self.amount(raw, (*path, key))
            if dimension is None
            else self.value(raw, (*path, key), dimension)
            for key in BOUND_ENDS
        }
        return ReportBound(
            of=of,
            **cast(dict[str, Any], ends),
            relative=relative,
            note=self.text(raw, (*path, "note")),
        )

    def plug(self, raw: dict[str, Any], path: Path) -> Plug:
        return Plug(
            name=self.text(raw, (*path, "name"), required=True),
            torque=self.span(raw, (*path, "torque"), "torque"),
            seal=self.text(raw, (*path, "seal")),
            drive=self.text(raw, (*path, "drive")),
            thread=self.text(raw, (*path, "thread")),
        )

    def fluid(self, raw: dict[str, Any], path: Path) -> Fluid:
        sources: list[Source] = []
        spreads: list[Spread] = []

        def middle(key: str, dimension: Dimension) -> float | None:
            return self.middle(raw, (*path, key), dimension, sources, spreads)

        return Fluid(
            name=self.text(raw, (*path, "name"), required=True),
            density_15=middle("density_15", "density"),
            viscosity_40=middle("viscosity_40", "viscosity"),
            viscosity_100=middle("viscosity_100", "viscosity"),
            sources=tuple(sources),
            spreads=tuple(spreads),
        )

    def offer(self, raw: dict[str, Any], path: Path) -> Offer:
        fluid = self.text(raw, (*path, "fluid"), required=True)
        seller = self.text(raw, (*path, "seller"), required=True)
        size = self.value(raw, (*path, "size"), "volume")
        if size is None:
            raise self.missing((*path, "size"), 'size = "1 L"')
        price = self.amount(raw, (*path, "price"))
        if price is None:
            raise self.missing((*path, "price"), "price = 11.40")
        return Offer(
            fluid=fluid,
            seller=seller,
            size=size,
            price=price,
            carriage=self.amount(raw, (*path, "carriage")) or 0.0,
            stock=self.count(raw, (*path, "stock")),
        )
