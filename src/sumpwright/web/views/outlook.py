"""Policies and costs as their pages show them: rows, and figures of lines over time or use."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sumpwright.planning.clock import day
from sumpwright.planning.said import show as written
from sumpwright.web.views.show import Show

if TYPE_CHECKING:
    from sumpwright.planning.costs import PriceHistory
    from sumpwright.records.policies import Outlook
    from sumpwright.records.spending import Costs, YearNeed

LEFT, RIGHT, TOP, BOTTOM = 118.0, 448.0, 14.0, 252.0
DASHES = ("", "7 4", "2 4", "10 3 2 3", "4 2", "1 3")


@dataclass(frozen=True)
class Tick:
    """A mark on an axis."""

    at: float
    text: str


@dataclass(frozen=True)
class Line:
    """One line of a figure with its points, and how it is drawn."""

    label: str
    path: str
    dots: tuple[tuple[float, float], ...]
    style: int
    dash: str


@dataclass(frozen=True)
class Plot:
    """A figure: lines, axes, a level across it and a ring about the best point."""

    lines: tuple[Line, ...]
    across: tuple[Tick, ...]
    up: tuple[Tick, ...]
    across_name: str
    words: str
    level: Tick | None = None
    ring: tuple[float, float] | None = None


def plot(
    series: Sequence[tuple[str, Sequence[tuple[float, float]]]],
    across: Sequence[tuple[float, str]],
    up: Sequence[tuple[float, str]],
    across_name: str,
    words: str,
    level: tuple[float, str] | None = None,
    ring: tuple[float, float] | None = None,
) -> Plot:
    """Put lines into a figure; the ends of the ticks are the ends of the axes.

    Parameters
    ----------
    series : sequence of (label, points)
    across, up : sequence of (value, text)
        Ticks, rising.
    across_name, words : str
    level : (value, text), optional
        A line across the figure.
    ring : (x, y), optional

    Examples
    --------
    >>> made = plot([("a", [(0, 0), (1, 1)])], [(0, "0"), (1, "1")], [(0, "0"), (1, "1")], "x", "")
    >>> made.lines[0].path
    'M118.0 252.0L448.0 14.0'
    """
    x0, x1 = across[0][0], across[-1][0]
    y0, y1 = up[0][0], up[-1][0]

    def x(value: float) -> float:
        return round(LEFT + (value - x0) / ((x1 - x0) or 1.0) * (RIGHT - LEFT), 1)

    def y(value: float) -> float:
        return round(BOTTOM - (min(value, y1) - y0) / ((y1 - y0) or 1.0) * (BOTTOM - TOP), 1)

    lines = []
    for k, (label, points) in enumerate(series):
        dots = tuple((x(a), y(b)) for a, b in points)
        path = "".join(f"{'L' if i else 'M'}{a} {b}" for i, (a, b) in enumerate(dots))
        lines.append(Line(label, path, dots, k % 6, DASHES[k % len(DASHES)]))
    return Plot(
        tuple(lines),
        tuple(Tick(x(value), text) for value, text in across),
        tuple(Tick(y(value), text) for value, text in up),
        across_name,
        words,
        None if level is None else Tick(y(level[0]), level[1]),
        None if ring is None else (x(ring[0]), y(ring[1])),
    )


@dataclass(frozen=True)
class PolicyRow:
    """One interval with one method."""

    every: str
    method: str
    fresh: str
    peak: str
    overdue: str
    fluid: str
    cost: str
    minutes: str
    best: bool
    past: str


@dataclass(frozen=True)
class PolicyView:
    """What intervals and methods lead to on one wet system."""

    limit: str
    habit: str
    rows: tuple[PolicyRow, ...]
    every: tuple[PolicyRow, ...]
    priced: bool
    best: str
    bounds: str
    notes: tuple[str, ...]
    plot: Plot


def policy_view(found: Outlook, show: Show) -> PolicyView:
    """Return what the page of policies shows."""

    def age(value: float) -> str:
        return show.text(written(value, found.measure, show.display))

    best = found.cheapest
    rows = found.rows

    def past(row: dict[str, Any]) -> str:
        if not found.several:
            return "the limit" if row["breaks"] else ""
        shown = (written(pace.limit, pace.measure, show.display) for pace in row["breaks"])
        return show.text(" and ".join(shown))

    def line(row: dict[str, Any]) -> PolicyRow:
        return PolicyRow(
            age(row["interval"]),
            row["method"].replace("-", " "),
            show.share(row["share"]),
            age(row["peak_age"]),
            show.share(row["overdue" if found.table.tail is None else "overdue_peak"]),
            show.volume(row["volume_per_year"]),
            show.money(row["cost_per_year"]) if found.priced else "",
            show.minutes(row["minutes_per_year"]),
            row == best,
            past(row),
        )

    said_best = f"None of them keeps to {found.bounds}."
    if best is not None:
        cheapest = "The cheapest" if found.priced else "The least fluid"
        method = str(best["method"]).replace("-", " ")
        said_best = (
            f"{cheapest} that keeps to {found.bounds}: {method}, every {age(best['interval'])}."
        )
    tail = found.table.tail
    limit = age(found.limit)
    if found.several:
        limit += ", which comes first"
    if tail is not None:
        limit += f", no more than {show.share(tail)} of the fluid older"
    return PolicyView(
        limit,
        "" if found.habit is None else show.say(found.habit.says),
        tuple(line(row) for row in found.longest),
        tuple(line(row) for row in rows),
        found.priced,
        said_best,
        found.bounds,
        tuple(sentence(show.say(note)) for note in found.notes),
        _policy_plot(found, rows, best, age, said_best),
    )


def sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _policy_plot(
    found: Outlook, rows: list[dict[str, Any]], best: Any, age: Any, words: str
) -> Plot:
    methods: dict[str, list[tuple[float, float]]] = {}
    for row in sorted(rows, key=lambda row: float(row["interval"])):
        points = methods.setdefault(str(row["method"]).replace("-", " "), [])
        points.append((float(row["interval"]), float(row["peak_age"])))
    most = max(float(row["interval"]) for row in rows)
    top = 2.0 * found.limit
    return plot(
        list(methods.items()),
        [(0.0, "0"), (most / 2, age(most / 2)), (most, age(most))],
        [(part * top, age(part * top) if part else "0") for part in (0.0, 0.25, 0.5, 0.75, 1.0)],
        "between two services",
        f"Mean age of the fluid just before a service against the interval, {len(methods)} "
        f"methods; the limit is {age(found.limit)}. {words} The table holds the same numbers.",
        (found.limit, "limit"),
        None if best is None else (float(best["interval"]), float(best["peak_age"])),
    )


@dataclass(frozen=True)
class CostRow:
    """What one machine has cost in one year."""

    machine: str
    year: str
    fluid: str
    other: str
    total: str
    volume: str
    unpriced: str


@dataclass(frozen=True)
class CostsView:
    """What the machines have cost, what fluids cost, and next year's fluid."""

    rows: tuple[CostRow, ...]
    per: str
    prices: tuple[tuple[str, str, str, str, str], ...]
    plots: tuple[tuple[str, Plot], ...]
    needs: tuple[tuple[str, str, str, str, str], ...]
    basket: tuple[str, ...]
    total: str
    remarks: tuple[str, ...]


