"""A meter's readings made into one rising track, with what had to be kept out.

A meter is anything that only goes up: an odometer in m, an hour meter in s, the
thermal age in s. A reading that cannot be true is never dropped in silence: it is
kept out of the computation and handed back with the reason and what to do.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sumpwright.planning.clock import DAY, Moment, seconds
from sumpwright.planning.said import Said, said

Array = NDArray[np.float64]
Meter = Literal["distance", "hours", "thermal"]
Fault = Literal["future", "number", "twice", "falls", "too fast", "unit"]

NAMES: dict[Meter, str] = {
    "distance": "odometer",
    "hours": "hour meter",
    "thermal": "thermal age",
}
TOP_RATE: dict[Meter, float] = {"distance": 35.0, "hours": 1.05, "thermal": float("inf")}
"""Fastest mean rise between two readings: m/s day and night; an hour meter cannot
run faster than the clock (5 % is left for the times at which it was read)."""

UNIT_SLIPS: tuple[tuple[float, str], ...] = (
    (1.609344, "a mixture of miles and kilometres"),
    (10.0, "one digit too many or too few"),
    (1000.0, "a mixture of metres and kilometres"),
)
SLIP_ROOM = 0.5
"""A slip is named only when its readings leave less room than this share of the correction:
in a wide gap almost any number would land somewhere."""
SLIP_PACE = 2.0
"""At either end, a corrected reading may be this many times the fastest stretch away."""
SLIP_SHARE = 0.3
"""A last reading is doubted only when the newest stretch is at least this share of it."""
SLIP_RATE = 3.0
"""… and rises this many times faster than any stretch before."""


@dataclass(frozen=True)
class Reading:
    """A meter read on a day: ``value`` in m or s; ``sure`` when the user confirmed it."""

    when: Moment
    value: float
    sure: bool = False


@dataclass(frozen=True)
class Replacement:
    """A meter replaced: what the old one showed last and the new one first."""

    when: Moment
    old: float | None = None
    new: float = 0.0


@dataclass(frozen=True)
class KeptOut:
    """A reading that takes no part, and why.

    ``index`` is its place in what was given; ``against`` that of the only reading which
    contradicts it, where it cannot be told which of the two is wrong.
    """

    index: int
    reading: Reading
    fault: Fault
    why: Said
    against: int | None = None


@dataclass(frozen=True)
class Track:
    """Readings in order of time, as totals that replaced meters do not break.

    Parameters
    ----------
    meter : str
        Which meter.
    times : ndarray, shape (n,)
        s since 1970, rising.
    totals : ndarray, shape (n,)
        m or s since the first meter's zero, never falling.
    shown : ndarray, shape (n,)
        What the meter itself showed.
    kept_out : tuple of KeptOut
        Readings that take no part.
    notes : tuple of Said
        What was assumed, and what to look at.
    """

    meter: Meter
    times: Array
    totals: Array
    shown: Array
    kept_out: tuple[KeptOut, ...] = ()
    notes: tuple[Said, ...] = ()

    def __len__(self) -> int:
        return len(self.times)

    def at(self, time: float) -> float:
        """Total at a moment within the readings; NaN outside them.

        Examples
        --------
        >>> track = make_track([Reading(date(2025, 1, 1), 0.0), Reading(date(2025, 1, 3), 2e5)])
        >>> track.at(seconds(date(2025, 1, 2)))
        100000.0
        """
        if not len(self) or not self.times[0] <= time <= self.times[-1]:
            return float("nan")
        return float(np.interp(time, self.times, self.totals))

    def total_of(self, when: Moment, value: float) -> float:
        """Turn what the meter showed on a day into a total."""
        moment = seconds(when)
        if not len(self):
            return value
        k = max(0, int(np.searchsorted(self.times, moment, side="right")) - 1)
        return value + float(self.totals[k] - self.shown[k])


def make_track(
    readings: Sequence[Reading],
    replacements: Sequence[Replacement] = (),
    now: Moment | None = None,
    meter: Meter = "distance",
) -> Track:
    """Sort, check and join the readings of a meter.

    Of readings that contradict each other the largest set that never falls is used
    (longest non-falling subsequence; of two such sets the one that ends lower, which
    trusts the newest reading); the rest is kept out.

    Parameters
    ----------
    readings : sequence of Reading
        In any order; values in m or s.
    replacements : sequence of Replacement
        Where the old meter's last value is not known, its last reading stands in.
    now : date, datetime or float, optional
        Readings after the end of this day are kept out.
    meter : {'distance', 'hours', 'thermal'}
        What is read.

    Returns
    -------
    Track
        The readings used, as totals, and the readings kept out.

    Examples
    --------
    >>> fell = [Reading(date(2025, 1, 1), 9e7), Reading(date(2025, 2, 1), 9.1e7),
    ...         Reading(date(2025, 3, 1), 9.5e6), Reading(date(2025, 4, 1), 9.3e7)]
    >>> track = make_track(fell)
    >>> len(track), track.kept_out[0].fault
    (3, 'falls')
    """
    out: list[KeptOut] = []
    notes: list[Said] = []
    good = _screen(readings, now, meter, out)
    pieces = _split(good, sorted(replacements, key=lambda r: seconds(r.when)))
    times: list[float] = []
    totals: list[float] = []
    shown: list[float] = []
    offset = 0.0
    for number, (piece, change) in enumerate(pieces):
        used = _rising(piece, out, meter)
        if number == len(pieces) - 1:
            used = _doubt_last(used, out, meter)
        if change is not None:
            offset += _joint(change, shown, notes, meter)
        times += [seconds(reading.when) for _, reading in used]
        totals += [reading.value + offset for _, reading in used]
        shown += [reading.value for _, reading in used]
    track = Track(
        meter,
        np.array(times, dtype=np.float64),
        np.array(totals, dtype=np.float64),
        np.array(shown, dtype=np.float64),
        tuple(sorted(out, key=lambda k: k.index)),
        tuple(notes),
    )
    return _drop_joints_that_fall(track)


Numbered = tuple[int, Reading]


def _screen(
    readings: Sequence[Reading],
    now: Moment | None,
    meter: Meter,
    out: list[KeptOut],
) -> list[Numbered]:
    name = NAMES[meter]
    whole_day = isinstance(now, date) and not isinstance(now, datetime)
    end = float("inf") if now is None else seconds(now) + (DAY - 1e-3 if whole_day else 0.0)
    seen: dict[tuple[float, float], int] = {}
    good: list[Numbered] = []
    for index, reading in enumerate(readings):
        moment, value = seconds(reading.when), float(reading.value)
        if not np.isfinite(value) or value < 0:
            why = said(
                f"the {name} reading of {{day:date}} is not a number at or above zero; correct it",
                day=moment,
            )
            out.append(KeptOut(index, reading, "number", why))
        elif moment > end:
            why = said(
                f"the {name} reading of {{day:date}} lies in the future; correct its date",
                day=moment,
            )
            out.append(KeptOut(index, reading, "future", why))
        elif (moment, value) in seen:
            why = said(
                f"the {name} reading of {{day:date}} is there twice; one is used", day=moment
            )
            out.append(KeptOut(index, reading, "twice", why))
        else:
            seen[moment, value] = index
            good.append((index, reading))
    return sorted(good, key=lambda pair: (seconds(pair[1].when), pair[1].value))


def _split(
    good: list[Numbered], changes: list[Replacement]
) -> list[tuple[list[Numbered], Replacement | None]]:
    """Give each meter its readings; on the day of the change the lower one is the new meter's."""
    pieces: list[tuple[list[Numbered], Replacement | None]] = []
    rest, previous = good, None
    for change in changes:
        moment = seconds(change.when)
        before = [p for p in rest if seconds(p[1].when) < moment]
        top = change.old if change.old is not None else (before[-1][1].value if before else None)
        same_day = [p for p in rest if seconds(p[1].when) == moment]
        old_too = [
            p for p in same_day if top is not None and p[1].value >= 0.5 * (top + change.new)
        ]
        pieces.append((before + old_too, previous))
        taken = {p[0] for p in before + old_too}
        rest = [p for p in rest if p[0] not in taken]
        previous = change
    pieces.append((rest, previous))
    return pieces


