"""One basket for several fluids: whole containers, and each seller's carriage paid once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sumpwright.planning.basket import Line
from sumpwright.planning.machine import Offer


@dataclass(frozen=True)
class Shopping:
    """A purchase of several fluids.

    Parameters
    ----------
    needs : mapping of fluid to m³
        What was asked for and is covered.
    lines : tuple of Line
    carriage : float
        Money, each seller's once.
    missing : tuple of str
        Fluids that nobody offers, or of which there is not enough.
    """

    needs: Mapping[str, float]
    lines: tuple[Line, ...]
    carriage: float
    missing: tuple[str, ...] = ()

    @property
    def total(self) -> float:
        """Money to pay, carriage included."""
        return sum(line.price for line in self.lines) + self.carriage

    def volume(self, fluid: str) -> float:
        """Volume bought of a fluid [m³]."""
        return sum(x.count * x.offer.size for x in self.lines if x.offer.fluid == fluid)


def shop(needs: Mapping[str, float], offers: Sequence[Offer]) -> Shopping:
    """Find the cheapest whole containers that cover the needs of several fluids together.

    An integer programme: minimise Σ price·n + Σ carriage·used, where the sizes of each
    fluid cover its need, n is within stock, and a seller's carriage is paid once however
    many fluids come from there. Among equally cheap purchases any may be given.

    Parameters
    ----------
    needs : mapping of fluid to m³
    offers : sequence of Offer
        Of any fluid.

    Returns
    -------
    Shopping

    Raises
    ------
    ValueError
        If a need is negative or not finite.

    Examples
    --------
    >>> offers = [Offer("x", "near", 1e-3, 10.0), Offer("y", "near", 1e-3, 10.0),
    ...           Offer("x", "far", 1e-3, 7.0, 5.0), Offer("y", "far", 1e-3, 7.0, 5.0)]
    >>> shop({"x": 1e-3}, offers).lines[0].offer.seller
    'near'
    >>> both = shop({"x": 1e-3, "y": 1e-3}, offers)
    >>> {line.offer.seller for line in both.lines}, both.total
    ({'far'}, 19.0)
    """
    if any(not np.isfinite(need) or need < 0 for need in needs.values()):
        raise ValueError("a need must be finite and not negative")
    wanted = {fluid: need for fluid, need in needs.items() if need > 0}
    covered = {f: n for f, n in wanted.items() if _within_stock(f, n, offers)}
    missing = tuple(fluid for fluid in wanted if fluid not in covered)
    useful = [offer for offer in offers if offer.fluid in covered]
    if not useful:
        return Shopping(covered, (), 0.0, missing)
    counts = _solve(covered, useful)
    lines = tuple(Line(o, c) for o, c in zip(useful, counts, strict=True) if c > 0)
    fees = _fees(useful)
    used = {line.offer.seller for line in lines}
    return Shopping(covered, lines, sum(fees[seller] for seller in used), missing)


def _within_stock(fluid: str, need: float, offers: Sequence[Offer]) -> bool:
    mine = [offer for offer in offers if offer.fluid == fluid]
    if any(offer.stock is None for offer in mine):
        return True
    return sum(o.size * (o.stock or 0) for o in mine) >= need - 1e-12


def _fees(offers: Sequence[Offer]) -> dict[str, float]:
    sellers = sorted({offer.seller for offer in offers})
    return {s: max(o.carriage for o in offers if o.seller == s) for s in sellers}


def _solve(needs: Mapping[str, float], offers: Sequence[Offer]) -> list[int]:
    from scipy.optimize import Bounds, LinearConstraint, milp

    fees = _fees(offers)
    sellers, fluids = list(fees), list(needs)
    n, m = len(offers), len(sellers)
    litres = np.array([offer.size for offer in offers]) * 1e3
    prices = np.array([offer.price for offer in offers])
    most = np.array([np.ceil(needs[o.fluid] / o.size - 1e-9) for o in offers])
    stock = np.array([np.inf if o.stock is None else float(o.stock) for o in offers])
    most = np.minimum(most, stock)
    cover = np.zeros((len(fluids), n + m))
    link = np.zeros((n, n + m))
    for i, offer in enumerate(offers):
        cover[fluids.index(offer.fluid), i] = litres[i]
        link[i, i] = 1.0
        link[i, n + sellers.index(offer.seller)] = -max(most[i], 1.0)
    least = np.array([needs[fluid] * 1e3 - 1e-9 for fluid in fluids])
    result = milp(
        np.concatenate([prices, [fees[s] for s in sellers]]),
        constraints=[
            LinearConstraint(cover, least, np.inf),
            LinearConstraint(link, -np.inf, 0.0),
        ],
        integrality=np.ones(n + m),
        bounds=Bounds(np.zeros(n + m), np.concatenate([most, np.ones(m)])),
        options={"mip_rel_gap": 0.0},
    )
    assert result.success, result.message
    return [round(x) for x in result.x[:n]]
