"""What the age ledger says: the effect of a service, and bars for a figure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from sumpwright.planning.ledger import (
    NOTHING,
    Array,
    Batch,
    Ledger,
    Measure,
    Point,
    Step,
    births_of,
    mean_birth,
    share_older,
    shares_of,
)
from sumpwright.planning.said import Said, said


@dataclass(frozen=True)
class Effect:
    """What a service really did, on one scale of age.

    Parameters
    ----------
    step : Step
        The service.
    fresh : float
        Share of the fluid that is new after it.
    mean_before, mean_after : float
        Mean age, s or m; NaN where it is not known.
    older_before, older_after : float
        Share older than the limit; NaN without one.
    says : tuple of Said
        The same in words.
    """

    step: Step
    fresh: float
    mean_before: float
    mean_after: float
    older_before: float
    older_after: float
    says: tuple[Said, ...]


def effect(
    book: Ledger, index: int, measure: Measure = "distance", limit: float | None = None
) -> Effect:
    """Say what the service of a step really did.

    Parameters
    ----------
    book : Ledger
    index : int
        Which step, as in `Ledger.steps`; negative counts from the last.
    measure : {'time', 'distance', 'hours', 'thermal'}
        Scale of age; `time` is taken where the births are not known on it.
    limit : float, optional
        Interval on that scale, m or s.

    Returns
    -------
    Effect

    Examples
    --------
    >>> from datetime import date
    >>> from sumpwright.planning.ledger import Happening, keep
    >>> book = keep(0.009, [Happening(date(2015, 1, 1), "filled", distance=0.0),
    ...                     Happening(date(2020, 1, 1), "changed", 0.0036, distance=8e7)])
    >>> for line in effect(book, -1, limit=6e7).says: print(line)
    3.60 L went in, 40 % of the fluid.
    Its mean age fell from 80 000 km to 48 000 km, as if all of it had been changed 48 000 km ago.
    60 % of it is still older than 60 000 km; before, it was 100 %.
    """
    step = book.steps[index]
    batches = book.batches
    before, after = shares_of(step.before), shares_of(step.after)
    scale = measure
    if math.isnan(mean_birth(after, births_of(batches[: len(after)], measure))):
        scale, limit = "time", limit if measure == "time" else None
    now = step.point.on(scale)
    born = births_of(batches[: len(after)], scale)
    mean_before = now - mean_birth(before, born[: len(before)])
    mean_after = now - mean_birth(after, born)
    older = (math.nan, math.nan)
    if limit is not None:
        older = (
            share_older(before, now - born[: len(before)], limit),
            share_older(after, now - born, limit),
        )
    fresh = float(after[-1]) if len(after) > len(before) else 0.0
    says = (
        *_volume_words(step, fresh, book.capacity),
        *_age_words(book, step, fresh, scale, (mean_before, mean_after), older, limit),
        *step.notes,
    )
    return Effect(step, fresh, mean_before, mean_after, *older, says)


def _volume_words(step: Step, fresh: float, capacity: float) -> tuple[Said, ...]:
    """Say what went in as it was told or logged, and what of it stayed."""
    happening = step.happening
    if happening.what == "lost":
        lost = float(step.before.sum() - step.after.sum())
        return (said("{volume:volume} was lost; what is left is as old as it was.", volume=lost),)
    stayed = float(step.after[-1])
    told = happening.volume if happening.put_in is None else happening.put_in
    if told is None and happening.what == "filled":
        text = "It was filled; the volume was not told, so the capacity of {v:volume} is assumed."
        return (said(text, v=capacity),)
    if told is None:
        text = "{f:share} of the fluid was changed, as told; the volume was not told."
        return (said(text, f=fresh),)
    if math.isclose(told, stayed, rel_tol=0.005):
        return (said("{v:volume} went in, {f:share} of the fluid.", v=told, f=fresh),)
    if told < stayed:
        # The fresh share of a job is an estimate, which knows the capacity as a range.
        text = "{v:volume} went in; {f:share} of the fluid is new, by the estimate of the job."
        return (said(text, v=told, f=fresh),)
    text = "{v:volume} went in; {stayed:volume} of it stayed, {f:share} of the fluid."
    return (said(text, v=told, stayed=stayed, f=fresh),)


def _age_words(
    book: Ledger,
    step: Step,
    fresh: float,
    scale: Measure,
    means: tuple[float, float],
    older: tuple[float, float],
    limit: float | None,
) -> list[Said]:
    if step.happening.what == "lost":
        return []
    before, after = means
    least = _has_unknown(book, step.before)
    still = "at least " if least and _has_unknown(book, step.after) else ""
    least_word = "at least " if least else ""
    says: list[Said] = []
    if before <= 0 or (least and math.isnan(before)):
        if fresh < 1:
            says.append(said("How old the rest of it is, is not known."))
    elif not math.isnan(before):
        text = f"Its mean age fell from {least_word}{{before:{scale}}} to {still}{{after:{scale}}}"
        if after > 0:
            text += f", as if all of it had been changed {still}{{after:{scale}}} ago"
        says.append(said(f"{text}.", before=before, after=after))
    if older[0] >= 1 - NOTHING:
        # What is older than the limit already is so whatever its age really is.
        still = least_word = ""
    # "At least nothing" says nothing.
    if limit is not None and not math.isnan(older[0]) and not (least and older[0] <= 0):
        says.append(
            said(
                f"{still.capitalize()}{{after:share}} of it is still older than "
                f"{{limit:{scale}}}; before, it was {least_word}{{before:share}}.",
                after=older[1],
                before=older[0],
                limit=limit,
            )
        )
    return says


def _has_unknown(book: Ledger, volumes: Array) -> bool:
    """Whether a part of the fluid may be older than the books know."""
    shares = shares_of(volumes)
    return any(
        batch.at_least and share > NOTHING
        for batch, share in zip(book.batches, shares, strict=False)
    )


@dataclass(frozen=True)
class Bar:
    """One piece of a stacked bar: a batch at one moment of the history.

    ``age`` is the batch's age on the scale asked for, ``age_class`` the number of the
    band that it falls in.
    """

    moment: float
    stage: Literal["before", "after", "now"]
    batch: str
    fluid: str
    born: float
    at_least: bool
    age: float
    age_class: int
    volume: float
    share: float


def bars(
    book: Ledger,
    now: Point | None = None,
    measure: Measure = "time",
    bands: Sequence[float] = (),
) -> list[Bar]:
    """Return the composition before and after every step, and now, piece by piece.

    Parameters
    ----------
    book : Ledger
    now : Point, optional
        A last bar for this moment.
    measure : {'time', 'distance', 'hours', 'thermal'}
        Scale of the ages.
    bands : sequence of float
        Edges between age classes, rising, s or m.

    Returns
    -------
    list of Bar
        Oldest batch first within each bar; the shares of a bar sum to 1.

    Examples
    --------
    >>> from datetime import date
    >>> from sumpwright.planning.ledger import Happening, keep
    >>> book = keep(0.009, [Happening(date(2015, 1, 1), "filled"),
    ...                     Happening(date(2020, 1, 1), "changed", 0.0036)])
    >>> [(bar.stage, bar.batch, round(bar.share, 2)) for bar in bars(book)][-2:]
    [('after', '2015-01-01', 0.6), ('after', '2020-01-01', 0.4)]
    """
    out: list[Bar] = []
    for step in book.steps:
        for stage, volumes in (("before", step.before), ("after", step.after)):
            moment = step.point
            for batch, volume, share in zip(
                book.batches, volumes, shares_of(volumes), strict=False
            ):
                if share > NOTHING:
                    out.append(_bar(batch, volume, share, moment, stage, measure, bands))
    if now is not None:
        for batch, volume, share in zip(book.batches, book.volumes, book.shares, strict=True):
            if share > NOTHING:
                out.append(_bar(batch, volume, share, now, "now", measure, bands))
    return out


def _bar(
    batch: Batch,
    volume: float,
    share: float,
    moment: Point,
    stage: str,
    measure: Measure,
    bands: Sequence[float],
) -> Bar:
    age = moment.on(measure) - batch.born.on(measure)
    stages: dict[str, Literal["before", "after", "now"]] = {
        "before": "before",
        "after": "after",
        "now": "now",
    }
    return Bar(
        moment.time,
        stages[stage],
        batch.name,
        batch.fluid,
        batch.born.time,
        batch.at_least,
        age,
        sum(age >= edge for edge in bands),
        float(volume),
        float(share),
    )


def last_change(book: Ledger) -> int | None:
    """Place of the last step that put new fluid in, top-ups aside; ``None`` without one."""
    for index in range(len(book.steps) - 1, -1, -1):
        if book.steps[index].happening.what in ("changed", "filled"):
            return index
    return None
