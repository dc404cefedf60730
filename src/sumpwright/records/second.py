"""A second job on one body of fluid: a slip, unless there is a reason for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from sumpwright.records.logs import KeptJob
    from sumpwright.records.store import Store


def open_on(store: Store, machine: str, system: str) -> KeptJob | None:
    """Return the job that is open on a wet system, the newest if there are several.

    Parameters
    ----------
    store : Store
    machine : str
        Name or id.
    system : str
        Name of the system as its sheet writes it.

    Raises
    ------
    Complaint
        For an unknown machine.
    """
    jobs = store.jobs.all(machine=machine, open=True)
    return next((job for job in jobs if job.system == system), None)


def refuse_second(store: Store, machine: str, system: str, reason: str = "") -> str:
    """Refuse a second open job on one body of fluid: the entries of both would go astray.

    Parameters
    ----------
    store : Store
    machine, system : str
        As for `open_on`.
    reason : str, optional
        Why it is started all the same.

    Returns
    -------
    str
        The remark for the log of the new job; empty where no other is open.

    Raises
    ------
    Complaint
        When one is open and no reason is given.
    """
    other = open_on(store, machine, system)
    if other is None:
        return ""
    if not reason.strip():
        raise Complaint(
            f"a job on the {system} of {other.machine_name} is open already ({other.id[-6:]})",
            "go on with it, close it first, or give a reason for another one",
            field="second",
        )
    return f"Started although job {other.id} is open on the same fluid: {reason.strip()}"
