"""``sumpwright history``: the fluid of a machine by age, through all that was done to it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated

import typer

from sumpwright.cli.common import DbOption, JsonFlag, UsFlag, display, print_json, say, table, yard
from sumpwright.cli.told import Machine, SystemOption, today

if TYPE_CHECKING:
    from sumpwright.display import Display
    from sumpwright.records.due import MachineDue, SystemDue

WIDTH = 30
"""Characters of a bar of the whole fluid."""
SIGNS = "█▓▒░"
"""From the freshest class of age to what is past the limit."""


def history(
    machine: Machine,
    system: SystemOption = None,
    width: Annotated[
        int, typer.Option("--width", min=10, max=200, help="Characters of a bar.")
    ] = WIDTH,
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Show the fluid of a machine by its age.

    After each thing that was done to it, and what the last service really did.
    """
    from sumpwright.records.due import machine_due
    from sumpwright.records.plain import history_plain

    with yard(db) as store:
        found = machine_due(store, machine, today())
    if system is not None:
        chosen = [found.system(found.past.machine.system(system).name)]
    else:
        chosen = list(found.systems)
    show = display(us)
    if json_out:
        print_json(history_plain(found, chosen, show, today()))
        return
    empty = []
    told = 0
    for each in chosen:
        if each.book.ledger is not None and not each.book.ledger.steps:
            empty.append(each.system.name)
            continue
        if told:
            say()
        told += 1
        _tell(found, each, show, width)
    if empty:
        say(
            f"Nothing is known of the past of {', '.join(empty)}: tell a service with "
            "'sumpwright service add MACHINE --litres 4.1'."
        )


def _tell(found: MachineDue, system: SystemDue, show: Display, width: int) -> None:
    from sumpwright.planning.clock import day
    from sumpwright.planning.said import show as written
    from sumpwright.records.ages import ages_of, mean_age, shares_by_class

    name = f"{found.past.machine.name}, {system.system.name}"
    found_ages = ages_of(system, found.use.service.kind, today())
    if found_ages is None:
        for note in system.book.notes:
            say(f"{name}: {note.say(show)}.")
        return
    book, measure = found_ages.book, found_ages.measure
    rows = []
    for place, group in enumerate(found_ages.groups):
        when = day(group[0].moment)
        mean = mean_age(group)
        step = book.steps[place] if place < len(book.steps) else None
        volume = step.happening.volume if step is not None else None
        unknown = any(b.at_least for b in group)
        rows.append(
            [
                "" if when is None else when.isoformat(),
                "now" if step is None else step.happening.what,
                "" if volume is None else show.volume(volume),
                _drawn(shares_by_class(group, found_ages.edges), width),
                "" if math.isnan(mean) else written(mean, measure, show) + ("+" if unknown else ""),
            ]
        )
    table(["day", "", "volume>", "fluid by age", "mean age>"], rows, name)
    edges = [written(edge, measure, show) for edge in found_ages.edges]
    words = [f"under {edge}" for edge in edges] + [f"{edges[-1]} and more"]
    say("  ".join(f"{sign} {word}" for sign, word in zip(SIGNS, words, strict=True)))
    if book.at_least:
        say("+  at least: the age of the first fluid is not known.")
    if found_ages.by is not None:
        text = found_ages.by.say(show)
        say(f"{text[:1].upper()}{text[1:]}.")
    if found_ages.did_on is not None:
        when = day(found_ages.did_on)
        say(f"What the service of {when.isoformat() if when else 'then'} really did:")
        for line in found_ages.did:
            say(f"  {line.say(show)}")
    if found_ages.habit is not None:
        say(found_ages.habit.say(show))


def _drawn(shares: list[float], width: int) -> str:
    """Draw a bar, the freshest fluid first; the parts are rounded so that they add up."""
    exact = [share * width for share in shares]
    cells = [math.floor(x) for x in exact]
    rest = sorted(range(len(SIGNS)), key=lambda k: cells[k] - exact[k])
    for k in rest[: width - sum(cells)]:
        cells[k] += 1
    return "".join(sign * count for sign, count in zip(SIGNS, cells, strict=True))
