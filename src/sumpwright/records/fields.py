"""The values of a machine sheet taken out one by one, each complaint with its place."""

from __future__ import annotations

import difflib
import math
import re
from typing import Any, cast, get_args

from sumpwright.errors import Complaint
from sumpwright.planning.machine import Origin, Source, Span, Spread
from sumpwright.records.places import Path
from sumpwright.records.sheet_text import BOUND_ENDS, INTERVALS, SPANS
from sumpwright.unit_words import EXAMPLE, Dimension
from sumpwright.units import parse_quantity

_LONGEST_TEXT = 200
_LONGEST_NOTE = 10_000

_KEYS: dict[str, tuple[str, ...]] = {
    "": ("machine", "system", "fluid", "offer", "purchase", "vessels"),
    "machine": ("name", "odometer", "hours", "note"),
    "system": (
        *("name", "kind", *SPANS, "fluid", "window", "plug", "limit"),
        *("thermal_reference", "thermal_step", "bound", "clean"),
    ),
    "plug": ("name", "torque", "seal", "drive", "thread"),
    "limit": ("action", *INTERVALS, "tail"),
    "bound": ("of", *BOUND_ENDS, "relative", "note"),
    "fluid": ("name", "density_15", "viscosity_40", "viscosity_100"),
    "offer": ("fluid", "seller", "size", "price", "carriage", "stock"),
    "purchase": ("spare", "currency"),
    "vessels": ("pump", "catch"),
    "quantity": ("value", "range", "origin", "note"),
}


_INSTEAD: dict[str, str] = {
    **dict.fromkeys(("years", "months", "days", "date", "time"), 'write period = "4 years"'),
    **dict.fromkeys(("km", "miles", "mileage"), 'write distance = "60000 km"'),
    **dict.fromkeys(("min", "low"), "write act_below or caution_below"),
    **dict.fromkeys(("max", "high"), "write act_above or caution_above"),
}
"""What is meant by keys that are often written and not known."""
_NAMED_BY = {"limit": "action", "bound": "of"}
"""The key that tells the tables of a list apart, where it is not their name."""


