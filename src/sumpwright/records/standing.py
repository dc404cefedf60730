"""How a job stands, for whoever shows it: shell, page, paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from sumpwright.display import Display
from sumpwright.errors import Complaint
from sumpwright.planning.advice import Advice, advise
from sumpwright.planning.belief import Belief, Doubt, Observation, settled, weigh
from sumpwright.planning.draws import DRAWS, Draws, draw
from sumpwright.planning.machine import Offer, WetSystem
from sumpwright.planning.methods import METHODS, Method, bottle
from sumpwright.planning.outcome import Quantiles, Wish
from sumpwright.planning.progress import JOB_DRAWS, Course, follow_job, method_named
from sumpwright.planning.vessel import as_read
from sumpwright.records.state import JobState, Sample


@dataclass(frozen=True)
class JobStanding:
    """A job's state with the estimate of its fluid and the advice on going on."""

    state: JobState
    course: Course
    method: Method
    wish: Wish
    bottle: float
    advice: Advice
    belief: Belief
    unweighed: Quantiles
    """Fresh share as the volumes alone give it."""

    @property
    def said_by_samples(self) -> str:
        """What the last sample says and what all did to the estimate; empty without one."""
        used, doubts = self.belief.used, self.belief.doubts
        weighed = [*used, *(doubt.observation for doubt in doubts)]
        told = [o for o in observations(self.state) if o in weighed]
        if not told:
            return ""
        last = told[-1]
        text = f"Sample {last.vial} says {_about(last.old_share, last.standard_error)} old"
        if last not in used:
            contradicts = any(d.contradicts for d in doubts if d.observation == last)
            text += f"{', which cannot be' if contradicts else ''}; it is left out"
        if not used:
            return f"{text}."
        count = "1 sample" if len(used) == 1 else f"{len(used)} samples"
        before, after = (_band(q) for q in (self.unweighed, self.course.fresh_quantiles))
        draws = self.course.draws.count
        return (
            f"{text}. With {count} the fresh share is {after}, from volumes alone {before}; "
            f"it rests on {self.belief.effective:.0f} of {draws} draws."
        )

    @property
    def left_out(self) -> dict[str, Doubt]:
        """Samples that do not count in the estimate, by the id of their entry, and why."""
        doubted = {doubt.observation: doubt for doubt in self.belief.doubts}
        seen = {
            s.event: observed(s, s.old_share) for s in self.state.samples if s.old_share is not None
        }
        return {event: doubted[what] for event, what in seen.items() if what in doubted}

    @property
    def counsel(self) -> str:
        """What the last sample says, and the advice on going on."""
        return f"{self.said_by_samples} {self.advice.sentence}".strip()

    @property
    def flags(self) -> list[str]:
        """What was accepted and should be looked at, each once, in metric units."""
        return self.flags_in(Display())

    def flags_in(self, display: Display) -> list[str]:
        """Return what was accepted and should be looked at, in the reader's units."""
        told = {flag.event for flag in self.state.flags}
        said = [flag.said.say(display) for flag in self.state.flags]
        said += [x.note for x in self.course.standings if x.note and x.step.event_id not in told]
        said += [doubt.sentence for doubt in self.belief.doubts]
        if not self.state.open and self.advice.refill:
            said.append("the job was closed below the level of the start: check the level")
        if not self.state.open and self.advice.excess:
            said.append("the job was closed above the level of the start: check the level")
        return said

    def to_json(self) -> dict[str, Any]:
        """Return the standing as plain data, volumes in litres."""
        s, c, a = self.state, self.course, self.advice
        b = s.balance
        level = c.standings[-1].level.to_json() if c.standings else None
        return {
            "job": s.job,
            "machine": s.machine,
            "machine_name": s.sheet.machine.name if s.sheet else None,
            "system": s.system_name,
            "method": self.method.name,
            "open": s.open,
            "cycles": s.cycles,
            "balance": {
                "out_l": _l(b.total_out),
                "in_l": _l(b.total_in),
                "lost_l": _l(b.lost),
                "net_l": _l(b.net),
                "out_by_kind_l": {k: _l(v) for k, v in b.out.items()},
                "in_by_kind_l": {k: _l(v) for k, v in b.put_in.items()},
            },
            "fresh": c.fresh_quantiles.to_json(),
            "by_batch": c.by_batch,
            "level_l": None if level is None else {k: _l(v) for k, v in level.items()},
            "probability": a.probability,
            "target": self.wish.target,
            "confidence": self.wish.confidence,
            "effective_draws": self.belief.effective,
            "samples": {
                "used": [o.vial for o in self.belief.used],
                "left_out": [d.observation.vial for d in self.belief.doubts],
                "sentence": self.said_by_samples,
                "fresh_from_volumes": self.unweighed.to_json(),
            },
            "advice": {
                "go_on": a.go_on,
                "sentence": a.sentence,
                "next_gain": a.next_gain,
                "next_cost": a.next_cost,
                "next_new_fluid_l": _l(a.next_volume),
                "refill_l": _l(a.refill),
                "excess_l": _l(a.excess),
            },
            "largest_safe_discharge_l": _l(c.draws.safe),
            "flags": self.flags,
        }


