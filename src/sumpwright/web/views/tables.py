"""Tables on their way in: shown first, kept in hand until the user says so."""

from __future__ import annotations

import secrets
import threading
import time
from collections import OrderedDict
from dataclasses import dataclass, field

from sumpwright.errors import Complaint
from sumpwright.records.taking import Sort

SORT_WORDS: dict[Sort, str] = {
    "readings": "Readings of odometers and hour meters",
    "services": "Past services",
    "reports": "Reports of a laboratory",
    "machines": "Machines",
}
MOST_HELD = 16
SECONDS = 1800.0
"""How long a file is held while its preview is looked at."""


@dataclass(frozen=True)
class Held:
    """A file that was shown and not kept yet."""

    sort: Sort
    data: bytes
    name: str
    machine: str
    system: str
    who: str
    at: float


@dataclass
class Waiting:
    """The files whose previews are being looked at.

    Examples
    --------
    >>> waiting = Waiting()
    >>> key = waiting.hold("readings", b"date", "a.csv", "", "", "ines")
    >>> waiting.take(key, "ines").name
    'a.csv'
    """

    _held: OrderedDict[str, Held] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def hold(self, sort: Sort, data: bytes, name: str, machine: str, system: str, who: str) -> str:
        """Hold a file and return the key under which it can be taken in."""
        key = secrets.token_urlsafe(18)
        with self._lock:
            self._held[key] = Held(sort, data, name, machine, system, who, time.monotonic())
            while len(self._held) > MOST_HELD:
                self._held.popitem(last=False)
        return key

    def take(self, key: str, who: str) -> Held:
        """Return a held file and let go of it.

        Raises
        ------
        Complaint
            When it is held no longer, or was sent by somebody else.
        """
        with self._lock:
            held = self._held.get(key)
            if held is None or held.who != who or time.monotonic() - held.at > SECONDS:
                raise Complaint("this file is held no longer", "choose it once more", field="file")
            return self._held.pop(key)
