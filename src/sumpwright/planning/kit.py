"""What to lay out before the work begins."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sumpwright.display import Display
from sumpwright.planning.machine import Plug, WetSystem
from sumpwright.planning.methods import Method
from sumpwright.planning.openings import plug_for
from sumpwright.planning.said import Said, Value, said

_WRENCHES = ((2.0, 10.0), (5.0, 25.0), (10.0, 60.0), (20.0, 100.0), (40.0, 200.0), (100.0, 500.0))
"""Usual ranges of torque wrenches [N·m]; common practice, no source."""


@dataclass(frozen=True)
class Item:
    """Something to have at hand, and why."""

    what: Said
    why: Said

    def to_json(self, display: Display | None = None) -> dict[str, str]:
        """Return the item as plain data, its quantities in the reader's units."""
        return {"what": self.what.say(display), "why": self.why.say(display)}


@dataclass(frozen=True)
class Handling:
    """How often vessels are filled again or emptied; sizes in m³."""

    pump_vessel: float | None
    pump_refills: int | None
    catch_vessel: float | None
    catch_empties: int | None
    bottle: float
    bottles: int

    def to_json(self) -> dict[str, float | int | None]:
        """Return the counts as plain data, volumes in litres."""
        return {
            "pump_vessel_l": None if self.pump_vessel is None else self.pump_vessel * 1e3,
            "pump_refills": self.pump_refills,
            "catch_vessel_l": None if self.catch_vessel is None else self.catch_vessel * 1e3,
            "catch_empties": self.catch_empties,
            "bottle_l": self.bottle * 1e3,
            "bottles": self.bottles,
        }


CATCH_MARGIN = 1.2
"""Room in the catch vessel over what it is to hold; common practice, no source."""


def handling(
    new_fluid: float,
    releases: Sequence[float],
    bottle: float,
    pump_vessel: float | None,
    catch_vessel: float | None,
) -> Handling:
    """Count how often pump and catch vessel are filled or emptied.

    The catch vessel is emptied before a release for which it has no room left; a
    sixth of it stays free.

    Parameters
    ----------
    new_fluid : float
        Volume over the whole job [m³].
    releases : sequence of float
        Volumes that come out, one per cycle [m³].
    bottle : float
        Volume of one line discharge [m³], zero without one.
    pump_vessel, catch_vessel : float or None
        Sizes at hand [m³].

    Returns
    -------
    Handling

    Examples
    --------
    >>> h = handling(16.4e-3, [4.1e-3] * 4, 0.0, 2e-3, 6e-3)
    >>> h.pump_refills, h.catch_empties
    (9, 4)
    """
    refills = max(1, math.ceil(new_fluid / pump_vessel - 1e-9)) if pump_vessel else None
    return Handling(
        pump_vessel,
        refills,
        catch_vessel,
        _empties(releases, catch_vessel / CATCH_MARGIN) if catch_vessel else None,
        bottle,
        max(0, len(releases) - 1) if bottle > 0 else 0,
    )


def _empties(releases: Sequence[float], room: float) -> int:
    count, held = 1, 0.0
    for volume in releases:
        if held > 0 and held + volume > room * (1 + 1e-9):
            count, held = count + 1, 0.0
        held += volume
    return count


def wrench_range(torques: list[float]) -> tuple[float, float] | None:
    """Smallest usual wrench that covers the torques [N·m].

    The smallest leaves the values highest in its range, and wrenches are least exact
    near the lower end (common practice, no source).

    Parameters
    ----------
    torques : list of float

    Returns
    -------
    tuple of float, or None
        None when no single wrench covers them all.

    Examples
    --------
    >>> wrench_range([27.0, 50.0])
    (10.0, 60.0)
    """
    if not torques:
        return None
    low, high = min(torques), max(torques)
    return next(((a, b) for a, b in _WRENCHES if a <= low and high <= b), None)