def _joint(change: Replacement, shown: list[float], notes: list[Said], meter: Meter) -> float:
    if change.old is not None:
        return change.old - change.new
    last = shown[-1] if shown else 0.0
    notes.append(
        said(
            f"the {NAMES[meter]} was replaced on {{day:date}} and its last value is not known; "
            f"{{value:{_kind(meter)}}}, the last reading, stands in",
            day=seconds(change.when),
            value=last,
        )
    )
    return last - change.new


def _kind(meter: Meter) -> str:
    return "distance" if meter == "distance" else "hours"


def _rising(piece: list[Numbered], out: list[KeptOut], meter: Meter) -> list[Numbered]:
    """Return the longest non-falling run of readings that also respects the top rate."""
    keep = _longest([reading.value for _, reading in piece])
    kept = [pair for number, pair in enumerate(piece) if number in keep]
    for number, (index, reading) in enumerate(piece):
        if number not in keep:
            out.append(_fallen(index, reading, kept, meter))
    top, used = TOP_RATE[meter], kept[:1]
    for index, reading in kept[1:]:
        last = used[-1][1]
        span = max(seconds(reading.when) - seconds(last.when), 0.0) + DAY
        if reading.value - last.value > top * span and not reading.sure:
            why = said(
                f"the {NAMES[meter]} reading of {{day:date}} is {{rise:{_kind(meter)}}} above the "
                "one before, more than any machine can do in that time; correct or confirm it",
                day=seconds(reading.when),
                rise=reading.value - last.value,
            )
            out.append(KeptOut(index, reading, "too fast", why))
        else:
            used.append((index, reading))
    return used


