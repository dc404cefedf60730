"""At the open port: when the plug goes in, what a slope does, and the look after the drive.

How a level is set (fluid warm, engine as the manual asks, port open until it only drips) is
common practice, no source; the machine's service manual goes first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from sumpwright.errors import Complaint
from sumpwright.physics import level as lv
from sumpwright.planning.level_plan import Basis, Off
from sumpwright.planning.machine import Span
from sumpwright.planning.said import Said, said

Freshness = Literal["waiting", "fresh", "stale", "lost"]
Flow = Literal["", "none", "stream", "drip"]
Verdict = Literal["no window", "no reading", "wait", "ready", "top up", "let run", "fit", "too hot"]

STEEPEST = np.radians(15.0)
"""Slope on which nobody works; a larger one is a slip of the tape."""


@dataclass(frozen=True)
class Reason:
    """One condition of fitting the plug: met, not met, or not known."""

    met: bool | None
    text: Said


@dataclass(frozen=True)
class Decision:
    """What to do at the port now.

    Parameters
    ----------
    verdict : str
        ``fit`` is the only one on which the plug goes in.
    title, advice : Said
    reasons : tuple of Reason
    """

    verdict: Verdict
    title: Said
    advice: Said
    reasons: tuple[Reason, ...] = ()

    @property
    def fit(self) -> bool:
        """Whether the plug is to be fitted now."""
        return self.verdict == "fit"


def decide(
    known: Basis,
    freshness: Freshness,
    temperature: float | None,
    *,
    flow: Flow = "",
    engine_as_manual: bool | None = None,
) -> Decision:
    """Say what to do at the port now, and why.

    The plug goes in only when the reading is current, the window is open, the hand has
    seen the stream thin out to a drip, and the engine runs or stands as the manual asks.

    Parameters
    ----------
    known : Basis
    freshness : {'waiting', 'fresh', 'stale', 'lost'}
        Whether the reading is current.
    temperature : float or None
        The reading [K].
    flow : {'', 'none', 'stream', 'drip'}
        What the hand sees at the open port; empty while nothing was said.
    engine_as_manual : bool or None
        Whether the engine runs, or stands, as the service manual asks.

    Examples
    --------
    >>> box = Basis(Span(9.2e-3, 9.2e-3), Span(846.0, 846.0), (311.15, 319.15))
    >>> print(decide(box, "fresh", 313.15, flow="drip", engine_as_manual=True).title)
    Fit the plug now
    >>> decide(box, "stale", 313.15, flow="drip", engine_as_manual=True).verdict
    'no reading'
    >>> decide(box, "fresh", 313.15, flow="stream", engine_as_manual=True).verdict
    'let run'
    """
    if known.window is None:
        return Decision(
            "no window",
            said("Window not known"),
            said("Look up in the service manual between which temperatures the level is set."),
        )
    opens, closes = known.window
    gaps = {"low": opens, "high": closes}
    current = freshness == "fresh" and temperature is not None
    inside = current and temperature is not None and opens <= temperature <= closes
    reasons = (
        Reason(
            current, said("the reading is current" if current else "the reading is not current")
        ),
        Reason(
            inside if current else None,
            said(
                "the fluid is between {low:temperature_from} and {high:temperature_to}"
                if inside
                else "the fluid must be between {low:temperature_from} and {high:temperature_to}",
                **gaps,
            ),
        ),
        Reason(
            engine_as_manual,
            said(
                "the engine runs or stands as the service manual asks"
                if engine_as_manual
                else "confirm that the engine runs or stands as the service manual asks"
            ),
        ),
        Reason(
            None if not flow else flow == "drip",
            said(
                "the stream has thinned out to a drip"
                if flow == "drip"
                else "nothing runs out of the port"
                if flow == "none"
                else "the stream must thin out to a drip first"
                if flow == "stream"
                else "say what runs out of the open port"
            ),
        ),
    )
    if not current or temperature is None:
        return Decision(
            "no reading",
            said("No current reading"),
            said("Leave the port as it is until a current reading is there."),
            reasons,
        )
    if temperature < opens:
        return Decision(
            "wait",
            said("Wait"),
            said("Keep the port closed; it opens at {low:temperature_from}.", **gaps),
            reasons,
        )
    if temperature > closes:
        return Decision(
            "too hot",
            said("Too hot"),
            said(
                "Let it cool below {high:temperature_to} with the engine off, then set the level "
                "again. Hot fluid scalds.",
                **gaps,
            ),
            reasons,
        )
    if engine_as_manual is not True or not flow:
        return Decision(
            "ready",
            said("Open the port"),
            said("The window is open. Open the port, look what runs out, and say it below."),
            reasons,
        )
    if flow == "none":
        return Decision(
            "top up",
            said("Top up"),
            said("Nothing runs: pump in small amounts until it runs, then let it thin out."),
            reasons,
        )
    if flow == "stream":
        return Decision(
            "let run",
            said("Let it run"),
            said("Wait until the stream has thinned out to a drip."),
            reasons,
        )
    return Decision(
        "fit",
        said("Fit the plug now"),
        said("Fit the plug with a new seal, then tighten it to its torque."),
        reasons,
    )


@dataclass(frozen=True)
class SlopeCheck:
    """What the slope does to the level.

    Parameters
    ----------
    slope : float
        rad, positive if the port's side stands higher.
    error : Off
        What a level set on this slope is off by.
    sentence : Said
    """

    slope: float
    error: Off
    sentence: Said


def on_slope(known: Basis, port_side: float, other_side: float, distance: float) -> SlopeCheck:
    """Say what a level set on this slope is off by, from two measured heights.

    Parameters
    ----------
    known : Basis
    port_side, other_side : float
        Heights above the floor's level line of two points that stand equally high on a
        level machine, the first on the side of the port [m].
    distance : float
        Between the points, along the line through the port [m].

    Raises
    ------
    Complaint
        If the heights or the distance cannot be, or pan and port are not known.

    Examples
    --------
    >>> pan = Basis(Span(9e-3, 9e-3), Span(846.0, 846.0), None, Span(0.072, 0.072),
    ...             Span(0.095, 0.095))
    >>> print(on_slope(pan, 0.262, 0.210, 2.4).sentence)
    The side of the port stands 1.2° higher: a level set here is 0.15 L too high. Level the \