def kit(
    system: WetSystem, method: Method, cycles: int, new_fluid: float, catch: float
) -> list[Item]:
    """List what a job needs.

    Parameters
    ----------
    system : WetSystem
    method : Method
    cycles : int
    new_fluid : float
        Volume of new fluid [m³].
    catch : float
        Least size of the catch vessel [m³].

    Returns
    -------
    list of Item

    Examples
    --------
    >>> from sumpwright.planning.machine import Span
    >>> from sumpwright.planning.methods import METHODS
    >>> plug = Plug("drain", drive="10 mm hex")
    >>> box = WetSystem("box", "automatic", Span(9e-3, 9e-3), plugs=(plug,))
    >>> print(kit(box, METHODS[0], 2, 8e-3, 5e-3)[0].what)
    Driver: 10 mm hex
    """
    items = [_driver(plug, system) for plug in system.plugs]
    if not system.plugs:
        items.append(
            _item("Drivers for the plugs", "the sheet names no plug: look before you start")
        )
    items += [_seals(plug, system, method, cycles) for plug in system.plugs if plug.seal]
    items.append(_wrench(system))
    fluid = " of {fluid:text}" if system.fluid else ""
    items += [
        _item(
            f"At least {{need:volume}} new fluid{fluid}",
            "see the basket",
            need=new_fluid,
            fluid=system.fluid,
        ),
        _item(
            "Catch vessel of {catch:volume} or more",
            "holds the largest single release with a fifth to spare",
            catch=catch,
        ),
        _item("Filling pump with a hose that reaches the fill port", "fills without spilling"),
        _item(
            "{count:text} clear vials, with labels",
            "one sample a cycle, one old, one new",
            count=str(cycles + 2),
        ),
        _item("Wheel chocks and stands, on level ground", "nobody goes under a machine on a jack"),
        _item("Fluid-proof gloves and eye protection", "used fluid is hot and harms the skin"),
        _item("Rags, absorbent and a lidded waste container", "for a licensed collector"),
        _item("Thermometer for the fluid", "the level is right only inside the window"),
    ]
    if method.line:
        items += [
            _item(
                "Clear hose that fits the cooler line, with two clamps", "leads fluid to the bottle"
            ),
            _item("Marked clear bottle for the discharge", "shows when to call stop"),
            _item("Cap for the open end of the line", "keeps dirt out"),
            _item(
                "A helper in the seat, and exhaust led away", "the engine runs for each discharge"
            ),
            _item("New seals for the line joint", "as the service manual says"),
        ]
    if method.purged:
        items.append(_item("Regulated low-pressure air with a blow-off", "moves the loop's fluid"))
    if method.pumped:
        items.append(
            _item("Second pump matched to the line's flow", "new fluid in as the old leaves")
        )
    return items


def _item(what: str, why: str, **values: Value) -> Item:
    return Item(said(what, **values), said(why, **values))


def _driver(plug: Plug, system: WetSystem) -> Item:
    if plug.drive:
        return _item(
            "Driver: {drive:text}",
            "{plug:text} plug of the {system:text}",
            drive=plug.drive,
            plug=plug.name,
            system=system.name,
        )
    return _item(
        "Driver for the {plug:text} plug",
        "the sheet does not say which: look first",
        plug=plug.name,
    )


def _seals(plug: Plug, system: WetSystem, method: Method, cycles: int) -> Item:
    count = closings(plug, system, method, cycles)
    name = "{plug:text}" if "plug" in plug.name.casefold() else "{plug:text} plug"
    if count == 1:
        what, why = f"New {{seal:text}} for the {name}", "seals are used once"
    else:
        what = f"{{count:text}} × {{seal:text}} ({name})"
        why = "seals are used once: a new one each time it is closed"
    return _item(what, why, count=str(count), seal=plug.seal, plug=plug.name)


def closings(plug: Plug, system: WetSystem, method: Method, cycles: int) -> int:
    """Count how often a plug is closed in a job.

    Drain and fill plug are opened in every cycle of drain and refill, and once where the
    later cycles go through the line; any other once.

    Parameters
    ----------
    plug : Plug
    system : WetSystem
    method : Method
    cycles : int

    Returns
    -------
    int

    Examples
    --------
    >>> from sumpwright.planning.machine import Span
    >>> from sumpwright.planning.methods import METHODS
    >>> plug = Plug("drain", seal="crush washer")
    >>> box = WetSystem("box", "automatic", Span(9e-3, 9e-3), plugs=(plug,))
    >>> closings(plug, box, METHODS[0], 4), closings(plug, box, METHODS[2], 4)
    (4, 1)
    """
    each_cycle = plug in (plug_for(system, "drain"), plug_for(system, "fill"))
    return cycles if each_cycle and not method.line else 1


def _wrench(system: WetSystem) -> Item:
    torques = [t for p in system.plugs if p.torque for t in (p.torque.low, p.torque.high)]
    if not torques:
        return _item("Torque wrench", "the sheet gives no torque: take it from the service manual")
    low, high = min(torques), max(torques)
    span = "{low:torque}" if low == high else "{low:torque} to {high:torque}"
    fits = wrench_range(torques)
    if fits is None:
        return _item(
            f"Torque wrenches that cover {span}",
            "no usual wrench covers all of them",
            low=low,
            high=high,
        )
    return _item(
        "Torque wrench {least:torque} to {most:torque}",
        f"covers {span}",
        least=fits[0],
        most=fits[1],
        low=low,
        high=high,
    )
