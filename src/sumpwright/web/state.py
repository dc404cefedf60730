"""What the whole application shares."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

from sumpwright.records.store import Store
from sumpwright.web.bus import Bus
from sumpwright.web.pages import Pages
from sumpwright.web.security import Limiter, Signer
from sumpwright.web.settings import WebSettings
from sumpwright.web.views.remembered import Planner, Standings
from sumpwright.web.views.tables import Waiting
from sumpwright.web.views.working import Working
from sumpwright.web.views.yard import Yard
from sumpwright.web.watching import WatchKeeper


@dataclass(frozen=True)
class Web:
    """Settings, records and helpers of one running server.

    Parameters
    ----------
    settings : WebSettings
    store : Store
    signer : Signer
    pages : Pages
    names : frozenset of str
        Names under which the server may be addressed besides addresses in digits.
    bus : Bus
    planner : Planner
    standings : Standings
    yard : Yard
    working : Working
    waiting : Waiting
        Tables whose previews are being looked at.
    pairing : Limiter
        Attempts at pairing by one address.
    pairing_all : Limiter
        Attempts at pairing by all of them.
    """

    settings: WebSettings
    store: Store
    signer: Signer
    pages: Pages
    names: frozenset[str]
    bus: Bus = field(default_factory=Bus)
    planner: Planner = field(default_factory=Planner)
    standings: Standings = field(default_factory=Standings)
    yard: Yard = field(default_factory=Yard)
    working: Working = field(default_factory=Working)
    waiting: Waiting = field(default_factory=Waiting)
    pairing: Limiter = field(default_factory=lambda: Limiter(5))
    pairing_all: Limiter = field(default_factory=lambda: Limiter(30))

    @cached_property
    def watches(self) -> WatchKeeper:
        """Sources of temperature that are watched for jobs."""
        return WatchKeeper(self.store)
