"""What looks like a slip in an entry of the shell, and the reason for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from sumpwright.cli.common import display

if TYPE_CHECKING:
    from sumpwright.records.store import Store

Reason = Annotated[
    str,
    typer.Option("--reason", help="Why it is so, where it looks like a slip: kept with the entry."),
]


def over_doubts(
    store: Store, job: str, kind: str, body: dict[str, Any], reason: str, us: bool
) -> list[tuple[str, dict[str, Any]]]:
    """Return the reason that goes with an entry which looks like a slip.

    Raises
    ------
    Complaint
        When it looks like one and no reason is given.
    """
    from sumpwright.records.bodies import check_body
    from sumpwright.records.doubts import DOUBTED, doubts, reasoned
    from sumpwright.records.last_meters import meters_for
    from sumpwright.records.standing import safe_discharge

    if kind not in DOUBTED:
        return []
    # What cannot be kept at all is said before what is only doubted.
    body = check_body(kind, body)
    state = store.jobs.state(job)
    show = display(us, state.sheet.currency if state.sheet else "")
    most = safe_discharge(state) if kind == "discharged" else None
    found = doubts(state, kind, body, show, most, meters_for(store, state, body))
    do = "correct it, or say why it is so with --reason"
    if any(doubt.condition == "seal" for doubt in found):
        do = "fit one and add --new-seal, or say why it is so with --reason"
    return reasoned(found, reason, kind, do)
