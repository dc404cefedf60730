"""The level screen: what is read, when the window opens, what to do at the port."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sumpwright.physics.warmup import ENOUGH, Arrival, WarmupForecast
from sumpwright.planning.level_plan import (
    Basis,
    basis,
    expected_run_out,
    if_closed,
    per_kelvin,
    when_cold,
)
from sumpwright.planning.level_port import Freshness, decide, second_check
from sumpwright.web.views.level_curve import LevelFigure, level_figure
from sumpwright.web.watching import SHOWN, Look, Watching, forecast

if TYPE_CHECKING:
    from sumpwright.planning.job_step import Hold
    from sumpwright.planning.machine import Span
    from sumpwright.records.state import JobState
    from sumpwright.web.state import Web
    from sumpwright.web.views.show import Show

Floats = NDArray[np.float64]

SECOND = "recheck"
"""Step at which the level is looked at once more after the drive."""

_ENGINE = 2
"""Place of the engine among the conditions of fitting the plug."""

HAND_OLD = 3600.0
"""Age [s] beyond which a typed reading says nothing of a warm-up any more."""

ASKED: dict[str, tuple[str, str, str]] = {
    "window_low": ("window opens", "K", "Window opens at"),
    "window_high": ("window closes", "K", "Window closes at"),
    "density": ("density at 15 °C", "kg/m3", "Density of the fluid at 15 °C"),
    "lift": ("lifted by the pump", "m3", "What the pump lifts at the start"),
    "area": ("surface of the pan", "m2", "Surface of the pan at the port"),
    "offset": ("port from the middle", "m", "Port from the middle of the pan"),
}
"""What a hand may give for the job where the sheet is silent: reading, SI unit, label."""

STATE_WORDS: dict[Freshness, tuple[str, str]] = {
    "fresh": ("Current", "live"),
    "stale": ("Old reading", "wait"),
    "lost": ("Lost", "lost"),
    "waiting": ("No reading yet", "wait"),
}
_VERDICT_SIGNS = {
    "fit": "live",
    "wait": "hold",
    "ready": "live",
    "let run": "hold",
    "top up": "hold",
    "too hot": "stop",
    "no reading": "lost",
    "no window": "caution",
}


@dataclass(frozen=True)
class Heard:
    """What is known of the temperature at one moment.

    ``now`` is the present on the axis of ``seconds``; ``number`` grows with every reading.
    """

    state: Freshness
    kelvin: float | None
    age: float | None
    seconds: Floats
    temperatures: Floats
    now: float | None
    source: str = "by hand"
    kind: str = "hand"
    caution: str = ""
    raw: str = ""
    workings: str = ""
    refused: str = ""
    trouble: str = ""
    do: str = ""
    ended: bool = False
    number: int = 0


def heard(watching: Watching | None, state: JobState) -> Heard:
    """Return what a job's source says, or without one what was typed into its log."""
    return _watched(watching) if watching is not None else _typed(state)


def _watched(watching: Watching) -> Heard:
    status = watching.watch.status()
    recent = watching.watch.recent(SHOWN)
    last = status.last
    refused = ""
    if status.refused is not None:
        refused = f"{status.refused.raw}: not believed, {status.refused.doubt}"
    now = None
    if last is not None and status.age is not None and not watching.replay:
        now = last.seconds + status.age
    return Heard(
        state=status.state,
        kelvin=last.kelvin if last else None,
        age=status.age,
        seconds=np.array([r.seconds for r in recent]),
        temperatures=np.array([r.kelvin for r in recent]),
        now=now,
        source=watching.name,
        kind=watching.description.kind,
        caution=watching.watch.source.caution,
        raw=last.raw if last else "",
        workings=last.workings if last else "",
        refused=refused,
        trouble=status.trouble,
        do=status.do,
        ended=status.ended,
        number=status.count,
    )


