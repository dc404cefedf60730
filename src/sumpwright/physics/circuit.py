"""The compartments of a wet system, and what stands in them.

A circuit is a sump, an *upper works* (converter, clutches, pulleys, valve body)
taken as a chain of equal well-mixed tanks, a cooler loop taken as a longer chain,
and pockets: the share of the upper works that moves only when the selector is
worked or the machine is driven.

Everything is vectorised over D draws of the parameters. Compartments are laid out
along one axis as ``sump, pockets, upper works (N), cooler loop (M)``; a draw with
fewer tanks than the largest one leaves its first chain places empty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

SUMP = 0
POCKETS = 1
CHAIN = 2

LOOP_TANKS = 8
"""Tanks of the cooler loop: enough for the near plug flow of a hose."""


@dataclass(frozen=True)
class Circuit:
    """Volumes of the compartments at level, engine running.

    Parameters
    ----------
    sump : ndarray, shape (D,)
        Running volume of the sump [m³], above zero.
    upper : ndarray, shape (D,)
        Volume of the upper works, pockets included [m³].
    loop : ndarray, shape (D,)
        Volume of the cooler loop [m³].
    tanks : ndarray of int, shape (D,)
        Number of equal tanks that the moving part of the upper works is taken as.
    pockets : ndarray, shape (D,)
        Share of the upper works that stands in pockets, in [0, 1].

    Raises
    ------
    ValueError
        If a volume is negative or not finite, a sump is empty, a share leaves
        [0, 1] or a chain has no tank.

    Examples
    --------
    >>> c = circuit(4.8e-3, 3.7e-3, 0.7e-3, tanks=2, pockets=0.1)
    >>> round(float(c.capacity[0]) * 1e3, 3)
    9.2
    >>> c.places
    12
    """

    sump: Array
    upper: Array
    loop: Array
    tanks: NDArray[np.int64]
    pockets: Array

    def __post_init__(self) -> None:
        for name in ("sump", "upper", "loop", "pockets"):
            value = getattr(self, name)
            if not np.all(np.isfinite(value)) or np.any(value < 0):
                raise ValueError(f"{name} must be finite and not negative")
        if np.any(self.sump <= 0):
            raise ValueError("sump must hold something")
        if np.any(self.pockets > 1):
            raise ValueError("pockets is a share of the upper works, at most 1")
        if np.any(self.tanks < 1):
            raise ValueError("tanks must be at least 1")

    @property
    def draws(self) -> int:
        """Number of parameter draws D."""
        return int(self.sump.shape[0])

    @property
    def chain_tanks(self) -> int:
        """Largest number of upper-works tanks over the draws."""
        return int(self.tanks.max())

    @property
    def places(self) -> int:
        """Number of compartments."""
        return CHAIN + self.chain_tanks + LOOP_TANKS

    @property
    def capacity(self) -> Array:
        """Total volume at level [m³], shape (D,)."""
        return self.sump + self.upper + self.loop

    @cached_property
    def volumes(self) -> Array:
        """Volume of each compartment at level [m³], shape (D, places)."""
        longest = self.chain_tanks
        out = np.zeros((self.draws, self.places))
        out[:, SUMP] = self.sump
        out[:, POCKETS] = self.pockets * self.upper
        moving = (1.0 - self.pockets) * self.upper / self.tanks
        used = np.arange(longest) >= longest - self.tanks[:, None]
        out[:, CHAIN : CHAIN + longest] = np.where(used, moving[:, None], 0.0)
        out[:, CHAIN + longest :] = (self.loop / LOOP_TANKS)[:, None]
        out.setflags(write=False)
        return out

    def take(self, keep: NDArray[np.intp] | NDArray[np.bool_]) -> Circuit:
        """Return the circuit of some of the draws, in the order asked for."""
        return Circuit(
            self.sump[keep], self.upper[keep], self.loop[keep], self.tanks[keep], self.pockets[keep]
        )


def circuit(
    sump: ArrayLike,
    upper: ArrayLike,
    loop: ArrayLike = 0.0,
    tanks: ArrayLike = 1,
    pockets: ArrayLike = 0.0,
) -> Circuit:
    """Build a `Circuit` from scalars or arrays that broadcast to one length.

    Parameters
    ----------
    sump, upper, loop : array_like
        Volumes [m³], scalar or shape (D,).
    tanks : array_like of int
        Tanks of the upper works, scalar or shape (D,).
    pockets : array_like
        Share of the upper works in pockets, scalar or shape (D,).

    Returns
    -------
    Circuit

    Raises
    ------
    ValueError
        As for `Circuit`, or if the shapes do not broadcast.

    Examples
    --------
    >>> circuit([4e-3, 5e-3], 3e-3).draws
    2
    """
    parts = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(part, dtype=float)) for part in (sump, upper, loop, pockets)),
        np.atleast_1d(np.asarray(tanks)),
    )
    count = np.asarray(parts[4], dtype=float)
    if not np.all(np.isfinite(count)) or np.any(count != np.round(count)):
        raise ValueError("tanks must be whole numbers")
    return Circuit(
        sump=np.ascontiguousarray(parts[0]),
        upper=np.ascontiguousarray(parts[1]),
        loop=np.ascontiguousarray(parts[2]),
        tanks=count.astype(np.int64),
        pockets=np.ascontiguousarray(parts[3]),
    )


@dataclass(frozen=True)
class Contents:
    """What stands in the compartments, batch by batch.

    Parameters
    ----------
    volume : ndarray, shape (D, places)
        Volume in each compartment [m³].
    share : ndarray, shape (D, places, B)
        Share of each batch in each compartment; sums to 1 over the batches, or to
        less where one of them is not kept account of.
    """

    volume: Array
    share: Array

    @property
    def total(self) -> Array:
        """Volume of all fluid [m³], shape (D,)."""
        out: Array = self.volume.sum(axis=1)
        return out

    @property
    def by_batch(self) -> Array:
        """Volume of each batch in the whole system [m³], shape (D, B)."""
        out: Array = np.einsum("dc,dcb->db", self.volume, self.share)
        return out

    @property
    def mean_share(self) -> Array:
        """Share of each batch in the whole system, shape (D, B).

        A system that stands empty is as its sump was when the last of it ran out.
        """
        total = self.total[:, None]
        out: Array = np.divide(
            self.by_batch, total, out=self.share[:, SUMP].copy(), where=total > 0
        )
        return out

    def with_batch(self) -> Contents:
        """Return the same contents with one more batch, of which there is none yet."""
        extra = np.zeros((*self.share.shape[:2], 1))
        return replace(self, share=np.concatenate([self.share, extra], axis=2))

    def take(self, keep: NDArray[np.intp] | NDArray[np.bool_]) -> Contents:
        """Return the contents of some of the draws, in the order asked for."""
        return Contents(self.volume[keep], self.share[keep])


def filled(system: Circuit, batches: int = 2, batch: int = 0) -> Contents:
    """Contents of a circuit at level that holds a single batch.

    Parameters
    ----------
    system : Circuit
    batches : int
        Number of batches B to keep account of.
    batch : int
        The batch that fills the system.

    Returns
    -------
    Contents

    Examples
    --------
    >>> full = filled(circuit(4e-3, 3e-3))
    >>> full.mean_share[0].tolist()
    [1.0, 0.0]
    """
    share = np.zeros((system.draws, system.places, batches))
    share[:, :, batch] = 1.0
    return Contents(volume=system.volumes, share=share)
