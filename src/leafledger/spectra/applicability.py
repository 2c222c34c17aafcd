"""Is a spectrum like those that a latent-variable model was trained on?

Two distances: Hotelling's T2 inside the model plane, and Q (the squared residual) away from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray


def t2_limit(n: int, n_components: int, alpha: float) -> float:
    """Return the limit of Hotelling's T2 for a future spectrum.

    Parameters
    ----------
    n
        Number of training spectra.
    n_components
        Number of latent variables ``A``, below ``n``.
    alpha
        Share of spectra of the same kind that are beyond the limit.

    Returns
    -------
    float
        ``A (n - 1)(n + 1) / (n (n - A)) F(1 - alpha; A, n - A)``.

    Raises
    ------
    ValueError
        If there are not more spectra than latent variables.

    References
    ----------
    Tracy, Young & Mason 1992, J. Qual. Technol. 24:88-95 (future observations).
    """
    from scipy.stats import f

    a = n_components
    if a < 1 or n <= a:
        raise ValueError(f"{n} spectra do not limit T2 over {a} latent variables")
    return float(a * (n - 1) * (n + 1) / (n * (n - a)) * f.ppf(1 - alpha, a, n - a))


@dataclass(frozen=True)
class QLimit:
    """Limit of Q and the approximation it was found by (``jackson_mudholkar`` or ``box``)."""

    value: float
    method: str


def q_limit(residual_eigenvalues: NDArray[np.float64], alpha: float) -> QLimit:
    """Return the limit of Q, the sum of squared residuals of a spectrum.

    Parameters
    ----------
    residual_eigenvalues
        Eigenvalues of the covariance of the training residuals, shape ``(n,)``; those at or below
        zero are left out.
    alpha
        Share of spectra of the same kind that are beyond the limit.

    Returns
    -------
    QLimit
        Jackson and Mudholkar's limit; where its exponent ``h0`` is not positive the formula has
        no value and Box's weighted chi-square stands in, named as such. Zero if nothing is left.

    References
    ----------
    Jackson & Mudholkar 1979, Technometrics 21:341-349; Box 1954, Ann. Math. Stat. 25:290-302.
    """
    kept = residual_eigenvalues[residual_eigenvalues > 0]
    if kept.size == 0:
        return QLimit(0.0, "jackson_mudholkar")
    # In units of the largest eigenvalue, so that tiny residuals do not underflow in the cube.
    scale = float(kept.max())
    first, second, third = (float(((kept / scale) ** power).sum()) for power in (1, 2, 3))
    h0 = 1 - 2 * first * third / (3 * second**2)
    if h0 <= 0:
        from scipy.stats import chi2

        return QLimit(scale * second / first * float(chi2.ppf(1 - alpha, first**2 / second)), "box")
    normal = NormalDist().inv_cdf(1 - alpha)
    inner = normal * np.sqrt(2 * second * h0**2) / first + 1
    inner += second * h0 * (h0 - 1) / first**2
    return QLimit(scale * first * float(inner) ** (1 / h0), "jackson_mudholkar")


def hotelling_t2(
    scores: NDArray[np.float64], training_variance: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return T2 of every spectrum.

    Parameters
    ----------
    scores
        Scores from the training mean, shape ``(n_scans, n_components)``.
    training_variance
        Variance of the training scores (divisor ``n - 1``), shape ``(n_components,)``; training
        scores of different latent variables are uncorrelated.

    Returns
    -------
    numpy.ndarray
        Shape ``(n_scans,)``.
    """
    return np.asarray((scores**2 / training_variance).sum(axis=1), dtype=np.float64)


def residual_q(residuals: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return Q of every spectrum from its residuals, shape ``(n_scans, n_wavelengths)``."""
    return np.asarray((residuals**2).sum(axis=1), dtype=np.float64)


def residual_eigenvalues(residuals: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the eigenvalues of the residual covariance (divisor ``n - 1``), largest first.

    Parameters
    ----------
    residuals
        Training residuals with mean zero, shape ``(n_scans, n_wavelengths)``, at least two scans.
        Directions that are zero up to rounding are left out.
    """
    values = np.linalg.svd(residuals, compute_uv=False)
    kept = values[values > values.max(initial=0.0) * 1e-10]
    return np.asarray(kept**2 / (len(residuals) - 1), dtype=np.float64)
