"""Complaints that have a status of their own."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar, TypeVar

from sumpwright.errors import Complaint
from sumpwright.web.views.show import Show

T = TypeVar("T")


class PageComplaint(Complaint):
    """A complaint that answers with its own status."""

    status: ClassVar[int] = 422


class NotHere(PageComplaint):
    """There is no such thing."""

    status = 404


class NotPaired(PageComplaint):
    """Nobody knows this device."""

    status = 401


class NotAllowed(PageComplaint):
    """The role of this device does not reach so far."""

    status = 403


class TooLarge(PageComplaint):
    """More was sent than is taken."""

    status = 413


class TooOften(PageComplaint):
    """Too many attempts; wait."""

    status = 429


def status_of(complaint: Complaint) -> int:
    """Return the HTTP status that a complaint answers with."""
    return complaint.status if isinstance(complaint, PageComplaint) else 422


def found(look_up: Callable[[], T]) -> T:
    """Look something up that the address names; what is not there is a 404.

    Raises
    ------
    NotHere
        When the look-up complains.
    """
    try:
        return look_up()
    except PageComplaint:
        raise
    except Complaint as complaint:
        raise NotHere(complaint.what, complaint.do, complaint.where, complaint.field) from complaint


def error_json(complaint: Complaint, show: Show) -> dict[str, dict[str, str]]:
    """Return a complaint as the API answers it, in the units of whoever asks.

    Examples
    --------
    >>> from sumpwright.display import Display
    >>> no_volume = Complaint("no volume", "give one", field="volume")
    >>> error_json(no_volume, Show(Display()))["error"]["field"]
    'volume'
    """
    return {
        "error": {
            "what": show.told(complaint.what),
            "do": show.told(complaint.do),
            "where": complaint.where,
            "field": complaint.field,
        }
    }
