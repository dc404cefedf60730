"""How fluid moves along a circuit while a volume passes through it.

Flow through the circuit is a chain of well-mixed tanks (tanks in series [1]_):
with q the volume that has passed, tank i of volume v_i follows

    dc_i/dq = (c_{i-1} - c_i) / v_i ,

a Markov generator G, so that c(q) = exp(G q) c(0). The exponential is taken by
uniformisation [2]_, exp(Gq) = sum_k Poisson(k; λq) (I + G/λ)^k, on a step short
enough for sixteen terms, which six products gather [3]_, then squared up to q.
All terms are non-negative, so no digits are lost to cancellation and shares cannot
leave [0, 1].

References
----------
.. [1] O. Levenspiel, *Chemical Reaction Engineering*, 3rd ed., Wiley, 1999, ch. 14.
.. [2] A. Jensen, "Markoff chains as an aid in the study of Markoff processes",
   *Scandinavian Actuarial Journal*, 1953, 87-91.
.. [3] M. S. Paterson and L. J. Stockmeyer, "On the number of nonscalar
   multiplications necessary to evaluate polynomials", *SIAM J. Comput.* 2(1),
   1973, 60-66.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sumpwright.physics.circuit import POCKETS, SUMP, Array, Circuit

Feed = Literal["sump", "inlet", "return"]

_STEP = 0.5
_BLOCK = 4
_TERMS = _BLOCK * _BLOCK
_FACTORIAL = np.cumprod(np.concatenate([[1.0], np.arange(1.0, _TERMS)]))
_CHUNK = 128
"""Draws worked on at a time, so that the matrices stay in the processor's cache."""

_NEGLIGIBLE = 1e-9
"""Share of the whole volume below which a place is passed by, not passed through."""


def per_draw(value: ArrayLike, draws: int, name: str) -> Array:
    """Spread a quantity over the draws.

    Raises
    ------
    ValueError
        If it is negative or not finite, or has another number of draws.

    Examples
    --------
    >>> per_draw(2.0, 3, "volume").tolist()
    [2.0, 2.0, 2.0]
    """
    out = np.broadcast_to(np.asarray(value, dtype=float), (draws,))
    if not np.all(np.isfinite(out)) or np.any(out < 0):
        raise ValueError(f"{name} must be finite and not negative")
    return out


def flowing(volumes: Array, whole: Array | None = None) -> NDArray[np.bool_]:
    """Tell which places fluid passes through: those with a volume, pockets apart.

    Parameters
    ----------
    volumes : ndarray, shape (D, places)
    whole : ndarray, shape (D,), optional
        Volume beside which a place counts as empty; what stands in all of them if left out.

    Returns
    -------
    ndarray of bool, shape (D, places)

    Examples
    --------
    >>> flowing(np.array([[4.0, 1.0, 0.0, 3.0]])).tolist()
    [[True, False, False, True]]
    """
    beside = volumes.sum(axis=1) if whole is None else whole
    out: NDArray[np.bool_] = volumes > _NEGLIGIBLE * beside[:, None]
    out[:, POCKETS] = False
    return out


