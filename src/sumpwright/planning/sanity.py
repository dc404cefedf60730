"""Whether the numbers of a machine sheet can be true together.

The same checks serve a sheet read from a file and a form filled in on a page;
each finding names the key it is about, so that either can point at the place.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator

from sumpwright.planning.kinds import canonical_kind
from sumpwright.planning.machine import (
    MOST_TANKS,
    Fluid,
    Machine,
    Offer,
    Plug,
    Sheet,
    Span,
    WetSystem,
)
from sumpwright.planning.said import Value, worded
from sumpwright.planning.sanity_limits import Finding, Path, check_limits

__all__ = [
    "Finding",
    "Path",
    "check_fluid",
    "check_offer",
    "check_plug",
    "check_sheet",
    "check_system",
]

_GEARBOX = (0.05e-3, 200e-3)
_LARGE = (0.05e-3, 2000e-3)
_VOLUME_BOUNDS: dict[str, tuple[float, float]] = {
    "torque-converter automatic": _GEARBOX,
    "continuously variable": _GEARBOX,
    "dual clutch": _GEARBOX,
    "manual gearbox": _GEARBOX,
    "transfer case": _GEARBOX,
    "axle": _GEARBOX,
    "power steering": (0.05e-3, 50e-3),
    "hydrostatic drive": _LARGE,
    "engine": _LARGE,
    "hydraulic system": _LARGE,
    "coolant circuit": _LARGE,
    "other": (0.01e-3, 10_000e-3),
}
_LARGEST_TORQUE = 1000.0
_COLDEST, _HOTTEST = 233.15, 473.15
_MAY_BE_ZERO = {"cooler_loop", "pickup_reserve", "lean_gain"}
_PARTS = ("drain", "sump", "cooler_loop", "pickup_reserve", "discharge", "lean_gain")
_SHARES = ("pockets", "purge_share", "sweep_share")
_SLACK = 1e-9


def check_sheet(sheet: Sheet) -> Iterator[Finding]:
    """Check a whole machine sheet.

    Yields
    ------
    Finding
        In the order of the sheet: machine, systems, fluids, offers, vessels.

    Examples
    --------
    >>> box = WetSystem("gearbox", "CVT", Span(8e-3, 8e-3), drain=Span(9e-3, 9e-3))
    >>> found = next(check_sheet(Sheet(Machine("Carrier 2", (box,)))))
    >>> found.path, found.what
    (('system', 0, 'drain'), 'the drain of 9 L is larger than the capacity of 8 L')
    """
    yield from _check_machine(sheet.machine)
    for i, system in enumerate(sheet.machine.systems):
        yield from check_system(system, ("system", i))
    yield from _repeated([s.name for s in sheet.machine.systems], ("system",), "system")
    for i, fluid in enumerate(sheet.fluids):
        yield from check_fluid(fluid, ("fluid", i))
    yield from _repeated([f.name for f in sheet.fluids], ("fluid",), "fluid")
    for i, offer in enumerate(sheet.offers):
        yield from check_offer(offer, ("offer", i))
    yield from _unused(sheet)
    if not 0 <= sheet.spare <= 1:
        yield Finding(
            ("purchase", "spare"),
            f"a spare of {sheet.spare:g} is not a share",
            "give the share to buy beyond the plan, from 0 to 1, e.g. 0.05",
        )
    for key, vessel in (("pump", sheet.pump_vessel), ("catch", sheet.catch_vessel)):
        if vessel is not None:
            yield from _within(("vessels", key), f"the {key} vessel", vessel, (0.05e-3, 2000e-3))


def check_system(system: WetSystem, path: Path = ()) -> Iterator[Finding]:
    """Check one wet system.

    Parameters
    ----------
    system : WetSystem
        Spans must be finite with low ≤ high.
    path : tuple
        Put before each key.

    Yields
    ------
    Finding
        Volumes first, then what they must be to one another, then the rest.
    """
    kind, warning = canonical_kind(system.kind)
    yield from _named(system.name, (*path, "name"), "the system")
    if not system.kind.strip():
        yield Finding((*path, "kind"), "the kind is empty", "write e.g. 'axle' or 'engine'")
    elif warning:
        yield Finding((*path, "kind"), warning, "write the kind as listed", fatal=False)
    broken = False
    for finding in _check_volumes(system, kind, path):
        broken = broken or finding.fatal
        yield finding
    if not broken:
        yield from _check_order(system, path)
    yield from _check_rest(system, path)
    for i, plug in enumerate(system.plugs):
        yield from check_plug(plug, (*path, "plug", i))
    yield from _repeated([p.name for p in system.plugs], (*path, "plug"), "plug")
    yield from check_limits(system, path)


def _check_machine(machine: Machine) -> Iterator[Finding]:
    yield from _named(machine.name, ("machine", "name"), "the machine")
    if machine.odometer is not None and not 0 <= machine.odometer <= 1e10:
        yield Finding(
            ("machine", "odometer"),
            worded("an odometer of {v:given distance} cannot be right", v=machine.odometer),
            worded("give what the odometer shows, {b:bound distance}", b=(0.0, 1e10)),
        )
    if machine.hours is not None and not 0 <= machine.hours <= 1e6 * 3600:
        yield Finding(
            ("machine", "hours"),
            f"{machine.hours / 3600:g} running hours cannot be right",
            "give what the hour meter shows, from 0 to 1 000 000 h",
        )
    if not machine.systems:
        yield Finding(
            ("system",),
            "the sheet has no wet system",
            "add a [[system]] table with name, kind and capacity",
        )


def _check_volumes(system: WetSystem, kind: str, path: Path) -> Iterator[Finding]:
    low, high = _VOLUME_BOUNDS[kind]
    yield from _within((*path, "capacity"), "the capacity", system.capacity, (low, high), kind)
    for key in _PARTS:
        span: Span | None = getattr(system, key)
        if span is None:
            continue
        word = f"the {key.replace('_', ' ')}"
        if key in _MAY_BE_ZERO:
            yield from _within((*path, key), word, span, (0.0, high), kind)
        else:
            yield from _within((*path, key), word, span, (min(low, 1e-6), high), kind)


def _check_order(system: WetSystem, path: Path) -> Iterator[Finding]:
    """What is part of something cannot be larger than it."""
    capacity, drain, sump = system.capacity, system.drain, system.sump
    loop = system.cooler_loop
    pairs: list[tuple[str, Span, str, Span, str]] = []
    if drain and sump:
        pairs.append(("drain", drain, "drain", sump, "sump"))
    elif drain:
        pairs.append(("drain", drain, "drain", capacity, "capacity"))
    if drain and sump and system.lean_gain:
        both = _sum(drain, system.lean_gain)
        pairs.append(("lean_gain", both, "drain with the lean gain", sump, "sump"))
    if sump:
        pairs.append(("sump", sump, "sump", capacity, "capacity"))
    if loop:
        rest, word = (sump, "sump with the ") if sump else (drain, "drain with the ")
        part = _sum(rest, loop) if rest else loop
        word = f"{word if rest else ''}cooler loop"
        pairs.append(("cooler_loop", part, word, capacity, "capacity"))
    if system.discharge:
        whole, name = (sump, "sump") if sump else (capacity, "capacity")
        pairs.append(("discharge", system.discharge, "discharge", whole, name))
    for key, part, word, whole, name in pairs:
        named: dict[str, Value] = {"part": word, "v": _ends(part), "whole": name, "w": _ends(whole)}
        if part.low > whole.high * (1 + _SLACK):
            yield Finding(
                (*path, key),
                worded(
                    "the {part:text} of {v:given volume} is larger than the {whole:text} of "
                    "{w:given volume}",
                    **named,
                ),
                f"check both: the {word} is part of the {name} and cannot exceed it",
            )
            return
        if part.high > whole.low * (1 + _SLACK):
            yield Finding(
                (*path, key),
                worded(
                    "part of the range is impossible: the {part:text} of {v:given volume} can "
                    "exceed the {whole:text} of {w:given volume}",
                    **named,
                ),
                "narrow one of the two ranges; draws that cannot be are left out",
                fatal=False,
            )
    yield from _check_reserve(system, path)


def _check_reserve(system: WetSystem, path: Path) -> Iterator[Finding]:
    reserve, sump = system.pickup_reserve, system.sump
    if reserve is None or sump is None:
        return
    if reserve.low >= sump.high:
        yield Finding(
            (*path, "pickup_reserve"),
            worded(
                "the pickup reserve of {v:given volume} leaves nothing of the sump of "
                "{w:given volume} to take out",
                v=_ends(reserve),
                w=_ends(sump),
            ),
            "give the volume below which the pump draws air: it must be less than the sump",
        )
        return
    if reserve.high >= sump.low:
        yield Finding(
            (*path, "pickup_reserve"),
            worded(
                "part of the range is impossible: the pickup reserve of {v:given volume} can "
                "reach the sump of {w:given volume}",
                v=_ends(reserve),
                w=_ends(sump),
            ),
            "narrow one of the two ranges; draws that cannot be are left out",
            fatal=False,
        )
    if system.discharge and system.discharge.high > sump.low - reserve.high:
        yield Finding(
            (*path, "discharge"),
            worded(
                "a discharge of {u:given volume} can draw the sump of {w:given volume} below "
                "the pickup reserve of {v:given volume}, where the pump draws air",
                u=_ends(system.discharge),
                w=_ends(sump),
                v=_ends(reserve),
            ),
            "use a smaller bottle for one discharge",
            fatal=False,
        )


def _check_rest(system: WetSystem, path: Path) -> Iterator[Finding]:
    if system.tanks and not 1 <= system.tanks.low <= system.tanks.high <= MOST_TANKS:
        yield Finding(
            (*path, "tanks"),
            f"{_plain(system.tanks)} tanks are not a number of tanks in series",
            f"give a whole number from 1 (mixes as one) to {MOST_TANKS} (moves nearly as a plug)",
        )
    for key in _SHARES:
        share: Span | None = getattr(system, key)
        if share and not 0 <= share.low <= share.high <= 1:
            yield Finding(
                (*path, key),
                f"{'' if key == 'pockets' else 'a '}{key.replace('_', ' ')} of {_plain(share)} "
                "is not a share",
                'give a share from 0 to 1, e.g. 0.10 or "10 %"',
            )
    for key, dimension, most, zero in (
        ("flow", "flow", 0.05, False),
        ("pan_area", "area", 10.0, False),
        ("port_offset", "length", 5.0, True),
    ):
        span: Span | None = getattr(system, key)
        if span and (span.low < 0 or span.high > most or (span.low == 0 and not zero)):
            yield Finding(
                (*path, key),
                worded(
                    f"a {key.replace('_', ' ')} of {{v:given {dimension}}} cannot be right",
                    v=_ends(span),
                ),
                worded(
                    f"give a value {'from' if zero else 'above'} 0 to {{b:bound {dimension}}}",
                    b=most,
                ),
            )
    if system.window:
        low, high = system.window
        if not _COLDEST <= min(low, high) <= max(low, high) <= _HOTTEST:
            yield Finding(
                (*path, "window"),
                worded("a window of {v:given temperature} cannot be right", v=(low, high)),
                worded(
                    "give the fluid temperatures for setting the level, within "
                    "{b:bound temperature}",
                    b=(_COLDEST, _HOTTEST),
                ),
            )
        elif low >= high:
            yield Finding(
                (*path, "window"),
                worded("the window of {v:given temperature} is reversed or empty", v=(low, high)),
                worded(
                    "give the lower temperature first, then the higher one, such as "
                    "{b:bound temperature}",
                    b=(311.15, 319.15),
                ),
            )


def check_plug(plug: Plug, path: Path = ()) -> Iterator[Finding]:
    """Check a plug's name and torque."""
    yield from _named(plug.name, (*path, "name"), "the plug")
    torque = plug.torque
    if torque and not 0 < torque.low <= torque.high <= _LARGEST_TORQUE:
        yield Finding(
            (*path, "torque"),
            worded("a torque of {v:given torque} cannot be right for a plug", v=_ends(torque)),
            worded(
                "give the manual's torque, above 0 and at most {b:bound torque}",
                b=_LARGEST_TORQUE,
            ),
        )


