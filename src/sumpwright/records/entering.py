"""Looking at what is told before it is kept: does it agree with what the yard knows?"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import Any

from sumpwright.errors import Complaint
from sumpwright.planning.reports import ELEMENTS
from sumpwright.records.books import Doubt, Past, book_of, meters_of
from sumpwright.records.told import Entry


def doubts_after(past: Past, told: Any, at: datetime, now: date) -> tuple[list[Doubt], list[Doubt]]:
    """Return the doubts about a told thing itself, and those that it newly casts on others."""
    id = "new"
    entry: Entry[Any] = Entry(id, past.machine.id, at, "", "", told, at)
    before = {(d.seen.id, d.meter) for d in meters_of(past, now).doubts}
    after = meters_of(replace(past, told=(*past.told, entry)), now).doubts
    own = [d for d in after if d.seen.id == id]
    return own, [d for d in after if d.seen.id != id and (d.seen.id, d.meter) not in before]


def refuse_doubted(
    own: Sequence[Doubt], others: Sequence[Doubt], sure: bool, insist: str = "add --sure"
) -> None:
    """Refuse what is doubted, or casts doubt on what is kept, unless the user is sure.

    Parameters
    ----------
    own, others : sequence of Doubt
        As `doubts_after` gives them.
    sure : bool
    insist : str
        How the user says so.

    Raises
    ------
    Complaint
        With the reason, and what to do about it.
    """
    if sure or not (own or others):
        return
    if own:
        raise Complaint(
            f"nothing was kept: {own[0].why.why}",
            f"or {insist} to keep it all the same",
            field="sure",
        )
    first = others[0]
    why = str(first.why.why).partition("; ")[0]
    raise Complaint(
        f"nothing was kept: with it, {why}",
        f"correct it, take the other back ({first.seen.source} {first.seen.id[-6:]}), or {insist} "
        "if this one is right",
        field="sure",
    )


def check_books(past: Past, system: str, told: Any, at: datetime, now: date) -> None:
    """Refuse what the age ledger of its system cannot take.

    Raises
    ------
    Complaint
        With the ledger's own reason.
    """
    chosen = past.machine.system(system)

    def broken(of: Past) -> str:
        book = book_of(of, chosen, meters_of(of, now).of(chosen))
        return str(book.notes[0]) if book.ledger is None else ""

    entry: Entry[Any] = Entry("new", past.machine.id, at, "", "", told, at)
    why = broken(replace(past, told=(*past.told, entry)))
    if why and not broken(past):
        reason = why.partition("themselves: ")[2] or why
        raise Complaint(f"nothing was kept: {reason}", "", "")


def read_elements(pairs: Iterable[str]) -> dict[str, float]:
    """Read elements with their values, mg/kg.

    Raises
    ------
    Complaint
        For an unknown element, a value that is none, and an element given twice.

    Examples
    --------
    >>> read_elements(["Fe=38", "copper=5,5"])
    {'Fe': 38.0, 'Cu': 5.5}
    """
    names = {name: symbol for symbol, name in ELEMENTS.items()}
    names |= {symbol.casefold(): symbol for symbol in ELEMENTS}
    names |= {"aluminum": "Al", "sulfur": "S"}
    found: dict[str, float] = {}
    for pair in pairs:
        name, sign, value = pair.partition("=")
        symbol = names.get(name.strip().casefold())
        if not sign or symbol is None:
            near = difflib.get_close_matches(name.casefold(), names, n=1, cutoff=0.5)
            guess = names[near[0]] if near and sign else "Fe"
            raise Complaint(
                f"'{pair}' is no element with its value",
                f"write e.g. {guess}=38, in mg/kg",
                field="elements",
            )
        if symbol in found:
            raise Complaint(f"{symbol} is given twice", "leave one of them out", field="elements")
        found[symbol] = _content(value.strip().removesuffix("ppm").strip(), symbol)
    return found


def _content(text: str, symbol: str) -> float:
    try:
        amount = float(text.replace(",", "."))
    except ValueError:
        amount = math.nan
    if not math.isfinite(amount):
        raise Complaint(f"'{text}' is not a number", "write e.g. 38", symbol, "elements")
    if amount < 0:
        raise Complaint(f"{amount:g} mg/kg is below zero", "correct it", symbol, "elements")
    return amount


def check_report(values: Mapping[str, Any]) -> None:
    """Refuse a report that holds no value.

    Raises
    ------
    Complaint
    """
    plain = ("viscosity_40", "viscosity_100", "index", "water", "acid")
    if not any(values[key] for key in ("elements", "particles")) and all(
        values[key] is None for key in plain
    ):
        raise Complaint(
            "the report holds no value", "give e.g. Fe=38, or a viscosity", field="elements"
        )
