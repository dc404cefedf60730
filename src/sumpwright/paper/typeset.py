"""Typesetting: data in as JSON, PDF out; no text of a user is ever read as markup."""

from __future__ import annotations

import json
import re
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from functools import cache
from importlib import resources
from typing import Any, Literal

from sumpwright.errors import Complaint

Paper = Literal["a4", "us-letter"]
PAPERS: tuple[Paper, ...] = ("a4", "us-letter")

_LONG = re.compile(r"[^\s\u200b\u2e80-\uffff]{25,}")
_HIDDEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufeff]")


def printable(text: str) -> str:
    """Make a text safe for a narrow column: no controls, and long words may break.

    Examples
    --------
    >>> printable("a" * 40).count(chr(0x200B))
    3
    >>> printable("4.1 L")
    '4.1 L'
    """
    clean = _HIDDEN.sub(" ", text.replace("\r\n", "\n"))
    return _LONG.sub(lambda m: re.sub(r"(.{12})(?=.)", "\\1\u200b", m[0]), clean)


def short(text: str, length: int = 48) -> str:
    """Cut a text to what fits a footer.

    Examples
    --------
    >>> short("Carrier 2"), short("a" * 60, 8)
    ('Carrier 2', 'aaaaaaa…')
    """
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"


def named(name: str, kind: str) -> str:
    """Name a system with its kind, unless that says the same.

    Examples
    --------
    >>> named("gearbox", "automatic"), named("engine", "Engine")
    ('gearbox, automatic', 'engine')
    """
    return name if not kind or kind.casefold() == name.casefold() else f"{name}, {kind}"


def _deep(value: Any) -> Any:
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, Mapping):
        return {key: _deep(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_deep(inner) for inner in value]
    return value


def typeset(
    template: str,
    data: Mapping[str, Any],
    *,
    paper: Paper = "a4",
    at: datetime,
    figure: str = "",
    comma: bool = False,
    files: Mapping[str, bytes] | None = None,
    options: Mapping[str, str] | None = None,
) -> bytes:
    """Set a template with data as a PDF.

    Parameters
    ----------
    template : str
        Name of a file in ``templates``.
    data : mapping
        Plain values; texts are shown as they are.
    paper : {'a4', 'us-letter'}
    at : datetime
        The date written into the PDF: the same data and date give the same bytes.
    figure : str
        SVG, where the template has one.
    comma : bool
        Whether the decimal sign of the texts is a comma.
    files : mapping, optional
        Further files by path, such as photographs.
    options : mapping, optional
        Further switches of the template.

    Returns
    -------
    bytes

    Raises
    ------
    Complaint
        If the paper is not known.
    """
    import typst

    whole: Any = {**_sources(template), **(files or {})}
    pdf: bytes = typst.compile(
        whole,
        sys_inputs=_inputs(data, paper, figure, comma, options or {}),
        timestamp=at.astimezone(UTC).replace(microsecond=0),
    )
    return pdf


def _sources(template: str) -> Any:
    """Return the files of a template in memory by name, which the library's types do not know."""
    folder = resources.files("sumpwright.paper") / "templates"
    return {
        "main.typ": (folder / template).read_bytes(),
        "common.typ": (folder / "common.typ").read_bytes(),
    }


def _inputs(
    data: Mapping[str, Any], paper: str, figure: str, comma: bool, options: Mapping[str, str]
) -> dict[str, str]:
    if paper not in PAPERS:
        raise Complaint(
            f"'{paper}' is not a paper size", f"choose from {', '.join(PAPERS)}", field="paper"
        )
    return {
        "data": json.dumps(_deep(data), ensure_ascii=False),
        "paper": paper,
        "figure": figure,
        "comma": "yes" if comma else "no",
        **options,
    }


def fitted(
    template: str,
    data: Mapping[str, Any],
    sizes: Sequence[float],
    *,
    paper: Paper = "a4",
    at: datetime,
    comma: bool = False,
) -> bytes:
    """Set a template in the largest type that keeps it on one page.

    Parameters
    ----------
    template : str
        A template that marks its last page as ``<pages>`` and reads ``size``.
    data : mapping
    sizes : sequence of float
        Sizes to try [pt], from large to small; where none fits, the largest that takes
        the fewest pages.
    paper : {'a4', 'us-letter'}
    at : datetime
    comma : bool
        Whether the decimal sign of the texts is a comma.

    Returns
    -------
    bytes
    """
    import typst

    whole = _sources(template)

    @cache
    def pages(size: float) -> int:
        inputs = _inputs(data, paper, "", comma, {"size": str(size)})
        return int(typst.query(whole, "<pages>", "value", True, sys_inputs=inputs))

    fewest = pages(sizes[-1])
    # Smaller type never takes more pages, so that the largest that fits can be bisected for.
    size = sizes[bisect_left(sizes, True, key=lambda size: pages(size) <= fewest)]
    return typeset(template, data, paper=paper, at=at, comma=comma, options={"size": str(size)})