def check_fluid(fluid: Fluid, path: Path = ()) -> Iterator[Finding]:
    """Check a fluid's name, density and viscosities."""
    yield from _named(fluid.name, (*path, "name"), "the fluid")
    density = fluid.span("density_15")
    if density is not None and not 500 <= density.low <= density.high <= 2000:
        wrong = density.low if density.low < 500 else density.high
        yield Finding(
            (*path, "density_15"),
            f"a density of {wrong:g} kg/m3 cannot be right for a working fluid",
            'give the density at 15 °C from the data sheet, e.g. "846 kg/m3"',
        )
    for key in ("viscosity_40", "viscosity_100"):
        value = fluid.span(key)
        if value is not None and not 1e-7 <= value.low <= value.high <= 0.1:
            wrong = value.low if value.low < 1e-7 else value.high
            yield Finding(
                (*path, key),
                f"a viscosity of {wrong * 1e6:g} mm2/s cannot be right",
                'give the kinematic viscosity from the data sheet, e.g. "29.6 mm2/s"',
            )
            return
    thin, thick = fluid.viscosity_100, fluid.viscosity_40
    if thin is not None and thick is not None and thin >= thick:
        yield Finding(
            (*path, "viscosity_100"),
            f"the viscosity at 100 °C, {thin * 1e6:g} mm2/s, is not below that at 40 °C, "
            f"{thick * 1e6:g} mm2/s",
            "swap the two, or check the data sheet",
        )


