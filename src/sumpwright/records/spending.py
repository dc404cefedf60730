"""What machines have cost, what fluids cost, and what the yard will need."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

from sumpwright.planning.clock import YEAR, seconds, today
from sumpwright.planning.costs import (
    Coming,
    MachineCost,
    Need,
    Price,
    PriceHistory,
    Spent,
    machine_costs,
    machine_totals,
    need,
    price_histories,
)
from sumpwright.planning.fluid_history import last_change
from sumpwright.planning.paces import Pace, paces
from sumpwright.planning.rules import rules_of
from sumpwright.planning.said import Said, said
from sumpwright.planning.shopping import Shopping, shop
from sumpwright.records.books import Past, load
from sumpwright.records.due import MachineDue, SystemDue, work_out
from sumpwright.records.told import ToldExpense, ToldService

if TYPE_CHECKING:
    from sumpwright.records.store import Store

MAKE_UP_WINDOW = 3.0 * YEAR
"""s; top-ups of this long tell how much is topped up in a year."""


@dataclass(frozen=True)
class Costs:
    """What the yard has spent.

    ``unpriced`` m³ put in of which nobody said the price, by machine and year.
    """

    by_machine: tuple[MachineCost, ...]
    unpriced: dict[tuple[str, int], float]
    prices: tuple[PriceHistory, ...]

    @property
    def totals(self) -> tuple[MachineCost, ...]:
        """What each machine has cost in all years."""
        return tuple(machine_totals(self.by_machine))


@dataclass(frozen=True)
class YearNeed:
    """What the yard will need within a time ahead, as one basket.

    Parameters
    ----------
    needs : tuple of Need
        By fluid: at least, likely, at most.
    basket : Shopping
        Covers what is likely, and the spare of the sheets.
    assumed : tuple of (str, str)
        Machine and system of those whose volume was taken from the drain or the
        capacity, because no change is known.
    unnamed : tuple of (str, str)
        Those whose fluid the sheet does not name.
    spare : dict of str to float
        By fluid: the share that is bought beyond what is likely, the largest of the sheets.
    """

    needs: tuple[Need, ...]
    basket: Shopping
    assumed: tuple[tuple[str, str], ...]
    unnamed: tuple[tuple[str, str], ...]
    spare: dict[str, float] = field(default_factory=dict)

    @property
    def covers(self) -> tuple[Said, ...]:
        """What the basket holds of each fluid with a spare, and why it is more than is likely."""
        text = "{fluid:text}: {likely:volume} and {spare:share} to spare for loss, {both:volume}; "
        text += "the containers hold {bought:volume}"
        return tuple(
            said(
                text,
                fluid=n.fluid,
                likely=n.likely,
                spare=self.spare[n.fluid],
                both=n.likely * (1 + self.spare[n.fluid]),
                bought=self.basket.volume(n.fluid),
            )
            for n in self.needs
            if self.spare.get(n.fluid, 0.0) > 0 and self.basket.volume(n.fluid) > 0
        )


NAMELESS = "fluid"
"""What is bought for a service of which nobody said the fluid: it has costs, and no price."""


def spent_on(past: Past) -> list[Spent]:
    """Return what was spent on a machine: fluid of jobs and services, and other expenses."""
    name = past.machine.name
    out: list[Spent] = []
    for job, effect in past.jobs:
        when = job.closed_at or job.opened_at
        for fill in effect.fills:
            out.append(Spent(when, name, fill.price or 0.0, "", fill.fluid, fill.volume))
    for service in past.of(ToldService):
        told = service.told
        if told.done in ("changed", "filled", "topped up"):
            fluid = told.fluid or NAMELESS
            amount = told.price or 0.0
            out.append(Spent(service.at, name, amount, "", fluid, told.volume or 0.0))
    for entry in past.of(ToldExpense):
        paid = entry.told
        volume = paid.volume or 0.0
        out.append(Spent(entry.at, name, paid.amount, paid.what, paid.fluid, volume))
    return out


def costs(store: Store, pasts: Sequence[Past] | None = None) -> Costs:
    """Sum what each machine has cost by calendar year, and follow the prices of fluids.

    Prices are those paid with a fill, and apart from them the best offer per volume, with the
    carriage of one container, on each version of every sheet, on the day on which it was kept.
    """
    chosen = load(store) if pasts is None else pasts
    spent = [entry for past in chosen for entry in spent_on(past)]
    unpriced: dict[tuple[str, int], float] = {}
    for entry in spent:
        if entry.volume > 0 and entry.amount == 0:
            key = (entry.machine, _year(entry))
            unpriced[key] = unpriced.get(key, 0.0) + entry.volume
    return Costs(
        tuple(machine_costs(spent)),
        unpriced,
        tuple(price_histories([*_paid(spent), *_offered(store, chosen)])),
    )


def _year(entry: Spent) -> int:
    assert not isinstance(entry.when, float)
    return entry.when.year


def _paid(spent: Sequence[Spent]) -> list[Price]:
    return [
        Price(entry.when, entry.fluid, entry.amount / entry.volume)
        for entry in spent
        if entry.fluid not in ("", NAMELESS) and entry.volume > 0 and entry.amount > 0
    ]


def _offered(store: Store, pasts: Sequence[Past]) -> list[Price]:
    """Return the best offer of each fluid per volume, on the days when it was new or changed.

    Carriage is that of one container alone, as nobody can say what else an order will hold.
    """
    found: dict[tuple[str, str, float, float, date], Price] = {}
    for past in pasts:
        before: dict[str, float] = {}
        for version in store.machines.versions(past.machine.id):
            best: dict[str, Price] = {}
            for offer in version.sheet.offers:
                per_volume = (offer.price + offer.carriage) / offer.size
                price = Price(version.at, offer.fluid, per_volume, offer.seller, offer.size)
                known = best.get(offer.fluid)
                if known is None or price.per_volume < known.per_volume:
                    best[offer.fluid] = price
            for fluid, price in best.items():
                if before.get(fluid) != price.per_volume:
                    key = (
                        fluid, price.seller, price.size, price.per_volume, version.at.date()
                    )  # fmt: skip
                    # Sheets of several machines may carry the same offer.
                    found.setdefault(key, price)
                before[fluid] = price.per_volume
    return list(found.values())


def year_need(store: Store, now: date | None = None, ahead: float = float(YEAR)) -> YearNeed:
    """Add up which fluids the yard will need, and buy them as one basket.

    Parameters
    ----------
    store : Store
    now : date, optional
        Today, if left out.
    ahead : float
        s to look ahead.

    Returns
    -------
    YearNeed
    """
    moment = now or today()
    fluids = store.fluids.all()
    coming: list[Coming] = []
    assumed: list[tuple[str, str]] = []
    unnamed: list[tuple[str, str]] = []
    spare: dict[str, float] = {}
    for past in load(store):
        machine = work_out(past, moment, fluids)
        for system in machine.systems:
            fluid = system.system.fluid
            found, known = _coming(machine, system, moment)
            if not found:
                continue
            if not fluid:
                unnamed.append((past.machine.name, system.system.name))
                continue
            if not known:
                assumed.append((past.machine.name, system.system.name))
            spare[fluid] = max(spare.get(fluid, 0.0), past.machine.sheet.spare)
            coming += found
    needs = need(coming, moment, ahead)
    wanted = {n.fluid: n.likely * (1 + spare.get(n.fluid, 0.0)) for n in needs}
    return YearNeed(
        tuple(needs),
        shop(wanted, store.fluids.offers()),
        tuple(assumed),
        tuple(unnamed),
        {n.fluid: spare.get(n.fluid, 0.0) for n in needs},
    )


def _coming(machine: MachineDue, system: SystemDue, now: date) -> tuple[list[Coming], bool]:
    """Return the replacements of a system, and whether their volume is known from the last."""
    items = [item for item in system.items if item.action == "replace"]
    if not items:
        return [], True
    volume, share = _last_change(system)
    known = volume is not None
    if volume is None:
        span = system.system.drain or system.system.capacity
        volume = span.mid
        share = min(1.0, volume / system.system.capacity.mid)
    gap = _gap(paces(rules_of(system.system), machine.use.service.kind, system.meters), share)
    make_up = _make_up(system, now)
    fluid = system.system.fluid
    return [Coming(item, fluid, volume, gap, make_up) for item in items], known


def _last_change(system: SystemDue) -> tuple[float | None, float]:
    book = system.book.ledger
    index = None if book is None else last_change(book)
    if book is None or index is None:
        return None, 1.0
    step = book.steps[index]
    volume = step.happening.volume
    return (volume if volume is not None else float(step.after[-1])), step.share


def _gap(limits: Sequence[Pace], share: float) -> float | None:
    """Time from one change to the next: services of share f keep to L when they come every f·L."""
    first = min((p.years for p in limits if p.known), default=math.inf)
    return first * YEAR * max(share, 0.05) if math.isfinite(first) else None


def _make_up(system: SystemDue, now: date) -> float:
    """Volume topped up in a year, by the last three years or since the books begin."""
    book = system.book.ledger
    if book is None or not book.steps:
        return 0.0
    end = seconds(now)
    begin = max(book.steps[0].point.time, end - MAKE_UP_WINDOW)
    topped = sum(
        step.happening.volume or 0.0
        for step in book.steps
        if step.happening.what == "topped up" and step.point.time >= begin
    )
    span = max(end - begin, YEAR / 2)
    return topped / span * YEAR if math.isfinite(span) else 0.0