def costs_view(costs: Costs, need: YearNeed, show: Show) -> CostsView:
    """Return what the page of costs shows."""
    per = show.display.number(1.0, "volume")

    def needed(volume: float) -> str:
        return show.volume(volume) if volume else "none"

    def named(p: PriceHistory) -> str:
        basis = "paid" if p.paid else f"asked for {show.volume(p.size)} with its carriage"
        return f"{p.fluid}, {basis}"

    rows = tuple(
        CostRow(
            row.machine,
            str(row.year or "all years"),
            show.money(row.fluid) if row.fluid else "not told",
            show.money(row.other) if row.other else "",
            show.money(row.total) if row.total else "",
            show.volume(row.volume),
            show.volume(costs.unpriced[key]) if (key := (row.machine, row.year)) in costs.unpriced
            else "",
        )
        for row in (*costs.by_machine, *costs.totals)
    )  # fmt: skip
    prices = tuple(
        (
            named(p),
            *(show.money(x / per) for x in (p.latest, p.lowest, p.highest)),
            "" if p.change != p.change else f"{100 * p.change:+.0f} %",
        )
        for p in costs.prices
    )
    basket = [
        f"{line.count} × {show.volume(line.offer.size)} {line.offer.fluid} from "
        f"{line.offer.seller} = {show.money(line.price)}"
        for line in need.basket.lines
    ]
    if need.basket.carriage:
        basket.append(f"Carriage {show.money(need.basket.carriage)}")
    remarks = [f"{show.say(line)}." for line in need.covers]
    remarks += [f"Nobody offers enough {fluid}." for fluid in need.basket.missing]
    remarks += [
        f"{machine}, {system}: no change is known; one drain is taken as its volume."
        for machine, system in need.assumed
    ]
    remarks += [
        f"{machine}, {system}: its fluid has no name on the sheet and is left out."
        for machine, system in need.unnamed
    ]
    return CostsView(
        rows,
        show.unit("volume"),
        prices,  # type: ignore[arg-type]
        tuple((named(p), _price_plot(p, per, show)) for p in costs.prices if len(p.times) > 1),
        tuple(
            (n.fluid, needed(n.likely), needed(n.low), needed(n.high), ", ".join(n.machines))
            for n in need.needs
        ),
        tuple(basket),
        show.money(need.basket.total) if need.basket.lines else "",
        tuple(remarks),
    )


def _price_plot(p: Any, per: float, show: Show) -> Plot:
    points = sorted(
        (float(t), float(price) / per) for t, price in zip(p.times, p.prices, strict=True)
    )
    first, last = points[0][0], points[-1][0]
    top = 1.2 * max(price for _, price in points)

    def when(moment: float) -> str:
        found = day(moment)
        return "" if found is None else found.isoformat()

    return plot(
        [(p.fluid, points)],
        [(first, when(first)), (last, when(last))],
        [(part * top, show.money(part * top)) for part in (0.0, 0.5, 1.0)],
        f"price per {show.unit('volume')}",
        f"Price of {p.fluid}, {'paid' if p.paid else 'asked'}, from {when(first)} to {when(last)}: "
        f"latest {show.money(p.latest / per)}, "
        f"lowest {show.money(p.lowest / per)}, highest {show.money(p.highest / per)}.",
    )
