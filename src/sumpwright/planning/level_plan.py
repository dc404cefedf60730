"""Setting the level of a system: what warmth, slope and the hand's eyes say of it.

The machine sheet gives content, window, pan and port; what it lacks is asked for, or
assumed with its range and said. Every volume is a range over what is not known. A
positive error means too much fluid, a negative one too little.

What to do at the open port is in `sumpwright.planning.level_port`.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from sumpwright.errors import Complaint
from sumpwright.physics import level as lv
from sumpwright.physics.expansion import volume_per_kelvin
from sumpwright.planning.machine import Fluid, Span, WetSystem
from sumpwright.planning.said import Said, said

DENSITY = Span(820.0, 880.0, "assumed", "common practice, no source")
"""Density at 15 °C [kg/m³] of gear and transmission fluids where nobody has said it."""

PORT_AREA = 1e-5
"""Area [m²] below which a pan has no surface to speak of: a slip of the unit."""


@dataclass(frozen=True)
class Lack:
    """Something that the machine sheet does not say.

    Parameters
    ----------
    key : str
        ``density``, ``window``, ``area``, ``offset`` or ``lift``.
    why : Said
        What it would be good for, and what is done without it.
    """

    key: str
    why: Said


@dataclass(frozen=True)
class Basis:
    """What is known of a system for setting its level, SI.

    Parameters
    ----------
    content : Span
        Whole content when it is level [m³].
    density : Span
        Density of the fluid at 15 °C [kg/m³].
    window : tuple of float or None
        Temperatures between which the level is set [K].
    area, offset : Span or None
        Surface of the sump at the port [m²]; distance of the port from its middle [m].
    lift : Span or None
        What the pump carries up into the works when the engine starts [m³].
    """

    content: Span
    density: Span
    window: tuple[float, float] | None = None
    area: Span | None = None
    offset: Span | None = None
    lift: Span | None = None

    @property
    def lacks(self) -> tuple[Lack, ...]:
        """What is asked for, the weightiest first."""
        out = []
        if self.window is None:
            out.append(Lack("window", said("without the window nothing can be said of when")))
        if self.density.origin == "assumed":
            out.append(
                Lack(
                    "density",
                    said(
                        "assumed {low:number} to {high:number} kg/m³ at 15 °C ({note:text})",
                        low=self.density.low,
                        high=self.density.high,
                        note=self.density.note,
                    ),
                )
            )
        if self.lift is None:
            out.append(
                Lack(
                    "lift",
                    said(
                        "what the pump lifts when the engine starts is not known: top up with the "
                        "engine running if nothing stands at the port"
                    ),
                )
            )
        if self.area is None:
            out.append(Lack("area", said("without it an error is told as a volume only")))
        if self.offset is None:
            out.append(Lack("offset", said("without it a slope cannot be allowed for")))
        return tuple(out)

    def span(self, of: Callable[[float, float], float]) -> Span:
        """Range of a quantity over content and density.

        All of them are monotonic in both, so that the corners hold the extremes.
        """
        ends = [
            of(volume, density)
            for volume, density in itertools.product(
                (self.content.low, self.content.high), (self.density.low, self.density.high)
            )
        ]
        return Span(
            min(ends), max(ends), "assumed" if self.density.origin == "assumed" else "sheet"
        )


def basis(
    system: WetSystem,
    fluids: Sequence[Fluid] = (),
    *,
    density: float | None = None,
    window: tuple[float, float] | None = None,
    area: float | None = None,
    offset: float | None = None,
    lift: float | None = None,
) -> Basis:
    """Gather what is known of a system; what is given here goes before the sheet.

    Parameters
    ----------
    system : WetSystem
    fluids : sequence of Fluid
        Where the density of the system's fluid is looked up.
    density : float, optional
        kg/m³ at 15 °C.
    window : tuple of float, optional
        K.
    area, offset, lift : float, optional
        m², m, m³.

    Raises
    ------
    Complaint
        For a value that cannot be.

    Examples
    --------
    >>> box = WetSystem("gearbox", "automatic", Span(9.2e-3, 9.2e-3), fluid="green",
    ...                 window=(311.15, 319.15))
    >>> known = basis(box, [Fluid("Green", density_15=846.0)])
    >>> known.density.mid, [lack.key for lack in known.lacks]
    (846.0, ['lift', 'area', 'offset'])
    >>> str(basis(box).lacks[0].why)
    'assumed 820 to 880 kg/m³ at 15 °C (common practice, no source)'
    """
    wanted = system.fluid.strip().casefold()
    named = [f.span("density_15") for f in fluids if wanted and f.name.strip().casefold() == wanted]
    from_sheet = next((span for span in named if span is not None), None)
    told = from_sheet if density is None else Span(density, density)
    if told is not None and not 600.0 <= told.low <= told.high <= 1300.0:
        wrong = told.low if told.low < 600.0 else told.high
        raise Complaint(
            f"a density of {wrong:g} kg/m³ is that of no such fluid",
            "give it in kg/m³ at 15 °C, such as 846",
            field="density",
        )
    opens = window or system.window
    if opens is not None and not 200.0 < opens[0] < opens[1] < 500.0:
        raise Complaint(
            "the window must open below the temperature at which it closes",
            "give the lower temperature first",
            field="window",
        )
    if area is not None and not PORT_AREA < area < 10.0:
        raise Complaint("no pan has such a surface", "give length times width", field="area")
    if offset is not None and not 0.0 <= abs(offset) < 5.0:
        raise Complaint("the port cannot be so far away", "measure it again", field="offset")
    if lift is not None and not 0.0 <= lift <= system.capacity.high:
        raise Complaint(
            "the pump cannot lift more than there is", "give what it lifts", field="lift"
        )
    made = Basis(
        content=system.capacity,
        density=DENSITY if told is None else told,
        window=opens,
        area=system.pan_area if area is None else Span(area, area, "measured"),
        offset=system.port_offset if offset is None else Span(offset, offset, "measured"),
    )
    return made if lift is None else replace(made, lift=Span(lift, lift, "measured"))


@dataclass(frozen=True)
class ColdAdvice:
    """How to fill in the cold.

    Parameters
    ----------
    growth : Span
        By how much the fluid grows until the window opens [m³]; negative if it shrinks.
    above_port : Span or None
        Volume to fill above the port at the filling temperature [m³], negative if it may
        stand below it by so much; None while what the pump lifts is not known.
    sentence : Said
    """

    growth: Span
    above_port: Span | None
    sentence: Said


def when_cold(known: Basis, fill_temperature: float) -> ColdAdvice:
    """Say how much to fill in the cold.

    Cold fluid grows into the window, so that it needs no overfill of its own: what the
    pump carries up when the engine starts comes on top, and is asked for.

    Parameters
    ----------
    known : Basis
    fill_temperature : float
        Temperature of the fluid at filling [K].

    Raises
    ------
    Complaint
        Without a window.

    Examples
    --------
    >>> box = Basis(Span(9.2e-3, 9.2e-3), Span(846.0, 846.0), (311.15, 319.15))
    >>> print(when_cold(box, 285.15).sentence)
    The fluid grows by 0.18 L until the window opens. Engine off: fill until it just runs out \
