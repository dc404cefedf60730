"""The service limits of a wet system in its form: rows, one for each action."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from sumpwright.planning.machine import Action, ServiceLimit, Source
from sumpwright.records.sheet_text import INTERVALS
from sumpwright.unit_words import Dimension
from sumpwright.web.views.show import Show
from sumpwright.web.views.typed import Reader, rows_of, write_one

MOST_LIMITS = 8
ACTIONS: tuple[tuple[Action, str], ...] = (
    ("replace", "change the fluid"),
    ("inspect", "inspect the fluid"),
)
PARTS: tuple[tuple[str, str, Dimension], ...] = (
    ("distance", "Every so far", "distance"),
    ("period", "Every so long", "period"),
    ("hours", "Every so many running hours", "time"),
    ("severe_distance", "So far, severe service", "distance"),
    ("severe_period", "So long, severe service", "period"),
    ("severe_hours", "Running hours, severe service", "time"),
)


def typed_limits(limits: tuple[ServiceLimit, ...], show: Show) -> dict[str, str]:
    """Return what the form shows of limits before anything is typed."""
    typed: dict[str, str] = {}
    for i, limit in enumerate(limits):
        typed[f"limit_{i}_action"] = limit.action
        for part, _, dimension in PARTS:
            value: float | None = getattr(limit, part)
            if value is not None:
                typed[f"limit_{i}_{part}"] = write_one(value, dimension, show)
        if limit.sources:
            typed[f"limit_{i}_origin"] = limit.sources[0].origin
            typed[f"limit_{i}_note"] = limit.sources[0].note
    return typed


def used(typed: Mapping[str, str], i: int) -> bool:
    """Whether a row has an interval in it."""
    return any(typed.get(f"limit_{i}_{part}", "").strip() for part, _, _ in PARTS)


def limit_rows(typed: Mapping[str, str], more: bool = False) -> int:
    """Return how many rows to show."""
    rows = [i for i in range(MOST_LIMITS) if used(typed, i)]
    return rows_of(typed, "limit_{}_action", rows, MOST_LIMITS, more)


def read_limits(reader: Reader, before: tuple[ServiceLimit, ...]) -> dict[int, ServiceLimit]:
    """Read the rows that have something in them, by their place in the form.

    A row that was not touched keeps what the form does not show: thermal age, the share
    that may be older, the origin of each of its numbers.
    """
    found = {}
    for i in range(MOST_LIMITS):
        old = before[i] if i < len(before) else None
        kept_unseen = old is not None and not used(reader.before, i)
        if used(reader.typed, i) or kept_unseen:
            found[i] = _limit(reader, i, old)
    return found


def _limit(reader: Reader, i: int, old: ServiceLimit | None) -> ServiceLimit:
    names = [f"limit_{i}_{part}" for part in ("action", *(p for p, _, _ in PARTS))]
    names += [f"limit_{i}_origin", f"limit_{i}_note"]
    if old is not None and all(_untouched(reader, name) for name in names):
        return old
    action: Action = "inspect" if reader.raw(f"limit_{i}_action") == "inspect" else "replace"
    values = {
        part: reader.value(
            f"limit_{i}_{part}",
            f"Limit {i + 1}",
            dimension,
            getattr(old, part) if old else None,
        )
        for part, _, dimension in PARTS
    }
    origin = reader.origin(f"limit_{i}_origin")
    note = reader.text(f"limit_{i}_note", f"Limit {i + 1}, page or remark")
    sources = tuple(
        Source(key, origin, note)
        for key in INTERVALS
        if values.get(key) is not None and (origin != "sheet" or note)
    )
    limit = replace(old or ServiceLimit(action), action=action, **values, sources=sources)
    return limit if action == "replace" else replace(limit, tail=None)


def _untouched(reader: Reader, name: str) -> bool:
    default = "sheet" if name.endswith("_origin") else ""
    return (reader.raw(name) or default) == (reader.before.get(name, "").strip() or default)


def limit_fields(place: int, rows: list[int]) -> dict[tuple[str | int, ...], str]:
    """Return the field of each path of the limits in the sheet."""
    return {
        ("system", place, "limit", k, part): f"limit_{row}_{part}"
        for k, row in enumerate(rows)
        for part in ("action", *(p for p, _, _ in PARTS))
    }
