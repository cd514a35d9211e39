"""Fitting a motion to a folded star image, and weighing how well it was explained.

The still star is a sum of round Gaussians whose brightnesses follow from linear least
squares at every trial, so only the motion's own few parameters are searched for
(variable projection: Golub & Pereyra 1973, SIAM J. Numer. Anal. 10, 413).  The evidence of a
motion is its likelihood integrated over its parameters by Laplace's method, so that a
motion that can bend farther pays for it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade.constants import FWHM_PER_SIGMA
from subgrade.stars.motion.families import Family
from subgrade.stars.motion.folded_star import FoldedStar

WIDTHS = np.array([0.5, 0.7, 0.84, 0.93, 1.01, 1.12, 1.4, 2.0, 3.0])
"""Gaussians of the still star, in units of the sigma of its narrow width: between them they
follow Kolmogorov and Moffat stars to 0.2 % of the peak (GalSim)."""
FLOOR = 0.0005
"""Error of the image beside its noise, of the peak: what the fitted sum leaves of a star."""
ROUNDS = 25
SETTLED = 0.02
"""Change of chi-square below which a fit has settled."""
STRETCH_LIMIT = 0.25
SURE_SIDE = 0.15
"""Skewness along the axis from which the side of a displaced part is taken as known."""


@dataclass(frozen=True, slots=True)
class Solved:
    """One family fitted.

    Attributes
    ----------
    family : Family
    centre : float
        Origin of the motion on the image, px.
    parameters : ndarray
        As the family's.
    stretch : float
        Variance of the still star along the axis over that across it, less 1.
    brightness : ndarray
        Of the still star's Gaussians (volume over 2 pi) and the sky's two signs.
    chi2 : float
        Without what is believed of the parameters.
    residual : float
        Rms of image less model where the star is bright, of the peak.
    log_evidence : float
    """

    family: Family
    centre: float
    parameters: np.ndarray
    stretch: float
    brightness: np.ndarray
    chi2: float
    residual: float
    log_evidence: float


class Fitter:
    """Fits families to one star image; holds what they share.

    Parameters
    ----------
    star : FoldedStar
    stretch : (float, float)
        What is believed of the still star's ``stretch``, and its sigma.
    """

    def __init__(self, star: FoldedStar, stretch: tuple[float, float]) -> None:
        self.star, self.stretch = star, stretch
        self.inside = np.isfinite(star.error).ravel()
        error = np.hypot(star.error, FLOOR).ravel()[self.inside]
        self.weight = 1.0 / error
        self.data = star.image.ravel()[self.inside] * self.weight
        self.sigma = WIDTHS * star.fwhm / FWHM_PER_SIGMA
        self.cross = np.exp(-0.5 * (star.across / self.sigma[:, None]) ** 2) / self.sigma[:, None]
        # The transform repeats itself after a period that keeps the widest wings apart.
        period = float(np.ptp(star.along)) + 8 * star.fwhm
        count = int(np.ceil(4.5 / self.sigma[0] * period / (2 * np.pi)))
        self.k = np.arange(count + 1) * 2 * np.pi / period
        turn = np.multiply.outer(self.k, star.along)
        self.back = np.concatenate([np.cos(turn), np.sin(turn)]) * (2 / period)
        self.back[0] *= 0.5
        self.spread = -0.5 * np.multiply.outer(self.sigma**2, self.k**2)
        self.columns = np.empty((len(WIDTHS) + 2, len(self.data)))
        self.columns[-2], self.columns[-1] = self.weight, -self.weight

    def lines(
        self, family: Family, centre: float, parameters: np.ndarray, stretch: float
    ) -> np.ndarray:
        """The still star's Gaussians moved, along the axis.

        Parameters
        ----------
        family : Family
        centre : float
            Origin of the motion, px.
        parameters : ndarray
            As the family's.
        stretch : float
            As in `Solved`.

        Returns
        -------
        ndarray, shape (Gaussians, n)
        """
        moved = family.spectrum(self.k, parameters) * np.exp(1j * self.k * centre)
        soft = np.exp(self.spread * (1 + stretch))
        return np.concatenate([soft * moved.real, soft * moved.imag], axis=1) @ self.back

    def left(self, family: Family, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """What is left of the data, in sigmas, and the brightnesses; fills ``columns``.

        Parameters
        ----------
        family : Family
        x : ndarray
            Centre, parameters and stretch.
        """
        from scipy.optimize import nnls

        lines = self.lines(family, x[0], x[1:-1], x[-1])
        n = len(WIDTHS)
        both = (lines[:, :, None] * self.cross[:, None, :]).reshape(n, -1)
        np.multiply(both[:, self.inside], self.weight, out=self.columns[:n])
        normal = self.columns @ self.columns.T
        scale = 1 / np.sqrt(np.diag(normal))
        normal = normal * scale * scale[:, None]
        normal[np.diag_indices(n + 2)] += 1e-9
        lower = np.linalg.cholesky(normal)
        bright = nnls(lower.T, np.linalg.solve(lower, self.columns @ self.data * scale))[0] * scale
        return self.data - bright @ self.columns, bright

    def slopes(
        self, family: Family, x: np.ndarray, bright: np.ndarray, high: np.ndarray
    ) -> np.ndarray:
        """Derivatives of what is left.

        At fixed brightnesses and then freed of what these could take up (Kaufman 1975, BIT
        15, 49); ``columns`` must be those of ``x``.

        Parameters
        ----------
        family : Family
        x, bright : ndarray
            As `left` takes and returns them.
        high : ndarray
            Upper bounds of ``x``.

        Returns
        -------
        ndarray, shape (data, parameters)
        """
        basis = np.linalg.qr(self.columns[bright > 0].T)[0]
        n = len(WIDTHS)
        at_x = self.lines(family, x[0], x[1:-1], x[-1])
        slope = np.empty((len(self.data), len(x)))
        for i in range(len(x)):
            d = 1e-4 * (self.star.fwhm if i < 2 else 1.0)
            d = -d if x[i] + d > high[i] else d
            moved = x.copy()
            moved[i] += d
            change = (self.lines(family, moved[0], moved[1:-1], moved[-1]) - at_x) / d
            image = (bright[:n, None] * change).T @ self.cross
            slope[:, i] = -image.ravel()[self.inside] * self.weight
        return slope - basis @ (basis.T @ slope)

    def believed(self, family: Family, x: np.ndarray) -> np.ndarray:
        """Distance of parameters from what is believed of them, in sigmas."""
        beliefs = (*family.belief, self.stretch)
        return np.array([(v - m) / s for v, (m, s) in zip(x[2:], beliefs, strict=True)])

    def fit(self, family: Family) -> Solved:
        """The best of the family's starts, refined (Levenberg-Marquardt)."""
        centre, rms, skew = self.star.excess()
        side = math.copysign(1.0, skew) if abs(skew) > SURE_SIDE else 0.0
        starts = []
        for guess in family.starts(rms, side):
            middle = centre - family.moments(np.array(guess))[0]
            starts.append(np.array([middle, *guess, self.stretch[0]]))
        if len(starts) > 1:
            starts.sort(key=lambda x: float(np.sum(self.left(family, x)[0] ** 2)))
        # A mirrored start may be the better one though it begins worse.
        chosen = starts[:1] + [x for x in starts[1:] if x[1] * starts[0][1] < 0][:1]
        return self._solved(
            family, *min((self._refined(family, x) for x in chosen), key=lambda found: found[0])
        )

    def _refined(self, family: Family, x: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        """Cost, parameters and normal matrix where the fit settled."""
        low = np.array([-np.inf, *family.low, -STRETCH_LIMIT])
        high = np.array([np.inf, *family.high, STRETCH_LIMIT])
        pull = np.diag([0.0, 0.0, *(s**-2 for _, s in (*family.belief, self.stretch))])
        x = np.clip(x, low, high)
        rest, bright = self.left(family, x)
        belief, damping = self.believed(family, x), 1e-2
        cost = rest @ rest + belief @ belief
        for _ in range(ROUNDS):
            slope = self.slopes(family, x, bright, high)
            normal, downhill = slope.T @ slope + pull, slope.T @ rest
            downhill[2:] += belief * np.sqrt(np.diag(pull)[2:])
            free = ~(((x <= low) & (downhill > 0)) | ((x >= high) & (downhill < 0)))
            for _ in range(5):
                part = normal[np.ix_(free, free)]
                part = part + np.diag(damping * np.diag(part) + 1e-12)
                new = x.copy()
                new[free] -= np.linalg.solve(part, downhill[free])
                new = np.clip(new, low, high)
                new_rest, new_bright = self.left(family, new)
                new_belief = self.believed(family, new)
                new_cost = new_rest @ new_rest + new_belief @ new_belief
                if new_cost < cost:
                    break
                damping *= 6
            else:
                break
            gain = cost - new_cost
            x, rest, bright, belief, cost = new, new_rest, new_bright, new_belief, new_cost
            damping = max(damping / 5, 1e-7)
            if gain < SETTLED:
                break
        return cost, x, normal

    def _solved(self, family: Family, cost: float, x: np.ndarray, normal: np.ndarray) -> Solved:
        rest, bright = self.left(family, x)
        # Laplace's method; the extent is believed even in its logarithm from 0.1 to 5 FWHM, the
        # centre is common to all.
        count = len(x) - 1
        widths = [s for _, s in (*family.belief, self.stretch)]
        log_prior = -sum(math.log(s * math.sqrt(2 * math.pi)) for s in widths)
        log_prior -= math.log(max(abs(x[1]), 0.05 * self.star.fwhm) * math.log(50.0))
        log_prior -= math.log(2.0) if family.sided else 0.0
        curve = normal[1:, 1:] + 1e-3 * np.eye(count)
        volume = 0.5 * count * math.log(2 * math.pi) - 0.5 * np.linalg.slogdet(curve)[1]
        shown = self.star.image.ravel()[self.inside] > 0.03
        return Solved(
            family,
            float(x[0]),
            x[1:-1],
            float(x[-1]),
            bright,
            float(rest @ rest),
            # Mean size, not mean square, so that one element cannot rule; 1.2533 makes it an rms.
            float(1.2533 * np.mean(np.abs(rest / self.weight)[shown])),
            float(-0.5 * cost + log_prior + volume),
        )
