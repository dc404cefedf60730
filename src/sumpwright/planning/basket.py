"""What to buy: whole containers from several sellers, at least cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sumpwright.planning.machine import Offer

_SCALE = 1e3
_MONEY = 1e4
_TIE = 1e-6


@dataclass(frozen=True)
class Line:
    """So many containers of one offer."""

    offer: Offer
    count: int

    @property
    def price(self) -> float:
        """Price of the line, without carriage."""
        return self.count * self.offer.price


@dataclass(frozen=True)
class Basket:
    """A purchase that covers a need; ``need`` in m³."""

    need: float
    lines: tuple[Line, ...]
    carriage: float

    @property
    def volume(self) -> float:
        """Volume bought [m³]."""
        return sum(line.count * line.offer.size for line in self.lines)

    @property
    def total(self) -> float:
        """Money to pay, carriage included."""
        return sum(line.price for line in self.lines) + self.carriage

    @property
    def left_over(self) -> float:
        """Volume bought beyond the need [m³]."""
        return self.volume - self.need


def buy(need: float, offers: Sequence[Offer]) -> Basket | None:
    """Find the cheapest whole containers that cover a need.

    An integer programme: minimise Σ price·n + Σ carriage·used over the offers,
    where the sizes bought cover the need, n is a whole number within stock and
    a seller's carriage is paid once if anything comes from there. Among equally
    cheap baskets the one with more fluid wins.

    Parameters
    ----------
    need : float
        Volume to cover [m³].
    offers : sequence of Offer
        All of one fluid.

    Returns
    -------
    Basket or None
        None when there are no offers, or the stock does not cover the need.

    Raises
    ------
    ValueError
        If the need is negative or not finite.

    Examples
    --------
    >>> shelf = [Offer("x", "a", 1e-3, 11.4), Offer("x", "a", 5e-3, 48.0)]
    >>> b = buy(8.2e-3, shelf)
    >>> [(line.offer.size, line.count) for line in b.lines], round(b.total, 2)
    ([(0.001, 4), (0.005, 1)], 93.6)
    """
    if not np.isfinite(need) or need < 0:
        raise ValueError("need must be finite and not negative")
    if not offers:
        return None
    if need == 0:
        return Basket(0.0, (), 0.0)
    if len(offers) == 1:
        return _only(need, offers[0])

    from scipy.optimize import Bounds, LinearConstraint, milp

    sellers = sorted({offer.seller for offer in offers})
    sizes = np.array([offer.size for offer in offers]) * _SCALE
    prices = np.array([offer.price for offer in offers])
    fee = {s: max(o.carriage for o in offers if o.seller == s) for s in sellers}
    most = np.ceil(need * _SCALE / sizes - 1e-9)
    stock = np.array([np.inf if o.stock is None else float(o.stock) for o in offers])
    most = np.minimum(most, stock)
    n, m = len(offers), len(sellers)
    # The solver stops within 1e-6 of the optimum: money is scaled so that this is
    # nothing, and so that more fluid tips the balance only between equal prices.
    least = float((prices / sizes).min()) * need * _SCALE + min(fee.values())
    scale = _MONEY / least if least > 0 else 1.0
    more = _TIE * _MONEY / max(float(most @ sizes), need * _SCALE)
    cost = np.concatenate([prices * scale - more * sizes, [fee[s] * scale for s in sellers]])
    cover = LinearConstraint(
        np.concatenate([sizes, np.zeros(m)])[None, :], need * _SCALE - 1e-9, np.inf
    )
    link = np.zeros((n, n + m))
    for i, offer in enumerate(offers):
        link[i, i] = 1.0
        link[i, n + sellers.index(offer.seller)] = -max(most[i], 1.0)
    result = milp(
        cost,
        constraints=[cover, LinearConstraint(link, -np.inf, 0.0)],
        integrality=np.ones(n + m),
        bounds=Bounds(np.zeros(n + m), np.concatenate([most, np.ones(m)])),
        options={"mip_rel_gap": 0.0},
    )
    if not result.success:
        return None
    counts = np.round(result.x[:n]).astype(int)
    lines = tuple(Line(o, int(c)) for o, c in zip(offers, counts, strict=True) if c > 0)
    used = {line.offer.seller for line in lines}
    return Basket(need, lines, sum(fee[s] for s in used))


def _only(need: float, offer: Offer) -> Basket | None:
    count = int(np.ceil(need / offer.size - 1e-9))
    if offer.stock is not None and count > offer.stock:
        return None
    return Basket(need, (Line(offer, count),), offer.carriage)


class Shelf:
    """The offers of one fluid, remembering the baskets found so far.

    A cheapest basket for one need is also the cheapest for any larger need that it
    still covers, so that a plan solves few programmes for many volumes.

    Parameters
    ----------
    offers : sequence of Offer
        Offers of any fluid.
    fluid : str
        The one that counts.
    spare : float
        Share bought beyond each need, for loss.

    Examples
    --------
    >>> shelf = Shelf([Offer("x", "a", 1e-3, 11.4)], "x")
    >>> [round(shelf.basket(v).total, 2) for v in (0.5e-3, 0.9e-3, 1.1e-3)]
    [11.4, 11.4, 22.8]
    """

    def __init__(self, offers: Sequence[Offer], fluid: str, spare: float = 0.0) -> None:
        self._offers = [o for o in offers if o.fluid == fluid]
        self._spare = spare
        self._found: list[Basket] = []

    def basket(self, volume: float) -> Basket | None:
        """Cheapest basket for a volume [m³] and the spare; None when it cannot be bought."""
        need = round(volume * (1.0 + self._spare), 9)
        for basket in self._found:
            if basket.need <= need <= basket.volume:
                return replace(basket, need=need)
        bought = buy(need, self._offers)
        if bought is not None:
            self._found.append(bought)
        return bought
