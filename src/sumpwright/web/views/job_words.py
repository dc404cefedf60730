"""Entries of a job in words, the steps called by their titles."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from sumpwright.planning.job_step import Step
from sumpwright.planning.step_texts import CONDITIONS, title_of
from sumpwright.records.chain import Event
from sumpwright.records.wording import describe, describe_among

if TYPE_CHECKING:
    from sumpwright.web.views.show import Show


class Words:
    """Puts entries into words.

    Parameters
    ----------
    steps : iterable of Step
    events : iterable of Event
        The log: an answer is told by the call that it answers.
    show : Show
    """

    def __init__(self, steps: Iterable[Step], events: Iterable[Event], show: Show) -> None:
        self._titles = {step.id: show.text(step.title.say(show.display)) for step in steps}
        self._by_id = {event.id: event for event in events}
        self._show = show

    def title(self, step: str) -> str:
        """Return the title of a step, or of a condition of one."""
        name, _, condition = step.partition("/")
        title = self._titles.get(name) or title_of(name)
        return f"{title}, {CONDITIONS[condition]}" if condition in CONDITIONS else title

    def say(self, event: Event) -> str:
        """Return one short line that says what an entry records."""
        body = event.body
        if event.kind == "did":
            return f"done: {self.title(body['step'])}"
        if event.kind == "overrode":
            names = "; ".join(self.title(step) for step in (body["step"], *body.get("also", ())))
            return f"went past: {names} ({body['reason']})"
        if event.kind == "signal":
            return f"called the {body['to']}: {body['instruction']}"
        if event.kind in ("reversed", "acknowledged"):
            return describe_among(event, self._by_id, self._show.display, self.say)
        return self._show.text(describe(event, self._show.display))
