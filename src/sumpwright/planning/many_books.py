"""Age ledgers of many systems at once: the fresh share of every step, without its batches.

`sumpwright.planning.ledger.keep` writes down every batch. For the mean age, and for the age
that a tail may exceed, the share that each step replaced is enough, and that needs no more
than the volume that is there.
"""

from __future__ import annotations

from collections.abc import Sequence

from sumpwright.errors import Complaint
from sumpwright.planning.ledger import Happening, fresh_share

FAINT = 1e-9
"""A batch with a smaller share counts as there or gone by a rounding, so it is not judged here."""


def step_shares(capacity: float, happenings: Sequence[Happening]) -> list[float] | None:
    """Return the share of new fluid after each step, as the steps of the ledger have it.

    Parameters
    ----------
    capacity : float
        m³ at level.
    happenings : sequence of Happening
        In order of time.

    Returns
    -------
    list of float or None
        ``None`` where the ledger refuses the history, or has to tell it batch by batch.

    Examples
    --------
    >>> step_shares(0.008, [Happening(0.0, "filled"), Happening(1.0, "changed", 0.004),
    ...                     Happening(2.0, "lost", 0.002), Happening(3.0, "topped up", 0.002)])
    [1.0, 0.5, 0.0, 0.25]
    >>> step_shares(0.008, [Happening(0.0, "lost", 0.009)]) is None
    True
    """
    total = 0.0 if happenings and happenings[0].what == "filled" else capacity
    shares = []
    for happening in happenings:
        moved = _step(capacity, total, happening)
        if moved is None or moved[0] <= FAINT * capacity:
            return None
        total, share = moved
        shares.append(share)
    left = 1.0
    for share in reversed(shares):
        if 0.0 < share * left < FAINT:
            return None
        left *= 1.0 - share
    return None if 0.0 < left < FAINT else shares


def first_left(shares: Sequence[float]) -> float:
    """Share of the fluid that was there before the first step, after the last one.

    Examples
    --------
    >>> first_left([0.5, 0.5])
    0.25
    """
    left = 1.0
    for share in shares:
        left *= 1.0 - share
    return left


def _step(capacity: float, total: float, happening: Happening) -> tuple[float, float] | None:
    """Volume after a step, and the share of it that is new."""
    volume = happening.volume
    if volume is None:
        if happening.what == "filled":
            volume = capacity
        elif happening.what == "changed" and happening.share is not None:
            volume = happening.share * capacity
        else:
            return None
    if not volume > 0:
        return None
    if happening.what == "lost":
        return None if volume > total else (total - volume, 0.0)
    if happening.what == "filled":
        return None if volume > 1.25 * capacity else (volume, 1.0)
    if happening.what == "topped up":
        if volume > capacity:
            return None
        kept = total - max(0.0, total + volume - capacity)
        return kept + volume, volume / (kept + volume)
    try:
        share = fresh_share(capacity, volume, happening)
    except Complaint:
        return None
    kept = min((1.0 - share) * capacity, total)
    return capacity, (capacity - kept) / capacity
