"""Numbers of nature and of statistics that several parts use."""

from __future__ import annotations

MAD_TO_SIGMA = 1.482602
"""Standard deviation of a Gaussian over its median absolute deviation, 1 / Phi^-1(3/4); as in
`astropy.stats.mad_std`."""
FWHM_PER_SIGMA = 2.3548200450309493
"""Full width at half maximum of a Gaussian of unit sigma, 2 sqrt(2 ln 2)."""
MEDIAN_ERROR = 1.2533
"""Standard error of a median over that of a mean, sqrt(pi / 2), for many Gaussian values."""
SIDEREAL_RATE = 1296000.0 / 86164.0905
"""How fast the sky turns at the equator, arcsec per second of time: a turn in a sidereal day
(Explanatory Supplement, from memory)."""
