"""How the shell reads its words: a quantity may be two of them, and begin with a minus."""

from __future__ import annotations

import re
from collections.abc import Collection
from typing import Annotated, Any

import typer
from typer.core import TyperArgument, TyperCommand, TyperGroup, TyperOption

from sumpwright.errors import Complaint

QUANTITY = "QUANTITY"
"""Marks an option whose value is a number with its unit."""

MINUS = "\u2212"
"""The minus sign, which no parser of options takes for the beginning of one."""

_NEGATIVE = re.compile(r"-[.,]?\d")
_NUMBER = re.compile(r"[-+\u2212]?[\d.,/]+")
_UNIT = re.compile(r"[^\W\d_][\w.·*/^²³°]*|[°%µ\"][\w.]*")
_MORE_TO_COME = frozenset({"us", "imp", "imperial", "fl"})


class Group(TyperGroup):
    """A group of commands that, named alone, explains itself."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Show the help where no command is named."""
        if not args and not ctx.resilient_parsing:
            typer.echo(ctx.get_help())
            ctx.exit()
        return super().parse_args(ctx, args)


class _Several(TyperArgument):
    """An argument of several words: its name says so, and its type says nothing to a user."""

    def display_type_rich(self, ctx: Any) -> str | None:  # noqa: ARG002
        """Return nothing to show beside the name."""
        return None


class Words(TyperCommand):
    """A command whose last argument may be several words."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        for param in self.params:
            if isinstance(param, TyperArgument) and param.nargs == -1:
                param.__class__ = _Several


class Entry(Words):
    """A command that takes quantities as people write them."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Gather the words of each quantity before the options are read."""
        options = [p for p in self.params if isinstance(p, TyperOption) and not p.is_flag]
        quantities = {name for p in options if p.metavar == QUANTITY for name in p.opts}
        others = {name for p in options for name in p.opts} - quantities
        return super().parse_args(ctx, gather(args, quantities, others))


def gather(args: list[str], quantities: Collection[str], others: Collection[str]) -> list[str]:
    """Make one word of each option's quantity, and of a negative number no option.

    Parameters
    ----------
    args : list of str
        Words of a command line.
    quantities : collection of str
        Options that take a number with its unit.
    others : collection of str
        Other options that take a value.

    Returns
    -------
    list of str

    Examples
    --------
    >>> gather(["drain", "27", "N.m", "--target", "27", "N.m"], ["--target"], [])
    ['drain', '27', 'N.m', '--target=27 N.m']
    >>> gather(["-4.1", "L", "--by", "-1"], [], ["--by"])
    ['−4.1', 'L', '--by', '-1']
    """
    out: list[str] = []
    rest = list(args)
    while rest:
        word = rest.pop(0)
        name, has_value, value = word.partition("=")
        if word == "--":
            return [*out, word, *rest]
        if name in quantities and (has_value or rest):
            words = [value if has_value else rest.pop(0)]
            wants_unit = _NUMBER.fullmatch(words[0]) is not None
            while wants_unit and rest and _UNIT.fullmatch(rest[0]):
                words.append(rest.pop(0))
                wants_unit = words[-1].casefold() in _MORE_TO_COME
            out.append(f"{name}={' '.join(words)}")
        elif word in others:
            out += [word, *rest[:1]]
            del rest[:1]
        else:
            out.append(MINUS + word[1:] if _NEGATIVE.match(word) else word)
    return out


TakenFrom = Annotated[
    str,
    typer.Option(
        "--from",
        metavar="out|stream|sump",
        help="What it is a sample of: out, all that came out last, stirred; stream, the last of "
        "the stream; sump, what stands in it (dipstick, level opening).",
    ),
]


def place_in(text: str) -> str:
    """Read where a sample was taken from; empty when it is not said.

    Examples
    --------
    >>> place_in(" Sump ")
    'sump'
    """
    from sumpwright.planning.steps import TAKEN

    place = text.strip().casefold()
    if place and place not in TAKEN:
        raise Complaint(
            f"a sample is not taken from '{text.strip()[:40]}'",
            f"write {', '.join(list(TAKEN)[:-1])} or {list(TAKEN)[-1]}",
            "--from",
        )
    return place


def quantity(name: str, help: str) -> Any:
    """Return an option that takes a number with its unit, as one word or two."""
    return typer.Option(name, metavar=QUANTITY, help=help)
