"""The one kind of error that a user is meant to read."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass
class Complaint(Exception):  # noqa: N818
    """Something the user can put right.

    Parameters
    ----------
    what : str
        What is wrong, in one sentence; a `Worded` where it carries quantities.
    do : str
        What to do about it, in one sentence; likewise.
    where : str
        File, line and key, or the field of a form; empty when there is none.
    field : str
        Name of the field or key, for a form that shows the complaint beside it.

    Examples
    --------
    >>> str(Complaint("a drain of -1 L", "give a volume above zero", "sheet.toml:7: system.drain"))
    'sheet.toml:7: system.drain: a drain of -1 L; give a volume above zero'
    """

    what: str
    do: str = ""
    where: str = ""
    field: str = ""

    def __post_init__(self) -> None:
        # What was typed or read may be quoted here, and a terminal obeys some characters.
        for name in ("what", "do", "where", "field"):
            if not getattr(self, name).isprintable():
                setattr(self, name, printable(getattr(self, name)))
        super().__init__(str(self))

    def __str__(self) -> str:
        head = f"{self.where}: " if self.where else ""
        tail = f"; {self.do}" if self.do else ""
        return f"{head}{self.what}{tail}"


def printable(text: str) -> str:
    """Return a text in which what cannot be printed is a question mark.

    Examples
    --------
    >>> printable("\x1b[31mred")
    '?[31mred'
    """
    return "".join(c if c.isprintable() else "?" for c in text)