def _typed(state: JobState) -> Heard:
    from sumpwright.link.hand import HAND_STALE_AFTER, Hand

    now = datetime.now(UTC).timestamp()
    rows = [(r.at.timestamp(), r.value) for r in state.readings.get("temperature", ())]
    # A phone whose clock is ahead has not read the future.
    rows = sorted((min(at, now), value) for at, value in rows if now - at < HAND_OLD)
    seconds = np.array([at for at, _ in rows])
    age = now - rows[-1][0] if rows else None
    freshness: Freshness = "waiting"
    if age is not None:
        freshness = "fresh" if age < HAND_STALE_AFTER else "stale"
    return Heard(
        state=freshness,
        kelvin=rows[-1][1] if rows else None,
        age=age,
        seconds=seconds,
        temperatures=np.array([value for _, value in rows]),
        now=now if rows else None,
        caution=Hand.caution,
        number=len(rows),
    )


def basis_of(state: JobState) -> Basis:
    """Return what is known for a job's level: its sheet, and what was given in its log."""
    assert state.system is not None
    given = {key: _latest(state, what) for key, (what, _, _) in ASKED.items()}
    window = None
    low, high = given.pop("window_low"), given.pop("window_high")
    if low is not None and high is not None and low < high:
        window = (low, high)
    fluids = state.sheet.fluids if state.sheet else ()
    return basis(state.system, fluids, window=window, **given)


def _latest(state: JobState, what: str) -> float | None:
    rows = state.readings.get(what)
    return rows[-1].value if rows else None


@dataclass(frozen=True)
class Fact:
    """A number of the screen, with its name and what is said beneath it.

    ``old`` when it was worked out from a reading that is not current.
    """

    key: str
    name: str
    value: str
    more: str = ""
    old: bool = False


@dataclass(frozen=True)
class ReasonView:
    """A condition of fitting the plug, with its sign."""

    met: bool | None
    text: str

    @property
    def sign(self) -> str:
        """Name of the drawn sign."""
        return "live" if self.met else "lost" if self.met is False else "ask"


@dataclass(frozen=True)
class LevelNow:
    """Everything on the screen that moves."""

    state: Freshness
    state_words: str
    state_sign: str
    number: str
    unit: str
    age: str
    verdict: str
    verdict_sign: str
    title: str
    advice: str
    reasons: tuple[ReasonView, ...]
    facts: tuple[Fact, ...]
    figure: LevelFigure
    heard: Heard
    cold: str
    look: Look
    broken: str = ""

    @property
    def beware(self) -> str:
        """What has to be known of the source beside every verdict, in a few words."""
        if self.heard.ended and self.heard.do:
            return f"{self.heard.trouble}; {self.heard.do}"
        if self.heard.kind == "hand":
            name = self.broken
            return f"The watch of {name} ended when the server stopped" if name else ""
        return self.heard.caution.partition(".")[0].partition(":")[0]


def level_now(
    web: Web, job: str, state: JobState, show: Show, watching: Watching | None = None
) -> LevelNow:
    """Return what the screen shows now.

    Parameters
    ----------
    web : Web
    job : str
    state : JobState
    show : Show
    watching : Watching, optional
        What is watched for the job.
    """
    known = basis_of(state)
    said = heard(watching, state)
    look = web.watches.look(job)
    flow, engine = (look.flow, look.engine) if look.fresh else ("", False)
    # what the job's own log says of the engine goes before a tick
    hold = engine_hold(web, state)
    stands = False if hold else engine or None
    decision = decide(known, said.state, said.kelvin, flow=flow, engine_as_manual=stands)
    reasons = [ReasonView(r.met, show.say(r.text)) for r in decision.reasons]
    if hold and len(reasons) > _ENGINE:
        reasons[_ENGINE] = ReasonView(False, f"by the log of this job: {show.say(hold.why)}")
    ahead = _ahead(said, known, watching)
    words, sign = STATE_WORDS[said.state]
    number = "–"
    if said.kelvin is not None:
        number, _, _ = show.temperature_fine(said.kelvin).partition(" ")
    broken = web.watches.broken_off(job) if state.open else None
    return LevelNow(
        broken=broken.name if broken else "",
        state=said.state,
        state_words="Recording ended" if said.ended else words,
        state_sign=sign,
        number=number,
        unit=show.unit("temperature"),
        age=_age(said.age),
        verdict=decision.verdict,
        verdict_sign=_VERDICT_SIGNS[decision.verdict],
        title=show.say(decision.title),
        advice=show.say(decision.advice),
        reasons=tuple(reasons),
        facts=_facts(known, said, ahead, show),
        figure=level_figure(
            said.seconds, said.temperatures, known.window, ahead, show, now=said.now
        ),
        heard=said,
        cold=_cold(known, said, state, show),
        look=look if look.fresh else Look(),
    )


