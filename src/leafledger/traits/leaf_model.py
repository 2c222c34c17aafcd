"""Which contents and structure of a leaf explain its reflectance, by a model of light in leaves?

The model is PROSPECT-D. A leaf is a pile of N plates with rough surfaces; N need not be whole. Each
plate absorbs by the contents of the leaf, shared among the plates. The inversion looks for the
contents whose reflectance lies closest to the measured one, given priors and bounds.

The model needs the refractive index of leaf material and the specific absorption of every
constituent. They are published figures and are not part of this package: a study names a table of
its own (:mod:`leafledger.traits.leaf_estimates`).

Why own code: the only packaged implementation declares no licence, computes one leaf at a time and
has no derivatives. Here leaves are computed in batches, with analytic derivatives. The tests hold
the two against each other.

References
----------
Feret J-B, Gitelson AA, Noble SD, Jacquemoud S (2017) Remote Sensing of Environment 193: 204-215
(PROSPECT-D).
Jacquemoud S, Baret F (1990) Remote Sensing of Environment 34: 75-91 (the number of plates N).
Allen WA, Gausman HW, Richardson AJ, Thomas JR (1969) Journal of the Optical Society of America 59:
1376-1379 (the plate).
Stokes GG (1862) Proceedings of the Royal Society of London 11: 545-556 (the pile of plates).
Stern F (1964) Applied Optics 3: 111-113 (mean transmissivity of an interface).
Marquardt DW (1963) Journal of the Society for Industrial and Applied Mathematics 11: 431-441.
Geyer CJ (1992) Statistical Science 7: 473-483 (sum of an autocorrelation).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

# What is fitted: bounds and priors.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Parameter:
    """A quantity that the inversion fits.

    Attributes
    ----------
    name, unit
        As in the tables.
    low, high
        Bounds. The posterior is cut off there.
    mean, sd
        Of its prior, a normal distribution cut off at the bounds.
    words
        What it is called in a sentence.
    """

    name: str
    unit: str
    low: float
    high: float
    mean: float
    sd: float
    words: str


STRUCTURE: Final = "structure"
GLOSS: Final = "gloss"
BROWN: Final = "brown_pigments"
PARAMETERS: Final = (
    Parameter(STRUCTURE, "1", 1.0, 4.0, 1.6, 0.5, "leaf structure N"),
    Parameter("chlorophyll", "ug/cm2", 0.0, 150.0, 40.0, 40.0, "chlorophyll"),
    Parameter("carotenoids", "ug/cm2", 0.0, 50.0, 8.0, 8.0, "carotenoids"),
    Parameter("anthocyanins", "ug/cm2", 0.0, 60.0, 0.0, 8.0, "anthocyanins"),
    Parameter(BROWN, "1", 0.0, 5.0, 0.0, 0.5, "brown pigments"),
    Parameter("water", "cm", 0.0, 0.1, 0.012, 0.012, "water"),
    Parameter("dry_matter", "g/cm2", 0.0, 0.05, 0.006, 0.006, "dry matter"),
    Parameter(GLOSS, "1", -0.1, 0.3, 0.0, 0.02, "gloss"),
)
"""In the order of the tables. The priors are this package's own and wide: means near those of
leaves of many species, standard deviations as large as most of these means. The gloss is a
reflectance that the geometry of the clip adds to all wavelengths alike; it is negative where the
clip keeps out light that the surface of the leaf reflects."""
BY_NAME: Final = {one.name: one for one in PARAMETERS}
CONSTITUENTS: Final = tuple(one.name for one in PARAMETERS if one.name not in {STRUCTURE, GLOSS})
"""The parameters that absorb: each has a specific absorption in the table of coefficients."""
ALPHA_DEG: Final = 40.0
"""Largest angle of incidence on the rough upper surface (degrees), as published."""


@dataclass(frozen=True)
class Coefficients:
    """What the model needs to know of leaf material, on one wavelength axis.

    Attributes
    ----------
    wavelength_nm
        Wavelengths, shape (n,).
    refractive_index
        Refractive index, shape (n,).
    absorption
        Constituent -> specific absorption, shape (n,), per unit of that parameter. A constituent
        that is not here does not absorb and is not fitted.
    """

    wavelength_nm: Array
    refractive_index: Array
    absorption: Mapping[str, Array]

    def at(self, wavelength_nm: Array) -> Coefficients:
        """Return the coefficients on the axis of an instrument, by linear interpolation.

        The band width of the instrument is not taken into account.
        """
        axis = self.wavelength_nm
        return Coefficients(
            wavelength_nm,
            np.interp(wavelength_nm, axis, self.refractive_index),
            {name: np.interp(wavelength_nm, axis, k) for name, k in self.absorption.items()},
        )

    def fitted(self, *, brown: bool = False) -> tuple[str, ...]:
        """Return the parameters that can be fitted, in the order of the tables."""
        return tuple(
            parameter.name
            for parameter in PARAMETERS
            if parameter.name in {STRUCTURE, GLOSS}
            or (parameter.name in self.absorption and (brown or parameter.name != BROWN))
        )


# The forward model.
# ----------------------------------------------------------------------

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)


def interface_transmissivity(refractive_index: Array, alpha_deg: float) -> Array:
    """Return the mean transmissivity of a smooth interface for light within a cone.

    Parameters
    ----------
    refractive_index
        Relative refractive index n > 1, shape (n,).
    alpha_deg
        Half angle of the cone; 90 for diffuse light.

    Notes
    -----
    The mean of Fresnel's transmissivity T over the cone, weighted by projected solid angle,
    ``t_av = int_0^alpha T(theta) sin(2 theta) d theta / sin(alpha)^2`` for unpolarised light. Stern
    (1964) gives it in closed form. Gauss-Legendre quadrature with 48 nodes is exact to 1e-14 for
    the indices of leaves and needs no case for 90 degrees.

    Examples
    --------
    >>> interface_transmissivity(np.array([1.5]), 90.0).round(6)
    array([0.908222])
    """
    n = np.asarray(refractive_index, dtype=np.float64)[:, None]
    alpha = math.radians(alpha_deg)
    theta = alpha / 2 * (_NODES + 1)
    cos_i = np.cos(theta)
    # Fresnel's equations, with the angle of refraction by Snell's law.
    cos_t = np.sqrt(1 - (np.sin(theta) / n) ** 2)
    r_s = ((cos_i - n * cos_t) / (cos_i + n * cos_t)) ** 2
    r_p = ((n * cos_i - cos_t) / (n * cos_i + cos_t)) ** 2
    transmitted = 1 - (r_s + r_p) / 2
    integral = (transmitted * np.sin(2 * theta)) @ _WEIGHTS * alpha / 2
    return np.asarray(integral / math.sin(alpha) ** 2)


@dataclass(frozen=True)
class Surfaces:
    """Transmissivities of the interfaces of a plate, shape (n,) each.

    Attributes
    ----------
    t_alpha
        From air, for light within 40 degrees: the upper surface of the leaf.
    t12, t21
        From air and to air, for diffuse light.
    """

    t_alpha: Array
    t12: Array
    t21: Array


def surfaces_of(refractive_index: Array) -> Surfaces:
    """Return the transmissivities that belong to a refractive index."""
    t12 = interface_transmissivity(refractive_index, 90.0)
    return Surfaces(
        interface_transmissivity(refractive_index, ALPHA_DEG), t12, t12 / refractive_index**2
    )


_OPAQUE: Final = 100.0
"""Absorption from which on a plate lets nothing through (1e-45)."""
_LEAST_D: Final = 1e-7
"""Without absorption D is 0 and the equations are 0/0; from here on they have their limit."""


def leaf_optics(n_plates: Array, k: Array, surfaces: Surfaces) -> tuple[Array, Array, Array, Array]:
    """Return reflectance, transmittance, and the derivatives of the reflectance.

    Parameters
    ----------
    n_plates
        Structure N >= 1, shape (leaves, 1).
    k
        Absorption of one plate, shape (leaves, n): the sum of contents times specific absorption,
        divided by N.
    surfaces
        Of the material, at n wavelengths.

    Returns
    -------
    reflectance, transmittance
        Directional-hemispherical, shape (leaves, n).
    by_k, by_n
        Derivatives of the reflectance by k, and by N at constant k.
    """
    from scipy.special import exp1

    t_alpha, t12, t21 = surfaces.t_alpha, surfaces.t12, surfaces.t21
    r_alpha, r12, r21 = 1 - t_alpha, 1 - t12, 1 - t21
    # 1. Transmissivity of the plate: tau = (1 - k) exp(-k) + k^2 E1(k) (Allen et al. 1969), which
    #    is 2 E3(k); its derivative is -2 E2(k) = -2 (exp(-k) - k E1(k)).
    positive = np.clip(k, 1e-300, _OPAQUE)
    decay, integral = np.exp(-positive), exp1(positive)
    k_integral = positive * integral
    tau = (1 - positive) * decay + positive * k_integral
    tau_by_k = -2 * (decay - k_integral)
    # 2. One plate with its surfaces, lit diffusely (r, t), and as the top of the leaf (R_a, T_a).
    passes = r21 * tau
    inverse = 1 / (1 - passes**2)
    core = tau * t21 * inverse
    core_by_tau = t21 * (1 + passes**2) * inverse**2
    t, top_t = t12 * core, t_alpha * core
    r, top_r = r12 + passes * t, r_alpha + passes * top_t
    echo_by_tau = r21 * core + passes * core_by_tau
    t_by, top_t_by = t12 * core_by_tau, t_alpha * core_by_tau
    r_by, top_r_by = t12 * echo_by_tau, t_alpha * echo_by_tau
    # 3. The N - 1 plates below (Stokes 1862). With p = ln a and q = ln b of that paper
    #    R_sub = sinh((N-1) q) / sinh(p + (N-1) q) and T_sub = sinh(p) / sinh(p + (N-1) q), where
    #    sinh p = D / 2r, sinh q = D / 2t. This form loses no digits where little is absorbed, and
    #    does not overflow where much is.
    d = np.sqrt(np.maximum((1 + r + t) * (1 + r - t) * (1 - r + t) * (1 - r - t), _LEAST_D**2))
    sinh_p, sinh_q = d / (2 * r), d / (2 * t)
    p, q = np.arcsinh(sinh_p), np.arcsinh(sinh_q)
    depth = (n_plates - 1) * q
    total = p + depth
    both = np.expm1(-2 * total)
    sub_r = np.exp(-p) * np.expm1(-2 * depth) / both
    sub_t = np.exp(-depth) * np.expm1(-2 * p) / both
    #    cosh p = (1 + r^2 - t^2) / 2r and cosh q = (1 - r^2 + t^2) / 2t give dp and dq.
    cosh_p = (1 + r**2 - t**2) / (2 * r)
    cosh_q = (1 - r**2 + t**2) / (2 * t)
    p_by = (r_by - (t / r) * t_by - cosh_p * r_by / r) / sinh_p
    q_by = (t_by - (r / t) * r_by - cosh_q * t_by / t) / sinh_q
    #    d R_sub = -R_sub coth(total) dp + sinh p / sinh^2(total) d depth.
    coth = -(2 + both) / both
    by_depth = 4 * np.exp(-2 * total) / both**2 * sinh_p
    sub_by = -sub_r * coth * p_by + by_depth * (n_plates - 1) * q_by
    sub_by_n = by_depth * q
    # 4. The whole leaf: R = R_a + T_a R_sub t / (1 - R_sub r), T = T_a T_sub / (1 - R_sub r).
    between = 1 / (1 - sub_r * r)
    reflectance = top_r + top_t * sub_r * t * between
    transmittance = top_t * sub_t * between
    by_sub = top_t * t * between**2
    by_tau = (
        top_r_by
        + (top_t_by * t + top_t * t_by) * sub_r * between
        + top_t * t * (sub_r * between) ** 2 * r_by
        + by_sub * sub_by
    )
    return reflectance, transmittance, by_tau * tau_by_k, by_sub * sub_by_n


def simulate(coefficients: Coefficients, parameters: Mapping[str, Array]) -> tuple[Array, Array]:
    """Return the reflectance and the transmittance of leaves.

    Parameters
    ----------
    coefficients
        On the wanted axis of n wavelengths.
    parameters
        Name -> value of each leaf. A constituent left out is 0, as is the gloss.

    Returns
    -------
    reflectance, transmittance
        Shape (leaves, n). The gloss is added to the reflectance.
    """
    n_plates = np.atleast_1d(np.asarray(parameters[STRUCTURE], dtype=np.float64))[:, None]
    k = np.zeros((len(n_plates), len(coefficients.wavelength_nm)))
    for name in CONSTITUENTS:
        if name in parameters and name in coefficients.absorption:
            content = np.atleast_1d(np.asarray(parameters[name], dtype=np.float64))[:, None]
            k += content * coefficients.absorption[name] / n_plates
    surfaces = surfaces_of(coefficients.refractive_index)
    reflectance, transmittance, _, _ = leaf_optics(n_plates, k, surfaces)
    if GLOSS in parameters:
        reflectance = reflectance + np.atleast_1d(parameters[GLOSS])[:, None]
    return reflectance, transmittance


class ForwardModel:
    """Reflectance and its Jacobian for a fixed list of parameters and a fixed axis.

    Parameters
    ----------
    coefficients
        On the axis of the spectra.
    names
        The parameters, as :meth:`Coefficients.fitted` returns them.
    """

    def __init__(self, coefficients: Coefficients, names: Sequence[str]) -> None:
        self.names = tuple(names)
        self.surfaces = surfaces_of(coefficients.refractive_index)
        self.absorbing = [name for name in names if name in CONSTITUENTS]
        self.specific = np.array([coefficients.absorption[name] for name in self.absorbing])
        self.at = [self.names.index(name) for name in self.absorbing]
        self.structure, self.gloss = self.names.index(STRUCTURE), self.names.index(GLOSS)
        self.n_wavelengths = len(coefficients.wavelength_nm)

    def _optics(self, theta: Array) -> tuple[Array, Array, Array, Array]:
        n_plates = theta[:, self.structure, None]
        k = theta[:, self.at] @ self.specific / n_plates
        reflectance, _, by_k, by_n = leaf_optics(n_plates, k, self.surfaces)
        return reflectance + theta[:, self.gloss, None], by_k, by_n, k

    def reflectance(self, theta: Array) -> Array:
        """Return the reflectance, shape (leaves, n), for parameters of shape (leaves, names)."""
        return self._optics(theta)[0]

    def jacobian(self, theta: Array) -> tuple[Array, Array]:
        """Return the reflectance, and its derivatives of shape (leaves, names, n)."""
        reflectance, by_k, by_n, k = self._optics(theta)
        n_plates = theta[:, self.structure, None]
        # k is the absorption of the leaf over N: d k / d content = K / N, and d k / d N = -k / N.
        slope = by_k / n_plates
        derivatives = np.empty((len(theta), len(self.names), self.n_wavelengths))
        derivatives[:, self.structure] = by_n - slope * k
        derivatives[:, self.gloss] = 1.0
        for row, specific in zip(self.at, self.specific, strict=True):
            np.multiply(slope, specific, out=derivatives[:, row])
        return reflectance, derivatives


# The inversion: the parameters of highest posterior density.
# ----------------------------------------------------------------------

_MOST_STEPS: Final = 80
_SMALL_STEP: Final = 1e-6
"""A step below this share of every prior standard deviation ends the search."""
_FIRST_STEP: Final = 1e-3
"""The same for the first of the two fits, of which only the residuals are used."""
_BLOCK_VALUES: Final = 24_000
"""Reflectances computed at once, leaves times wavelengths: what a core keeps in its cache."""
_GUESSED_U: Final = 0.005
"""Uncertainty of reflectance with which a fit begins where none is stated."""
_N_STARTS: Final = 512


@dataclass(frozen=True)
class Inversion:
    """What the inversion found, for each of n leaves.

    Attributes
    ----------
    names
        The fitted parameters.
    estimate
        Parameters of highest posterior density, shape (n, names).
    covariance
        Posterior covariance at the estimate, shape (n, names, names). It holds the measurement
        uncertainty that differs from wavelength to wavelength, the misfit and the priors.
    shared
        Change of the estimate by one standard uncertainty of each source that wavelengths share,
        shape (sources, n, names).
    residual
        Measured less fitted reflectance, shape (n, wavelengths).
    misfit
        Root of the mean squared residual, shape (n,).
    inflation
        By how much the variance of the measurement was raised for misfit, shape (n,): 1 if the
        residuals are as small as stated and independent of each other.
    n_effective
        Number of wavelengths, divided by the sum of the autocorrelation of the residuals.
    converged
        Whether the search ended by small steps.
    """

    names: tuple[str, ...]
    estimate: Array
    covariance: Array
    shared: Array
    residual: Array
    misfit: Array
    inflation: Array
    n_effective: Array
    converged: Flags

    @property
    def u_posterior(self) -> Array:
        """Posterior standard deviation, without what is shared, shape (n, names)."""
        return np.asarray(np.sqrt(np.einsum("ijj->ij", self.covariance)))

    @property
    def u(self) -> Array:
        """Combined standard uncertainty, shape (n, names)."""
        return np.asarray(np.sqrt(self.u_posterior**2 + (self.shared**2).sum(axis=0)))

    @property
    def prior_share(self) -> Array:
        """Posterior over prior variance, shape (n, names): 1 if the spectrum adds nothing."""
        sd = np.array([BY_NAME[name].sd for name in self.names])
        return np.asarray(np.minimum((self.u_posterior / sd) ** 2, 1.0))

    def interval(self, level: float) -> tuple[Array, Array]:
        """Return the lower and upper end of the interval, cut off at the bounds."""
        from scipy.stats import norm

        half = float(norm.ppf(0.5 + level / 2)) * self.u
        low = np.array([BY_NAME[name].low for name in self.names])
        high = np.array([BY_NAME[name].high for name in self.names])
        return np.maximum(self.estimate - half, low), np.minimum(self.estimate + half, high)


def invert(
    coefficients: Coefficients,
    reflectance: Array,
    u: Array | None = None,
    *,
    shared: Array | None = None,
    brown: bool = False,
) -> Inversion:
    """Invert the model for many leaves.

    Parameters
    ----------
    coefficients
        On the axis of the spectra.
    reflectance
        Measured reflectance, shape (leaves, n).
    u
        Standard uncertainty that is independent from wavelength to wavelength, the same shape;
        ``None`` if unknown: it is then taken from the residuals.
    shared
        For each source of uncertainty that wavelengths share, the signed change of reflectance by
        one standard uncertainty: shape (sources, leaves, n).
    brown
        Whether brown pigments are fitted, too.

    Notes
    -----
    The posterior density is that of independent normal errors, with normal priors, within bounds.
    A model of a leaf is never as exact as a spectrometer: its residuals are smooth and larger than
    the noise. So the fit is made twice. The first weighs by the stated uncertainty. Then all
    variances are multiplied by the ratio of the squared residuals to those expected times the sum
    of the autocorrelation of the residuals (never by less than 1, where an uncertainty is stated),
    and the second fit begins where the first ended. The priors thereby gain weight where the model
    fits badly.
    """
    names = coefficients.fitted(brown=brown)
    model = ForwardModel(coefficients, names)
    starts, spectra = _start_table(model)
    n_leaves, n = reflectance.shape
    if not n_leaves:
        raise ValueError("no leaf to invert")
    sources = np.zeros((0, n_leaves, n)) if shared is None else shared
    parts = []
    size = max(1, _BLOCK_VALUES // n)
    for first in range(0, n_leaves, size):
        block = slice(first, first + size)
        parts.append(
            _invert_block(
                model,
                reflectance[block],
                None if u is None else u[block],
                sources[:, block],
                starts[_nearest_start(spectra, reflectance[block])],
            )
        )
    joined = [
        np.concatenate(blocks, axis=1 if i == 2 else 0)
        for i, blocks in enumerate(zip(*parts, strict=True))
    ]
    return Inversion(names, *joined)


def _start_table(model: ForwardModel) -> tuple[Array, Array]:
    """Return parameters that fill the space of usual leaves evenly, and their reflectance.

    They are a Halton sequence: of the starts the one whose spectrum is closest is taken, so that
    the search begins in the valley of the best fit.
    """
    from scipy.stats import qmc

    ends = {STRUCTURE: (1.0, 3.0), "chlorophyll": (0.0, 100.0), "carotenoids": (0.0, 25.0),
            "anthocyanins": (0.0, 20.0), BROWN: (0.0, 1.0), "water": (0.002, 0.05),
            "dry_matter": (0.001, 0.025), GLOSS: (0.0, 0.0)}  # fmt: skip
    low, high = np.array([ends[name] for name in model.names]).T
    points = qmc.Halton(len(model.names), scramble=False).random(_N_STARTS + 1)[1:]
    # Few leaves are dark, red, thick: squares put more of the starts where most leaves are.
    starts = low + (high - low) * points**1.5
    return starts, model.reflectance(starts)


def _nearest_start(spectra: Array, reflectance: Array) -> NDArray[np.intp]:
    """Return for each leaf the start with the smallest distance, a constant offset left free."""
    centred = spectra - spectra.mean(axis=1, keepdims=True)
    centred_leaves = reflectance - reflectance.mean(axis=1, keepdims=True)
    distance = (centred**2).sum(axis=1) - 2 * centred_leaves @ centred.T
    return np.asarray(distance.argmin(axis=1))


def _invert_block(
    model: ForwardModel, measured: Array, u: Array | None, shared: Array, start: Array
) -> tuple[NDArray[Any], ...]:
    n = measured.shape[1]
    stated = np.full_like(measured, _GUESSED_U) if u is None else u
    weight = 1 / stated**2
    theta, _ = _least_squares_with_prior(model, measured, weight, start, _FIRST_STEP)
    residual = measured - model.reflectance(theta)
    spare = max(n - len(model.names), 1)
    excess = (weight * residual**2).sum(axis=1) / spare
    correlation = autocorrelation_sum(residual * np.sqrt(weight))
    inflation = np.maximum(excess * correlation, 1e-12 if u is None else 1.0)
    weight = weight / inflation[:, None]
    theta, converged = _least_squares_with_prior(model, measured, weight, theta, _SMALL_STEP)
    fitted, jacobian = model.jacobian(theta)
    # In units of the prior standard deviations, so that parameters of all sizes are alike.
    scale = np.array([BY_NAME[name].sd for name in model.names])
    jacobian *= scale[:, None]
    weighted = jacobian * weight[:, None, :]
    precision = weighted @ jacobian.transpose(0, 2, 1) + np.eye(len(scale))
    covariance = np.linalg.inv(precision) * scale[:, None] * scale
    # A shared change s of the spectrum moves the optimum by C J' W s, to first order.
    weighted /= scale[:, None]
    pull = np.einsum("ijn,kin->kij", weighted, shared)
    moved = np.einsum("ilj,kij->kil", covariance, pull)
    residual = measured - fitted
    misfit = np.sqrt((residual**2).mean(axis=1))
    return theta, covariance, moved, residual, misfit, inflation, n / correlation, converged


def _least_squares_with_prior(
    model: ForwardModel, measured: Array, weight: Array, start: Array, small_step: float
) -> tuple[Array, Flags]:
    """Minimise the weighted squares plus those of the prior, by Levenberg and Marquardt."""
    parameters = [BY_NAME[name] for name in model.names]
    low, high = (
        np.array([parameter.low for parameter in parameters]),
        np.array([parameter.high for parameter in parameters]),
    )
    mean, scale = (
        np.array([parameter.mean for parameter in parameters]),
        np.array([parameter.sd for parameter in parameters]),
    )
    theta = np.clip(start, low, high).astype(np.float64)
    converged = np.zeros(len(theta), dtype=bool)
    damping = np.full(len(theta), 1e-3)
    rows = np.arange(len(theta))
    eye = np.eye(len(parameters))
    fitted, jacobian = model.jacobian(theta)
    for _ in range(_MOST_STEPS):
        now, residual, row_weight = theta[rows], measured[rows] - fitted, weight[rows]
        cost = (row_weight * residual**2).sum(axis=1) + (((now - mean) / scale) ** 2).sum(axis=1)
        # 1. Gradient and Gauss-Newton matrix, in units of the prior standard deviations.
        scaled = jacobian * scale[:, None]
        weighted = scaled * row_weight[:, None, :]
        matrix = weighted @ scaled.transpose(0, 2, 1) + eye
        gradient = (weighted @ residual[:, :, None])[:, :, 0] - (now - mean) / scale
        # 2. A parameter at a bound, which the gradient pushes outwards, is held there.
        held = ((now <= low) & (gradient < 0)) | ((now >= high) & (gradient > 0))
        free = ~held
        matrix = np.where(free[:, :, None] & free[:, None, :], matrix, 0.0)
        diagonal = np.einsum("ijj->ij", matrix) * (1 + damping[rows])[:, None]
        matrix = matrix * (1 - eye) + eye * np.where(held, 1.0, diagonal)[:, None, :]
        step = np.linalg.solve(matrix, np.where(free, gradient, 0.0)[:, :, None])[:, :, 0]
        then = np.clip(now + step * scale, low, high)
        # 3. A step that does not raise the cost is taken and the damping lessened.
        fitted_then, jacobian_then = model.jacobian(then)
        cost_then = (row_weight * (measured[rows] - fitted_then) ** 2).sum(axis=1)
        cost_then += (((then - mean) / scale) ** 2).sum(axis=1)
        better = cost_then <= cost
        theta[rows[better]] = then[better]
        damping[rows] = np.where(better, damping[rows] / 8, damping[rows] * 6)
        small = np.abs((then - now) / scale).max(axis=1) < small_step
        converged[rows[small]] = True
        going, rows = ~small, rows[~small]
        if not len(rows):
            break
        fitted = np.where(better[:, None], fitted_then, fitted)[going]
        jacobian = np.where(better[:, None, None], jacobian_then, jacobian)[going]
    return theta, converged


def autocorrelation_sum(residual: Array) -> Array:
    """Return the sum of the autocorrelation of each row over all lags, at least 1.

    Parameters
    ----------
    residual
        Shape (leaves, n).

    Notes
    -----
    Geyer's initial positive sequence: pairs of neighbouring lags are added as long as their sum is
    positive. The variance of a weighted mean of n values is that of n divided by this sum.
    """
    n = residual.shape[1]
    size = 2 ** math.ceil(math.log2(2 * n))
    power = np.abs(np.fft.rfft(residual, size, axis=1)) ** 2
    lagged = np.fft.irfft(power, size, axis=1)[:, : n - n % 2]
    rho = lagged / np.maximum(lagged[:, :1], 1e-300)
    pairs = rho[:, ::2] + rho[:, 1::2]
    positive = np.logical_and.accumulate(pairs > 0, axis=1)
    return np.asarray(np.maximum(2 * np.where(positive, pairs, 0.0).sum(axis=1) - 1, 1.0))


# Where the model does not fit.
# ----------------------------------------------------------------------

LARGEST_MISFIT: Final = 0.02
"""Root mean squared residual above which the model does not describe the sample (reflectance)."""
LINE_HEIGHT: Final = 0.01
LINE_WIDTH_NM: Final = 25.0
_LINE_SIGMA: Final = 6.0
FAR: Final = 3.5
"""Distance from the mean of a prior, in its standard deviations, beyond which a value is odd."""
BY_PRIOR: Final = 0.25
"""Share of the prior variance from which on a parameter is called determined by its prior."""


def narrow_residual(wavelength_nm: Array, residual: Array) -> tuple[Array, Array, Array]:
    """Return the largest narrow departure of each residual spectrum, where it is, and its noise.

    Parameters
    ----------
    wavelength_nm
        Shape (n,).
    residual
        Shape (leaves, n).

    Returns
    -------
    height
        Largest distance from the running median over 25 nm, shape (leaves,).
    at_nm
        Its wavelength.
    noise
        Robust standard deviation of these distances over all wavelengths.
    """
    from scipy.ndimage import median_filter

    step = float(np.median(np.diff(wavelength_nm)))
    width = max(3, 2 * round(LINE_WIDTH_NM / step / 2) + 1)
    deviation = np.abs(residual - median_filter(residual, size=(1, width), mode="nearest"))
    peak = deviation.argmax(axis=1)
    height = deviation[np.arange(len(deviation)), peak]
    return height, wavelength_nm[peak], np.asarray(1.4826 * np.median(deviation, axis=1))


def misfit_reasons(wavelength_nm: Array, inversion: Inversion) -> list[list[str]]:
    """Return for each leaf why the model does not fit it; an empty list if it does."""
    height, at_nm, noise = narrow_residual(wavelength_nm, inversion.residual)
    reasons: list[list[str]] = []
    for i, misfit in enumerate(inversion.misfit):
        leaf_reasons = [] if inversion.converged[i] else ["the search did not end"]
        if not misfit <= LARGEST_MISFIT:
            leaf_reasons.append(f"misfit {misfit:.3f}, above {LARGEST_MISFIT:g}")
        if height[i] > max(LINE_HEIGHT, _LINE_SIGMA * noise[i]):
            leaf_reasons.append(
                f"narrow residual of {height[i]:.3f} at {at_nm[i]:.0f} nm: no leaf has one, light "
                "of a lamp does"
            )
        leaf_reasons += _unusual_contents(inversion.names, inversion.estimate[i])
        reasons.append(leaf_reasons)
    return reasons


def _unusual_contents(names: Sequence[str], estimate: Array) -> list[str]:
    reasons = []
    for name, value in zip(names, estimate.tolist(), strict=True):
        parameter = BY_NAME[name]
        at_top = value >= parameter.high or (value <= parameter.low and parameter.low != 0.0)
        if name == STRUCTURE and value <= parameter.low:
            reasons.append("leaf structure N at its lower bound 1: a single plate")
        elif at_top:
            reasons.append(f"{parameter.words} at its bound {value:g}")
        elif abs(value - parameter.mean) > FAR * parameter.sd:
            unit = "" if parameter.unit == "1" else f" {parameter.unit}"
            reasons.append(
                f"{parameter.words} {value:.3g}{unit}: not a leaf as the priors know them"
            )
    return reasons
