"""The page of a plan: what was asked for, what to do, and what it costs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sumpwright.errors import Complaint
from sumpwright.planning.machine import Offer, Sheet, WetSystem
from sumpwright.planning.methods import EQUIPMENT
from sumpwright.planning.outcome import CYCLES, Wish, chance
from sumpwright.planning.plan import Plan
from sumpwright.planning.report import for_loss, plan_json, plan_warnings
from sumpwright.planning.said import worded
from sumpwright.web.views.complaints import Complaints, Wrong
from sumpwright.web.views.curves import Figure, figure
from sumpwright.web.views.show import Show
from sumpwright.web.views.typed import Reader, read_one

EQUIPMENT_WORDS = {
    "lean": "A way to lean the machine over the plug",
    "air": "Regulated low-pressure air",
    "second-pump": "A second pump, matched to the flow of the line",
}
LABELS = {
    "target": "Fresh share to reach",
    "confidence": "How sure to be of it",
    "worth": "What one more point is worth to you",
    "cycles": "Cycles at most",
}
NARROW, WIDE = (360, 320), (720, 400)
_UNITLESS = {"tanks": "tanks in the upper works"}


@dataclass(frozen=True)
class OfferField:
    """A price that can be moved."""

    name: str
    label: str
    offer: Offer
    low: str
    high: str
    step: str


@dataclass(frozen=True)
class Asked:
    """What the form asks for.

    ``wish`` is ``None`` when something is wrong with it.
    """

    typed: Mapping[str, str]
    have: tuple[str, ...]
    wish: Wish | None
    offers: tuple[Offer, ...]
    prices: tuple[OfferField, ...]
    complaints: Complaints
    moved: bool = False
    """Whether equipment, prices or worth are other than usual."""

    def of_method(self, method: str) -> Wish:
        """Return the wish held to one method, where one was chosen."""
        if self.wish is None:
            raise ValueError("nothing is wished for")
        return replace(self.wish, methods=(method,) if method else None)


@dataclass(frozen=True)
class PointRow:
    """One point of the table."""

    cycles: int
    new: str
    fresh: str
    cost: str
    time: str
    sure: str
    best: bool
    chosen: bool


@dataclass(frozen=True)
class MethodRows:
    """One method of the table, or why it is not for this system."""

    name: str
    title: str
    rows: tuple[PointRow, ...]
    best: tuple[PointRow, ...]
    note: str


@dataclass(frozen=True)
class PlanView:
    """What the page of a plan shows."""

    data: Mapping[str, Any]
    do: str
    facts: tuple[tuple[str, str], ...]
    why: str
    flat: str
    warnings: tuple[str, ...]
    reached: bool
    methods: tuple[MethodRows, ...]
    not_for: tuple[MethodRows, ...]
    narrow: Figure
    wide: Figure
    words: str
    basket: tuple[str, ...]
    basket_total: str
    basket_note: str
    handling: tuple[str, ...]
    kit: tuple[tuple[str, str], ...]
    assumptions: tuple[tuple[str, str, str], ...]


def read_asked(
    typed: Mapping[str, str], have: Sequence[str], show: Show, sheet: Sheet, system: WetSystem
) -> Asked:
    """Read what the form asks for; what is left out has its usual value.

    Parameters
    ----------
    typed : mapping
        ``target`` and ``confidence`` in percent, ``worth`` in money, ``price_0`` … for the
        offers of the system's fluid in the order of the sheet.
    have : sequence of str
        Equipment at hand.
    show : Show
    sheet : Sheet
    system : WetSystem
    """
    defaults = {"target": "90", "confidence": "90", "worth": "", "cycles": str(CYCLES)}
    places = [i for i, offer in enumerate(sheet.offers) if offer.fluid == system.fluid]
    for k, i in enumerate(places):
        defaults[f"price_{k}"] = show.text(f"{sheet.offers[i].price:.2f}")
    full = {key: typed.get(key, default) for key, default in defaults.items()}
    full["method"] = typed.get("method", "")
    reader = Reader(full, show)
    worth = reader.amount("worth", LABELS["worth"])
    offers = list(sheet.offers)
    prices = []
    for k, i in enumerate(places):
        offer = offers[i]
        label = f"{show.volume(offer.size)} from {offer.seller}"
        price = reader.amount(f"price_{k}", label)
        if price is not None and price < 0:
            reader.wrong(f"price_{k}", label, "is below zero", "write what it costs")
        elif price is not None:
            offers[i] = replace(offer, price=price)
        prices.append(_price_field(k, label, offer))
    shares = {name: _percent(reader, name, show) for name in ("target", "confidence")}
    cycles = reader.whole("cycles", LABELS["cycles"])
    if cycles is None and not any(wrong.field == "cycles" for wrong in reader.wrongs):
        cycles = CYCLES
    at_hand = tuple(name for name in EQUIPMENT if name in have)
    wish = None
    if not reader.wrongs:
        try:
            wish = Wish(
                shares["target"],
                shares["confidence"],
                CYCLES if cycles is None else cycles,
                worth,
                at_hand,
            )
        except Complaint as complaint:
            field = {"worth_per_point": "worth"}.get(complaint.field, complaint.field)
            reader.wrong(field, LABELS.get(field, field), complaint.what, complaint.do)
    moved = bool(at_hand) or any(
        full[key] != default for key, default in defaults.items() if key not in shares
    )
    return Asked(full, at_hand, wish, tuple(offers), tuple(prices), reader.complaints(), moved)


def _price_field(k: int, label: str, offer: Offer) -> OfferField:
    high = max(1.0, round(offer.price * 2))
    step = "0.1" if offer.price < 50 else "1"
    return OfferField(f"price_{k}", label, offer, "0", f"{high:g}", step)


def _percent(reader: Reader, name: str, show: Show) -> float:
    reader.labels[name] = LABELS[name]
    text = reader.raw(name)
    try:
        share = read_one(text, "share", show.display)
    except Complaint as complaint:
        reader.wrong(name, LABELS[name], complaint.what, "write a share such as 90 %")
        return 0.5
    if not 0.0 < share < 1.0:
        reader.wrong(
            name,
            LABELS[name],
            f"{text} is not between 0 and 100 %",
            "nothing is ever wholly fresh: write e.g. 90",
        )
        return 0.5
    return share


def failed(complaint: Complaint) -> Complaints:
    """Return the complaint of a plan that cannot be made."""
    field = complaint.field if complaint.field in LABELS else ""
    return Complaints(
        [Wrong(field, LABELS.get(field, ""), complaint.what, complaint.do, bool(field))]
    )


def plan_view(plan: Plan, sheet: Sheet, show: Show) -> PlanView:
    """Return what the page of a plan shows."""
    data = plan_json(plan, sheet, show.display)
    best, flat = data["recommended"], data["flat_point"]
    rows = _once([_method(m, data, show) for m in data["methods"]])
    rounds = "1 cycle" if best["cycles"] == 1 else f"{best['cycles']} cycles"
    return PlanView(
        data=data,
        do=f"{best['title']}: {rounds}.",
        facts=_facts(data, show),
        why=show.text(best["reason"]),
        flat=show.text(_sentence(flat["reason"])) if flat else "",
        warnings=tuple(
            show.text(_sentence(warning.say(show.display)))
            for warning in plan_warnings(plan, sheet)
        ),
        reached=bool(best["reached"]),
        methods=tuple(m for m in rows if m.rows),
        not_for=tuple(m for m in rows if not m.rows),
        narrow=figure(data, show, *NARROW),
        wide=figure(data, show, *WIDE),
        words=_words(data, show),
        basket=tuple(_lines(data["basket"], show)),
        basket_total=show.money(data["basket"]["total"]) if data["basket"] else "",
        basket_note=_basket_note(data, show),
        handling=tuple(_handling(data, show)),
        kit=tuple((show.text(i["what"]), show.text(i["why"])) for i in data["kit"]),
        assumptions=tuple(_assumptions(data, show)),
    )


def _once(methods: list[MethodRows]) -> list[MethodRows]:
    """Show a point that several methods share with the first of them alone."""
    seen: dict[PointRow, str] = {}
    out = []
    for m in methods:
        kept, like = [], ""
        for row in m.best:
            same = seen.setdefault(replace(row, chosen=False), m.title)
            if same == m.title or row.chosen:
                kept.append(row)
            else:
                like = same
        note = m.note
        if like:
            first = "The only best point" if not kept else "The first point"
            note = f"{note} {first} is that of “{like}”.".strip()
        out.append(replace(m, best=tuple(kept), note=note))
    return out


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}".rstrip(".") + "."


def _facts(data: Mapping[str, Any], show: Show) -> tuple[tuple[str, str], ...]:
    best = data["recommended"]
    facts = [
        ("Fresh share", show.band(best["fresh"])),
        ("New fluid", show.litres(best["new_fluid_l"])),
    ]
    if best["cost"] is not None:
        facts.append(("Costs", show.money(best["cost"])))
    facts.append(("Takes about", show.minutes(best["minutes"])))
    facts.append(("Helper", "one, in the seat" if best["helpers"] else "none needed"))
    return tuple(facts)


def _method(m: Mapping[str, Any], data: Mapping[str, Any], show: Show) -> MethodRows:
    best = data["recommended"]
    rows = [
        PointRow(
            cycles=p["cycles"],
            new=show.litres(p["new_fluid_l"]),
            fresh=show.band(p["fresh"]),
            cost="" if p["cost"] is None else show.money(p["cost"]),
            time=show.minutes(p["minutes"]),
            sure=chance(p["probability"]).replace("%", " %"),
            best=p["best"],
            chosen=(m["method"], p["cycles"]) == (best["method"], best["cycles"]),
        )
        for p in m["points"]
    ]
    enough = next(
        (i for i, p in enumerate(m["points"]) if p["probability"] >= data["confidence"]), None
    )
    useful = rows if enough is None else rows[: enough + 2]
    if m["unusable"]:
        note = _sentence(m["unusable"])
    elif not m["eligible"]:
        note = "Needs: " + ", ".join(EQUIPMENT_WORDS[n].lower() for n in m["needs"]) + "."
    else:
        note = ""
    return MethodRows(
        m["method"],
        m["title"],
        tuple(rows),
        tuple(row for row in useful if row.best or row.chosen),
        show.text(note),
    )


def _lines(basket: Mapping[str, Any] | None, show: Show) -> list[str]:
    if basket is None:
        return []
    lines = [
        f"{line['count']} × {show.litres(line['size_l'])} {line['fluid']} from {line['seller']} "
        f"at {show.money(line['price'])} = {show.money(line['sum'])}"
        for line in basket["lines"]
    ]
    if basket["carriage"]:
        lines.append(f"Carriage {show.money(basket['carriage'])}")
    return lines


def _basket_note(data: Mapping[str, Any], show: Show) -> str:
    basket = data["basket"]
    if basket is None:
        return (
            "Nobody offers enough of this fluid. Enter who sells it and what it costs, and the "
            "cheapest basket is worked out."
        )
    words, enough = for_loss(basket)
    if enough:
        return show.say(words)
    return f"{show.say(words)} Buy one more, or set a share bought for loss."


def _handling(data: Mapping[str, Any], show: Show) -> list[str]:
    hand = data["handling"]
    lines = [f"Catch vessel: {show.litres(data['catch_vessel_l'])} or more."]
    if hand["bottles"]:
        lines.append(
            f"Never discharge more than {show.litres(data['largest_safe_discharge_l'])} at once: "
            f"past that the pump may draw air. Mark the bottle at "
            f"{show.litres(hand['bottle_l'])}; it is filled {hand['bottles']} times."
        )
    if hand["pump_refills"]:
        lines.append(
            f"The pump vessel of {show.litres(hand['pump_vessel_l'])} is filled "
            f"{hand['pump_refills']} times."
        )
    if hand["catch_empties"]:
        lines.append(
            f"The catch vessel of {show.litres(hand['catch_vessel_l'])} is emptied "
            f"{hand['catch_empties']} times."
        )
    return lines


def _assumptions(data: Mapping[str, Any], show: Show) -> list[tuple[str, str, str]]:
    rows, seen = [], set()
    groups = [data["assumptions"], *(m["assumptions"] for m in data["methods"])]
    for group in [*groups, data["time_basis"]]:
        for a in group:
            if a["name"] in seen:
                continue
            seen.add(a["name"])
            name = _UNITLESS.get(a["name"], a["name"].replace("_", " "))
            rows.append((name, _assumed(a, show), a["origin"]))
    return rows


def _assumed(a: Mapping[str, Any], show: Show) -> str:
    low, high = a["range"]
    if a["unit"] == "L":
        return show.volumes(low * 1e-3, high * 1e-3)
    if a["unit"] == "L/min":
        return show.text(worded("{v:bound flow}", v=(low * 1e-3 / 60, high * 1e-3 / 60)))
    ends = (
        show.number(low, 3) if low == high else f"{show.number(low, 3)} to {show.number(high, 3)}"
    )
    return f"{ends} {a['unit']}".strip()


def _words(data: Mapping[str, Any], show: Show) -> str:
    best = data["recommended"]
    rounds = "1 cycle" if best["cycles"] == 1 else f"{best['cycles']} cycles"
    return (
        f"Fresh share against new fluid used, {sum(bool(m['points']) for m in data['methods'])} "
        f"methods with their 5 to 95 % bands. Recommended: {best['method'].replace('-', ' ')}, "
        f"{rounds}, {show.litres(best['new_fluid_l'])}, {show.band(best['fresh'])} fresh. "
        "The table below holds the same numbers."
    )