def engine_hold(web: Web, state: JobState) -> Hold | None:
    """Return what keeps the level from being set as the engine stands by the job's log."""
    if SECOND in state.done or "level" in state.done or not state.open:
        return None
    run = web.working.runs.of(state, web.planner)
    step = run.step("level")
    held = run.holding(step) if step is not None else ()
    return next((hold for hold in held if hold.kind == "engine"), None)


def level_plain(now: LevelNow) -> dict[str, Any]:
    """Return what the screen shows as plain data; temperatures in K, ages in s."""
    return {
        "state": now.state,
        "kelvin": now.heard.kelvin,
        "age": now.heard.age,
        "source": now.heard.source,
        "caution": now.heard.caution,
        "verdict": now.verdict,
        "title": now.title,
        "advice": now.advice,
        "reasons": [{"met": reason.met, "says": reason.text} for reason in now.reasons],
        "facts": [
            {"key": fact.key, "name": fact.name, "value": fact.value, "more": fact.more}
            for fact in now.facts
        ],
    }


def _ahead(said: Heard, known: Basis, watching: Watching | None) -> WarmupForecast | None:
    if known.window is None or not said.seconds.size or said.state == "lost":
        return None
    if watching is not None:
        return watching.ahead(known.window, said.now)
    return forecast(said.seconds, said.temperatures, known.window, said.now)


def _age(age: float | None) -> str:
    if age is None:
        return ""
    if age < 1.5:
        return "just now"
    if age < 120.0:
        return f"{age:.0f} s ago"
    return f"{age / 60.0:.0f} min ago" if age < 5400.0 else f"{age / 3600.0:.0f} h ago"


def _facts(known: Basis, said: Heard, ahead: WarmupForecast | None, show: Show) -> tuple[Fact, ...]:
    if known.window is None:
        return ()
    opens, closes = known.window
    current = said.kelvin if said.state == "fresh" else None
    facts = [
        _end(
            "opens", f"Opens, {show.text(show.display.temperature_from(opens))}", opens, said, ahead
        ),
        _end(
            "closes",
            f"Closes, {show.text(show.display.temperature_to(closes))}",
            closes,
            said,
            ahead,
        ),
    ]
    inside = current is not None and opens <= current <= closes
    facts.append(
        Fact(
            "runout",
            "Still to run out" if inside else "Will run out",
            volumes(expected_run_out(known, current if inside else None), show),
            "until the window closes" if inside else "while the window is open",
        )
    )
    at = said.kelvin if said.kelvin is not None else opens
    rate = per_kelvin(known, at)
    facts.append(Fact("perkelvin", "Grows", *_rate(rate, show)))
    if current is None:
        facts.append(Fact("error", "If closed now", "–", "no current reading"))
    else:
        facts.append(_error(known, current, show))
    return tuple(facts)


def _end(key: str, name: str, at: float, said: Heard, ahead: WarmupForecast | None) -> Fact:
    """When one end of the window is reached.

    The verdict goes by the newest reading, so a forecast of a second ago may not contradict it.
    """
    opens = key == "opens"
    done = "open" if opens else "closed"
    if said.state == "fresh" and said.kelvin is not None:
        if said.kelvin >= at if opens else said.kelvin > at:
            return Fact(key, name, done, "by the reading")
        return Fact(key, name, *_when(ahead, _arrival(ahead, opens), done))
    text, more = _when(ahead, _arrival(ahead, opens), done)
    old = text != "–"
    return Fact(key, name, text, "by an old reading" if old else more, old)


