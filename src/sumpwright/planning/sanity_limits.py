"""Whether the limits of a wet system, and of the reports on its fluid, can be meant."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterator
from dataclasses import dataclass

from sumpwright.errors import Complaint
from sumpwright.planning.cleanliness import read_code
from sumpwright.planning.clock import DAY, YEAR
from sumpwright.planning.machine import ReportBound, ServiceLimit, WetSystem
from sumpwright.planning.reports import ELEMENTS, KINDS, NAMES
from sumpwright.planning.said import worded
from sumpwright.unit_words import Dimension

Path = tuple[str | int, ...]
KEYS = ("distance", "period", "hours", "thermal")
PROPERTIES = (*KINDS, *ELEMENTS)
_SIDES = ("below", "above")


@dataclass(frozen=True)
class Finding:
    """What is wrong or doubtful, what to do, and the path of the key.

    Parameters
    ----------
    path : tuple
        As in the machine sheet, e.g. ``("system", 0, "drain")``.
    what, do : str
        One sentence each.
    fatal : bool
        ``False`` for a warning.
    """

    path: Path
    what: str
    do: str
    fatal: bool = True


@dataclass(frozen=True)
class _Range:
    low: float
    high: float
    dimension: Dimension


_RANGES = {
    "distance": _Range(1e5, 2e9, "distance"),
    "period": _Range(float(DAY), 50.0 * YEAR, "period"),
    "hours": _Range(3600.0, 1e5 * 3600, "time"),
    "thermal": _Range(3600.0, 1e6 * 3600, "time"),
}


def check_limits(system: WetSystem, path: Path = ()) -> Iterator[Finding]:
    """Check what a sheet says of when a system is due and of its fluid's reports.

    Yields
    ------
    Finding

    Examples
    --------
    >>> from sumpwright.planning.machine import Span
    >>> late = ServiceLimit("replace", distance=4e7, severe_distance=6e7)
    >>> box = WetSystem("gearbox", "axle", Span(8e-3, 8e-3), limits=(late,))
    >>> [finding.what for finding in check_limits(box)]
    ['the severe distance of 60 000 km is longer than the normal one of 40 000 km']
    """
    seen: set[str] = set()
    for i, limit in enumerate(system.limits):
        at = (*path, "limit", i)
        if limit.action in seen:
            yield Finding(
                (*at, "action"),
                f"there are two limits with the action '{limit.action}'",
                "put all its intervals into one table: the first one reached wins",
            )
        seen.add(limit.action)
        yield from _check_limit(limit, at)
    yield from _check_thermal(system, path)
    for i, bound in enumerate(system.bounds):
        yield from _check_bound(bound, (*path, "bound", i))
    if system.clean:
        try:
            read_code(system.clean)
        except Complaint as complaint:
            yield Finding((*path, "clean"), complaint.what, complaint.do)


def _check_limit(limit: ServiceLimit, path: Path) -> Iterator[Finding]:
    given = [key for key in KEYS if _of(limit, key) is not None or _of(limit, key, "severe_")]
    if not given:
        yield Finding(
            path,
            f"the limit to {limit.action} has no interval",
            worded(
                "add one from the manual, such as {d:bound distance} or {p:bound period}",
                d=6e7,
                p=4 * YEAR,
            ),
        )
    for key in given:
        span = _RANGES[key]
        for prefix in ("", "severe_"):
            value = _of(limit, key, prefix)
            if value is not None and not span.low <= value <= span.high:
                word = f"{'severe ' if prefix else ''}{key}"
                yield Finding(
                    (*path, prefix + key),
                    worded(
                        f"a {word} of {{v:given {span.dimension}}} cannot be right as an interval",
                        v=value,
                    ),
                    worded(f"give {{b:bound {span.dimension}}}", b=(span.low, span.high)),
                )
        normal, severe = _of(limit, key), _of(limit, key, "severe_")
        if normal is not None and severe is not None and severe > normal:
            yield Finding(
                (*path, f"severe_{key}"),
                worded(
                    f"the severe {key} of {{v:given {span.dimension}}} is longer than the normal "
                    f"one of {{w:given {span.dimension}}}",
                    v=severe,
                    w=normal,
                ),
                "check both: severe service usually shortens the interval",
                fatal=False,
            )
    if limit.tail is not None and limit.action != "replace":
        yield Finding((*path, "tail"), "only a replacement has a tail", "take it out")
    elif limit.tail is not None and not 0 <= limit.tail < 1:
        yield Finding(
            (*path, "tail"),
            f"a tail of {limit.tail:g} is not a share below 1",
            'give the share of the fluid that may be older than the limit, e.g. "20 %"',
        )


def _of(limit: ServiceLimit, key: str, prefix: str = "") -> float | None:
    value: float | None = getattr(limit, prefix + key)
    return value


def _check_thermal(system: WetSystem, path: Path) -> Iterator[Finding]:
    reference, step = system.thermal_reference, system.thermal_step
    wanted = any(x.thermal is not None or x.severe_thermal is not None for x in system.limits)
    if wanted and reference is None:
        yield Finding(
            (*path, "thermal_reference"),
            "a limit by thermal age has no reference temperature",
            'add the temperature at which an hour counts as one, e.g. thermal_reference = "90 C"',
        )
    if reference is not None and not 273.15 <= reference <= 473.15:
        yield Finding(
            (*path, "thermal_reference"),
            worded("a thermal reference of {v:given temperature} cannot be right", v=reference),
            worded("give a fluid temperature within {b:bound temperature}", b=(273.15, 473.15)),
        )
    if step is not None and not 1 <= step <= 50:
        yield Finding(
            (*path, "thermal_step"),
            worded("a doubling every {v:given temperature_difference} cannot be right", v=step),
            worded(
                "give the rise of temperature that doubles the ageing, "
                "{b:bound temperature_difference}; {u:bound temperature_difference} is usual",
                b=(1.0, 50.0),
                u=10.0,
            ),
        )


def _check_bound(bound: ReportBound, path: Path) -> Iterator[Finding]:
    if bound.of not in PROPERTIES:
        by_name = {name: symbol for symbol, name in NAMES.items()}
        symbol = by_name.get(bound.of.casefold())
        near = difflib.get_close_matches(bound.of, PROPERTIES, n=1, cutoff=0.4)
        guess = symbol or (near[0] if near else "Fe")
        yield Finding(
            (*path, "of"),
            f"'{bound.of}' is no property of a report",
            f"did you mean '{guess}'? known: {', '.join(PROPERTIES)}",
        )
    ends = {
        (level, side): getattr(bound, f"{level}_{side}")
        for level in ("caution", "act")
        for side in _SIDES
    }
    if all(end is None for end in ends.values()):
        yield Finding(path, "the bound has no value", "add e.g. act_above = 150")
    for (level, side), end in ends.items():
        if end is not None and (not math.isfinite(end) or (end < 0 and not bound.relative)):
            yield Finding(
                (*path, f"{level}_{side}"), f"{end:g} cannot be right", "give a value above zero"
            )
    for level in ("caution", "act"):
        low, high = ends[level, "below"], ends[level, "above"]
        if low is not None and high is not None and low >= high:
            yield Finding(
                (*path, f"{level}_below"), f"no value passes the {level} bound", "swap its two ends"
            )
    for side, sign in (("above", 1), ("below", -1)):
        caution, act = ends["caution", side], ends["act", side]
        if caution is not None and act is not None and sign * (caution - act) > 0:
            yield Finding(
                (*path, f"caution_{side}"),
                f"the caution bound of {bound.of} lies beyond the act bound",
                "swap the two: caution comes first",
            )
