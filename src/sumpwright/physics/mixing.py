"""Share of old fluid in a sample from its absorbance, with an honest error.

At equal path length the absorbance of a mix is the mix of the absorbances (Beer-Lambert),

    A = o A_old + (1 - o) A_new        in each channel,

so the old share o follows by least squares over the channels, weighted with the inverse of their
covariance. A photograph breaks the law a little: the channels of a camera are broad, its colour
matrix leaks one channel into another, and its rendering bends the scale of light to look well. What
the colours of the two ends foretell of that (`sumpwright.physics.broadband`) is taken out as far as
the channels agree with it; the errors that are left vanish at the two ends of the row and are
largest half-way, and `Noise` carries their size.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator
from scipy.special import ndtr

from sumpwright.physics.broadband import GRID, departure
from sumpwright.physics.colour import BLACK, Array

__all__ = ["Calibration", "Noise", "Shares", "absorbance_covariance", "old_shares"]

_LN10 = float(np.log(10.0))
# How many times larger or smaller than assumed the errors of this photograph may be, and how
# likely each is before the channels have been compared with each other.
_SCALES: Array = np.array([0.35, 0.6, 1.0, 1.4])
_SCALE_PRIOR: Array = np.array([0.15, 0.30, 0.35, 0.20])
# How much of the departure that broad channels are expected to make is there, and how likely each
# is before the channels have been compared: none where the channels are narrow.
_BROAD: Array = np.array([0.0, 0.5, 1.0])
_BROAD_PRIOR: Array = np.array([0.2, 0.3, 0.5])
_GRID: Array = np.linspace(-0.5, 1.5, 2001)
_Z90 = 1.6448536269514722


@dataclass(frozen=True)
class Noise:
    """Sizes of the errors of a photographed absorbance, as standard deviations.

    Parameters
    ----------
    grey : float
        Error common to the three channels of one vial: uneven light left after correction.
    channel : float
        Error of each channel of one vial on its own: colour of the light, JPEG.
    path : float
        Relative error of one vial's path length (bore of the glass).
    veil : float
        Stray light and reflections, as a share of the card's light.
    bend : tuple of float, shape (3,)
        Departure of a channel from the mixing line half-way, per unit of its own span, times four:
        what is left of broad channels. Blue departs most.
    leak : tuple of float, shape (3,)
        The same per unit of the widest channel's span: the camera's colour matrix takes some of
        one channel from another, which red feels most.
    curve : float
        The same for all channels together, as a share of a small span: the contrast that cameras
        add. Over a span of half a decade and more, where it bends both ways, it counts less.

    Notes
    -----
    The sizes are the project's own, fitted to simulated photographs; no published source.
    """

    grey: float = 0.004
    channel: float = 0.003
    path: float = 0.008
    veil: float = 0.003
    bend: tuple[float, float, float] = (0.025, 0.025, 0.09)
    leak: tuple[float, float, float] = (0.05, 0.015, 0.02)
    curve: float = 0.27


@dataclass(frozen=True)
class Shares:
    """Old shares of a row of samples.

    Parameters
    ----------
    share, standard_error, low, high : numpy.ndarray, shape (n,)
        Best value, its standard deviation and the ends of the 90 % interval; not clipped to 0 to 1.
        At the two reference vials the share is 1 and 0 with no error: they define the scale.
    misfit : numpy.ndarray, shape (n,)
        Weighted sum of squares of what no mix of old and new explains, per channel left over.
        Below 1 is expected; far above 1 means dirt, another fluid or a wrong vial. NaN where one
        channel alone was read.
    channels : numpy.ndarray of bool, shape (3,)
        Channels that were used.
    """

    share: Array
    standard_error: Array
    low: Array
    high: Array
    misfit: Array
    channels: NDArray[np.bool_]

    def bounded(self) -> Shares:
        """Return the shares as they can be, in [0, 1], with intervals that keep a width.

        A value beyond an end is read as that end, and its interval moved there with it:
        as wide as the error, however far out the value fell.

        Examples
        --------
        >>> no = np.array([np.nan])
        >>> out = Shares(np.array([1.03]), np.array([0.01]), np.array([1.01]), np.array([1.05]),
        ...              no, np.ones(3, bool)).bounded()
        >>> out.share.tolist(), out.high.tolist(), out.low.round(2).tolist()
        ([1.0], [1.0], [0.98])
        """
        share = np.clip(self.share, 0.0, 1.0)
        moved = share - self.share
        low = np.clip(self.low + np.minimum(moved, 0.0), 0.0, 1.0)
        high = np.clip(self.high + np.maximum(moved, 0.0), 0.0, 1.0)
        return Shares(share, self.standard_error, low, high, self.misfit, self.channels)


def absorbance_covariance(
    transmittance: ArrayLike, sampling: ArrayLike = 0.0, noise: Noise | None = None
) -> Array:
    """Covariance of the absorbance of one vial between its channels.

    Parameters
    ----------
    transmittance : array_like, shape (..., c)
        Light over white.
    sampling : array_like, shape (..., c)
        Standard deviation of the absorbance from the spread of the pixels.
    noise : Noise, optional
        Sizes of the other errors.

    Returns
    -------
    numpy.ndarray, shape (..., c, c)
        Sum of a term common to the channels, one for each channel, one along the absorbance itself
        (path length) and one for stray light, whose weight grows as the vial gets darker
        (dA = du / (t ln 10)).

    Examples
    --------
    >>> clear, dark = absorbance_covariance([[0.9, 0.9, 0.9], [0.9, 0.5, 0.02]])
    >>> bool(dark[2, 2] > 20 * clear[2, 2])
    True
    """
    size = noise or Noise()
    t = np.maximum(np.asarray(transmittance, dtype=np.float64), BLACK)
    a = -np.log10(t)
    spread = np.broadcast_to(np.asarray(sampling, dtype=np.float64), t.shape)
    identity = np.eye(t.shape[-1])
    stray = size.veil / (_LN10 * t)
    own = size.channel**2 + spread**2 + (0.3 * stray) ** 2
    return np.asarray(
        size.grey**2
        + own[..., None] * identity
        + size.path**2 * a[..., :, None] * a[..., None, :]
        + stray[..., :, None] * stray[..., None, :]
    )


def old_shares(
    transmittance: ArrayLike,
    old: int,
    new: int,
    *,
    sampling: ArrayLike = 0.0,
    channels: ArrayLike | None = None,
    noise: Noise | None = None,
) -> Shares:
    """Old share of every vial of a row that holds the old and the new fluid as references.

    Weighted least squares over the channels: with d = A_old - A_new and y = A - A_new,
    ``o = d' W y / d' W d`` and ``se² = 1 / d' W d``, where the inverse of W is the covariance of
    the residual y - o d: the errors of the vial, (1 - o)² times those of the new and o² times those
    of the old reference, and o(1 - o) times the departure from the mixing line. That line is
    straight where the channels are narrow and bent where they are broad: none, half and all of
    what `sumpwright.physics.broadband.departure` foretells are tried, by Gauss and Newton. How
    large the errors of this photograph are compared with `Noise` is judged from how well the
    channels agree over the row; the answers are averaged by their evidence.

    Parameters
    ----------
    transmittance : array_like, shape (n, 3)
        Light over white of each vial.
    old, new : int
        Rows that hold the drained old fluid and the unused fluid.
    sampling : array_like, shape (n, 3)
        Standard deviation of the absorbances from the spread of the pixels.
    channels : array_like of bool, shape (3,), optional
        Channels to use; saturated or black ones are left out by the caller. All by default.
    noise : Noise, optional
        Sizes of the errors.

    Returns
    -------
    Shares
        One value per vial.

    Raises
    ------
    ValueError
        If no channel is left, the two references are the same row, or their absorbances are equal.

    References
    ----------
    A. C. Aitken, "On least squares and linear combination of observations", *Proc. R. Soc.
    Edinburgh* 55 (1936) 42-48, for least squares with a covariance.

    Examples
    --------
    >>> a_new, a_old = np.array([0.02, 0.10, 0.30]), np.array([0.40, 0.80, 1.20])
    >>> shares = np.array([1.0, 0.4, 0.1, 0.0])
    >>> t = 10.0 ** -(a_new + shares[:, None] * (a_old - a_new))
    >>> got = old_shares(t, old=0, new=3)
    >>> got.share.round(2).tolist()
    [1.0, 0.4, 0.1, 0.0]
    >>> bool(np.all(got.standard_error[1:3] < 0.03))
    True
    """
    size = noise or Noise()
    t = np.maximum(np.asarray(transmittance, dtype=np.float64), BLACK)
    use = np.ones(t.shape[1], dtype=bool) if channels is None else np.asarray(channels, dtype=bool)
    if not use.any():
        raise ValueError("no channel to read")
    if old % len(t) == new % len(t):
        raise ValueError("old and new are the same vial")
    spread = np.broadcast_to(np.asarray(sampling, dtype=np.float64), t.shape)[:, use]
    a = -np.log10(t[:, use])
    span = a[old] - a[new]
    if not np.any(np.abs(span) > 0):
        raise ValueError("old and new absorb alike")
    y = a - a[new]
    systematic = absorbance_covariance(t[:, use], 0.0, size)
    pixels = spread[:, :, None] ** 2 * np.eye(use.sum()) + 1e-9 * np.eye(use.sum())
    widest = np.abs(span).max()
    bend, leak = np.array(size.bend)[use], np.array(size.leak)[use]
    line = np.diag((bend * np.abs(span) + leak * widest) ** 2)
    bow = size.curve * span / (1.0 + 2.0 * widest)
    curve = np.outer(bow, bow)

    bends = departure(t[old], t[new], use)[:, use]
    fits = [
        _fit(y, span, s, systematic, pixels, line, curve, old, new, bends, broad)
        for broad in _BROAD
        for s in _SCALES
    ]
    inner = np.array([i not in (old % len(t), new % len(t)) for i in range(len(t))])
    prior = np.log(np.outer(_BROAD_PRIOR, _SCALE_PRIOR).ravel())
    evidence = np.array([f[2][inner].sum() for f in fits]) + prior
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    means, variances = np.array([f[0] for f in fits]), np.array([f[1] for f in fits])
    share = weight @ means
    error = np.sqrt(np.maximum(weight @ (variances + means**2) - share**2, 0.0))
    low, high = _interval(weight, means, np.sqrt(variances))
    spare = int(use.sum()) - 1
    # Judged with the largest errors, so that a camera's own colours do not look like dirt.
    misfit = fits[-1][3] / spare if spare else np.full(len(t), np.nan)
    for row, value in ((old, 1.0), (new, 0.0)):
        share[row] = low[row] = high[row] = value
        error[row] = misfit[row] = 0.0
    return Shares(share, error, low, high, misfit, use)


def _fit(
    y: Array,
    span: Array,
    scale: float,
    systematic: Array,
    pixels: Array,
    line: Array,
    curve: Array,
    old: int,
    new: int,
    bends: Array,
    broad: float,
) -> tuple[Array, Array, Array, Array]:
    """Shares, variances, log evidence and chi square of each vial for one size of the errors."""
    total = scale**2 * systematic + pixels
    rises = np.gradient(bends, GRID, axis=0)
    o = np.full(len(y), 0.3)
    for _ in range(8):  # the weights depend on o; a few rounds settle it to well below its error
        q = np.clip(o, 0.0, 1.0)
        p = q[:, None, None]
        s = total + (1 - p) ** 2 * total[new] + p**2 * total[old]
        # Channels bent alike agree with each other, so their agreement says nothing of it.
        s = s + (p * (1 - p)) ** 2 * (scale**2 * line + curve)
        w = np.linalg.inv(s)
        slope = span + broad * _along(rises, q)
        wd = np.einsum("nij,nj->ni", w, slope)
        variance = 1.0 / np.einsum("ni,ni->n", wd, slope)
        residual = y - o[:, None] * span - broad * _along(bends, q)
        o = o + variance * np.einsum("ni,ni->n", wd, residual)
    residual = y - o[:, None] * span - broad * _along(bends, np.clip(o, 0.0, 1.0))
    chi = np.einsum("ni,nij,nj->n", residual, w, residual)
    evidence = -0.5 * (chi + np.linalg.slogdet(s)[1] - np.log(variance))
    return o, variance, evidence, chi


def _along(table: Array, shares: Array) -> Array:
    """Interpolate each column of a table over `GRID`."""
    return np.stack([np.interp(shares, GRID, column) for column in table.T], axis=1)


def _interval(weight: Array, means: Array, deviations: Array) -> tuple[Array, Array]:
    """Where the weighted sum of normal distributions passes 5 % and 95 %."""
    z = (_GRID[:, None, None] - means) / np.maximum(deviations, 1e-6)
    below = np.einsum("k,gkn->gn", weight, ndtr(z))
    ends = [[np.interp(q, below[:, n], _GRID) for n in range(means.shape[1])] for q in (0.05, 0.95)]
    return np.array(ends[0]), np.array(ends[1])


@dataclass(frozen=True)
class Calibration:
    """A dilution row: known shares and the absorbances they gave.

    Mixing the user's own old and new fluid in known shares (0, 25, 50, 75, 100 %) and photographing
    them shows how this camera departs from the straight mixing line. In each channel the share is
    interpolated against the absorbance, scaled so that new is 0 and old is 1, with a monotone cubic
    (PCHIP); channels that do not rise (or fall) all along the row are left out.

    Parameters
    ----------
    shares : array_like, shape (k,)
        Known old shares; 0 and 1 must be among them, no value twice.
    transmittance : array_like, shape (k, 3)
        Light over white of each.
    sampling : array_like, shape (k, 3)
        Standard deviation of the absorbances from the spread of the pixels.

    Raises
    ------
    ValueError
        If there are fewer than three shares, 0 or 1 is missing, a share is given twice, or no
        channel is monotone.

    References
    ----------
    F. N. Fritsch and J. Butland, "A method for constructing local monotone piecewise cubic
    interpolants", *SIAM J. Sci. Stat. Comput.* 5 (1984) 300-304.

    Examples
    --------
    >>> known = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
    >>> bent = known[:, None] ** 0.8 * np.array([0.3, 0.6, 0.9])
    >>> row = Calibration(known, 10.0**-bent)
    >>> sample = 0.25**0.8 * np.array([[0.3, 0.6, 0.9]])
    >>> t = 10.0 ** -np.vstack([bent[-1], sample, bent[0]])
    >>> row.read(t, old=0, new=2).share.round(3).tolist()
    [1.0, 0.25, 0.0]
    """

    shares: Array
    transmittance: Array
    sampling: Array = field(default_factory=lambda: np.zeros(1))
    channels: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        shares = np.asarray(self.shares, dtype=np.float64)
        order = np.argsort(shares)
        t = np.maximum(np.asarray(self.transmittance, dtype=np.float64)[order], BLACK)
        spread = np.broadcast_to(np.asarray(self.sampling, dtype=np.float64), t.shape)[order]
        shares = shares[order]
        if len(shares) < 3 or shares[0] != 0 or shares[-1] != 1 or np.any(np.diff(shares) <= 0):
            raise ValueError("a dilution row needs 0, 1 and at least one share between, each once")
        steps = np.diff(-np.log10(t), axis=0)
        monotone = np.all(steps > 0, axis=0) | np.all(steps < 0, axis=0)
        if not monotone.any():
            raise ValueError("no channel rises or falls all along the dilution row")
        for name, value in (
            ("shares", shares),
            ("transmittance", t),
            ("sampling", spread),
            ("channels", monotone),
        ):
            object.__setattr__(self, name, value)

    def read(
        self,
        transmittance: ArrayLike,
        old: int,
        new: int,
        *,
        sampling: ArrayLike = 0.0,
        channels: ArrayLike | None = None,
        noise: Noise | None = None,
    ) -> Shares:
        """Old share of every vial of a row, by interpolation in the dilution row.

        Parameters are those of `old_shares`. The errors of the sample, of its two references and of
        the dilution row are carried through the interpolation by finite differences, and the
        channels are averaged with the inverse of the covariance that results.

        Returns
        -------
        Shares
            One value per vial.

        Raises
        ------
        ValueError
            If no channel is left that the dilution row can serve.
        """
        size = noise or Noise()
        t = np.maximum(np.asarray(transmittance, dtype=np.float64), BLACK)
        use = self.channels if channels is None else self.channels & np.asarray(channels, bool)
        a, knots = -np.log10(t), -np.log10(self.transmittance)
        use = use & (np.abs(a[old] - a[new]) > 0)
        if not use.any():
            raise ValueError("no channel that the dilution row can serve")
        spread = np.broadcast_to(np.asarray(sampling, dtype=np.float64), t.shape)
        cov_rows = absorbance_covariance(t, spread, size)
        cov_knots = absorbance_covariance(self.transmittance, self.sampling, size)
        count, spare = len(t), int(use.sum()) - 1
        out = np.zeros((4, count))
        misfit = np.zeros(count)
        ones = np.ones(use.sum())
        for i in range(count):
            if i in (old % count, new % count):
                out[:, i] = 0.0 if i == new % count else 1.0
                out[1, i] = 0.0
                continue
            value, cov = self._channelwise(a, knots, i, old, new, cov_rows, cov_knots)
            w = np.linalg.inv(cov[np.ix_(use, use)])
            variance = 1.0 / (ones @ w @ ones)
            best = float(variance * (ones @ w @ value[use]))
            rest = value[use] - best
            chi = float(rest @ w @ rest)
            misfit[i] = chi / spare if spare else np.nan
            # Channels that disagree by more than their errors say so in the answer's error.
            error = float(np.sqrt(variance * max(1.0, chi / spare if spare else 1.0)))
            out[:, i] = best, error, best - _Z90 * error, best + _Z90 * error
        return Shares(out[0], out[1], out[2], out[3], misfit, use)

    def _channelwise(
        self,
        a: Array,
        knots: Array,
        i: int,
        old: int,
        new: int,
        cov_rows: Array,
        cov_knots: Array,
    ) -> tuple[Array, Array]:
        """Share by each channel alone, and the covariance between them."""
        width = a.shape[1]
        value = np.full(width, np.nan)
        cov = np.zeros((width, width))
        slopes_row = np.zeros((3, width))
        slopes_knot = np.zeros((len(self.shares), width))
        step = 1e-4
        for c in np.flatnonzero(self.channels):
            base = np.array([a[i, c], a[old, c], a[new, c]])
            value[c] = self._one(base, knots[:, c])
            for k in range(3):
                moved = base.copy()
                moved[k] += step
                slopes_row[k, c] = (self._one(moved, knots[:, c]) - value[c]) / step
            for k in range(len(self.shares)):
                bent = knots[:, c].copy()
                bent[k] += step
                slopes_knot[k, c] = (self._one(base, bent) - value[c]) / step
        for k, row in enumerate((i, old, new)):
            cov += slopes_row[k][:, None] * slopes_row[k][None, :] * cov_rows[row]
        for k in range(len(self.shares)):
            cov += slopes_knot[k][:, None] * slopes_knot[k][None, :] * cov_knots[k]
        return value, cov + 1e-10 * np.eye(width)

    def _one(self, sample: Array, knots: Array) -> float:
        """PCHIP of share against scaled absorbance for one channel, straight beyond the ends."""
        here = (sample[0] - sample[2]) / (sample[1] - sample[2])
        scaled = (knots - knots[0]) / (knots[-1] - knots[0])
        curve = PchipInterpolator(scaled, self.shares)
        inside = float(np.clip(here, 0.0, 1.0))
        return float(curve(inside) + (here - inside) * curve(inside, 1))
