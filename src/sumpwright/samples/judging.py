"""What to say about a row before anybody trusts its numbers."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sumpwright.errors import Complaint
from sumpwright.physics.colour import TOLD_APART, luminance
from sumpwright.physics.mixing import Shares
from sumpwright.samples.card import Card
from sumpwright.samples.patches import Patch
from sumpwright.samples.photograph import Photograph

__all__ = [
    "check_ends",
    "judge",
    "of_the_bare",
    "of_the_faint",
    "of_the_unglazed",
    "usable_channels",
]

BLACK_SHARE = 0.008
"""Light through the old fluid, over the card's, below which a channel is black."""
BLACK_LEVEL = 0.0035
"""The same as linear light: code 11 of 255."""
MISFIT = 12.0
UNEVEN = 0.06


def usable_channels(
    patches: list[Patch], old: int, new: int, picture: Photograph
) -> tuple[NDArray[np.bool_], bool]:
    """Channels that are neither burnt out nor black in the row.

    Parameters
    ----------
    patches : list of Patch
        The vials.
    old, new : int
        Which are the old and the unused fluid.
    picture : Photograph
        For its name, and whether it has colour at all.

    Returns
    -------
    channels : numpy.ndarray of bool, shape (3,)
        Channels to use.
    dim : bool
        All were black by the usual limits; the brightest is used all the same.

    Raises
    ------
    Complaint
        If all channels are burnt out in some vial, or the old fluid lets no light through.
    """
    burnt = np.any([p.burnt for p in patches], axis=0)
    if burnt.all():
        raise Complaint(
            "the vials are burnt out",
            "take the photograph with less light or a shorter exposure",
            picture.name,
            "photo",
        )
    if np.all(patches[new].level < BLACK_LEVEL):
        raise Complaint(
            "no light comes through the unused fluid",
            "put light behind the vials, and check which end holds the old fluid",
            picture.name,
            "photo",
        )
    dark = patches[old]
    black = (dark.transmittance < BLACK_SHARE) | (dark.level < BLACK_LEVEL)
    usable = ~burnt & ~black
    if picture.grey:
        usable &= np.array([False, True, False])
    if usable.any():
        return usable, False
    brightest = int(np.argmax(np.where(burnt, -1.0, dark.level)))
    if dark.level[brightest] < BLACK_LEVEL / 4 or dark.transmittance[brightest] < BLACK_SHARE / 4:
        raise Complaint(
            "the old fluid is too dark to measure",
            "use narrower vials, or more light behind them",
            picture.name,
            "photo",
        )
    return np.arange(3) == brightest, True


def check_ends(difference: float, picture: Photograph) -> None:
    """Refuse a row whose ends are of one colour.

    Parameters
    ----------
    difference : float
        CIEDE2000 between the old and the unused fluid.
    picture : Photograph
        For its name.

    Raises
    ------
    Complaint
        If they cannot be told apart.
    """
    if difference < TOLD_APART:
        raise _too_alike(picture)


def _too_alike(picture: Photograph) -> Complaint:
    return Complaint(
        "the old and the unused fluid are too alike to measure",
        "use wider vials, or check which vial holds which fluid",
        picture.name,
        "photo",
    )


def judge(
    shares: Shares,
    patches: list[Patch],
    card: Card,
    old: int,
    new: int,
    picture: Photograph,
    dim: bool,
) -> tuple[str, ...]:
    """Say what is doubtful about a row, or refuse it.

    Parameters
    ----------
    shares : Shares
        What was computed.
    patches : list of Patch
        The vials.
    card : Card
        The light.
    old, new : int
        Which vials are the references.
    picture : Photograph
        For its name, and whether it has colour.
    dim : bool
        The old fluid is nearly black in every channel.

    Returns
    -------
    tuple of str
        Warnings, one sentence each.

    Raises
    ------
    Complaint
        If old and new are too alike, or the row is no row of mixes.
    """
    if shares.standard_error.max() > 0.25:
        raise _too_alike(picture)
    between = np.array([k for k in range(len(patches)) if k not in (old, new)])
    uneven = np.array([p.uneven for p in patches])
    misfit = np.nan_to_num(shares.misfit)
    share, error = shares.share[between], shares.standard_error[between]
    outside = np.maximum(share - 1.0, -share) > np.maximum(0.15, 3 * error)
    disorder = _disorder(shares, old)
    strange = np.mean(misfit[between] > 2 * MISFIT) > 0.5 or outside.mean() > 0.5
    # One vial that is no mix is dirty; when most are, and the shares go up and down as well, the
    # row is something else. With one channel there is no misfit to tell.
    foreign = float(np.mean(misfit[between] > MISFIT))
    strange |= disorder >= 0.25 and foreign >= 0.5
    strange |= _lighter(patches, old, new) and foreign > 0.25
    strange |= disorder >= 0.4 and shares.channels.sum() == 1
    if strange or np.median(uneven) > 2.5 * UNEVEN:
        raise Complaint(
            "this does not look like a row of mixes of one old and one new fluid",
            "show the vials before a plain white card, old fluid at one end, unused at the other",
            picture.name,
            "photo",
        )
    return tuple(
        _of_the_photograph(card, picture, dim)
        + _of_the_ends(patches, old, new, shares)
        + _of_the_order(shares, old)
        + [
            f"Vial {k + 1} is not a mix of the two end fluids: dirt, another fluid or water?"
            for k in between
            if misfit[k] > MISFIT
        ]
        + [
            f"Vial {k + 1} is uneven: bubbles, dirt or a label in the way?"
            for k in np.flatnonzero(uneven > UNEVEN)
        ]
    )


