"""What people tell of a machine outside its jobs: SI numbers, validated on the way in."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, ClassVar, Generic, Literal, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from sumpwright.errors import Complaint
from sumpwright.planning.ledger import Way
from sumpwright.records.body_fields import Amount, Name, Share, Temperature, Text, Volume

Done = Literal["changed", "filled", "topped up", "lost", "inspected"]
Verdict = Literal["good", "replace"]
ServiceKind = Literal["normal", "severe"]
Money = Amount


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError("is not a finite number")
    return value


Number = Annotated[float, AfterValidator(_finite)]


class Told(BaseModel):
    """What every told thing shares: nothing unknown, nothing coerced, nothing changed later."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    kind: ClassVar[str] = ""
    system: Text = ""
    """Wet system that it is about; empty for the whole machine."""


class ToldService(Told):
    """A service outside a job: what was done, and what went in or came out.

    Parameters
    ----------
    done : str
        ``changed``, ``filled`` (was empty, now full), ``topped up``, ``lost``, ``inspected``.
    volume : float, optional
        m³ put in, or lost.
    share : float, optional
        Fresh share of a change where it is known; mixing is perfect otherwise.
    times, way : int, str
        In how many refills, and whether drained and refilled or exchanged.
    odometer, hours : float, optional
        What the meters showed, m and s.
    price : float, optional
        Paid for the fluid.
    verdict : str, optional
        What an inspection found.
    """

    kind: ClassVar[str] = "service"
    system: Name
    done: Done = "changed"
    volume: Volume | None = None
    share: Share | None = None
    times: Annotated[int, Field(ge=1, le=20)] = 1
    way: Way = "refill"
    odometer: Amount | None = None
    hours: Amount | None = None
    fluid: Text = ""
    lot: Text = ""
    price: Money | None = None
    verdict: Verdict | None = None

    @model_validator(mode="after")
    def _makes_sense(self) -> ToldService:
        if self.done == "inspected" and (self.volume is not None or self.share is not None):
            raise ValueError("an inspection moves no fluid: tell the fluid as its own service")
        if self.verdict is not None and self.done != "inspected":
            raise ValueError("only an inspection has a verdict")
        if self.share is not None and self.done != "changed":
            raise ValueError("only a change has a fresh share")
        missing = self.volume is None and self.share is None
        if missing and self.done in ("changed", "topped up", "lost"):
            raise ValueError("the volume is missing: give the litres")
        return self


class ToldDrive(Told):
    """A drive: m, s, shares, K; ``climb`` the height gained in all, ``idle`` s at a stand."""

    kind: ClassVar[str] = "drive"
    distance: Amount | None = None
    duration: Amount | None = None
    load: Annotated[float, AfterValidator(_finite), Field(ge=0.0, le=3.0)] | None = None
    trailer: bool = False
    dust: bool = False
    outside: Temperature | None = None
    climb: Amount | None = None
    idle: Amount | None = None

    @model_validator(mode="after")
    def _goes_somewhere(self) -> ToldDrive:
        if self.distance is None and self.duration is None:
            raise ValueError("a drive needs a distance or a duration")
        if self.idle is not None and self.duration is not None and self.idle > self.duration:
            raise ValueError("a drive cannot idle for longer than it lasts")
        return self


class ToldTemperatures(Told):
    """How long the fluid of a system was how warm: ``edges`` in K, ``durations`` in s.

    ``drive`` is the id of the told drive on which it was logged, if there is one.
    """

    kind: ClassVar[str] = "temperatures"
    system: Name
    edges: list[Temperature] = Field(min_length=2, max_length=1000)
    durations: list[Amount] = Field(min_length=1, max_length=999)
    drive: Text = ""

    @model_validator(mode="after")
    def _fits(self) -> ToldTemperatures:
        if len(self.edges) != len(self.durations) + 1:
            raise ValueError("there is not one duration for each band of temperature")
        if any(b <= a for a, b in zip(self.edges, self.edges[1:], strict=False)):
            raise ValueError("the edges of the bands do not rise")
        return self


class ToldMeter(Told):
    """A meter replaced: what the old one showed last and the new one first, m or s."""

    kind: ClassVar[str] = "meter"
    what: Literal["odometer", "hours"]
    old: Amount | None = None
    new: Amount = 0.0


