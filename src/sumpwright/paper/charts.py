"""Figures of the fresh share against the new fluid used.

One chart description (Vega-Lite, through altair) serves the page, which draws it in
the browser or shows it as SVG, and the printed record.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, Literal

from sumpwright.display import Display, with_comma
from sumpwright.paper.look import DASHES, LIGHT, SHAPES, Look, configured
from sumpwright.planning.methods import METHODS

Row = dict[str, Any]

_NARROW = 520
_STYLE = {method.name: i for i, method in enumerate(METHODS)}


def svg(chart: Any, comma: bool = False) -> str:
    """Draw a chart as SVG, without a browser.

    Parameters
    ----------
    chart : altair chart
        From `plan_chart` or `course_chart`.
    comma : bool
        Whether the decimal sign is a comma.

    Returns
    -------
    str
        A whole SVG document with its description as accessible text.

    Examples
    --------
    >>> svg(plan_chart({"methods": [], "target": 0.9}))[:4]
    '<svg'
    """
    import vl_convert

    spec = spec_of(chart)
    drawn: str = vl_convert.vegalite_to_svg(
        spec, vl_version=_version(spec), format_locale=_COMMA if comma else None
    )
    words = str(spec.get("description", ""))
    return _described(drawn, with_comma(words) if comma else words)


_COMMA = {"decimal": ",", "thousands": "\u202f", "grouping": [3], "currency": ["", ""]}


def _version(spec: Mapping[str, Any]) -> str | None:
    import vl_convert

    wanted = str(spec.get("$schema", "")).rpartition("/v")[2].split(".")
    known: list[str] = vl_convert.get_vegalite_versions()
    same = [v for v in known if v.split(".") == wanted[:2]]
    return same[-1] if same else None


def _described(drawn: str, text: str) -> str:
    """Give the SVG a role and its description, which the renderer leaves out."""
    from xml.sax.saxutils import escape, quoteattr

    if not text:
        return drawn
    head, mark, rest = drawn.partition(">")
    return f'{head} role="img" aria-label={quoteattr(text)}{mark}<desc>{escape(text)}</desc>{rest}'


def spec_of(chart: Any) -> dict[str, Any]:
    """Return a chart as Vega-Lite, plain data."""
    spec: dict[str, Any] = chart.to_dict()
    return spec


def spec_json(chart: Any) -> str:
    """Return a chart as Vega-Lite text for a page, the same bytes for the same chart.

    Examples
    --------
    >>> '"datasets"' in spec_json(plan_chart({"methods": [], "target": 0.9}))
    True
    """
    return json.dumps(
        spec_of(chart), ensure_ascii=True, separators=(",", ":"), sort_keys=True
    ).replace("<", "\\u003c")


def method_label(name: str) -> str:
    """Return what a method is called beside its line.

    Examples
    --------
    >>> method_label("line-discharge-with-purge")
    'line discharge with purge'
    """
    return name.replace("drain-and-refill", "drain and refill").replace("-", " ")


def _litres(display: Display, litres: float) -> float:
    return display.number(litres * 1e-3, "volume")


def plan_rows(plan: Mapping[str, Any], display: Display | None = None) -> list[Row]:
    """Return the rows of the plan figure: one per method and cycle, and the start.

    Parameters
    ----------
    plan : mapping
        As `sumpwright.planning.report.plan_json` gives it.
    display : Display, optional
        Unit of volume; metric if left out.

    Returns
    -------
    list of dict
        ``method``, ``label``, ``cycles``, ``new``, ``p05``, ``p50``, ``p95``.

    Examples
    --------
    >>> plan_rows({"methods": []})
    []
    """
    show = display or Display()
    rows: list[Row] = []
    for method in plan["methods"]:
        if not method["points"]:
            continue
        about = {"method": method["method"], "label": method_label(method["method"])}
        rows.append({**about, "cycles": 0, "new": 0.0, "p05": 0.0, "p50": 0.0, "p95": 0.0})
        rows += [
            {**about, "cycles": q["cycles"], "new": _litres(show, q["new_fluid_l"]), **q["fresh"]}
            for q in method["points"]
        ]
    return rows


def worth_showing(rows: Sequence[Row], plan: Mapping[str, Any]) -> list[Row]:
    """Leave out what uses far more fluid than the target needs, so that the rest is seen.

    Every method keeps its points up to one cycle past the target; the recommended
    point and the flat point always stay.

    Parameters
    ----------
    rows : sequence of dict
        As `plan_rows` gives them.
    plan : mapping

    Returns
    -------
    list of dict
    """
    target = plan.get("target") or 1.0
    marked = {
        (point["method"], point["cycles"])
        for point in (plan.get("recommended"), plan.get("flat_point"))
        if point
    }
    enough = 0.0
    for method in {row["method"] for row in rows}:
        own = [row for row in rows if row["method"] == method]
        past = [i for i, row in enumerate(own) if row["p50"] >= target]
        last = min(past[0] + 1, len(own) - 1) if past else len(own) - 1
        kept = [row["new"] for row in own if (method, row["cycles"]) in marked]
        enough = max(enough, own[last]["new"], *kept)
    return [row for row in rows if row["new"] <= enough * (1 + 1e-9)]


def plan_chart(
    plan: Mapping[str, Any],
    display: Display | None = None,
    look: Look = LIGHT,
    width: int = 640,
    height: int = 360,
) -> Any:
    """Chart the fresh share against the new fluid used, for every method of a plan.

    Medians as lines, each with its own dash and shape, 5 to 95 % as bands; the
    target, the recommended point and the flat point are marked.

    Parameters
    ----------
    plan : mapping
        As `sumpwright.planning.report.plan_json` gives it.
    display : Display, optional
        Unit of volume; metric if left out.
    look : Look
    width, height : int
        Size of the plot [px]. A narrow figure names its lines below, a wide one
        beside them.

    Returns
    -------
    altair.LayerChart

    Examples
    --------
    >>> from sumpwright.planning.machine import Span, WetSystem
    >>> from sumpwright.planning.plan import make_plan
    >>> from sumpwright.planning.report import plan_json
    >>> box = WetSystem("box", "axle", Span(2e-3, 2e-3), Span(1.9e-3, 1.9e-3))
    >>> chart = plan_chart(plan_json(make_plan(box)))
    >>> sorted(chart.to_dict()["datasets"])
    ['ends', 'marks', 'points', 'target']
    """
    import altair as alt

    show = display or Display()
    rows = worth_showing(plan_rows(plan, show), plan)
    names = list(dict.fromkeys(row["method"] for row in rows))
    best = (plan.get("recommended") or {}).get("method")
    narrow = width < _NARROW
    top = max((row["new"] for row in rows), default=1.0)
    scale = alt.Scale(domain=[0, top], nice=False)
    x = alt.X("new:Q", title=f"new fluid used, {show.unit('volume')}", scale=scale)
    labels = [method_label(n) for n in names]
    style = [_STYLE.get(n, i) for i, n in enumerate(names)]
    legend = alt.Legend(title=None, orient="bottom", columns=1) if narrow else None
    colour = alt.Color(
        "label:N",
        scale=alt.Scale(domain=labels, range=[look.colours[s % len(look.colours)] for s in style]),
        legend=legend,
    )
    dash = alt.StrokeDash(
        "label:N",
        scale=alt.Scale(domain=labels, range=[list(DASHES[s % len(DASHES)]) for s in style]),
        legend=legend,
    )
    shape = alt.Shape(
        "label:N",
        scale=alt.Scale(domain=labels, range=[SHAPES[s % len(SHAPES)] for s in style]),
        legend=legend,
    )
    points = alt.Chart(alt.NamedData("points"))
    chosen = f"datum.method === {json.dumps(best)}"
    layers = [
        points.mark_area(stroke=None).encode(
            x=x,
            y=share_axis("p05"),
            y2="p95:Q",
            color=colour,
            fillOpacity=alt.condition(chosen, alt.value(0.26), alt.value(0.09)),
        ),
        *target_layers(look),
        points.mark_line(strokeCap="butt").encode(
            x=x,
            y="p50:Q",
            color=colour,
            strokeDash=dash,
            strokeWidth=alt.condition(chosen, alt.value(2.8), alt.value(1.5)),
        ),
        points.transform_filter("datum.cycles > 0")
        .mark_point(filled=True, opacity=1)
        .encode(
            x=x,
            y="p50:Q",
            color=colour,
            shape=shape,
            size=alt.condition(chosen, alt.value(60), alt.value(32)),
            tooltip=_tips(show),
        ),
    ]
    datasets = {"points": rows, "target": target_rows(plan.get("target"), show)}
    marks = _marks(plan, rows, show, top)
    if marks:
        datasets["marks"] = marks
        layers += _mark_layers(look)
    if not narrow and names:
        datasets["ends"] = line_ends(rows, top, height)
        layers += _end_layers(look, colour)
    chart = alt.layer(*layers).properties(
        width=width, height=height, datasets=datasets, description=_plan_words(plan, show)
    )
    return configured(chart, look)


def share_axis(field: str) -> Any:
    """Encode a share on the vertical axis, 0 to 100 %."""
    import altair as alt

    return alt.Y(
        f"{field}:Q",
        title="fresh share",
        scale=alt.Scale(domain=[0, 1], nice=False),
        axis=alt.Axis(values=[i / 10 for i in range(0, 11, 2)], labelExpr="datum.value*100 + ' %'"),
    )


def _tips(show: Display) -> list[Any]:
    import altair as alt

    return [
        alt.Tooltip("label:N", title="method"),
        alt.Tooltip("cycles:Q", title="cycles"),
        alt.Tooltip("new:Q", title=f"new fluid, {show.unit('volume')}", format=".2f"),
        alt.Tooltip("p05:Q", title="5 % below", format=".1%"),
        alt.Tooltip("p50:Q", title="median", format=".1%"),
        alt.Tooltip("p95:Q", title="95 % below", format=".1%"),
    ]


def target_rows(target: float | None, show: Display) -> list[Row]:
    """Return the target with its name; nothing without one."""
    return [] if target is None else [{"target": target, "text": f"target {show.share(target)}"}]


def target_layers(look: Look) -> list[Any]:
    """Draw a dashed line at the target, named at its left end."""
    import altair as alt

    base = alt.Chart(alt.NamedData("target"))
    return [
        base.mark_rule(strokeDash=[3, 3], strokeWidth=1.2, color=look.ink).encode(y="target:Q"),
        base.mark_text(align="left", baseline="bottom", dx=4, dy=-3, color=look.ink).encode(
            x=alt.value(0), y="target:Q", text="text:N"
        ),
    ]


def _marks(plan: Mapping[str, Any], rows: list[Row], show: Display, top: float) -> list[Row]:
    """Find the recommended point and the flat point among the rows."""
    found: list[Row] = []
    advice, flat = plan.get("recommended"), plan.get("flat_point")
    for what, point in (("recommended", advice), ("flat point", flat)):
        row = next(
            (
                r
                for r in rows
                if point and (r["method"], r["cycles"]) == (point["method"], point["cycles"])
            ),
            None,
        )
        if row is None:
            continue
        if found and (found[0]["new"], found[0]["p50"]) == (row["new"], row["p50"]):
            found[0] |= {"what": "recommended,\nand flat from here on"}
            continue
        found.append({**row, "what": what})
    for i, row in enumerate(found):
        count = row["cycles"]
        volume = show.volume(_si(show, row["new"]))
        row["text"] = f"{row['what']}\n{count} {'cycle' if count == 1 else 'cycles'}, {volume}"
        row["foot"] = 0.0
        row["y"] = 0.17 + 0.17 * i
        row["side"] = "right" if row["new"] > 0.55 * top else "left"
        row["main"] = row["what"].startswith("recommended")
    return found


def _si(show: Display, shown: float) -> float:
    return shown / show.number(1.0, "volume")


def _mark_layers(look: Look) -> list[Any]:
    import altair as alt

    sides: tuple[tuple[Literal["left", "right"], int], ...] = (("left", 6), ("right", -6))
    marks = alt.Chart(alt.NamedData("marks"))
    where = {"x": "new:Q"}
    layers = [
        marks.mark_rule(color=look.quiet, strokeWidth=1).encode(**where, y="foot:Q", y2="p50:Q"),
        marks.transform_filter("datum.main")
        .mark_point(shape="circle", size=240, strokeWidth=2.2, filled=False, color=look.ink)
        .encode(**where, y="p50:Q"),
        marks.transform_filter("!datum.main")
        .mark_point(shape="square", size=200, strokeWidth=1.6, filled=False, color=look.ink)
        .encode(**where, y="p50:Q"),
    ]
    for side, dx in sides:
        layers.append(
            marks.transform_filter(f"datum.side === '{side}'")
            .mark_text(align=side, dx=dx, baseline="top", lineBreak="\n", color=look.ink)
            .encode(**where, y="y:Q", text="text:N")
        )
    return layers


def line_ends(rows: Sequence[Row], top: float, height: float) -> list[Row]:
    """Place the name of each line beside its end, none above another.

    Parameters
    ----------
    rows : sequence of dict
        As `plan_rows` gives them.
    top : float
        Right end of the axis, in its own unit.
    height : float
        Height of the plot [px].

    Returns
    -------
    list of dict
        ``label``, where its line ends (``new``, ``p50``), where its name stands
        (``at``, ``y``).

    Examples
    --------
    >>> two = [{"label": n, "new": 1.0, "p50": 0.9} for n in "ab"]
    >>> [round(end["y"], 2) for end in line_ends(two, 1.0, 340)]
    [0.93, 0.88]
    """
    last = {row["label"]: row for row in rows}
    ends = sorted(last.values(), key=lambda r: (-r["p50"], -r["new"]))
    gap = 17.0 / height
    places = [row["p50"] for row in ends]
    for _ in range(200):
        for i in range(1, len(places)):
            short = gap - (places[i - 1] - places[i])
            if short > 1e-9:
                places[i - 1] += short / 2
                places[i] -= short / 2
    over = max(places, default=0.0) - 1.02
    if over > 0:
        places = [y - over for y in places]
    return [
        {"label": r["label"], "new": r["new"], "p50": r["p50"], "at": top * 1.025, "y": y}
        for r, y in zip(ends, places, strict=True)
    ]


def _end_layers(look: Look, colour: Any) -> list[Any]:
    import altair as alt

    ends = alt.Chart(alt.NamedData("ends"))
    return [
        ends.mark_rule(strokeWidth=0.8, opacity=0.7, strokeDash=[1, 2]).encode(
            x="new:Q", x2="at:Q", y="p50:Q", y2="y:Q", color=colour
        ),
        ends.mark_text(align="left", dx=4, baseline="middle", color=look.ink, limit=260).encode(
            x="at:Q", y="y:Q", text="label:N"
        ),
    ]


def _plan_words(plan: Mapping[str, Any], show: Display) -> str:
    advice = plan.get("recommended")
    if not advice:
        return "Fresh share against new fluid used; there is nothing to show yet."
    fresh = advice["fresh"]
    return (
        f"Fresh share against new fluid used for {len(plan['methods'])} methods. Recommended: "
        f"{method_label(advice['method'])}, {advice['cycles']} cycles, "
        f"{show.volume(advice['new_fluid_l'] * 1e-3)} of new fluid, "
        f"{show.band(fresh['p05'], fresh['p50'], fresh['p95'])} fresh."
    )