class Fields:
    """Takes values out of parsed TOML and complains with the place of each key.

    Parameters
    ----------
    name : str
        What to call the text, usually the file's path.
    data : dict
        The parsed TOML.
    lines : dict
        Line of each path, from `sumpwright.records.places.lines_of`.
    """

    def __init__(self, name: str, data: dict[str, Any], lines: dict[Path, int]) -> None:
        self.name = name
        self.data = data
        self.lines = lines
        self.warnings: list[str] = []

    def table(self, raw: object, path: Path, level: str) -> dict[str, Any]:
        """A table whose keys are all known."""
        if not isinstance(raw, dict):
            raise self.wrong(
                path, f"{_shown(raw)} is not a table", f"write [{level}] above its keys"
            )
        known = _KEYS[level]
        for key in raw:
            if key not in known:
                do = _advice(key, known)
                raise self.wrong((*path, key), f"unknown key '{tidy(key)}'", do)
        return raw

    def sub(self, data: dict[str, Any], path: Path, key: str) -> dict[str, Any]:
        if isinstance(data.get(key), list):
            raise self.wrong((*path, key), f"there can be only one {key} table", f"write [{key}]")
        return self.table(data.get(key, {}), (*path, key), key)

    def many(self, data: dict[str, Any], path: Path, key: str) -> list[tuple[dict[str, Any], Path]]:
        raw = data.get(key, [])
        at = (*path, key)
        header = f"[[{'system.' if path else ''}{key}]]"
        if not isinstance(raw, list):
            raise self.wrong(
                at,
                f"{key} is not a list of tables",
                f"write {header} with two brackets above each {key}",
            )
        for i, item in enumerate(raw):
            if not isinstance(item, dict):
                raise self.wrong((*at, i), f"{_shown(item)} is not a table", f"write {header}")
        return [(self.table(item, (*at, i), key), (*at, i)) for i, item in enumerate(raw)]

    def text(
        self, raw: dict[str, Any], path: Path, required: bool = False, lines: bool = False
    ) -> str:
        key = str(path[-1])
        if key not in raw:
            if required:
                raise self.missing(path, f'{key} = "…"')
            return ""
        value = raw[key]
        if not isinstance(value, str):
            raise self.wrong(path, f"{_shown(value)} is not a text", f'write {key} = "…" in quotes')
        if not lines:
            value = " ".join(value.split())
        if any(_hidden(c) and not (lines and c in "\n\t") for c in value):
            raise self.wrong(path, "the text holds control characters", "type the text afresh")
        longest = _LONGEST_NOTE if lines else _LONGEST_TEXT
        if len(value) > longest:
            raise self.wrong(
                path,
                f"the text of {len(value)} characters is too long",
                f"keep it within {longest} characters",
            )
        if required and not value:
            raise self.wrong(path, f"the {key} is empty", f'write {key} = "…"')
        return value

    def quantity(self, value: object, path: Path, dimension: Dimension) -> float:
        if isinstance(value, bool) or not isinstance(value, str | int | float):
            raise self.wrong(path, f"{_shown(value)} is not a quantity", _example(path, dimension))
        try:
            return parse_quantity(value, dimension, self.where(path), self.warnings)
        except Complaint as complaint:
            complaint.field = _field(path)
            raise

    def cited(self, value: object, path: Path) -> tuple[object, Path, Origin, str]:
        """Take a value out of a table that names its origin."""
        if not isinstance(value, dict):
            return value, path, "sheet", ""
        raw = self.table(value, path, "quantity")
        keys = [key for key in ("value", "range") if key in raw]
        if len(keys) != 1:
            what = "both a value and a range" if keys else "neither a value nor a range"
            raise self.wrong(
                path, f"the table has {what}", 'write e.g. {value = "9.2 L", origin = "manual"}'
            )
        key = keys[0]
        if (key == "range") != isinstance(raw[key], list):
            raise self.wrong(
                (*path, key),
                f"{_shown(raw[key])} is not a {key}",
                "'value' takes one value, 'range' takes a list of two",
            )
        origin = self.text(raw, (*path, "origin")) or "sheet"
        if origin not in get_args(Origin):
            near = difflib.get_close_matches(origin, get_args(Origin), n=1, cutoff=0.0)
            raise self.wrong(
                (*path, "origin"),
                f"origin '{tidy(origin)}' is not known",
                f"did you mean '{near[0]}'? known: {', '.join(get_args(Origin))}",
            )
        note = self.text(raw, (*path, "note"), lines=True)
        return raw[key], (*path, key), cast(Origin, origin), note

    def ends(self, value: object, path: Path) -> list[tuple[object, Path]]:
        """A value as one end, a range as two."""
        if not isinstance(value, list):
            return [(value, path)]
        if len(value) != 2:
            raise self.wrong(
                path, f"a range of {len(value)} values", 'write a range as ["low", "high"]'
            )
        return [(item, (*path, i)) for i, item in enumerate(value)]

    def span(self, raw: dict[str, Any], path: Path, dimension: Dimension) -> Span | None:
        if path[-1] not in raw:
            return None
        value, at, origin, note = self.cited(raw[str(path[-1])], path)
        ends = [self.quantity(item, where, dimension) for item, where in self.ends(value, at)]
        return self.ordered(ends, at, origin, note)

    def tanks(self, raw: dict[str, Any], path: Path) -> Span | None:
        if path[-1] not in raw:
            return None
        value, at, origin, note = self.cited(raw[str(path[-1])], path)
        ends = []
        for item, where in self.ends(value, at):
            if isinstance(item, bool) or not isinstance(item, int) or item < 1:
                raise self.wrong(
                    where,
                    f"{_shown(item)} is not a number of tanks",
                    "write a whole number from 1, e.g. tanks = 2 or tanks = [1, 4]",
                )
            ends.append(float(min(item, 10**9)))
        return self.ordered(ends, at, origin, note)

    def ordered(self, ends: list[float], path: Path, origin: Origin, note: str) -> Span:
        if ends[0] > ends[-1]:
            raise self.wrong(path, "the range is reversed", "write the lower end first")
        return Span(ends[0], ends[-1], origin, note)

    def value(
        self,
        raw: dict[str, Any],
        path: Path,
        dimension: Dimension,
        sources: list[Source] | None = None,
    ) -> float | None:
        """A single value; its origin goes to ``sources`` where there is room for it."""
        key = str(path[-1])
        if key not in raw:
            return None
        value, at = raw[key], path
        if sources is not None:
            value, at, origin, note = self.cited(value, path)
            if origin != "sheet" or note:
                sources.append(Source(key, origin, note))
        if isinstance(value, list):
            raise self.wrong(at, "a range cannot stand here", _example(path, dimension))
        return self.quantity(value, at, dimension)

    def middle(
        self,
        raw: dict[str, Any],
        path: Path,
        dimension: Dimension,
        sources: list[Source],
        spreads: list[Spread],
    ) -> float | None:
        """A value, or the middle of a range whose ends go to ``spreads``."""
        span, key = self.span(raw, path, dimension), str(path[-1])
        if span is None:
            return None
        if span.origin != "sheet" or span.note:
            sources.append(Source(key, span.origin, span.note))
        if not span.exact:
            spreads.append(Spread(key, span.low, span.high))
        return span.mid

    def window(
        self, raw: dict[str, Any], path: Path, sources: list[Source]
    ) -> tuple[float, float] | None:
        if "window" not in raw:
            return None
        value, at, origin, note = self.cited(raw["window"], path)
        if not isinstance(value, list) or len(value) != 2:
            raise self.wrong(
                at, "a window needs two temperatures", 'write window = ["38 C", "46 C"]'
            )
        low, high = (
            self.quantity(item, where, "temperature") for item, where in self.ends(value, at)
        )
        if origin != "sheet" or note:
            sources.append(Source("window", origin, note))
        return low, high

    def amount(self, raw: dict[str, Any], path: Path) -> float | None:
        key = str(path[-1])
        if key not in raw:
            return None
        value = raw[key]
        if isinstance(value, bool) or not isinstance(value, int | float):
            found = re.match(r"\s*(\d+(?:\.\d+)?)", value) if isinstance(value, str) else None
            sample = found[1] if found else ("11.40" if key in ("price", "carriage") else "40")
            bare = "a bare number, without quotes and unit"
            raise self.wrong(
                path, f"{_shown(value)} is not a number", f"write {key} = {sample}, {bare}"
            )
        try:
            amount = float(value)
        except OverflowError:
            amount = math.inf
        if not math.isfinite(amount):
            raise self.wrong(path, f"a {key} that is not finite", f"write e.g. {key} = 11.40")
        return amount

    def count(self, raw: dict[str, Any], path: Path) -> int | None:
        key = str(path[-1])
        if key not in raw:
            return None
        value = raw[key]
        if isinstance(value, bool) or not isinstance(value, int):
            raise self.wrong(
                path, f"{_shown(value)} is not a whole number", f"write e.g. {key} = 6"
            )
        return min(max(value, -1), 10**10)

    def missing(self, path: Path, example: str) -> Complaint:
        return self.wrong(path, f"'{path[-1]}' is missing", f"add {example}")

    def wrong(self, path: Path, what: str, do: str) -> Complaint:
        return Complaint(what, do, self.where(path), _field(path))

    def where(self, path: Path) -> str:
        """File, line and key, as ``carrier.toml:7: system 'gearbox'.drain``."""
        line = 1
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                line = self.lines[path[:length]]
                break
        label = self.label(path)
        return f"{self.name}:{line}: {label}" if label else f"{self.name}:{line}"

    def label(self, path: Path) -> str:
        parts: list[str] = []
        here: Any = self.data
        for i, step in enumerate(path):
            try:
                here = here[step]
            except (KeyError, IndexError, TypeError):
                here = None
            if isinstance(step, str):
                parts.append(tidy(step))
            elif path[i - 1] in ("system", "plug", "fluid", "offer", "limit", "bound"):
                key = _NAMED_BY.get(str(path[i - 1]), "name")
                name = here.get(key) if isinstance(here, dict) else None
                shown = f"'{tidy(name)}'" if isinstance(name, str) and name.strip() else step + 1
                parts[-1] += f" {shown}"
        return ".".join(parts)