class ToldUse(Told):
    """What the user says of the use: service, and the rise of the meters in a year, m and s."""

    kind: ClassVar[str] = "use"
    service: ServiceKind | None = None
    distance: tuple[Amount, Amount] | None = None
    hours: tuple[Amount, Amount] | None = None

    # Plain JSON holds a pair as a list.
    @model_validator(mode="before")
    @classmethod
    def _pairs(cls, data: Any) -> Any:
        if isinstance(data, dict):
            return {k: tuple(v) if isinstance(v, list) else v for k, v in data.items()}
        return data

    @model_validator(mode="after")
    def _rises(self) -> ToldUse:
        for pair in (self.distance, self.hours):
            if pair is not None and not 0 < pair[0] <= pair[1]:
                raise ValueError("the use in a year is a range from low to high, above zero")
        return self


class ToldReport(Told):
    """A laboratory's report; values in the units of `sumpwright.planning.reports.Report`.

    ``of_new`` when the sample was of new fluid, to compare with; ``sure`` when the user
    confirmed that it is about the fluid of this system.
    """

    kind: ClassVar[str] = "report"
    system: Name
    odometer: Amount | None = None
    hours: Amount | None = None
    sample: Text = ""
    fluid: Text = ""
    elements: dict[str, Amount] = Field(default_factory=dict)
    viscosity_40: Amount | None = None
    viscosity_100: Amount | None = None
    index: Number | None = None
    water: Share | None = None
    acid: Amount | None = None
    particles: Text = ""
    counts: list[Amount] | None = Field(default=None, min_length=3, max_length=3)
    of_new: bool = False
    sure: bool = False


class ToldExpense(Told):
    """Money spent on a machine; ``volume`` m³ of ``fluid`` where it was for fluid."""

    kind: ClassVar[str] = "expense"
    amount: Money
    what: Text = ""
    fluid: Text = ""
    volume: Volume | None = None


KINDS: dict[str, type[Told]] = {
    model.kind: model
    for model in (
        ToldService,
        ToldDrive,
        ToldTemperatures,
        ToldMeter,
        ToldUse,
        ToldReport,
        ToldExpense,
    )
}
T = TypeVar("T", bound=Told, covariant=True)


@dataclass(frozen=True)
class Entry(Generic[T]):
    """Something told, as it is kept.

    Parameters
    ----------
    id, machine : str
        UUIDs.
    at : datetime
        When it happened.
    by, note : str
    told : Told
    entered_at, withdrawn_at : datetime
        When it was told, and taken back if it was.
    """

    id: str
    machine: str
    at: datetime
    by: str
    note: str
    told: T
    entered_at: datetime
    withdrawn_at: datetime | None = None


def make(kind: type[T], values: Mapping[str, Any]) -> T:
    """Make a told thing from its values, those that are ``None`` left out.

    Raises
    ------
    Complaint
        When a value is missing, of another type, not finite or absurd.

    Examples
    --------
    >>> make(ToldService, {"system": "gearbox", "volume": 0.0041}).done
    'changed'
    >>> make(ToldService, {"system": "gearbox"})
    Traceback (most recent call last):
    ...
    sumpwright.errors.Complaint: the volume is missing: give the litres; correct the entry
    """
    try:
        return kind.model_validate({k: v for k, v in values.items() if v is not None})
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        if first["type"] == "value_error":
            reason: str = first["ctx"]["error"].args[0]
            plain = not key or reason[:2] == "a " or reason[:1].isdigit()
            what = reason if plain else f"'{key}' {reason}"
        else:
            what = f"'{key}' {first['msg'].removeprefix('Input ')}"
        do = f"correct '{key}'" if key else "correct the entry"
        raise Complaint(what, do, field=key) from None


def plain(told: Told) -> dict[str, Any]:
    """Return a told thing as JSON values, without what it leaves unsaid.

    Examples
    --------
    >>> plain(make(ToldDrive, {"distance": 4000.0}))
    {'distance': 4000.0}
    """
    return told.model_dump(mode="json", exclude_defaults=True)


def from_plain(kind: str, body: Mapping[str, Any]) -> Told:
    """Read a told thing back from JSON values.

    Raises
    ------
    Complaint
        For an unknown kind, and as `make`.
    """
    model = KINDS.get(kind)
    if model is None:
        raise Complaint(f"nothing told is called '{kind}'", f"use one of {', '.join(KINDS)}")
    return make(model, body)


def from_text(kind: str, body: str) -> Told:
    """Read a told thing back from its JSON text."""
    return from_plain(kind, json.loads(body))
