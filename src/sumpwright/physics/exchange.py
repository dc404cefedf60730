"""What draining, filling and pushing do to the contents of a circuit.

Each operation is linear in the composition and conserves volume batch by batch,
whatever stands in the compartments.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from sumpwright.physics.circuit import CHAIN, LOOP_TANKS, POCKETS, SUMP, Array, Circuit, Contents
from sumpwright.physics.transport import Feed, flowing, per_draw, transition

_ROUNDING = 1e-9
_LEVEL = 1e-12


def drain(contents: Contents, volume: ArrayLike) -> Contents:
    """Let a volume out of the sump, mixed as it stands.

    Parameters
    ----------
    contents : Contents
    volume : array_like, scalar or shape (D,)
        Volume that leaves [m³].

    Returns
    -------
    Contents

    Raises
    ------
    ValueError
        If more would leave than the sump holds, or a volume is not a volume.

    Examples
    --------
    >>> from sumpwright.physics.circuit import circuit, filled
    >>> left = drain(filled(circuit(4.8e-3, 4.4e-3)), 4.1e-3)
    >>> round(float(left.total[0]) * 1e3, 6)
    5.1
    """
    out = per_draw(volume, contents.volume.shape[0], "volume")
    after = contents.volume.copy()
    after[:, SUMP] -= out
    if np.any(after[:, SUMP] < -_ROUNDING * contents.total):
        raise ValueError("more would leave than the sump holds")
    after[:, SUMP] = np.maximum(after[:, SUMP], 0.0)
    return Contents(after, contents.share)


def fill(contents: Contents, volume: ArrayLike, batch: int) -> Contents:
    """Put a volume of one batch into the sump, where it mixes.

    Parameters
    ----------
    contents : Contents
    volume : array_like, scalar or shape (D,)
        Volume that enters [m³].
    batch : int
        Index of the batch.

    Returns
    -------
    Contents

    Raises
    ------
    ValueError
        If a volume is negative or not finite.

    Examples
    --------
    >>> from sumpwright.physics.circuit import circuit, filled
    >>> full = fill(drain(filled(circuit(4e-3, 4e-3)), 4e-3), 4e-3, 1)
    >>> full.mean_share[0].tolist()
    [0.5, 0.5]
    """
    new = per_draw(volume, contents.volume.shape[0], "volume")
    before = contents.volume[:, SUMP]
    after = before + new
    safe = np.where(after > 0, after, 1.0)
    share = contents.share.copy()
    share[:, SUMP, :] *= (before / safe)[:, None]
    share[:, SUMP, batch] += new / safe
    share[:, SUMP, :] = np.where(
        (after > 0)[:, None], share[:, SUMP, :], contents.share[:, SUMP, :]
    )
    level = contents.volume.copy()
    level[:, SUMP] = after
    return Contents(level, share)


def _flow(
    system: Circuit,
    contents: Contents,
    volume: Array,
    feed: Feed,
    matrix: Array | None = None,
    entering: Array | float = 0.0,
) -> Contents:
    """Let a volume pass through what stands in the compartments."""
    off_level = np.abs(contents.volume - system.volumes)
    if feed == "sump":
        off_level = off_level[:, CHAIN:]
    if np.any(off_level.max(axis=1) > _LEVEL * contents.total):
        matrix = transition(system, volume, feed, contents.volume)
    elif matrix is None:
        matrix = transition(system, volume, feed)
    return Contents(contents.volume, _moved(contents, matrix, entering))


def _moved(contents: Contents, matrix: Array, entering: Array | float = 0.0) -> Array:
    draws, places, batches = contents.share.shape
    stacked = np.empty((draws, places + 1, batches))
    stacked[:, :-1] = contents.share
    stacked[:, -1] = entering
    moved: Array = (matrix @ stacked)[:, :-1]
    return moved


def without_loop(system: Circuit) -> Circuit:
    """Return the circuit as far as the end of the upper works.

    Examples
    --------
    >>> from sumpwright.physics.circuit import circuit
    >>> float(without_loop(circuit(4e-3, 3e-3, 1e-3)).loop[0])
    0.0
    """
    return Circuit(
        system.sump, system.upper, np.zeros_like(system.loop), system.tanks, system.pockets
    )


def prime(system: Circuit, contents: Contents, matrix: Array | None = None) -> Contents:
    """Fill an air-blown loop again from the chain, as the first turn of the pump does.

    Every operation with the engine running does this first by itself. A sump that
    holds too little fills the loop as far as it can.

    Parameters
    ----------
    system : Circuit
    contents : Contents
    matrix : ndarray, optional
        ``transition(without_loop(system), lacking)`` from before.

    Returns
    -------
    Contents
        The same contents when the loop is full.

    Examples
    --------
    >>> from sumpwright.physics.circuit import circuit, filled
    >>> box = circuit(4e-3, 3e-3, 1e-3)
    >>> again = prime(box, purge(filled(box), 0.5))
    >>> round(float(again.volume[0, 0]) * 1e3, 9)
    3.5
    """
    full = system.volumes
    loop = slice(full.shape[1] - LOOP_TANKS, None)
    lacking = np.maximum(full[:, loop] - contents.volume[:, loop], 0.0)
    need = lacking.sum(axis=1)
    if np.all(need <= _LEVEL * contents.total):
        return contents
    there = contents.volume[:, SUMP]
    if np.any(need > there):
        lacking *= np.divide(there, need, out=np.ones_like(need), where=need > there)[:, None]
        need = np.minimum(need, there)
        matrix = None
    moves = transition(without_loop(system), need) if matrix is None else matrix
    chain = slice(CHAIN, full.shape[1] - LOOP_TANKS)
    share = contents.share.copy()
    moved = _moved(contents, moves)
    held = np.einsum("dc,dcb->db", contents.volume[:, chain], share[:, chain])
    kept = np.einsum("dc,dcb->db", contents.volume[:, chain], moved[:, chain])
    entered = np.maximum(held - kept + need[:, None] * share[:, SUMP, :], 0.0)
    mix = entered / np.where(need > 0, need, 1.0)[:, None]
    share[:, chain] = moved[:, chain]
    after = contents.volume[:, loop] + lacking
    part = np.divide(lacking, after, out=np.zeros_like(lacking), where=after > 0)[:, :, None]
    share[:, loop, :] = (1 - part) * share[:, loop, :] + part * mix[:, None, :]
    volume = contents.volume.copy()
    volume[:, loop] = after
    volume[:, SUMP] = there - need
    return Contents(volume, share)


def discharge(
    system: Circuit, contents: Contents, volume: ArrayLike, matrix: Array | None = None
) -> Contents:
    """Run the engine with the cooler return diverted until a volume is out.

    The volume leaves at the outlet of the cooler loop, the chain moves on, and the
    sump, whose composition stays as it is, falls by the volume.

    Parameters
    ----------
    system : Circuit
    contents : Contents
    volume : array_like, scalar or shape (D,)
        Volume that leaves [m³].
    matrix : ndarray, optional
        ``transition(system, volume, 'sump')`` from before, to save time over
        many equal discharges; used when the loop is full.

    Returns
    -------
    Contents

    Raises
    ------
    ValueError
        If the sump does not hold the volume. Whether the *pump* still draws fluid
        is another matter: see `safe_discharge`.

    Examples
    --------
    >>> from sumpwright.physics.circuit import circuit, filled
    >>> box = circuit(4.8e-3, 3.7e-3, 0.7e-3, tanks=2, pockets=0.1)
    >>> fresh = fill(drain(filled(box), 4.1e-3), 4.1e-3, 1)
    >>> after = fill(discharge(box, fresh, 3.3e-3), 3.3e-3, 1)
    >>> 0.6 < float(after.mean_share[0, 1]) < 0.81
    True
    """
    contents = prime(system, contents)
    passed = per_draw(volume, system.draws, "volume")
    return drain(_flow(system, contents, passed, "sump", matrix), passed)


def exchange(
    system: Circuit, contents: Contents, volume: ArrayLike, batch: int, matrix: Array | None = None
) -> Contents:
    """Discharge a volume while new fluid enters the sump at the same rate.

    Parameters
    ----------
    system : Circuit
    contents : Contents
    volume : array_like, scalar or shape (D,)
        Volume of new fluid, and of fluid that leaves [m³].
    batch : int
        Index of the batch that enters.
    matrix : ndarray, optional
        ``transition(system, volume, 'inlet')`` from before; used at level.

    Returns
    -------
    Contents

    Raises
    ------
    ValueError
        If a volume is negative or not finite.

    Examples
    --------
    >>> from sumpwright.physics.circuit import circuit, filled
    >>> one = circuit(9e-3, 0.0)
    >>> old = exchange(one, filled(one), 18e-3, 1).mean_share[0, 0]
    >>> round(float(old), 9)
    0.135335283
    """
    contents = prime(system, contents)
    passed = per_draw(volume, system.draws, "volume")
    entering = np.zeros((system.draws, contents.share.shape[2]))
    entering[:, batch] = 1.0
    return _flow(system, contents, passed, "inlet", matrix, entering)


def purge(contents: Contents, share: ArrayLike) -> Contents:
    """Blow a share of the cooler loop's content out with low-pressure air.

    The loop fills again from the chain at the next turn of the pump.

    Parameters
    ----------
    contents : Contents
    share : array_like, scalar or shape (D,)
        Share of the loop's content that leaves, in [0, 1].

    Returns
    -------
    Contents

    Raises
    ------
    ValueError
        If a share leaves [0, 1].

    Examples
    --------
    >>> from sumpwright.physics.circuit import circuit, filled
    >>> box = circuit(4e-3, 3e-3, 1e-3)
    >>> round(float(purge(filled(box), 0.6).total[0]) * 1e3, 9)
    7.4
    """
    part = per_draw(share, contents.volume.shape[0], "share")
    if np.any(part > 1):
        raise ValueError("share must be at most 1")
    volume = contents.volume.copy()
    volume[:, -LOOP_TANKS:] *= (1 - part)[:, None]
    return Contents(volume, contents.share)


def circulate(system: Circuit, contents: Contents, volume: ArrayLike) -> Contents:
    """Run the engine with the return connected until a volume has passed round.

    Parameters
    ----------
    system : Circuit
    contents : Contents
    volume : array_like, scalar or shape (D,)
        Volume that passes [m³].

    Returns
    -------
    Contents

    Raises
    ------
    ValueError
        If a volume is negative or not finite.

    Examples
    --------
    >>> from sumpwright.physics.circuit import circuit, filled
    >>> box = circuit(4e-3, 3e-3, 1e-3)
    >>> mixed = circulate(box, fill(drain(filled(box), 2e-3), 2e-3, 1), 0.4)
    >>> bool(abs(mixed.share[0, 0, 1] - 0.25) < 1e-9)
    True
    """
    contents = prime(system, contents)
    passed = per_draw(volume, system.draws, "volume")
    return _flow(system, contents, passed, "return")


def work(system: Circuit, contents: Contents, sweeps: int, share: ArrayLike) -> Contents:
    """Move the selector through its positions, so that the pockets trade fluid.

    Each sweep swaps ``share`` of the pockets' volume with as much from the chain,
    taken and given evenly over its tanks.

    Parameters
    ----------
    system : Circuit
    contents : Contents
    sweeps : int
        Number of sweeps.
    share : array_like, scalar or shape (D,)
        Share of the pockets moved by one sweep, in [0, 1]; held to what the chain
        can take.

    Returns
    -------
    Contents

    Raises
    ------
    ValueError
        If ``sweeps`` is negative or a share leaves [0, 1].

    Examples
    --------
    >>> from sumpwright.physics.circuit import circuit, filled
    >>> box = circuit(4e-3, 3e-3, pockets=0.2)
    >>> same = work(box, filled(box), 3, 0.5)
    >>> bool(np.allclose(same.by_batch, filled(box).by_batch))
    True
    """
    if sweeps < 0:
        raise ValueError("sweeps must not be negative")
    contents = prime(system, contents)
    part = per_draw(share, system.draws, "share")
    if np.any(part > 1):
        raise ValueError("share must be at most 1")
    chain = slice(CHAIN, CHAIN + system.chain_tanks)
    volume = contents.volume
    pocket = volume[:, POCKETS]
    moving = volume[:, chain].sum(axis=1)
    swap = np.minimum(part * pocket, moving)
    of_pocket = np.divide(swap, pocket, out=np.zeros_like(swap), where=pocket > 0)[:, None]
    of_chain = np.divide(swap, moving, out=np.zeros_like(swap), where=moving > 0)[:, None]
    weight = np.divide(
        volume[:, chain],
        moving[:, None],
        out=np.zeros_like(volume[:, chain]),
        where=moving[:, None] > 0,
    )
    shares = contents.share.copy()
    for _ in range(sweeps):
        mean = np.einsum("dc,dcb->db", weight, shares[:, chain])
        held = shares[:, POCKETS, :].copy()
        shares[:, POCKETS, :] += of_pocket * (mean - held)
        shares[:, chain, :] += of_chain[:, :, None] * (held[:, None, :] - shares[:, chain, :])
    return Contents(volume, shares)


def drive(system: Circuit, contents: Contents) -> Contents:
    """Drive until everything, pockets included, is one mixture.

    Parameters
    ----------
    system : Circuit
    contents : Contents

    Returns
    -------
    Contents
        Every compartment with the mean composition, the loop full again.

    Examples
    --------
    >>> from sumpwright.physics.circuit import circuit, filled
    >>> box = circuit(4e-3, 4e-3)
    >>> mixed = drive(box, fill(drain(filled(box), 2e-3), 2e-3, 1))
    >>> mixed.share[0, :, 1].tolist()[:3]
    [0.25, 0.25, 0.25]
    """
    contents = prime(system, contents)
    share = np.broadcast_to(contents.mean_share[:, None, :], contents.share.shape).copy()
    return Contents(contents.volume, share)


def safe_discharge(sump: ArrayLike, reserve: ArrayLike) -> Array:
    """Largest volume that may leave in one discharge before the pump draws air.

    Parameters
    ----------
    sump : array_like
        Volume standing in the sump, engine running [m³].
    reserve : array_like
        Volume that must stay for the pick-up to be covered [m³].

    Returns
    -------
    ndarray
        ``max(0, sump - reserve)`` [m³].

    Examples
    --------
    >>> round(float(safe_discharge(4.8e-3, 1.5e-3)) * 1e3, 9)
    3.3
    """
    room = np.asarray(sump, dtype=float) - np.asarray(reserve, dtype=float)
    out: Array = np.maximum(room, 0.0)
    return out


def displacement_bound(new_fluid: ArrayLike, capacity: ArrayLike) -> Array:
    """Least old share that any method could leave.

    Parameters
    ----------
    new_fluid, capacity : array_like
        Volumes of new fluid and of the whole system [m³].

    Returns
    -------
    ndarray
        ``max(0, 1 - new_fluid / capacity)``.

    Examples
    --------
    >>> round(float(displacement_bound(4.1, 9.2)), 4)
    0.5543
    """
    part = np.asarray(new_fluid, dtype=float) / np.asarray(capacity, dtype=float)
    out: Array = np.maximum(0.0, 1.0 - part)
    return out


def exit_share(system: Circuit, contents: Contents) -> Array:
    """Composition that would leave the outlet of the loop next.

    Parameters
    ----------
    system : Circuit
    contents : Contents

    Returns
    -------
    ndarray, shape (D, B)

    Examples
    --------
    >>> from sumpwright.physics.circuit import circuit, filled
    >>> box = circuit(4e-3, 3e-3)
    >>> exit_share(box, filled(box))[0].tolist()
    [1.0, 0.0]
    """
    last = system.places - 1 - np.argmax(flowing(system.volumes)[:, ::-1], axis=1)
    out: Array = contents.share[np.arange(system.draws), last]
    return out
