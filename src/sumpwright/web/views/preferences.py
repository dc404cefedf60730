"""Settings of a device as its form shows them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from sumpwright.web.security import Session, Visitor

LABELS = {"name": "Who uses this device", "units": "Units", "comma": "Decimal sign"}


def typed_of(visitor: Visitor) -> dict[str, str]:
    """Return what the form shows before anything is typed."""
    return {
        "name": visitor.session.name,
        "units": visitor.session.units,
        "comma": "yes" if visitor.comma else "no",
    }


def chosen(session: Session, typed: Mapping[str, str]) -> Session:
    """Return the session with units and decimal sign as chosen."""
    return replace(
        session,
        units="us" if typed.get("units") == "us" else "metric",
        comma=typed.get("comma") == "yes",
    )