def check_offer(offer: Offer, path: Path = ()) -> Iterator[Finding]:
    """Check an offer's size, price, carriage and stock."""
    yield from _named(offer.fluid, (*path, "fluid"), "the offer's fluid")
    yield from _named(offer.seller, (*path, "seller"), "the offer's seller")
    yield from _within((*path, "size"), "the size", offer.size, (0.01e-3, 2000e-3))
    for key, amount in (("price", offer.price), ("carriage", offer.carriage)):
        if not 0 <= amount < 1e9:
            yield Finding(
                (*path, key), f"a {key} of {amount:g} cannot be right", "give 0 or more, e.g. 11.40"
            )
    if offer.stock is not None and not 0 <= offer.stock <= 10**9:
        yield Finding(
            (*path, "stock"),
            f"a stock of {offer.stock:.6g} cannot be right",
            "give the number of containers to be had, 0 or more",
        )


def _unused(sheet: Sheet) -> Iterator[Finding]:
    wanted = {system.fluid for system in sheet.machine.systems if system.fluid}
    for i, offer in enumerate(sheet.offers):
        if offer.fluid in wanted:
            continue
        near = difflib.get_close_matches(offer.fluid, sorted(wanted), n=1)
        yield Finding(
            ("offer", i, "fluid"),
            f"no system uses '{offer.fluid}'",
            f"did you mean '{near[0]}'?" if near else "the offer is left out of every basket",
            fatal=False,
        )


