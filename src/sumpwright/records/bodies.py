"""The kinds of job event and what each carries: SI numbers, validated on the way in."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, Any, Literal, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    field_validator,
    model_validator,
)

from sumpwright.errors import Complaint
from sumpwright.records.body_fields import (
    Amount,
    Count,
    Day,
    Length,
    Name,
    Point,
    Share,
    Temperature,
    Text,
    Torque,
    Volume,
    amount,
    finite,
    temperature,
    unwelcome,
)
from sumpwright.worded import joined


class Body(BaseModel):
    """What every body shares: nothing unknown, nothing coerced, nothing changed later.

    ``step`` is the step of the job that asked for the entry: one act is one entry.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    step: Name | None = None


class Opened(Body):
    """A job begins; ``sheet`` is the machine sheet as it stood, in SI."""

    machine: Name
    system: Name
    sheet: dict[str, Any]
    method: Name
    target: Share
    confidence: Share
    worth_per_point: Amount | None = None
    planned: dict[str, Any] | None = None


class Drained(Body):
    """Fluid let out at the drain plug; ``leaned`` when the machine was tilted for more."""

    volume: Volume
    leaned: bool | None = None
    temperature: Temperature | None = None


class Filled(Body):
    """New fluid put in."""

    volume: Volume
    fluid: Name
    lot: Name | None = None
    price: Amount | None = None


class Discharged(Body):
    """Fluid pumped out through the open cooler line by the machine's own pump."""

    volume: Volume
    seconds: Amount | None = None


class Exchanged(Body):
    """New fluid put in at the rate at which the old one leaves."""

    volume: Volume
    fluid: Name
    lot: Name | None = None
    price: Amount | None = None


class Purged(Body):
    """Low-pressure air through the cooler loop; ``volume`` where it was caught and measured."""

    share: Share
    volume: Volume | None = None


class Worked(Body):
    """The selector moved through its positions with the engine running."""

    sweeps: Count


class Drove(Body):
    """A drive: everything mixes."""

    distance: Amount | None = None
    seconds: Amount | None = None


class Circulated(Body):
    """Fluid pumped round with the circuit closed."""

    volume: Volume


class Lost(Body):
    """Fluid spilt, leaked or run out at the level port."""

    volume: Volume


UNITS: Mapping[str, str] = MappingProxyType(
    {
        "temperature": "K",
        "ambient": "K",
        "odometer": "m",
        "hours": "s",
        "height": "m",
        "level": "m",
        "pressure": "Pa",
        "flow": "m3/s",
        "volume": "m3",
    }
)
"""SI unit of each usual reading; others may carry a unit of their own."""


class Read(Body):
    """A reading: temperature, odometer, hours, height, …"""

    what: Name
    value: Annotated[float, AfterValidator(finite)]
    unit: Text

    @model_validator(mode="after")
    def _known_unit(self) -> Read:
        unit = UNITS.get(self.what)
        if unit is not None and self.unit != unit:
            raise ValueError(f"{self.what} is kept in {unit}, not in '{self.unit}'")
        if unit == "K":
            temperature(self.value)
        elif self.what in ("odometer", "hours", "pressure", "flow", "volume"):
            amount(self.value)
        return self


class Tightened(Body):
    """A plug or screw tightened; lengths of wrench and extension in m."""

    plug: Name
    torque: Torque
    target: Torque | None = None
    as_found: Torque | None = None
    extension: Length | None = None
    wrench_length: Length | None = None
    wrench_set: Torque | None = None
    tool: Text | None = None
    calibrated: Day | None = None
    new_seal: bool | None = None
    marked: bool | None = None


