"""Texts that can be said again in the reader's units.

A complaint travels as a text from where it is made to whoever reads it. One that carries
quantities is a `Worded`: a text in metric units for whoever wants no more than that, which
a page can ask for again in the units of its reader.
"""

from __future__ import annotations

from collections.abc import Callable

from sumpwright.display import Display


class Worded(str):
    """A text in metric units that knows how to be said in others.

    Parameters
    ----------
    text : str
        In metric units.
    say : callable, optional
        Gives the text for a `Display`; without it the text is the same in all units, and
        only its decimal signs are the reader's.

    Examples
    --------
    >>> held = Worded("it holds 4.10 L", lambda show: f"it holds {show.volume(0.0041)}")
    >>> print(held), print(held.say(Display("us")))
    it holds 4.10 L
    it holds 4.33 US qt
    (None, None)
    """

    _say: Callable[[Display], str] | None

    def __new__(cls, text: str, say: Callable[[Display], str] | None = None) -> Worded:
        made = super().__new__(cls, text)
        made._say = say
        return made

    def say(self, display: Display) -> str:
        """Return the text in the units of a reader."""
        return str(self) if self._say is None else self._say(display)


def joined(between: str, *parts: str) -> Worded:
    """Join texts into one that can be said in other units where its parts can.

    Examples
    --------
    >>> held = Worded("4.10 L are in", lambda show: f"{show.volume(0.0041)} are in")
    >>> joined("; ", held, "drain less").say(Display("us"))
    '4.33 US qt are in; drain less'
    """

    def say(display: Display) -> str:
        return between.join(p.say(display) if isinstance(p, Worded) else p for p in parts)

    return Worded(between.join(parts), say)
