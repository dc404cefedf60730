"""Everything that is due: every action of every wet system, sorted for the yard."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date

from sumpwright.planning.due import (
    MEASURE_OF,
    Condition,
    DueItem,
    Meter,
    Rule,
    Service,
    clock,
    due,
)
from sumpwright.planning.fluid_history import Effect, effect, last_change
from sumpwright.planning.ledger import Ledger, Measure, Point, birth_quantile, births_of, shares_of
from sumpwright.planning.said import Said, said


def system_due(
    machine: str,
    system: str,
    rules: Sequence[Rule],
    book: Ledger | None,
    inspected: Point | None,
    meters: Mapping[Measure, Meter],
    now: date,
    service: Service | None = None,
    conditions: Sequence[Condition] = (),
) -> list[DueItem]:
    """Work out every action of one wet system from its ledger, meters and reports.

    Parameters
    ----------
    machine, system : str
    rules : sequence of Rule
    book : Ledger or None
        Without one, the clock of a replacement is not known, and the reasons say so.
    inspected : Point or None
        The last inspection; without one the last time that fluid was put in.
    meters, now, service, conditions
        As for `due`.

    Returns
    -------
    list of DueItem
    """
    items = []
    for rule in rules:
        since = Point()
        if rule.action == "replace" and book is not None:
            since = clock(book, rule.tail)
        elif rule.action == "inspect":
            since = inspected or (book.steps[-1].point if book and book.steps else Point())
        item = due(machine, system, rule, since, meters, now, service, conditions)
        if rule.action == "replace" and book is not None:
            notes = _ledger_notes(book, rule.tail, _measure(item, book))
            item = replace(item, reasons=tuple(dict.fromkeys((*item.reasons, *notes))))
        items.append(item)
    return items


def _measure(item: DueItem, book: Ledger) -> Measure:
    """Scale on which to say what a change did: that of the first limit on which it is known."""
    scales = [MEASURE_OF[row.kind] for row in item.limits if row.kind != "condition"]
    known = (scale for scale in scales if not math.isnan(book.mean_birth(scale)))
    return next(known, "time")


def _ledger_notes(book: Ledger, tail: float | None, measure: Measure) -> list[Said]:
    notes: list[Said] = []
    index = last_change(book)
    if index is not None and book.steps[index].share < 1 - 1e-9:
        done = effect(book, index, measure)
        if tail is not None:
            notes.append(_tail_note(book, done, measure, tail))
        elif done.mean_after > 0:
            notes.append(
                said(
                    "the change of {day:date} replaced {share:share}: counted by mean age the "
                    f"interval began again at {{age:{measure}}}, not at zero",
                    day=done.step.point.time,
                    share=done.fresh,
                    age=done.mean_after,
                )
            )
    if book.at_least:
        notes.append(
            said("the age of the first fluid is not known; all ages are at least what is shown")
        )
    return notes


def _tail_note(book: Ledger, done: Effect, measure: Measure, tail: float) -> Said:
    """What a change did where a bound on the oldest fluid counts, not the mean age."""
    after = done.step.after
    born = births_of(book.batches[: len(after)], measure)
    age = done.step.point.on(measure) - birth_quantile(shares_of(after), born, 1 - tail)
    head = "the change of {day:date} replaced {share:share}, and the sheet lets {tail:share} be "
    head += "older than the limit: counted by the oldest of the rest, the interval "
    if age > 0:
        text = f"{head}began again at {{age:{measure}}} (the mean age was {{mean:{measure}}})"
    else:
        text = f"{head}began again at zero"
    return said(
        text, day=done.step.point.time, share=done.fresh, tail=tail, age=age, mean=done.mean_after
    )


def yard(items: Sequence[DueItem]) -> list[DueItem]:
    """Sort the yard: what is likely due first comes first, what is never due last."""
    return sorted(items, key=lambda item: item.order)
