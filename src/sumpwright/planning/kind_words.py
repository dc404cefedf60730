"""How the steps of a job are worded for each kind of wet system.

All of it is common practice, no source; the machine's service manual goes first.
"""

from __future__ import annotations

from dataclasses import dataclass

from sumpwright.planning.kinds import canonical_kind


@dataclass(frozen=True)
class KindWords:
    """Texts that depend on the kind of system.

    Parameters
    ----------
    runs : bool
        Whether the engine runs at the machine while its fluid is changed.
    opening : str
        What the system is filled through, where the sheet names no fill plug.
    work, work_caution : str
        How the fluid is moved through all passages at standstill; empty where
        that is not done.
    drive : str
        How it is driven or run through between rounds.
    level : str
        How the level is set where there is no window of temperature.
    still : bool
        Whether the engine is stopped before that.
    first, first_caution : str
        What must be done before anything is opened; empty for most.
    """

    runs: bool
    opening: str
    work: str
    work_caution: str
    drive: str
    level: str
    still: bool = False
    first: str = ""
    first_caution: str = ""

    @property
    def selector(self) -> bool:
        """Whether it is a selector that is worked."""
        return self.work == _SELECTOR


_IN_GEAR = (
    "In gear the machine wants to move: foot on the brake, chocks in place, nobody before or "
    "behind it."
)
_SELECTOR = (
    "Move the selector slowly through all its positions and back, with a pause of 3 seconds in "
    "each."
)
_MOVES = "Things move when the engine runs: nobody within reach of them, or beside the machine."
_DRIVE = "Take a calm drive in which every gear is used, then come back to the same level place."
_RUN = "Run it under a light load until it is warm all through, then stop it."
_AUTOMATIC = KindWords(
    runs=True,
    opening="fill plug",
    work=_SELECTOR,
    work_caution=_IN_GEAR,
    drive=_DRIVE,
    level="Set the level at the temperature and in the way that the service manual gives.",
)
_SPLASH = KindWords(
    runs=False,
    opening="fill plug",
    work="",
    work_caution="",
    drive=_DRIVE,
    level="With the machine level, fill until fluid just runs out at the level or fill opening, "
    "and let it run until it only drips.",
)
_TANK = "Bring the level between the marks of the tank, as the service manual says."

WORDS: dict[str, KindWords] = {
    "torque-converter automatic": _AUTOMATIC,
    "continuously variable": _AUTOMATIC,
    "dual clutch": _AUTOMATIC,
    "hydrostatic drive": KindWords(
        runs=True,
        opening="filler of the tank",
        work="Move the travel lever a little forward, back to neutral and a little back, as the "
        "service manual allows at standstill, with a pause in each.",
        work_caution=_IN_GEAR,
        drive="Travel slowly forward and back and turn both ways until it is warm, then stop on "
        "the same level place.",
        level=_TANK,
        still=True,
        first="Stop the engine, lower everything to the ground and let the pressure off as the "
        "service manual says.",
        first_caution="Oil under pressure goes through skin; such a wound is an emergency even "
        "when it looks small.",
    ),
    "power steering": KindWords(
        runs=True,
        opening="cap of the reservoir",
        work="Turn the wheel slowly from lock to lock, without holding it at the end.",
        work_caution="Steered wheels pinch: hands and feet away from them.",
        drive="Take a short calm drive with turns to both sides, then come back.",
        level=_TANK,
        still=True,
    ),
    "hydraulic system": KindWords(
        runs=True,
        opening="filler of the tank",
        work="Move every lever slowly through its travel, without holding it at the end.",
        work_caution=_MOVES,
        drive="Work every function through its travel until the oil is warm, then lower all and "
        "stop.",
        level=_TANK,
        still=True,
        first="Stop the engine, lower everything to the ground and let the pressure off as the "
        "service manual says.",
        first_caution="Oil under pressure goes through skin; such a wound is an emergency even "
        "when it looks small.",
    ),
    "coolant circuit": KindWords(
        runs=True,
        opening="cap of the expansion tank",
        work="Set the heater to warm, so that its branch is open.",
        work_caution=_MOVES,
        drive=_RUN,
        level="Bleed the air as the service manual says, let it cool and bring the level between "
        "the marks of the tank.",
        still=True,
        first="Let the engine cool until the hoses are hand-warm.",
        first_caution="Never open a hot coolant circuit: it is under pressure and scalds.",
    ),
    "engine": KindWords(
        runs=True,
        opening="oil filler cap",
        work="",
        work_caution=_MOVES,
        drive=_RUN,
        level="Wait as long as the service manual says, and bring the level between the marks of "
        "the dipstick.",
        still=True,
    ),
    "manual gearbox": _SPLASH,
    "transfer case": _SPLASH,
    "axle": _SPLASH,
    "other": KindWords(
        runs=True,
        opening="fill plug",
        work="Work the system slowly through its positions, with a pause in each.",
        work_caution=_MOVES,
        drive="Drive it or run it through until it is warm, then come back.",
        level="Set the level in the way that the service manual gives.",
    ),
}


def words_for(kind: str) -> KindWords:
    """Return the texts for a kind of system, whatever it is called.

    Examples
    --------
    >>> words_for("rear axle").runs
    False
    """
    return WORDS[canonical_kind(kind)[0]]