def _of_the_photograph(card: Card, picture: Photograph, dim: bool) -> list[str]:
    out = []
    if picture.grey:
        out.append("The photograph has no colour; only its brightness was used.")
    if card.burnt > 0.5:
        out.append(
            "The white card is burnt out, so uneven light could not be corrected;"
            " take it with less light."
        )
    elif card.unevenness > 0.02:
        out.append("The light on the card is patchy; the errors were widened.")
    if dim:
        out.append(
            "The old fluid is nearly black; only its brightest colour was used."
            " Narrower vials would measure better."
        )
    return out


def of_the_faint(ends: Sequence[str], gaps: Sequence[int] = ()) -> tuple[str, ...]:
    """Say that something without glass was left out beyond an end of the row or within it.

    Parameters
    ----------
    ends : sequence of str
        "left" or "right", from `find_row`.
    gaps : sequence of int
        Vials right of which something was left out, from `find_row`.

    Returns
    -------
    tuple of str
        Warnings.

    Examples
    --------
    >>> of_the_faint(["right"])[0][:41]
    'Something faint stands right of the row: '
    """
    return tuple(
        f"Something faint stands {end} of the row: a shadow, which is left out. If it is a vial"
        " of clear fluid, outline the vials by hand."
        for end in ends
    ) + tuple(
        f"Something faint stands between vials {k + 1} and {k + 2} and is left out. If it is a"
        " vial, outline the vials by hand."
        for k in gaps
    )


def of_the_unglazed(
    patches: list[Patch], old: int, new: int, picture: Photograph
) -> tuple[str, ...]:
    """Say that a row was read for its colours alone, or refuse it.

    Parameters
    ----------
    patches : list of Patch
        The vials.
    old, new : int
        Which are the old and the unused fluid.
    picture : Photograph
        For its name.

    Returns
    -------
    tuple of str
        Warnings.

    Raises
    ------
    Complaint
        If not even the named ends speak for a row of mixes.
    """
    if _lighter(patches, old, new):
        raise Complaint(
            "nothing in the picture shows glass, and what is named as old is lighter than the"
            " unused",
            "check at which end the old fluid stands",
            picture.name,
            "photo",
        )
    return (
        "Nothing in the picture shows glass: it could be a row of painted patches. It is read"
        " because its colours are mixes of those at its ends.",
    )


def of_the_bare(outlines: Sequence[int]) -> tuple[str, ...]:
    """Say in which outlines nothing but card is seen.

    Parameters
    ----------
    outlines : sequence of int
        Counted from 0 at the left, from `bare_outlines`.

    Returns
    -------
    tuple of str
        Warnings.
    """
    return tuple(
        f"Nothing but card is seen in outline {k + 1} from the left; does a vial stand there?"
        for k in outlines
    )


def _lighter(patches: list[Patch], old: int, new: int) -> bool:
    """Whether the old fluid is lighter than the unused, in the blue as well.

    A brown old fluid can be lighter to the eye than a fresh red dye, but age takes the blue first.
    """
    a, b = patches[old].transmittance, patches[new].transmittance
    if not luminance(a) > luminance(b):
        return False
    return bool(a[2] > b[2] or max(a[2], b[2]) < BLACK_SHARE)


def _of_the_ends(patches: list[Patch], old: int, new: int, shares: Shares) -> list[str]:
    out = []
    if _lighter(patches, old, new):
        out.append(
            "The vial named as old is lighter than the one named as unused;"
            " is the row the other way round?"
        )
    if shares.standard_error.max() > 0.1:
        out.append("The old and the unused fluid are much alike, so the errors are large.")
    for k in range(len(patches)):
        if k in (old, new):
            continue
        over, under = shares.share[k] - 1.0, -shares.share[k]
        if over > max(0.05, 3 * shares.standard_error[k]):
            out.append(f"Vial {k + 1} is older in colour than the old fluid at the end of the row.")
        if under > max(0.05, 3 * shares.standard_error[k]):
            out.append(f"Vial {k + 1} is cleaner in colour than the unused fluid.")
    return out


def _of_the_order(shares: Shares, old: int) -> list[str]:
    """Vials that read older than the one nearer to the old end."""
    return [
        f"Vial {after + 1} reads older than vial {before + 1}, which stands nearer to the"
        " old fluid; are they in order?"
        for before, after in _steps(len(shares.share), old)
        if _climbs(shares, before, after)
    ]


def _disorder(shares: Shares, old: int) -> float:
    """Share of the steps between samples at which the old share goes up; 0 for one step."""
    steps = _steps(len(shares.share), old)
    return float(np.mean([_climbs(shares, *s) for s in steps])) if len(steps) > 1 else 0.0


def _steps(count: int, old: int) -> list[tuple[int, int]]:
    """Neighbouring samples, the one nearer to the old end first."""
    order = list(range(count)) if old == 0 else list(range(count))[::-1]
    return list(pairwise(order[1:-1]))


def _climbs(shares: Shares, before: int, after: int) -> bool:
    step = shares.share[after] - shares.share[before]
    error = float(np.hypot(shares.standard_error[after], shares.standard_error[before]))
    return bool(step > max(0.03, 2 * error))
