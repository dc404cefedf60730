"""Fluids, what they cost, and the batches that went into each system."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from sqlalchemy import select
from sqlalchemy.orm import Session

from sumpwright.errors import Complaint
from sumpwright.planning.machine import Fluid, Offer, Sheet
from sumpwright.records.chain import new_id, utc
from sumpwright.records.schema import BatchRow, FluidRow, OfferRow

if TYPE_CHECKING:
    from sumpwright.records.store import Store


@dataclass(frozen=True)
class KeptBatch:
    """Fluid put into a system in a job; volume in m³, odometer in m."""

    id: str
    machine: str
    system: str
    fluid: str
    lot: str
    volume: float
    price: float | None
    at: datetime
    odometer: float | None
    note: str
    job: str


class Fluids:
    """The fluids, offers and batches of a store."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def all(self) -> list[Fluid]:
        """Return the known fluids by name."""
        with self._store.reading() as session:
            rows = session.scalars(select(FluidRow).order_by(FluidRow.name_key))
            return [_fluid(row) for row in rows]

    def get(self, name: str) -> Fluid | None:
        """Return a fluid by name, or ``None``."""
        with self._store.reading() as session:
            row = session.get(FluidRow, _key(name))
            return _fluid(row) if row else None

    def offers(self, fluid: str | None = None) -> list[Offer]:
        """Return the offers, all or for one fluid, the cheapest per litre first."""
        query = select(OfferRow).order_by(
            OfferRow.fluid_key, OfferRow.price / OfferRow.size, OfferRow.seller_key
        )
        if fluid is not None:
            query = query.where(OfferRow.fluid_key == _key(fluid))
        with self._store.reading() as session:
            return [_offer(row) for row in session.scalars(query)]

    def keep(self, fluids: tuple[Fluid, ...] = (), offers: tuple[Offer, ...] = ()) -> None:
        """Keep fluids and offers; one that is known already is brought up to date."""
        self._store.run(lambda session: _keep(session, fluids, offers, datetime.now(UTC)))

    def drop_offer(self, fluid: str, seller: str, size: float) -> None:
        """Forget an offer."""
        with self._store.writing() as session:
            row = _find_offer(session, Offer(fluid, seller, size, 0.0))
            if row is None:
                raise Complaint(f"{seller} has no such offer of {fluid}", "look at the offers")
            session.delete(row)

    def batches(self, machine: str, system: str | None = None) -> list[KeptBatch]:
        """Return what was put into a machine (or one of its systems), the oldest first."""
        from sumpwright.records.machines import find_row

        with self._store.reading() as session:
            query = (
                select(BatchRow)
                .where(BatchRow.machine_id == find_row(session, machine).id)
                .order_by(BatchRow.at, BatchRow.id)
            )
            if system is not None:
                query = query.where(BatchRow.system == system)
            return [kept_batch(row) for row in session.scalars(query)]


def keep_from_sheet(session: Session, sheet: Sheet, now: datetime) -> None:
    """Keep the fluids and offers that a sheet names beside its machine."""
    _keep(session, sheet.fluids, sheet.offers, now)


def kept_batch(row: BatchRow) -> KeptBatch:
    """Return a batch as it is kept."""
    return KeptBatch(
        row.id,
        row.machine_id,
        row.system,
        row.fluid,
        row.lot,
        row.volume,
        row.price,
        row.at,
        row.odometer,
        row.note,
        row.job_id or "",
    )


def _keep(
    session: Session, fluids: tuple[Fluid, ...], offers: tuple[Offer, ...], now: datetime
) -> None:
    for fluid in fluids:
        known = session.get(FluidRow, _key(fluid.name))
        if known is None:
            known = FluidRow(name_key=_key(fluid.name))
            session.add(known)
        known.name = fluid.name
        for field in ("density_15", "viscosity_40", "viscosity_100"):
            value = getattr(fluid, field)
            if value is not None:
                setattr(known, field, value)
        known.updated_at = utc(now)
        session.flush()
    for offer in offers:
        row = _find_offer(session, offer)
        if row is None:
            row = OfferRow(
                id=new_id(),
                fluid_key=_key(offer.fluid),
                seller_key=_key(offer.seller),
                size=offer.size,
            )
            session.add(row)
        row.fluid, row.seller = offer.fluid, offer.seller
        row.price, row.carriage, row.stock = offer.price, offer.carriage, offer.stock
        row.updated_at = utc(now)
        session.flush()


def keep_if_newer(session: Session, thing: Fluid | Offer, at: datetime) -> bool:
    """Keep a fluid or an offer unless what is known of it is as new; tell whether it was kept."""
    if isinstance(thing, Fluid):
        known: FluidRow | OfferRow | None = session.get(FluidRow, _key(thing.name))
    else:
        known = _find_offer(session, thing)
    if known is not None and known.updated_at >= at:
        return False
    if isinstance(thing, Fluid):
        _keep(session, (thing,), (), at)
    else:
        _keep(session, (), (thing,), at)
    return True


def _find_offer(session: Session, offer: Offer) -> OfferRow | None:
    return session.scalar(
        select(OfferRow).where(
            OfferRow.fluid_key == _key(offer.fluid),
            OfferRow.seller_key == _key(offer.seller),
            OfferRow.size == offer.size,
        )
    )


def _key(name: str) -> str:
    return " ".join(name.split()).casefold()


def _fluid(row: FluidRow) -> Fluid:
    return Fluid(row.name, row.density_15, row.viscosity_40, row.viscosity_100)


def _offer(row: OfferRow) -> Offer:
    return Offer(row.fluid, row.seller, row.size, row.price, row.carriage, row.stock)
