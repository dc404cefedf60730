"""Stand-ins for a vehicle, built apart from the product on other people's libraries."""

from __future__ import annotations

from sumpwright.link.source import Reading, Silence, Source


def patient_read(source: Source, tries: int = 100) -> Reading:
    """Read, over silences, until something else happens."""
    for _ in range(tries):
        try:
            return source.read(0.1)
        except Silence:
            continue
    raise AssertionError(f"{source.name} kept silent")
