"""What closed jobs did to the fluid, worked out once and remembered.

The estimate of the fresh share takes a tenth of a second; a yard has many jobs. So it
is kept beside the job with the hash in which its log ended and the version of the
program, and worked out anew when either differs. It is never exported.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import delete, insert, select
from sqlalchemy.orm import Session

import sumpwright
from sumpwright.errors import Complaint
from sumpwright.planning.ledger import Happening
from sumpwright.records.chain import canonical
from sumpwright.records.logs import KeptJob
from sumpwright.records.schema import JobEffectRow
from sumpwright.records.standing import job_standing
from sumpwright.records.state import JobState

if TYPE_CHECKING:
    from sumpwright.records.store import Store

WORKED_OUT_BY = f"sumpwright {sumpwright.__version__} 2"
"""Raised when the estimate changes, so that what is kept is worked out anew."""


@dataclass(frozen=True)
class Fill:
    """Fluid put in during a job: m³, and what was paid for it if that was logged."""

    fluid: str
    volume: float
    price: float | None


@dataclass(frozen=True)
class JobEffect:
    """What a job came to.

    Parameters
    ----------
    put_in, taken_out, lost : float
        m³.
    low, mid, high : float or None
        Fresh share of the fluid after it: 5, 50 and 95 %; ``None`` when it could not be
        estimated, and ``why`` says so.
    fills : tuple of Fill
    """

    put_in: float
    taken_out: float
    lost: float
    low: float | None
    mid: float | None
    high: float | None
    fills: tuple[Fill, ...]
    why: str = ""

    @property
    def fluid(self) -> str:
        """The fluid of which most was put in."""
        if not self.fills:
            return ""
        return max(self.fills, key=lambda fill: fill.volume).fluid

    def happening(self, when: datetime, capacity: float, share: float | None) -> Happening | None:
        """Return the job as the age ledger takes it; ``None`` when it moved no fluid."""
        if self.put_in <= 0:
            gone = self.taken_out + self.lost
            return Happening(when, "lost", gone) if gone > 0 else None
        if self.taken_out <= 0:
            return Happening(when, "topped up", self.put_in, fluid=self.fluid)
        if share is None:
            times = max(1, math.ceil(self.put_in / capacity - 1e-9))
            return Happening(when, "changed", self.put_in, None, times, fluid=self.fluid)
        # The estimate knows the capacity as a range and the ledger as one number, in which
        # the volume put in may fall a little short of the share.
        volume = max(self.put_in, share * capacity)
        return Happening(
            when, "changed", volume, min(share, 1.0), fluid=self.fluid, put_in=self.put_in
        )


def effects_of(store: Store, jobs: Sequence[KeptJob]) -> dict[str, JobEffect]:
    """Return what each closed job did, by its id.

    Parameters
    ----------
    store : Store
    jobs : sequence of KeptJob
        Open ones are passed over.
    """
    closed = [job for job in jobs if not job.open]
    if not closed:
        return {}
    with store.reading() as session:
        rows = session.scalars(select(JobEffectRow))
        kept = {row.job_id: row for row in rows if row.by == WORKED_OUT_BY}
    found: dict[str, JobEffect] = {}
    fresh: dict[str, KeptJob] = {}
    for job in closed:
        row = kept.get(job.id)
        if row is not None and row.head == job.head:
            found[job.id] = _from_plain(json.loads(row.plain))
        else:
            found[job.id] = effect_of(store.jobs.state(job.id))
            fresh[job.id] = job
    if fresh:
        # On a database that takes no writes it is worked out each time.
        with suppress(Complaint):
            store.run(lambda session: _keep(session, fresh, found))
    return found


def _keep(session: Session, jobs: dict[str, KeptJob], found: dict[str, JobEffect]) -> None:
    session.execute(delete(JobEffectRow).where(JobEffectRow.job_id.in_(list(jobs))))
    rows = [
        {
            "job_id": job.id,
            "head": job.head,
            "by": WORKED_OUT_BY,
            "plain": canonical(asdict(found[job.id])).decode(),
        }
        for job in jobs.values()
    ]
    session.execute(insert(JobEffectRow), rows)


def effect_of(state: JobState) -> JobEffect:
    """Work out what a job did to the fluid."""
    fills = tuple(
        Fill(event.body["fluid"], event.body["volume"], event.body.get("price"))
        for event in state.effective
        if event.kind in ("filled", "exchanged")
    )
    balance = state.balance
    shares: tuple[float | None, float | None, float | None] = (None, None, None)
    why = ""
    if balance.total_in > 0 and balance.total_out > 0:
        try:
            fresh = job_standing(state).course.fresh_quantiles
            shares = (fresh.p05, fresh.p50, fresh.p95)
        except Complaint as complaint:
            why = complaint.what
    return JobEffect(
        balance.total_in, balance.total_out, balance.lost, *shares, fills=fills, why=why
    )


def _from_plain(plain: dict[str, Any]) -> JobEffect:
    return JobEffect(**{**plain, "fills": tuple(Fill(**fill) for fill in plain["fills"])})
