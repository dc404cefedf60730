"""Complaints of a form: each beside its field, and all of them at the top."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from sumpwright.errors import Complaint
from sumpwright.web.views.show import Show


@dataclass(frozen=True)
class Wrong:
    """One complaint; ``shown`` is whether the form has a field of that name."""

    field: str
    label: str
    what: str
    do: str
    shown: bool = True


class Complaints:
    """What is wrong with a form.

    Parameters
    ----------
    items : iterable of Wrong

    Examples
    --------
    >>> wrong = Complaints.of(Complaint("no name", "give one", field="name"), {"name": "Name"})
    >>> wrong.any, wrong.at("name").what, wrong.items[0].label
    (True, 'no name', 'Name')
    """

    def __init__(self, items: Iterable[Wrong] = ()) -> None:
        self.items = tuple(items)

    @property
    def any(self) -> bool:
        """Whether anything is wrong."""
        return bool(self.items)

    def at(self, field: str) -> Wrong | None:
        """Return what is wrong with a field."""
        return next((item for item in self.items if item.field == field and item.shown), None)

    def without_missing(self, typed: Mapping[str, str]) -> Complaints:
        """Leave out fields that nobody has reached yet."""
        return Complaints(item for item in self.items if typed.get(item.field, "").strip())

    def shown(self, show: Show) -> Complaints:
        """Say them in the units of a reader."""
        return Complaints(
            replace(item, what=show.told(item.what), do=show.told(item.do)) for item in self.items
        )

    def __add__(self, other: Complaints) -> Complaints:
        return Complaints((*self.items, *other.items))

    @staticmethod
    def of(complaint: Complaint, labels: Mapping[str, str] | None = None) -> Complaints:
        """Return the complaints of a form that gave one.

        Parameters
        ----------
        complaint : Complaint
        labels : mapping, optional
            What each field of the form is called; without it every field is taken to be
            shown, under its own name.
        """
        field = complaint.field
        label = field.replace("_", " ") if labels is None else labels.get(field, "")
        shown = bool(field) and (labels is None or field in labels)
        return Complaints(
            [Wrong(field, label[:1].upper() + label[1:], complaint.what, complaint.do, shown)]
        )
