"""Where a temperature may come from: kept sources, what is plugged in, and a trial of one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from sumpwright.link.describe import Description, Kind
    from sumpwright.link.sources import Trial
    from sumpwright.records.logs import KeptJob
    from sumpwright.records.temperatures import KeptSource
    from sumpwright.web.security import Visitor
    from sumpwright.web.state import Web


@dataclass(frozen=True)
class FoundView:
    """A source that is there: its description and what it is."""

    text: str
    note: str


@dataclass(frozen=True)
class SourcesPage:
    """What the page of sources shows."""

    kept: tuple[KeptSource, ...]
    found: tuple[FoundView, ...] | None
    kinds: tuple[Kind, ...]
    chooses: bool
    watched: str


def may_choose(visitor: Visitor) -> bool:
    """Whether a visitor may say what the server opens: ports, buses, addresses.

    Whoever sits at the machine itself is its keeper, unless the settings say otherwise.
    """
    return visitor.may("keep")


def sources_page(web: Web, job: KeptJob, visitor: Visitor, look_around: bool) -> SourcesPage:
    """Return the page of sources; looking around takes seconds and is done when asked for."""
    from sumpwright.link.sources import KINDS, discover

    found = None
    chooses = may_choose(visitor)
    if look_around and chooses:
        found = tuple(
            FoundView(str(each.description), each.note)
            for each in discover()
            if each.description.kind != "hand"
        )
    watching = web.watches.of(job.id)
    return SourcesPage(
        kept=tuple(web.store.temperatures.of(job.machine)),
        found=found,
        kinds=tuple(kind for kind in KINDS if kind.name not in ("hand", "replay")),
        chooses=chooses,
        watched=watching.name if watching else "",
    )


def quick(text: str) -> Description:
    """Read a description and check it, without opening anything.

    Raises
    ------
    Complaint
        When it is wrong, or a file of this machine: logs are sent, not named.
    """
    from sumpwright.link.describe import Description
    from sumpwright.link.sources import build

    if not text:
        raise Complaint("no source is named", "choose one, or write its description", field="place")
    try:
        description = Description.parse(text)
        if description.kind == "replay":
            raise Complaint("a log is sent, not named", "send the file below")
        if description.kind == "hand":
            raise Complaint("reading by hand needs no source", "go back and type the reading")
        build(description)
    except Complaint as complaint:
        raise Complaint(complaint.what, complaint.do, field="place") from None
    return description


def describe(text: str, name: str) -> Description:
    """Return a kept source ready to be watched, under its name."""
    from sumpwright.link.describe import Description

    description = Description.parse(text)
    return replace(description, options={**description.options, "name": name})


def try_it(description: Description) -> Trial:
    """Open a source, wait for one reading, close it, and tell."""
    from sumpwright.link.sources import try_source

    return try_source(description, 6.0)
