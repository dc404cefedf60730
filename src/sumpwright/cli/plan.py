"""``sumpwright plan``: what to do to a wet system, before anything is opened."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from sumpwright.cli.common import (
    DbOption,
    JsonFlag,
    UsFlag,
    check_writable,
    display,
    number,
    print_json,
    read_sheet,
    say,
    share,
    table,
    warn,
    whole,
    write_out,
    yard,
)
from sumpwright.errors import Complaint

if TYPE_CHECKING:
    from sumpwright.display import Display
    from sumpwright.planning.machine import Sheet
    from sumpwright.planning.outcome import Wish

TARGET = CONFIDENCE = "0.90"
CYCLES = "8"
Target = Annotated[
    str, typer.Option("--target", metavar="SHARE", help="Fresh share to reach, such as 0.9 or 90%.")
]
Confidence = Annotated[
    str,
    typer.Option("--confidence", metavar="SHARE", help="How sure to be of reaching it."),
]
Worth = Annotated[
    str | None,
    typer.Option(
        "--worth",
        metavar="MONEY",
        help="What one more point (1 %) of fresh share is worth, in money.",
    ),
]
Have = Annotated[
    list[str] | None,
    typer.Option(
        "--have",
        metavar="THING",
        help="Equipment at hand: lean, air or second-pump. May be repeated.",
    ),
]


def plan(
    sheet: Annotated[
        Path | None, typer.Argument(help="Machine sheet (TOML), '-' for standard input.")
    ] = None,
    machine: Annotated[
        str | None, typer.Option("--machine", help="A machine of the yard instead of a sheet.")
    ] = None,
    system: Annotated[
        str | None, typer.Option("--system", help="Which wet system, if there are several.")
    ] = None,
    target: Target = TARGET,
    confidence: Confidence = CONFIDENCE,
    cycles: Annotated[
        str, typer.Option("--cycles", metavar="N", help="Cycles worked out for each method.")
    ] = CYCLES,
    worth: Worth = None,
    have: Have = None,
    method: Annotated[
        list[str] | None,
        typer.Option("--method", metavar="METHOD", help="Only this method. May be repeated."),
    ] = None,
    card: Annotated[
        Path | None, typer.Option("--card", help="Write the printable job card (PDF) here.")
    ] = None,
    kit: Annotated[bool, typer.Option("--kit", help="List what to lay out as well.")] = False,
    every: Annotated[bool, typer.Option("--all", help="Show every cycle of every method.")] = False,
    json_out: JsonFlag = False,
    us: UsFlag = False,
    db: DbOption = None,
) -> None:
    """Plan the change of a fluid.

    How to do it, how often, with how much fluid, and what that brings.
    """
    from sumpwright.planning.plan import make_plan
    from sumpwright.planning.report import plan_json
    from sumpwright.records.machines import find_system

    wish = read_wish(target, confidence, worth, have, method, cycles)
    check_writable(card)
    read = _sheet(sheet, machine, db)
    chosen = find_system(read, system)
    made = make_plan(chosen, read.offers, wish, read.spare)
    show = display(us, read.currency)
    data = plan_json(made, read, show)
    warn(data["warnings"])
    if card is not None:
        from sumpwright.paper.card import card_pdf

        write_out(card, card_pdf(made, read, show))
    if json_out:
        print_json(data)
        return
    _tell(data, show, kit, every)
    if card is not None:
        say(f"\nJob card: {card}")


def read_wish(
    target: str,
    confidence: str,
    worth: str | None,
    have: list[str] | None,
    methods: list[str] | None,
    cycles: str = CYCLES,
) -> Wish:
    """Read what is asked of a plan.

    Raises
    ------
    Complaint
        Names the option that is wrong.
    """
    from sumpwright.planning.outcome import Wish

    try:
        return Wish(
            share(target, "--target"),
            share(confidence, "--confidence"),
            whole(cycles, "--cycles"),
            None if worth is None else number(worth, "--worth"),
            tuple(have or ()),
            tuple(methods) if methods else None,
        )
    except Complaint as complaint:
        option = complaint.field.removesuffix("_per_point")
        where = complaint.where or f"--{option}"
        raise Complaint(complaint.what, complaint.do, where, complaint.field) from None


def _sheet(path: Path | None, machine: str | None, db: str | None) -> Sheet:
    if path is not None and machine is not None:
        raise Complaint("both a sheet and --machine are given", "give one of the two")
    if path is not None:
        if not path.suffix and str(path) != "-" and not path.exists():
            raise Complaint(
                "there is no such machine sheet",
                f"check its path; a machine of the yard is named with --machine '{path}'",
                str(path),
            )
        return read_sheet(path)
    if machine is None:
        raise Complaint(
            "no machine is named", "give a machine sheet, or --machine with one of the yard"
        )
    with yard(db) as store:
        return store.machines.get(machine).sheet


def band(fresh: dict[str, float], show: Display) -> str:
    """Write a share with its 90 % band, where the band is wide enough to be seen."""
    return show.band(fresh["p05"], fresh["p50"], fresh["p95"])


def cycles_in_words(data: dict[str, Any], show: Display) -> str:
    """Say how many cycles are planned, and how many of them through the line."""
    count, bottles = data["recommended"]["cycles"], data["handling"]["bottles"]
    rounds = "1 cycle" if count == 1 else f"{count} cycles"
    if not bottles:
        return rounds
    size = show.volume(data["handling"]["bottle_l"] * 1e-3)
    return f"{rounds} (drain and refill once, then {bottles} × {size} through the line)"


def _tell(data: dict[str, Any], show: Display, with_kit: bool, every: bool) -> None:
    from sumpwright.planning.kinds import kind_said

    best, flat = data["recommended"], data["flat_point"]
    name = f"{data['machine']}, " if data["machine"] else ""
    fluid = f", {data['fluid']}" if data["fluid"] else ""
    say(f"{name}{data['system']} ({kind_said(data['kind'])}){fluid}")
    say()
    money = "" if best["cost"] is None else f", {show.money(best['cost'])}"
    say(f"Do: {best['title']}: {cycles_in_words(data, show)}.")
    say(
        f"    {show.volume(best['new_fluid_l'] * 1e-3)} new fluid{money}, about "
        f"{best['minutes']} min, {'a helper' if best['helpers'] else 'nobody else'} needed."
    )
    say(f"    Fresh share {band(best['fresh'], show)}.")
    say(f"Why: {best['reason']}")
    if flat:
        say(f"Flat point: {flat['reason']}.")
    say()
    if every:
        _tell_every_cycle(data, show)
    else:
        _tell_ways(data, show)
    say()
    _tell_basket(data["basket"], show)
    _tell_vessels(data, show)
    _tell_assumptions(data, show)
    if with_kit:
        say()
        table(["lay out", "why"], [[i["what"], i["why"]] for i in data["kit"]])
    say()
    say(
        "Before you start: the machine's own service manual, local rules and licensed practice "
        "come first. Level ground, chocks and stands; fluid can scald; run an engine only with "
        "the exhaust led away."
    )


_POINT = ["cycles>", "fluid>", "fresh>", "cost>", "min>", "sure>"]


def _point(p: dict[str, Any], show: Display) -> list[str]:
    from sumpwright.planning.outcome import chance

    return [
        str(p["cycles"]),
        show.volume(p["new_fluid_l"] * 1e-3),
        band(p["fresh"], show),
        "" if p["cost"] is None else show.money(p["cost"]),
        f"{p['minutes']:.0f}",
        chance(p["probability"]),
    ]


def _tell_ways(data: dict[str, Any], show: Display) -> None:
    """Print where each method reaches the target, then the recommended one cycle by cycle."""
    best = data["recommended"]
    usable = [m for m in data["methods"] if not m["unusable"]]
    rows = []
    for m in usable:
        enough = [p for p in m["points"] if p["probability"] >= data["confidence"]]
        cells = _point((enough or m["points"][-1:])[0], show)
        cells[2] = cells[2].partition(" (")[0]
        mark = "◀" if m["method"] == best["method"] else "" if enough else "falls short"
        rows.append([m["method"], *cells, mark])
    share = show.share(data["target"])
    table(
        ["method", *_POINT, ""],
        rows,
        f"Ways to have at least {share} fresh (all cycles: --all)",
    )
    for m in data["methods"]:
        if m["unusable"]:
            say(f"{m['method']}: not for this system: {m['unusable']}.")
        elif not m["eligible"]:
            say(f"{m['method']}: only with --have {' --have '.join(m['needs'])}.")
    say()
    chosen = next(m for m in usable if m["method"] == best["method"])
    shown = chosen["points"][: best["cycles"] + 1]
    table(
        [*_POINT, ""],
        [[*_point(p, show), "◀" if p["cycles"] == best["cycles"] else ""] for p in shown],
        f"{best['title']}, cycle by cycle",
    )


def _tell_every_cycle(data: dict[str, Any], show: Display) -> None:
    best = data["recommended"]
    for place, m in enumerate(data["methods"]):
        if place:
            say()
        if m["unusable"]:
            say(f"{m['method']}: not for this system: {m['unusable']}.")
            continue
        needs = "" if m["eligible"] else f" (needs --have {' --have '.join(m['needs'])})"
        chosen = m["method"] == best["method"]
        rows = [
            [
                *_point(p, show),
                "best" if p["best"] else "",
                "◀" if chosen and p["cycles"] == best["cycles"] else "",
            ]
            for p in m["points"]
        ]
        table([*_POINT, "", ""], rows, f"{m['method']}{needs}")
    say("“best”: no other point is at once less fluid, less money and less time.")


def _tell_basket(basket: dict[str, Any] | None, show: Display) -> None:
    from sumpwright.planning.report import for_loss

    if basket is None:
        say("Basket: no offer covers this fluid; add [[offer]] tables to the sheet for prices.")
        return
    for line in basket["lines"]:
        size = show.volume(line["size_l"] * 1e-3)
        say(
            f"Buy: {line['count']} × {size} {line['fluid']} from {line['seller']} "
            f"at {show.money(line['price'])} = {show.money(line['sum'])}"
        )
    carriage = f" with carriage {show.money(basket['carriage'])}" if basket["carriage"] else ""
    words, enough = for_loss(basket)
    say(f"Basket: {show.money(basket['total'])}{carriage}. {words.say(show)}")
    if not enough:
        say("        That leaves nothing for loss: set spare under [purchase], or buy one more.")


def _tell_vessels(data: dict[str, Any], show: Display) -> None:
    hand = data["handling"]
    say(f"Catch vessel: {show.volume(data['catch_vessel_l'] * 1e-3)} or more.")
    if hand["bottles"]:
        say(
            f"Largest safe discharge: {show.volume(data['largest_safe_discharge_l'] * 1e-3)}; "
            f"mark the bottle at {show.volume(hand['bottle_l'] * 1e-3)}, {hand['bottles']} times. "
            "Running past it may let the pump draw air."
        )
    if hand["pump_refills"]:
        size = show.volume(hand["pump_vessel_l"] * 1e-3)
        say(f"The pump vessel of {size} is filled {hand['pump_refills']} times.")
    if hand["catch_empties"]:
        size = show.volume(hand["catch_vessel_l"] * 1e-3)
        say(f"The catch vessel of {size} is emptied {hand['catch_empties']} times.")


def _tell_assumptions(data: dict[str, Any], show: Display) -> None:
    rows = [[a["name"], _range(a, show), a["origin"]] for a in data["assumptions"]]
    seen = {a["name"] for a in data["assumptions"]}
    for m in data["methods"]:
        for a in m["assumptions"]:
            if a["name"] not in seen:
                seen.add(a["name"])
                rows.append([f"{a['name']} (some methods)", _range(a, show), a["origin"]])
    if not rows:
        return
    say()
    origins = {row[2] for row in rows}
    if len(origins) == 1:
        table(["number", "range"], [row[:2] for row in rows], f"Assumed ({origins.pop()})")
    else:
        table(["assumed", "range", "origin"], rows)


def _range(assumption: dict[str, Any], show: Display) -> str:
    low, high = assumption["range"]
    if assumption["unit"] == "L":
        return show.volumes(low * 1e-3, high * 1e-3)
    return f"{low:g} to {high:g} {assumption['unit']}".strip()
