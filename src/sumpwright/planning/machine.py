"""What planning knows of a machine: plain values in SI, each with its origin.

Everything here is free of files, databases and units other than SI, so that the
sheet reader, the store, the web forms and the demo all build the same objects.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Origin = Literal["sheet", "manual", "measured", "assumed"]
Action = Literal["inspect", "replace"]

MOST_TANKS = 40
"""Tanks in series from which on an upper works moves nearly as a plug."""


@dataclass(frozen=True)
class Span:
    """A number known within a range, in SI, and where it came from.

    Parameters
    ----------
    low, high : float
        The ends of the range; equal for a single value.
    origin : {'sheet', 'manual', 'measured', 'assumed'}
        Who says so.
    note : str
        Page of the manual, or the reason of an assumption.

    Examples
    --------
    >>> Span(0.0041, 0.0041).exact
    True
    >>> Span(2.0, 4.0).mid
    3.0
    """

    low: float
    high: float
    origin: Origin = "sheet"
    note: str = ""

    @property
    def exact(self) -> bool:
        """Whether the range is a single value."""
        return self.low == self.high

    @property
    def mid(self) -> float:
        """Middle of the range."""
        return 0.5 * (self.low + self.high)


@dataclass(frozen=True)
class Source:
    """Where a number that is held as a plain value came from.

    A `Span` carries its own origin; this names the origin of a window, an
    odometer or a property of a fluid, by the key of the machine sheet.
    """

    key: str
    origin: Origin
    note: str = ""


@dataclass(frozen=True)
class Plug:
    """A threaded plug: torque in N·m, seal and drive in the trade's words."""

    name: str
    torque: Span | None = None
    seal: str = ""
    drive: str = ""
    thread: str = ""


@dataclass(frozen=True)
class Spread:
    """Ends between which a property of a fluid lies, by the key of the machine sheet."""

    key: str
    low: float
    high: float


@dataclass(frozen=True)
class Fluid:
    """A fluid: density at 15 °C in kg/m³, kinematic viscosities in m²/s.

    A property that the sheet gives as a range is kept as its middle, with the ends among
    the spreads.

    Examples
    --------
    >>> fluid = Fluid("Green", 846.5, spreads=(Spread("density_15", 842.0, 851.0),))
    >>> fluid.span("density_15").high, fluid.span("viscosity_40") is None
    (851.0, True)
    """

    name: str
    density_15: float | None = None
    viscosity_40: float | None = None
    viscosity_100: float | None = None
    sources: tuple[Source, ...] = ()
    spreads: tuple[Spread, ...] = ()

    def span(self, key: str) -> Span | None:
        """Return a property with its range; ``None`` where the sheet is silent."""
        middle: float | None = getattr(self, key)
        if middle is None:
            return None
        ends = next(((s.low, s.high) for s in self.spreads if s.key == key), (middle, middle))
        return Span(*ends)


@dataclass(frozen=True)
class Offer:
    """A container for sale: size in m³, price in the yard's own money."""

    fluid: str
    seller: str
    size: float
    price: float
    carriage: float = 0.0
    stock: int | None = None


@dataclass(frozen=True)
class ServiceLimit:
    """After how much use the manual wants a wet system inspected, or its fluid replaced.

    Parameters
    ----------
    action : {'inspect', 'replace'}
    distance, period, hours, thermal : float, optional
        m, s of the calendar, s of running, s at the system's thermal reference.
    severe_distance, severe_period, severe_hours, severe_thermal : float, optional
        The same in severe service; the normal ones hold where they are missing.
    tail : float, optional
        Share of the fluid that may be older than the limit; the mean age counts without
        it. Only for a replacement.
    """

    action: Action
    distance: float | None = None
    period: float | None = None
    hours: float | None = None
    thermal: float | None = None
    severe_distance: float | None = None
    severe_period: float | None = None
    severe_hours: float | None = None
    severe_thermal: float | None = None
    tail: float | None = None
    sources: tuple[Source, ...] = ()


@dataclass(frozen=True)
class ReportBound:
    """Between which values a property of a used-oil report passes.

    Parameters
    ----------
    of : str
        Element symbol, or ``viscosity_40``, ``viscosity_100``, ``index``, ``water``, ``acid``.
    caution_below, caution_above, act_below, act_above : float, optional
        mg/kg, m²/s, share by mass, mg KOH/g; changes relative to new fluid where
        ``relative`` says so.
    relative : bool
    note : str
        Who says so.
    """

    of: str
    caution_below: float | None = None
    caution_above: float | None = None
    act_below: float | None = None
    act_above: float | None = None
    relative: bool = False
    note: str = ""


@dataclass(frozen=True)
class WetSystem:
    """A closed body of fluid and its parts, as the machine sheet gives it.

    Volumes in m³, temperatures in K, flow in m³/s, shares in [0, 1]. ``None``
    means that the sheet is silent: planning then assumes by kind, and says so.
    ``thermal_reference`` is the temperature at which a second counts as one second of
    thermal age, ``thermal_step`` the rise that doubles it, ``clean`` the cleanliness
    code that is wanted.
    """

    name: str
    kind: str
    capacity: Span
    drain: Span | None = None
    sump: Span | None = None
    cooler_loop: Span | None = None
    tanks: Span | None = None
    pockets: Span | None = None
    pickup_reserve: Span | None = None
    discharge: Span | None = None
    purge_share: Span | None = None
    lean_gain: Span | None = None
    sweep_share: Span | None = None
    flow: Span | None = None
    pan_area: Span | None = None
    port_offset: Span | None = None
    fluid: str = ""
    window: tuple[float, float] | None = None
    plugs: tuple[Plug, ...] = ()
    sources: tuple[Source, ...] = ()
    limits: tuple[ServiceLimit, ...] = ()
    bounds: tuple[ReportBound, ...] = ()
    thermal_reference: float | None = None
    thermal_step: float | None = None
    clean: str = ""


@dataclass(frozen=True)
class Machine:
    """A machine and its wet systems; ``odometer`` in m, ``hours`` in s."""

    name: str
    systems: tuple[WetSystem, ...]
    odometer: float | None = None
    hours: float | None = None
    note: str = ""
    sources: tuple[Source, ...] = ()


@dataclass(frozen=True)
class Sheet:
    """A machine sheet: one machine with the fluids and offers named beside it."""

    machine: Machine
    fluids: tuple[Fluid, ...] = ()
    offers: tuple[Offer, ...] = ()
    spare: float = 0.0
    pump_vessel: float | None = None
    catch_vessel: float | None = None
    currency: str = ""
    warnings: tuple[str, ...] = field(default=(), compare=False)
