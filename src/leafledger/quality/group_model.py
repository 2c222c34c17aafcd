"""Scans of larger groups, judged by Hotelling's T2 and the residual Q.

The model is that of one session, as the rule `quality` sees it: principal components of how its
scans differ from the median of their own group, so that units may differ from each other freely.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.flags import Flag
from leafledger.spectra.applicability import (
    hotelling_t2,
    q_limit,
    residual_eigenvalues,
    residual_q,
    t2_limit,
)

Floats = NDArray[np.float64]

FEWEST_IN_GROUP = 6
"""Smaller groups are judged by the distances of pairs alone."""
FEWEST_SCANS = 30
"""Fewer scans give no principal components to judge by."""
ALPHA = 1e-4
"""Share of good scans beyond one of the limits, if their differences are normal."""
_EXPLAINED = 0.95
_MOST_COMPONENTS = 5
_ROUNDS = 5


@dataclass(frozen=True)
class GroupModel:
    """Principal components of the differences within groups, with both limits.

    Attributes
    ----------
    axes
        Shape ``(n_bands, n_components)``.
    variance
        Variance of the scores, shape ``(n_components,)``.
    n
        Scans that made the model.
    t2_limit, q_limit
        Limits at :data:`ALPHA`.
    q_method
        How the limit of Q was found: ``jackson_mudholkar``, or ``box`` where that has no value.
    """

    axes: Floats
    variance: Floats
    n: int
    t2_limit: float
    q_limit: float
    q_method: str

    def t2_q(self, differences: Floats) -> tuple[Floats, Floats]:
        """Return T2 and Q of each difference, shape ``(n_scans, n_bands)``."""
        scores = differences @ self.axes
        return (
            hotelling_t2(scores, self.variance),
            residual_q(differences - scores @ self.axes.T),
        )


def fit_model(differences: Floats) -> GroupModel | None:
    """Fit the model, leaving out in turn what lies beyond its own limits.

    Parameters
    ----------
    differences
        Log reflectance less the median of the group, shape ``(n_scans, n_bands)``.

    Returns
    -------
    GroupModel or None
        ``None`` with fewer than 30 scans.

    Notes
    -----
    As many components as explain 95 % of the variance, at most five. The limit of T2 is that for
    a scan that did not make the model (F), the limit of Q that of Jackson and Mudholkar.

    References
    ----------
    Tracy, Young & Mason 1992, J. Qual. Technol. 24:88-95; Jackson & Mudholkar 1979, Technometrics
    21:341-349.
    """
    keep = np.ones(len(differences), dtype=bool)
    model: GroupModel | None = None
    for _ in range(_ROUNDS):
        if keep.sum() < FEWEST_SCANS:
            return model
        model = _components(differences[keep])
        if model is None:
            return None
        t2, q = model.t2_q(differences)
        inside = (t2 <= model.t2_limit) & (q <= model.q_limit)
        if np.array_equal(inside, keep):
            break
        keep = inside
    return model


def _components(training: Floats) -> GroupModel | None:
    n = len(training)
    _, singular, axes = np.linalg.svd(training, full_matrices=False)
    variance = singular**2 / (n - 1)
    if variance.sum() <= 0:
        return None
    explained = np.cumsum(variance) / variance.sum()
    a = min(int(np.searchsorted(explained, _EXPLAINED)) + 1, _MOST_COMPONENTS, len(variance) - 1)
    rest = training - training @ axes[:a].T @ axes[:a]
    limit = q_limit(residual_eigenvalues(rest), ALPHA)
    return GroupModel(axes[:a].T, variance[:a], n, t2_limit(n, a, ALPHA), limit.value, limit.method)


def model_outliers(
    scans: Sequence[str],
    units: Sequence[str],
    leaves: Sequence[str],
    bands: Floats,
) -> list[Flag]:
    """Flag scans of groups of six or more that lie beyond a limit of the session's model.

    Parameters
    ----------
    scans, units, leaves
        Ids of sample scans without a fault, and the unit and leaf position of each.
    bands
        Log reflectance in broad bands less the median of the leaf position, shape
        ``(n_scans, n_bands)``.

    Returns
    -------
    list of Flag
        ``outlier``, check ``replicate_t2`` or ``replicate_q``, on a scan that stands apart by
        itself; ``notice`` if all scans of its leaf do (then the leaf differs, not the scan).
    """
    groups: dict[str, list[int]] = {}
    for k, unit in enumerate(units):
        groups.setdefault(unit, []).append(k)
    large = {unit: at for unit, at in groups.items() if len(at) >= FEWEST_IN_GROUP}
    if not large:
        return []
    differences = np.full(bands.shape, np.nan)
    for at in groups.values():
        if len(at) >= 3:
            # The median takes up part of every difference: n / (n - 1) gives it back on average.
            centre = np.median(bands[at], axis=0)
            differences[at] = (bands[at] - centre) * np.sqrt(len(at) / (len(at) - 1))
    there = ~np.isnan(differences).any(axis=1)
    model = fit_model(differences[there])
    if model is None:
        return []
    flags: list[Flag] = []
    for unit, at in sorted(large.items()):
        t2, q = model.t2_q(differences[at])
        for limit, values, check in (
            (model.t2_limit, t2, "replicate_t2"),
            (model.q_limit, q, "replicate_q"),
        ):
            beyond = {at[k]: float(values[k]) for k in np.flatnonzero(values > limit)}
            flags += _flags(beyond, limit, check, (scans, leaves), at, unit)
    if model.q_method == "box":
        flags = [
            replace(flag, sentence=flag.sentence + _BOX) if flag.check == "replicate_q" else flag
            for flag in flags
        ]
    return flags


_WORDS: Mapping[str, str] = {
    "replicate_t2": "Hotelling T2 (how far along the ways in which scans of one group differ)",
    "replicate_q": "residual Q (what those ways do not explain)",
}
_BOX = " The limit is Box's, since that of Jackson and Mudholkar has no value here."


def _flags(
    beyond: Mapping[int, float],
    limit: float,
    check: str,
    named: tuple[Sequence[str], Sequence[str]],
    group: Sequence[int],
    unit: str,
) -> list[Flag]:
    scans, leaves = named
    out = []
    for k, value in beyond.items():
        same = [j for j in group if j != k and leaves[j] == leaves[k] and leaves[k]]
        leaf_differs = bool(same) and all(j in beyond for j in same)
        told = (
            f"{_WORDS[check]} against the {len(group)} scans of {unit} is {value:.3g}, the limit "
            f"{limit:.3g} (components of this session's scans, one good scan in "
            f"{1 / ALPHA:,.0f} beyond it)"
        )
        if leaf_differs:
            told += "; so are all scans of this leaf, so it is the leaf that differs"
        out.append(
            Flag(
                scans[k],
                check,
                "notice" if leaf_differs else "outlier",
                value,
                limit,
                "1",
                f"{told}.",
            )
        )
    return out