def _about(share: float, error: float) -> str:
    return f"{100 * share:.0f} % ± {100 * error:.0f} %"


def _band(fresh: Quantiles) -> str:
    low, high = (f"{100 * end:.0f}" for end in (fresh.p05, fresh.p95))
    return f"{high} %" if low == high else f"{low}–{high} %"


UNSAID_ERROR = 0.05
"""Standard error taken for a sample whose error was not said; common practice, no source."""


def observations(state: JobState) -> list[Observation]:
    """Return the measured samples of a job, for weighing its draws.

    Examples
    --------
    >>> observations(JobState())
    []
    """
    return [observed(s, s.old_share) for s in state.samples if s.old_share is not None]


def observed(sample: Sample, old_share: float) -> Observation:
    """Return a measured sample as the belief takes it."""
    error = sample.standard_error or UNSAID_ERROR
    return Observation(sample.vial, old_share, error, sample.after, sample.taken_from, sample.ran)


def _l(volume: float) -> float:
    return round(volume * 1e3, 6) + 0.0


def job_method(state: JobState) -> Method:
    """Return the method of a job; drain and refill where the log names none that is known."""
    try:
        return method_named(state.method)
    except KeyError:
        return METHODS[0]


def _ended(advice: Advice) -> Advice:
    """Return what is left to advise once no further cycle is to follow."""
    sentence = "No further cycle is planned."
    if advice.refill:
        sentence += " Fill what came out before the engine runs."
    elif advice.excess:
        sentence += " Let out what stands above the level before the engine runs."
    return replace(advice, go_on=False, sentence=sentence)


def job_standing(
    state: JobState, offers: Sequence[Offer] | None = None, draws: Draws | None = None
) -> JobStanding:
    """Work out where a job stands.

    Parameters
    ----------
    state : JobState
        The folded job.
    offers : sequence of Offer, optional
        Prices; those of the job's own sheet when left out.
    draws : Draws, optional
        Draws of the circuit, when they are at hand already.

    Returns
    -------
    JobStanding

    Raises
    ------
    Complaint
        If the job has not been opened on a system.
    """
    if state.system is None or state.sheet is None:
        raise Complaint("the job has no wet system", "start it on a machine of the yard")
    method = job_method(state)
    wish = Wish(
        target=state.target if state.target and state.target < 1 else 0.90,
        confidence=state.confidence if state.confidence and state.confidence < 1 else 0.90,
        worth_per_point=state.worth_per_point or None,
    )
    draws = draws or job_draws(state.system, begun=bool(state.fluid_steps))
    followed = follow_job(state.system, state.fluid_steps, draws)
    belief = weigh(followed, observations(state))
    course = settled(belief).course
    fluid = state.system.fluid or "new fluid"
    size = bottle(state.system, draws.safe)
    shelf = state.sheet.offers if offers is None else offers
    advice = advise(
        course, method, wish, size, fluid, shelf, _told_apart(state), state.sheet.currency
    )
    if state.stopped or state.level_set:
        advice = _ended(advice)
    return JobStanding(state, course, method, wish, size, advice, belief, followed.fresh_quantiles)


def job_draws(system: WetSystem, *, begun: bool) -> Draws:
    """Return the draws that a job is followed with: before it begins, those of its plan.

    From the first volume on they carry the error of the vessels, see
    `sumpwright.planning.vessel`.

    Examples
    --------
    >>> from sumpwright.planning.machine import Span
    >>> axle = WetSystem("axle", "axle", Span(2e-3, 2.2e-3))
    >>> job_draws(axle, begun=False).count, job_draws(axle, begun=True).count
    (4096, 1024)
    """
    return as_read(draw(system, JOB_DRAWS), JOB_DRAWS) if begun else draw(system, DRAWS)


def safe_discharge(state: JobState) -> float | None:
    """Return the largest safe discharge of a job [m³]; ``None`` where nothing runs past it.

    Examples
    --------
    >>> safe_discharge(JobState()) is None
    True
    """
    if state.system is None or job_method(state).pumped:
        return None
    return draw(state.system, JOB_DRAWS).safe


def _told_apart(state: JobState) -> bool | None:
    """Whether the last photographed sample could be told from the unused fluid."""
    told = [s for s in state.samples if s.cycle and s.told_from_new is not None]
    return max(told, key=lambda s: s.cycle).told_from_new if told else None
