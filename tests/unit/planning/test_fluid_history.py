"""What a service really did: the volume as it was told, and ages only as far as they are known."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from sumpwright.planning.fluid_history import effect
from sumpwright.planning.ledger import Happening, keep

CAPACITY = 0.010
DAY = date(2024, 1, 1)


def _said(happening: Happening, *before: Happening, limit: float | None = None) -> list[str]:
    return [
        str(line) for line in effect(keep(CAPACITY, [*before, happening]), -1, limit=limit).says
    ]


FILLED = Happening(date(2015, 1, 1), "filled", 0.010, distance=0.0)


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"volume": 0.006, "way": "exchange"}, "6.00 L went in; 4.51 L of it stayed, 45 % of the"),
        ({"volume": 0.008, "times": 2}, "8.00 L went in; 6.40 L of it stayed, 64 % of the fluid."),
        ({"volume": 0.004}, "4.00 L went in, 40 % of the fluid."),
        ({"volume": 0.006, "share": 0.4}, "6.00 L went in; 4.00 L of it stayed, 40 % of the"),
        ({"share": 0.4}, "40 % of the fluid was changed, as told; the volume was not told."),
        (
            {"what": "filled"},
            "It was filled; the volume was not told, so the capacity of 10.00 L is assumed.",
        ),
        ({"what": "filled", "volume": 0.0098}, "9.80 L went in, 100 % of the fluid."),
        (
            {"volume": 0.005, "share": 0.5, "put_in": 0.0046},
            "4.60 L went in; 50 % of the fluid is new, by the estimate of the job.",
        ),
    ],
)
def test_the_volume_is_the_one_that_was_told(told: dict[str, Any], words: str) -> None:
    first = _said(Happening(DAY, **told), FILLED)[0]
    assert first.startswith(words)


def test_nothing_is_said_of_an_age_that_is_not_known() -> None:
    first = Happening(DAY, "changed", 0.004, distance=8e7)
    assert _said(first, limit=6e7) == [
        "4.00 L went in, 40 % of the fluid.",
        "How old the rest of it is, is not known.",
    ]
    # Later on the first fluid is at least as old as the first service.
    second = Happening(date(2026, 1, 1), "changed", 0.004, distance=12e7)
    third = Happening(date(2027, 1, 1), "changed", 0.004, distance=15e7)
    assert _said(third, first, second, limit=6e7)[1:] == [
        "Its mean age fell from at least 54 000 km to at least 32 400 km, as if all of it had been "
        "changed at least 32 400 km ago.",
        "At least 36 % of it is still older than 60 000 km; before, it was at least 60 %.",
    ]
    # All of it was past the limit at least: that is no lower bound any more.
    late = Happening(date(2026, 1, 1), "changed", 0.004, distance=15e7)
    assert _said(late, first, limit=6e7)[-1] == (
        "60 % of it is still older than 60 000 km; before, it was 100 %."
    )
    soon = Happening(date(2025, 1, 1), "changed", 0.004, distance=10e7)
    assert not any("older than" in line for line in _said(soon, first, limit=6e7))


def test_what_is_known_is_said_without_at_least() -> None:
    lines = _said(Happening(DAY, "changed", 0.004, distance=8e7), FILLED, limit=6e7)
    assert lines[1:] == [
        "Its mean age fell from 80 000 km to 48 000 km, as if all of it had been changed "
        "48 000 km ago.",
        "60 % of it is still older than 60 000 km; before, it was 100 %.",
    ]
    # After a fill nothing of the unknown fluid is left, and what is new is of known age.
    first = Happening(DAY, "changed", 0.004, distance=8e7)
    later = Happening(date(2026, 1, 1), "filled", 0.010, distance=15e7)
    assert _said(later, first, limit=6e7)[1:] == [
        "Its mean age fell from at least 70 000 km to 0 km.",
        "0 % of it is still older than 60 000 km; before, it was 100 %.",
    ]