class Sampled(Body):
    """A vial taken, with the share of old fluid where it was measured.

    Measured from a photograph, ``attachment`` is the sha256 of its copy, ``outline`` the corners of
    the fluid in that copy's pixels, ``patch`` the red, green and blue light through it over the
    card's, ``told_from_new`` whether it can be told from the unused fluid beside it, and ``method``
    how the share was computed. The same vial measured again counts once. ``taken_from`` says what
    it is a sample of: all that came out last (``out``), the end of the stream (``stream``), or what
    stands in the sump (``sump``); without it what happened last decides.
    """

    vial: Name
    cycle: Annotated[int, Field(ge=0, le=10_000)]
    note: Text | None = None
    taken_from: Literal["out", "stream", "sump"] | None = None
    old_share: Share | None = None
    standard_error: Share | None = None
    attachment: Name | None = None
    outline: Annotated[list[Point], Field(min_length=3, max_length=64)] | None = None
    patch: Annotated[list[Amount], Field(min_length=3, max_length=3)] | None = None
    told_from_new: bool | None = None
    method: Text | None = None


class Did(Body):
    """A step done."""

    step: Name


class Overrode(Body):
    """A step passed without its condition, and why; ``also`` names further conditions."""

    step: Name
    also: list[Name] | None = None
    reason: Name


class Decided(Body):
    """How many cycles the job is to have, decided on the way."""

    cycles: Count


class Adopted(Body):
    """What an earlier job taught about its steps, taken over; keyed by the root of a step."""

    name: Name
    skipped: list[Name] = Field(default_factory=list)
    remarks: dict[Name, Text] = Field(default_factory=dict)
    tools: dict[Name, dict[str, Any]] = Field(default_factory=dict)


class Photographed(Body):
    """A photograph; ``attachment`` is the sha256 of its bytes."""

    attachment: Name
    caption: Text | None = None


class Logged(Body):
    """A log of temperatures, kept whole; ``attachment`` is the sha256 of its bytes.

    ``what`` is what was logged, ``lowest`` and ``highest`` in K, ``seconds`` from its first
    reading to its last.
    """

    attachment: Name
    what: Name
    readings: Annotated[int, Field(ge=1, le=10**9)]
    lowest: Temperature
    highest: Temperature
    seconds: Amount
    source: Text | None = None


class Noted(Body):
    """A remark."""

    text: Text

    @field_validator("text")
    @classmethod
    def _something(cls, value: str) -> str:
        if not value.strip():
            raise ValueError("is empty")
        return value


class Reversed(Body):
    """An earlier event taken back; taking back a reversal brings its event into force again."""

    event: Name


class Signal(Body):
    """What one screen asks of the other; may carry more than is named here."""

    model_config = ConfigDict(extra="allow", frozen=True, strict=True)

    to: Name
    instruction: Name


class Acknowledged(Body):
    """The other screen has seen a signal."""

    signal: Name


class Closed(Body):
    """The job ends; odometer in m, hours in s.

    ``left`` names the steps that were not done, ``out_of_turn`` those done out of turn.
    """

    odometer: Amount | None = None
    hours: Amount | None = None
    summary: Text | None = None
    left: Annotated[list[Name], Field(max_length=2000)] | None = None
    out_of_turn: Annotated[list[Name], Field(max_length=2000)] | None = None


Kind = Literal[
    "opened",
    "drained",
    "filled",
    "discharged",
    "exchanged",
    "purged",
    "worked",
    "drove",
    "circulated",
    "lost",
    "read",
    "tightened",
    "sampled",
    "did",
    "overrode",
    "decided",
    "adopted",
    "photographed",
    "logged",
    "noted",
    "reversed",
    "signal",
    "acknowledged",
    "closed",
]

BODIES: dict[str, type[Body]] = dict(
    zip(
        get_args(Kind),
        (
            Opened,
            Drained,
            Filled,
            Discharged,
            Exchanged,
            Purged,
            Worked,
            Drove,
            Circulated,
            Lost,
            Read,
            Tightened,
            Sampled,
            Did,
            Overrode,
            Decided,
            Adopted,
            Photographed,
            Logged,
            Noted,
            Reversed,
            Signal,
            Acknowledged,
            Closed,
        ),
        strict=True,
    )
)
"""Body of each kind; :func:`add_kind` adds more."""