def _named(name: str, path: Path, what: str) -> Iterator[Finding]:
    if not name.strip():
        yield Finding(path, f"{what} has an empty name", "give it a name that people will know")


def _repeated(names: list[str], path: Path, what: str) -> Iterator[Finding]:
    seen: dict[str, str] = {}
    for i, name in enumerate(names):
        if name.casefold() in seen:
            yield Finding(
                (*path, i, "name"),
                f"there are two {what}s named '{name}'",
                f"give each {what} its own name",
            )
        seen[name.casefold()] = name


def _within(
    path: Path, word: str, value: Span | float, bounds: tuple[float, float], kind: str = ""
) -> Iterator[Finding]:
    span = value if isinstance(value, Span) else Span(value, value)
    low, high = bounds
    if low <= span.low <= span.high <= high:
        return
    if span.low < 0 or (span.low == 0 and low > 0):
        wrong, do = "is negative" if span.low < 0 else "is zero", "give a volume above zero"
    else:
        wrong = "cannot be right" + (f" for a system of kind '{kind}'" if kind else "")
        do = worded("check the value and its unit: {b:bound volume} is accepted", b=(low, high))
    what = worded(
        "{word:text} of {v:given volume} {wrong:text}", word=word, v=_ends(span), wrong=wrong
    )
    yield Finding(path, what, do)


def _sum(a: Span, b: Span) -> Span:
    return Span(a.low + b.low, a.high + b.high)


def _ends(span: Span) -> tuple[float, float]:
    return span.low, span.high


def _plain(span: Span) -> str:
    low, high = span.low, span.high
    return f"{low:.4g}" if span.exact else f"{low:.4g} to {high:.4g}"