def _advice(key: str, known: tuple[str, ...]) -> str:
    """Where an unknown key belongs, or which known one is nearest."""
    listed = f"known here: {', '.join(known)}"
    if key in _KEYS[""]:
        return f"'{key}' is a table of its own: write [{key}] above its keys; {listed}"
    home = next((table for table in _KEYS if table != "quantity" and key in _KEYS[table]), "")
    if home:
        return f"'{key}' belongs in the {home} table; {listed}"
    near = difflib.get_close_matches(key.casefold(), known, n=1)
    if near:
        return f"did you mean '{near[0]}'? {listed}"
    return f"{_INSTEAD.get(key.casefold(), 'take it out')}; {listed}"


def tidy(text: str) -> str:
    """One printable line of reasonable length."""
    clean = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return clean if len(clean) <= 60 else clean[:59] + "…"


def _field(path: Path) -> str:
    return next((step for step in reversed(path) if isinstance(step, str)), "")


def _example(path: Path, dimension: Dimension) -> str:
    return f'write e.g. {_field(path)} = "{EXAMPLE[dimension]}"'


def _hidden(char: str) -> bool:
    """Control characters, and those that turn the direction of writing."""
    code = ord(char)
    return code < 32 or 127 <= code < 160 or 0x202A <= code <= 0x202E or 0x2066 <= code <= 0x2069


def _shown(value: object) -> str:
    if isinstance(value, str):
        return f'"{tidy(value)}"'
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int) and abs(value) > 10**15:
        return "a huge number"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, dict | list):
        return "a table" if isinstance(value, dict) else "a list"
    return "a date or time"