def add_kind(kind: str, body: type[Body]) -> None:
    """Make a further kind of event known; it is kept and shown but moves no fluid.

    Raises
    ------
    Complaint
        When the kind is taken by another body.

    Examples
    --------
    >>> class Weighed(Body):
    ...     mass: float
    >>> add_kind("weighed", Weighed)
    >>> check_body("weighed", {"mass": 3.5})
    {'mass': 3.5}
    >>> _ = BODIES.pop("weighed")
    """
    if BODIES.get(kind, body) is not body:
        raise Complaint(f"the event kind '{kind}' exists already", "choose another name")
    BODIES[kind] = body


def check_body(kind: str, body: Mapping[str, Any]) -> dict[str, Any]:
    """Validate the body of an event and drop what is empty in it.

    Parameters
    ----------
    kind : str
        Kind of event.
    body : mapping
        What the event carries, SI numbers.

    Returns
    -------
    dict
        Plain JSON values, without the keys that hold nothing.

    Raises
    ------
    Complaint
        For an unknown kind or key (with the nearest known one), and for a value
        that is missing, of another type, not finite, not above zero or absurd.

    Examples
    --------
    >>> check_body("drained", {"volume": 0.0041, "leaned": None})
    {'volume': 0.0041}
    >>> check_body("drained", {"volume": -0.001})
    Traceback (most recent call last):
    ...
    sumpwright.errors.Complaint: drained: a volume of -1 L is not above zero; correct 'volume'
    """
    plain = parse_body(kind, body).model_dump(exclude_none=True)
    _check_free(kind, plain)
    return plain


def parse_body(kind: str, body: Mapping[str, Any]) -> Body:
    """Return the typed body of an event; see :func:`check_body` for what it refuses."""
    model = BODIES.get(kind)
    if model is None:
        raise Complaint(f"no event kind is called '{kind}'", _nearest(kind, BODIES), field="kind")
    try:
        return model.model_validate(dict(body))
    except ValidationError as error:
        raise _complaint(kind, model, error) from None


def _check_free(kind: str, value: Any, depth: int = 0) -> None:
    """Refuse, in the parts of a body that have no fixed form, what JSON could not keep."""
    if depth > 20:
        raise Complaint(f"{kind}: the entry is nested too deeply", "make it flatter")
    if isinstance(value, dict):
        for key, inner in value.items():
            _check_free(kind, key, depth + 1)
            _check_free(kind, inner, depth + 1)
    elif isinstance(value, list | tuple):
        for inner in value:
            _check_free(kind, inner, depth + 1)
    elif isinstance(value, str):
        if any(unwelcome(c) for c in value):
            raise Complaint(f"{kind}: a text holds a control character", "take it out")
    elif isinstance(value, float) and not math.isfinite(value):
        raise Complaint(f"{kind}: {value} is not a finite number", "correct the entry")
    elif not isinstance(value, bool | int | float | None):
        raise Complaint(
            f"{kind}: a {type(value).__name__} cannot be kept in a record", "use plain JSON values"
        )


def _complaint(kind: str, model: type[Body], error: ValidationError) -> Complaint:
    first = error.errors(include_url=False)[0]
    key = ".".join(str(part) for part in first["loc"])
    if first["type"] == "extra_forbidden":
        return Complaint(
            f"{kind}: '{key}' is not a key of this event",
            _nearest(key, model.model_fields),
            "",
            key,
        )
    if first["type"] == "missing":
        return Complaint(f"{kind}: '{key}' is missing", f"give '{key}'", "", key)
    if first["type"] == "value_error":
        reason: str = first["ctx"]["error"].args[0]
        subject = "" if reason[:2] == "a " or reason[:1].isdigit() else f"'{key}' "
        what = joined("", f"{kind}: {subject if key else ''}", reason)
        return Complaint(what, f"correct '{key}'" if key else "correct the entry", "", key)
    return Complaint(
        f"{kind}: '{key}' {first['msg'].removeprefix('Input ')}", f"correct '{key}'", "", key
    )


def _nearest(word: str, known: Mapping[str, Any]) -> str:
    close = difflib.get_close_matches(word, known, n=1)
    if close:
        return f"did you mean '{close[0]}'?"
    return f"use one of {', '.join(known)}"