def _longest(values: list[float]) -> set[int]:
    """Places of a longest non-falling subsequence (patience sorting)."""
    tails: list[float] = []
    at: list[int] = []
    before: list[int] = []
    for i, value in enumerate(values):
        k = bisect_right(tails, value)
        before.append(at[k - 1] if k else -1)
        if k == len(tails):
            tails.append(value)
            at.append(i)
        else:
            tails[k], at[k] = value, i
    keep: set[int] = set()
    i = at[-1] if at else -1
    while i >= 0:
        keep.add(i)
        i = before[i]
    return keep


def _fallen(index: int, reading: Reading, kept: list[Numbered], meter: Meter) -> KeptOut:
    """Say why a reading is not part of the rising run."""
    moment = seconds(reading.when)
    head = (
        f"the {NAMES[meter]} reading of {{day:date}}, {{value:{_kind(meter)}}}, "
        "does not fit between its neighbours"
    )
    slip = _slip(reading, kept) if meter == "distance" else ""
    if slip:
        tail = f"; it would fit if this is {slip}: correct it"
        why = said(head + tail, day=moment, value=reading.value)
        return KeptOut(index, reading, "unit", why)
    tail = "; correct it, or enter the day on which the meter was replaced"
    others = [
        pair
        for pair in kept
        if (seconds(pair[1].when) < moment and pair[1].value > reading.value)
        or (seconds(pair[1].when) > moment and pair[1].value < reading.value)
    ]
    if len(others) != 1:
        return KeptOut(index, reading, "falls", said(head + tail, day=moment, value=reading.value))
    # The run would be as long with this reading in the place of the other.
    ((place, other),) = others
    first, then = sorted((reading, other), key=lambda r: (seconds(r.when), -r.value))
    kind = _kind(meter)
    why = said(
        f"the {NAMES[meter]} falls from {{high:{kind}}} on {{first:date}} to {{low:{kind}}} on "
        f"{{then:date}}, and which of the two is wrong cannot be told{tail}",
        high=first.value,
        first=seconds(first.when),
        low=then.value,
        then=seconds(then.when),
    )
    return KeptOut(index, reading, "falls", why, place)


def _slip(reading: Reading, kept: list[Numbered]) -> str:
    """Name the slip after whose correction a reading is in line with both its neighbours.

    The first and the last reading have one neighbour; the pace of the others then says
    how far away they may be, and three digits too many or too few are no explanation.
    """
    moment = seconds(reading.when)
    before = [r for _, r in kept if seconds(r.when) <= moment]
    after = [r for _, r in kept if seconds(r.when) >= moment]
    pace = SLIP_PACE * _fastest([r for _, r in kept])
    low = before[-1].value if before else after[0].value - pace * _span(reading, after[0])
    high = after[0].value if after else before[-1].value + pace * _span(before[-1], reading)
    for factor, what in UNIT_SLIPS:
        if factor == 1000 and not (before and after):
            continue
        for value in (reading.value * factor, reading.value / factor):
            narrow = high - low <= SLIP_ROOM * abs(value - reading.value)
            if low <= value <= high and narrow:
                return what
    return ""


def _span(first: Reading, then: Reading) -> float:
    return max(seconds(then.when) - seconds(first.when), DAY)


def _fastest(readings: Sequence[Reading]) -> float:
    """Steepest stretch between readings in order, m/s; none for a single reading."""
    return max(((b.value - a.value) / _span(a, b) for a, b in pairwise(readings)), default=0.0)


def _doubt_last(used: list[Numbered], out: list[KeptOut], meter: Meter) -> list[Numbered]:
    """Hold back a last reading that leaps and that a slip of the unit would explain."""
    if len(used) < 4 or used[-1][1].sure or meter != "distance":
        return used
    last, newest = used[-2][1], used[-1][1]
    fastest = _fastest([reading for _, reading in used[:-1]])
    span = _span(last, newest)
    rise = newest.value - last.value
    if rise < SLIP_SHARE * newest.value or rise < SLIP_RATE * fastest * span:
        return used
    for factor, what in UNIT_SLIPS:
        smaller = newest.value / factor
        if last.value <= smaller <= last.value + fastest * span:
            why = said(
                f"the {NAMES[meter]} reading of {{day:date}} leaps by {{rise:{_kind(meter)}}}; "
                f"it would fit if this is {what}: correct it, or confirm it",
                day=seconds(newest.when),
                rise=rise,
            )
            out.append(KeptOut(used[-1][0], newest, "unit", why))
            return used[:-1]
    return used


def _drop_joints_that_fall(track: Track) -> Track:
    """Lift totals over a replacement whose last value was below a reading taken before it."""
    level = np.maximum.accumulate(track.totals) if len(track) else track.totals
    if np.array_equal(level, track.totals):
        return track
    note = said("a replaced meter was given a last value below its last reading; check it")
    return Track(track.meter, track.times, level, track.shown, track.kept_out, (*track.notes, note))