of the port. Engine running, the pump lifts some of it: top up until it runs out again, in small \
amounts.
    >>> from dataclasses import replace
    >>> print(when_cold(replace(box, lift=Span(0.6e-3, 0.6e-3)), 285.15).sentence)
    The fluid grows by 0.18 L until the window opens and the pump lifts 0.60 L: 0.42 L above the \
port are needed before the start.
    """
    opens, _ = window_of(known)
    needed = known.span(lambda v, rho: float(lv.overfill_needed(v, fill_temperature, opens, rho)))
    growth = Span(0.0 - needed.high, 0.0 - needed.low, needed.origin)
    size = abs(growth.mid)
    text = (
        "The fluid grows by {size:volume} until the window opens"
        if growth.mid >= 0.0
        else "The fluid is warmer than the window, and shrinks by {size:volume} into it"
    )
    if known.lift is None:
        return ColdAdvice(
            growth,
            None,
            said(
                text + ". Engine off: fill until it just runs out of the port. Engine running, the "
                "pump lifts some of it: top up until it runs out again, in small amounts.",
                size=size,
            ),
        )
    above = Span(needed.low + known.lift.low, needed.high + known.lift.high, needed.origin)
    ends = (
        " and the pump lifts {lift:volume}: {above:volume} above the port are needed before the "
        "start."
        if above.mid > 0.0
        else " and the pump lifts {lift:volume}: filled to the port, there is enough."
    )
    return ColdAdvice(
        growth,
        above,
        said(text + ends, size=size, lift=known.lift.mid, above=above.mid),
    )


def expected_run_out(known: Basis, opened: float | None = None) -> Span:
    """Volume that runs out of the port until the window closes [m³].

    Parameters
    ----------
    known : Basis
    opened : float, optional
        Temperature at which the port is opened [K]; that of the window if left out.

    Raises
    ------
    Complaint
        Without a window.

    Examples
    --------
    >>> box = Basis(Span(9.2e-3, 9.2e-3), Span(846.0, 846.0), (311.15, 319.15))
    >>> round(expected_run_out(box).mid * 1e6)
    57
    """
    opens, closes = window_of(known)
    start = opens if opened is None else max(opened, opens)
    return known.span(lambda v, rho: float(lv.run_out(v, start, closes, rho)))


def per_kelvin(known: Basis, temperature: float) -> Span:
    """Volume that the content gains per kelvin [m³/K].

    Examples
    --------
    >>> box = Basis(Span(9.2e-3, 9.2e-3), Span(846.0, 846.0))
    >>> round(per_kelvin(box, 313.15).mid * 1e6, 1)
    7.0
    """
    return known.span(lambda v, rho: float(volume_per_kelvin(v, temperature, rho)))


@dataclass(frozen=True)
class Off:
    """How far a level is off: volume [m³], and height at the port [m] where it is known."""

    volume: Span
    height: Span | None = None

    @property
    def none(self) -> bool:
        """Whether the level is right."""
        return self.volume.low == 0.0 == self.volume.high


def if_closed(known: Basis, temperature: float) -> Off:
    """Error of the level if the port is closed at a temperature.

    Inside the window there is none; outside, the level is off against the nearer edge:
    closed too cold it is overfull, closed too hot it is short.

    Parameters
    ----------
    known : Basis
    temperature : float
        The reading [K].

    Raises
    ------
    Complaint
        Without a window.

    Examples
    --------
    >>> box = Basis(Span(9.2e-3, 9.2e-3), Span(846.0, 846.0), (311.15, 319.15), Span(0.12, 0.12))
    >>> hot = if_closed(box, 343.15)
    >>> round(hot.volume.mid * 1e6), round(hot.height.mid * 1e3, 1)
    (-171, -1.4)
    >>> if_closed(box, 315.15).none
    True
    """
    opens, closes = window_of(known)
    if opens <= temperature <= closes:
        zero = Span(0.0, 0.0)
        return Off(zero, None if known.area is None else zero)
    edge = opens if temperature < opens else closes
    volume = known.span(lambda v, rho: float(lv.level_change(v, temperature, edge, rho)))
    return Off(volume, _height(volume, known.area))


def _height(volume: Span, area: Span | None) -> Span | None:
    if area is None:
        return None
    ends = [v / a for v in (volume.low, volume.high) for a in (area.low, area.high)]
    return Span(min(ends), max(ends), volume.origin)


def window_of(known: Basis) -> tuple[float, float]:
    """Return the window, or complain that it is not known."""
    if known.window is None:
        raise Complaint(
            "the window of temperature is not known",
            "look it up in the service manual and give it",
            field="window",
        )
    return known.window