def transition(
    system: Circuit, volume: ArrayLike, feed: Feed = "sump", standing: Array | None = None
) -> Array:
    """Where the fluid found in each place was, before a volume had passed.

    Parameters
    ----------
    system : Circuit
        D draws.
    volume : array_like, scalar or shape (D,)
        Volume that passes through the circuit [m³].
    feed : {'sump', 'inlet', 'return'}
        ``'sump'``: the sump feeds the chain and nothing enters it (a discharge).
        ``'inlet'``: new fluid enters the sump as fast as fluid leaves at the
        outlet (an exchange). ``'return'``: the outlet runs back to the sump
        (circulation).
    standing : ndarray, shape (D, places), optional
        What stands in each place [m³], when that is not the level.

    Returns
    -------
    ndarray, shape (D, places + 1, places + 1)
        Row-stochastic matrix T: shares after are ``T @ shares before``. The last
        place is the inlet; pockets keep to themselves. Read-only when all draws
        are alike.

    Raises
    ------
    ValueError
        If a volume is negative or not finite.

    References
    ----------
    See the module.

    Examples
    --------
    One perfect tank keeps exp(-v/V) of what it held:

    >>> from sumpwright.physics.circuit import circuit
    >>> one = circuit(9e-3, 0.0)
    >>> t = transition(one, 9e-3, feed="inlet")
    >>> round(float(t[0, 0, 0]), 12)
    0.367879441171
    """
    passed = per_draw(volume, system.draws, "volume")
    volumes = system.volumes if standing is None else standing
    draws, places = volumes.shape
    size = places + 1
    # A film in a system run empty is no tank: its rate would be beyond all numbers.
    moves = flowing(volumes, np.maximum(volumes.sum(axis=1), system.volumes.sum(axis=1)))
    if draws > 1 and np.all(passed == passed[0]) and np.all(volumes == volumes[0]):
        one = _exponential(*_generator(volumes[:1], moves[:1], feed), passed[:1])
        return np.broadcast_to(_with_pockets(one), (draws, size, size))
    rate, source = _generator(volumes, moves, feed)
    out = np.empty((draws, size, size))
    for start in range(0, draws, _CHUNK):
        part = slice(start, start + _CHUNK)
        out[part] = _with_pockets(_exponential(rate[part], source[part], passed[part]))
    return out


def _generator(
    volumes: Array, moves: NDArray[np.bool_], feed: Feed
) -> tuple[Array, NDArray[np.intp]]:
    """Rate 1/v of each place, and the place that feeds it; the inlet comes last."""
    draws, places = volumes.shape
    source = np.full((draws, places + 1), -1, dtype=np.intp)
    upstream = np.full(draws, -1, dtype=np.intp)
    for place in range(places):
        source[:, place] = upstream
        upstream = np.where(moves[:, place], place, upstream)
    begins = {"sump": SUMP, "inlet": places, "return": upstream}[feed]
    source = np.where(source < 0, np.asarray(begins)[..., None], source)
    source[:, places] = places
    # A place that feeds itself stands still: there is nothing else to mix with.
    moves = moves & (source[:, :places] != np.arange(places))
    rate = np.zeros((draws, places + 1))
    np.divide(1.0, volumes, out=rate[:, :places], where=moves)
    keep = np.arange(places + 1) != POCKETS
    return rate[:, keep], (source - (source > POCKETS))[:, keep]


def _exponential(rate: Array, source: NDArray[np.intp], passed: Array) -> Array:
    draws, size = rate.shape
    fastest = rate.max(axis=1)
    turns = fastest * passed
    doublings = max(0, int(np.ceil(np.log2(max(float(turns.max()), _STEP) / _STEP))))
    mean = turns / 2.0**doublings

    scaled = np.divide(rate, fastest[:, None], out=np.zeros_like(rate), where=fastest[:, None] > 0)
    places = np.arange(size)
    powers = np.zeros((draws, _BLOCK, size, size))
    powers[:, 0, places, places] = 1.0
    powers[:, 1, places, places] = 1.0 - scaled
    powers[np.arange(draws)[:, None], 1, places[None, :], source] += scaled
    for k in range(2, _BLOCK):
        np.matmul(powers[:, k - 1], powers[:, 1], out=powers[:, k])
    stride = powers[:, _BLOCK - 1] @ powers[:, 1]

    weights = np.exp(-mean)[:, None] * mean[:, None] ** np.arange(_TERMS) / _FACTORIAL
    blocks = weights.reshape(draws, _BLOCK, _BLOCK) @ powers.reshape(draws, _BLOCK, size * size)
    blocks = blocks.reshape(powers.shape)
    out: Array = blocks[:, _BLOCK - 1]
    for k in reversed(range(_BLOCK - 1)):
        out = stride @ out
        out += blocks[:, k]
    for _ in range(doublings):
        out = out @ out
    out /= out.sum(axis=2, keepdims=True)
    return out


def _with_pockets(moving: Array) -> Array:
    draws, size, _ = moving.shape
    out = np.zeros((draws, size + 1, size + 1))
    keep = np.delete(np.arange(size + 1), POCKETS)
    out[:, keep[:, None], keep] = moving
    out[:, POCKETS, POCKETS] = 1.0
    return out