machine; if that cannot be, let out 0.15 L after it is set.
    """
    for key, value in (("area", known.area), ("offset", known.offset)):
        if value is None:
            raise Complaint(
                "the pan and where its port sits are not known",
                "give the surface of the pan, and the distance of the port from its middle",
                field=key,
            )
    assert known.area is not None
    assert known.offset is not None
    if not 0.05 <= distance <= 20.0:
        raise Complaint(
            "the points must stand between 0.05 and 20 m apart",
            "measure the distance between them",
            field="distance",
        )
    try:
        slope = float(lv.slope_from_heights(other_side, port_side, distance))
    except ValueError as error:
        raise Complaint(str(error), "measure again", field="port_side") from None
    if abs(slope) > STEEPEST:
        raise Complaint(
            f"a slope of {np.degrees(abs(slope)):.0f}° is none to work on",
            "check the heights and their unit, or move the machine",
            field="port_side",
        )
    off = [
        lv.slope_error(abs(x), slope, area)
        for x in (known.offset.low, known.offset.high)
        for area in (known.area.low, known.area.high)
    ]
    volumes = [float(e.volume) for e in off]
    heights = [float(e.height) for e in off]
    wrong = Off(Span(min(volumes), max(volumes)), Span(min(heights), max(heights)))
    size, degrees = abs(wrong.volume.mid), float(np.degrees(abs(slope)))
    if degrees < 0.05:
        return SlopeCheck(slope, wrong, said("The machine stands level."))
    high = slope > 0.0
    return SlopeCheck(
        slope,
        wrong,
        said(
            "The side of the port stands {degrees:text}° {where:text}: a level set here is "
            "{size:volume} too {way:text}. Level the machine; if that cannot be, {act:text} "
            "{size:volume} after it is set.",
            degrees=f"{degrees:.1f}",
            where="higher" if high else "lower",
            way="high" if high else "low",
            act="let out" if high else "add",
            size=size,
        ),
    )


def second_check(known: Basis, hot: float | None = None) -> Said:
    """Say how to look at the level once more after the drive.

    Parameters
    ----------
    known : Basis
    hot : float, optional
        Temperature after the drive [K], where it was read.

    Examples
    --------
    >>> box = Basis(Span(9.2e-3, 9.2e-3), Span(846.0, 846.0), (311.15, 319.15))
    >>> print(second_check(box, 358.15))
    After the drive the fluid stands higher by 0.29 L at 85 °C: let it cool to between 38 °C \
and 46 °C on level ground, then look at the port again as the service manual says. What runs out \
hot is no overfill.
    """
    if known.window is None:
        return said(
            "After the drive, on level ground, look at the level again as the service manual says."
        )
    opens, closes = known.window
    ends = (
        "let it cool to between {low:temperature_from} and {high:temperature_to} on level ground, "
        "then look at the port again as the service manual says. What runs out hot is no overfill."
    )
    if hot is None or hot <= closes:
        return said(
            "After the drive the fluid is hotter and stands higher: " + ends,
            low=opens,
            high=closes,
        )
    higher = known.span(lambda v, rho: float(lv.level_change(v, closes, hot, rho)))
    return said(
        "After the drive the fluid stands higher by {by:volume} at {hot:temperature}: " + ends,
        by=higher.mid,
        hot=hot,
        low=opens,
        high=closes,
    )