def _arrival(ahead: WarmupForecast | None, opens: bool) -> Arrival | None:
    if ahead is None:
        return None
    return ahead.to_open if opens else ahead.to_close


def _rate(rate: Span, show: Show) -> tuple[str, str]:
    """Volume per degree of the reader's own scale."""
    degree = 1.0 / (
        show.display.number(1.0, "temperature") - show.display.number(0.0, "temperature")
    )
    low, high = (show.volume(v * degree) for v in (rate.low, rate.high))
    if not show.us:
        number = f"{rate.low * 1e6:.1f}"
        other = f"{rate.high * 1e6:.1f}"
        text = show.text(number if number == other else f"{number}–{other}")
        return f"{text} mL", "per kelvin"
    return (low if low == high else f"{low}–{high}"), f"per {show.unit('temperature')}"


def _error(known: Basis, kelvin: float, show: Show) -> Fact:
    off = if_closed(known, kelvin)
    if off.none:
        return Fact("error", "If closed now", "right", "inside the window")
    much = "too much" if off.volume.mid > 0.0 else "too little"
    more = much
    if off.height is not None:
        size = abs(off.height.mid)
        length = f"{size * 1e3:.1f} mm" if not show.us else show.length(size)
        more = f"{much}, {show.text(length)} at the port"
    return Fact("error", "If closed now", volumes(off.volume, show), more)


def volumes(span: Span, show: Show) -> str:
    """Write the size of a volume known within a range.

    Examples
    --------
    >>> from sumpwright.display import Display
    >>> from sumpwright.planning.machine import Span
    >>> from sumpwright.web.views.show import Show
    >>> volumes(Span(-6e-5, -5.5e-5), Show(Display()))
    '55–60 mL'
    """
    low, high = sorted((abs(span.low), abs(span.high)))
    return show.volumes(low, high)


def _when(ahead: WarmupForecast | None, arrival: Arrival | None, done: str) -> tuple[str, str]:
    if ahead is None:
        return "–", "no current reading"
    if arrival is None:
        left = max(ENOUGH - ahead.readings, 1)
        return "–", f"{left} more {'reading' if left == 1 else 'readings'} needed"
    if arrival.high == 0.0:
        return done, "by the reading"
    if arrival.median < 5.0:
        if not math.isfinite(arrival.high):
            return "about now", "or later"
        # a bound is rounded up: nothing comes within 0 s
        return "about now", f"within {minutes(10.0 * math.ceil(arrival.high / 10.0))}, 90 % sure"
    if not math.isfinite(arrival.median):
        return "not in sight", "it does not warm so far"
    return f"in {minutes(arrival.median)}", f"{_band(arrival)}, 90 % sure"


def _band(arrival: Arrival) -> str:
    low, high = minutes(arrival.low), minutes(arrival.high)
    if not math.isfinite(arrival.high):
        return f"{low} or later"
    if low == high:
        return low
    number, _, unit = low.partition(" ")
    return f"{number}–{high}" if high.endswith(f" {unit}") else f"{low}–{high}"


def minutes(seconds: float) -> str:
    """Write a time ahead as coarsely as it is known.

    Examples
    --------
    >>> minutes(42.0), minutes(200.0), minutes(5400.0)
    ('40 s', '3 min', '1 h 30 min')
    """
    if not math.isfinite(seconds):
        return "never"
    if seconds < 95.0:
        return f"{round(seconds / 10.0) * 10} s"
    whole = round(seconds / 60.0)
    if whole < 90:
        return f"{whole} min"
    return f"{whole // 60} h {whole % 60:02d} min"


def _cold(known: Basis, said: Heard, state: JobState, show: Show) -> str:
    if "test-drive" in state.done:
        return show.say(second_check(known, said.kelvin))
    if known.window is None or "start.level" in state.done:
        return ""
    # A machine that stood is as cold as the air about it, until its fluid is read.
    kelvin = said.kelvin if said.kelvin is not None else _latest(state, "ambient")
    if kelvin is None or kelvin >= known.window[0]:
        return ""
    return show.say(when_cold(known, kelvin).sentence)
