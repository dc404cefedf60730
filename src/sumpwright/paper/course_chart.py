"""The figure of a job: how the fresh share rose with the new fluid used."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sumpwright.display import Display
from sumpwright.paper.look import LIGHT, Look, configured
from sumpwright.planning.outcome import Quantiles
from sumpwright.planning.progress import Course
from sumpwright.records.state import Sample

Row = dict[str, Any]

_RELEASES = frozenset({"drain", "discharge", "exchange", "purge", "lose"})
_Z90 = 1.6448536269514722
_CURVE = 60


def course_rows(course: Course, display: Display | None = None) -> list[Row]:
    """Return the start of a job and its state at the end of each cycle.

    A cycle is whatever was released, with the refills that followed it; a release
    that has not been refilled yet has no row of its own.

    Parameters
    ----------
    course : Course
    display : Display, optional
        Unit of volume; metric if left out.

    Returns
    -------
    list of dict
        ``cycle``, ``new`` (new fluid used so far), ``least`` (what is in then with 95 %
        probability), ``p05``, ``p50``, ``p95``.

    Examples
    --------
    >>> from sumpwright.planning.machine import Span, WetSystem
    >>> from sumpwright.planning.progress import follow_job
    >>> from sumpwright.planning.steps import FluidStep
    >>> box = WetSystem("box", "axle", Span(2e-3, 2e-3))
    >>> steps = [FluidStep("drain", 1.8e-3), FluidStep("fill", 1.8e-3, batch="g")]
    >>> [row["cycle"] for row in course_rows(follow_job(box, steps))]
    [0, 1]
    """
    show = display or Display()
    least = _least(course.draws.circuit.capacity, course, show)
    none = dict.fromkeys(("p05", "p50", "p95"), 0.0)
    rows: list[Row] = [{"cycle": 0, "new": 0.0, "least": least, **none}]
    new, cycle, released = 0.0, 0, False
    for standing, trace in zip(course.standings, course.traces, strict=True):
        step = standing.step
        released = released or (step.kind in _RELEASES and not step.trial)
        if not step.batch:
            continue
        new += step.volume
        row = {
            "cycle": cycle + 1 if released else cycle,
            "new": show.number(new, "volume"),
            "least": _least(trace.total, course, show),
            **standing.fresh.to_json(),
        }
        if not released and len(rows) > 1:
            rows[-1] = row
        else:
            rows.append(row)
        if released:
            cycle, released = cycle + 1, False
    return rows


def _least(volume: NDArray[np.float64], course: Course, show: Display) -> float:
    # Through the inverse, of which the fresh share is a multiple, so that the two ends meet.
    return show.number(1.0 / Quantiles.of(1.0 / volume, course.weights).p95, "volume")


def sample_rows(
    course: Course,
    samples: Sequence[Sample],
    display: Display | None = None,
    left_out: Collection[str] = (),
) -> list[Row]:
    """Return the measured samples: fresh share in the vial, with its 90 % range.

    ``counts`` is whether the sample's entry is not among those left out.

    Examples
    --------
    >>> from sumpwright.planning.machine import Span, WetSystem
    >>> from sumpwright.planning.progress import follow_job
    >>> sample_rows(follow_job(WetSystem("box", "axle", Span(2e-3, 2e-3)), []), [])
    []
    """
    show = display or Display()
    used = np.concatenate(
        [[0.0], np.cumsum([s.step.volume if s.step.batch else 0.0 for s in course.standings])]
    )
    rows: list[Row] = []
    for sample in samples:
        if sample.old_share is None:
            continue
        fresh, error = 1.0 - sample.old_share, _Z90 * (sample.standard_error or 0.0)
        at = min(sample.after, len(used) - 1)
        rows.append(
            {
                "vial": sample.vial,
                "new": show.number(float(used[at]), "volume"),
                "fresh": fresh,
                "low": max(0.0, fresh - error),
                "high": min(1.0, fresh + error),
                "counts": sample.event not in left_out,
            }
        )
    return rows


def reference_rows(course: Course, top: float, display: Display | None = None) -> list[Row]:
    """Return two references: what no method can beat, and one well-mixed vessel.

    The bound is ``min(1, v/V)`` with a V that the capacity exceeds with 95 % probability,
    or what was in at the end of a cycle where one ended below the level, so that the upper
    end of the band cannot be above it; the vessel is ``1 - exp(-v/V)`` with the mean capacity.

    Parameters
    ----------
    course : Course
    top : float
        Largest volume v, in the unit shown.
    display : Display, optional

    Returns
    -------
    list of dict
        ``new``, ``bound``, ``mixed``.
    """
    show = display or Display()
    capacity = course.draws.circuit.capacity
    least = min(row["least"] for row in course_rows(course, show))
    mean = show.number(float(course.weights @ capacity), "volume")
    at = np.unique(np.append(np.linspace(0.0, top, _CURVE), min(least, top)))
    return [
        {
            "new": float(v),
            "bound": float(min(1.0, v / least)),
            "mixed": float(-np.expm1(-v / mean)),
        }
        for v in at
    ]


def course_chart(
    course: Course,
    target: float | None = None,
    samples: Sequence[Sample] = (),
    display: Display | None = None,
    look: Look = LIGHT,
    width: int = 560,
    height: int = 300,
    left_out: Collection[str] = (),
) -> Any:
    """Chart the course of one job: fresh share after each cycle against new fluid used.

    The median with its 5 to 95 % band, the target, the samples that were measured
    with their 90 % ranges, and two references: what no method can be above, and
    one well-mixed vessel.

    Parameters
    ----------
    course : Course
    target : float, optional
    samples : sequence of Sample
        Those without a measured share are left out.
    display : Display, optional
        Unit of volume; metric if left out.
    look : Look
    width, height : int
        Size of the plot [px].
    left_out : collection of str
        Entries of the samples that do not count in the estimate: drawn hollow.

    Returns
    -------
    altair.LayerChart

    Examples
    --------
    >>> from sumpwright.planning.machine import Span, WetSystem
    >>> from sumpwright.planning.progress import follow_job
    >>> chart = course_chart(follow_job(WetSystem("box", "axle", Span(2e-3, 2e-3)), []), 0.9)
    >>> [row["cycle"] for row in chart.to_dict()["datasets"]["course"]]
    [0]
    """
    import altair as alt

    from sumpwright.paper.charts import share_axis, target_layers, target_rows

    show = display or Display()
    rows = course_rows(course, show)
    capacity = show.number(float(course.weights @ course.draws.circuit.capacity), "volume")
    top = 1.06 * max(capacity, *(row["new"] for row in rows))
    vials = sample_rows(course, samples, show, left_out)
    references = reference_rows(course, top, show)
    x = alt.X(
        "new:Q",
        title=f"new fluid used, {show.unit('volume')}",
        scale=alt.Scale(domain=[0, top], nice=False),
        axis=alt.Axis(tickCount=min(8, width // 45)),
    )
    lines = alt.Chart(alt.NamedData("references"))
    points = alt.Chart(alt.NamedData("course"))
    layers = [
        lines.mark_line(strokeDash=[6, 4], strokeWidth=1.2, color=look.quiet).encode(
            x=x, y=share_axis("bound")
        ),
        lines.mark_line(strokeDash=[1, 3], strokeWidth=1.5, color=look.quiet).encode(
            x=x, y="mixed:Q"
        ),
        points.mark_area(opacity=0.22, color=look.accent).encode(x=x, y="p05:Q", y2="p95:Q"),
        *target_layers(look),
        points.mark_line(strokeWidth=2.6, color=look.accent).encode(x=x, y="p50:Q"),
        points.transform_filter("datum.cycle > 0")
        .mark_point(filled=True, size=64, opacity=1, color=look.accent)
        .encode(
            x=x,
            y="p50:Q",
            tooltip=[
                alt.Tooltip("cycle:Q", title="cycle"),
                alt.Tooltip("new:Q", title=f"new fluid, {show.unit('volume')}", format=".2f"),
                alt.Tooltip("p05:Q", title="5 % below", format=".1%"),
                alt.Tooltip("p50:Q", title="median", format=".1%"),
                alt.Tooltip("p95:Q", title="95 % below", format=".1%"),
            ],
        ),
        points.transform_filter("datum.cycle > 0")
        .mark_text(align="left", baseline="top", dx=5, dy=5, color=look.ink)
        .encode(x=x, y="p50:Q", text="cycle:Q"),
    ]
    datasets = {
        "course": rows,
        "references": references,
        "target": target_rows(target, show),
    }
    names = _names(rows, references, vials, top, height)
    datasets["names"] = names
    layers += _sample_layers(look) if vials else []
    if vials:
        datasets["samples"] = vials
    layers.append(
        alt.Chart(alt.NamedData("names"))
        .mark_text(align="left", baseline="middle", dx=6, limit=200, color=look.ink)
        .encode(x="at:Q", y="y:Q", text="label:N")
    )
    chart = alt.layer(*layers).properties(
        width=width, height=height, datasets=datasets, description=_words(rows, show)
    )
    return configured(chart, look)


def _sample_layers(look: Look) -> list[Any]:
    import altair as alt

    vials = alt.Chart(alt.NamedData("samples"))
    tips = [
        alt.Tooltip("vial:N", title="sample"),
        alt.Tooltip("fresh:Q", title="fresh in the sample", format=".1%"),
    ]
    return [
        layer
        for which, dash, filling in (("datum.counts", [1, 0], 1), ("!datum.counts", [2, 2], 0))
        for layer in (
            vials.transform_filter(which)
            .mark_rule(strokeWidth=1.4, strokeDash=dash, color=look.ink)
            .encode(x="new:Q", y="low:Q", y2="high:Q"),
            vials.transform_filter(which)
            .mark_point(
                shape="diamond",
                size=80,
                opacity=1,
                fill=look.colours[2],
                fillOpacity=filling,
                stroke=look.colours[2],
                strokeWidth=1.6,
            )
            .encode(x="new:Q", y="fresh:Q", tooltip=tips),
        )
    ]


def _names(
    rows: list[Row], references: list[Row], vials: list[Row], top: float, height: float
) -> list[Row]:
    """Name each line at its right end, from above to below, none above another."""
    from sumpwright.paper.charts import line_ends

    last = references[-1]
    ends = [
        {"label": "no method can be above", "new": top, "p50": last["bound"]},
        {"label": "one well-mixed vessel", "new": top, "p50": last["mixed"]},
    ]
    if len(rows) > 1:
        ends.append({"label": "this job, 5–95 %", "new": rows[-1]["new"], "p50": rows[-1]["p50"]})
    for counts, label in ((True, "◆ samples, 90 %"), (False, "◇ left out")):
        some = [vial for vial in vials if vial["counts"] is counts]
        if some:
            ends.append({"label": label, "new": some[-1]["new"], "p50": some[-1]["fresh"]})
    return line_ends(ends, top, height)


def _words(rows: list[Row], show: Display) -> str:
    last = rows[-1]
    if last["cycle"] == 0 and last["new"] == 0.0:
        return "Fresh share against new fluid used; no fluid has been changed yet."
    return (
        f"Fresh share against new fluid used, after {last['cycle']} cycles and {last['new']:.2f} "
        f"{show.unit('volume')}: {show.band(last['p05'], last['p50'], last['p95'])} fresh."
    )
