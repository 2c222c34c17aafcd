"""Does a scan disagree with the others of its leaf or its unit?

Groups are small (three leaves, two replicates), so one scale is pooled over all groups of the
session. The treatment is not used.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.session import Flag
from leafledger.resampling.intervals import MAD_TO_SD
from leafledger.spectra.applicability import (
    hotelling_t2,
    q_limit,
    residual_eigenvalues,
    residual_q,
    t2_limit,
)

Floats = NDArray[np.float64]

_Key = TypeVar("_Key", bound=Hashable)
FEWEST_GROUPS = 4
"""Fewer groups than this give no scale to judge by."""
FEWEST_AT_POSITION = 5
"""Units that must have a leaf at a position before its median is taken off."""
AGREE_Z = 3.0
"""The others of a group agree if their pair distance is below this."""
_SHAPE_NM = (450.0, 950.0)
_N_BANDS = 25
"""Bands of about 20 nm: noise averages out, the red edge stays."""
_DARKEST = 0.005
"""Reflectance below this is noise; its logarithm would drown the rest."""
_LEAST_SCALE = {"level": 0.002, "shape": 0.002}
"""No group is called for differences below the repeatability of any clip (log reflectance)."""
_SURELY = 1 - 1e-9
"""Groups this near to the limit are computed one by one, whatever the order of a sum."""


@dataclass(frozen=True)
class _Scan:
    name: str
    unit: str
    leaf: str


def log_bands(wavelength_nm: Floats, reflectance: Floats, usable: NDArray[np.bool_]) -> Floats:
    """Return log reflectance in about 25 bands of the usable axis, 450-950 nm if it holds that.

    Parameters
    ----------
    wavelength_nm, usable
        Axis (nm), and where the white had signal, shape ``(n_wavelengths,)``.
    reflectance
        Shape ``(n_scans, n_wavelengths)``.

    Returns
    -------
    ndarray
        Shape ``(n_scans, n_bands)``.
    """
    in_shape = (wavelength_nm >= _SHAPE_NM[0]) & (wavelength_nm <= _SHAPE_NM[1])
    inside = np.flatnonzero(usable & in_shape)
    if len(inside) < 5:
        inside = np.flatnonzero(usable)
    parts = np.array_split(inside, min(_N_BANDS, len(inside)))
    means = np.column_stack([reflectance[:, part].mean(axis=1) for part in parts])
    return np.asarray(np.log(np.maximum(means, _DARKEST)), dtype=np.float64)


def replicate(
    scans: Sequence[str],
    places: Mapping[str, tuple[str, str]],
    bands: Floats,
    limit: float,
) -> list[Flag]:
    """Flag scans that disagree with their group.

    Parameters
    ----------
    scans
        Ids of sample scans without a fault.
    places
        Scan -> (unit, leaf).
    bands
        Log reflectance in broad bands, shape ``(n_scans, n_bands)`` (:func:`log_bands`).
    limit
        Robust distance z from which a scan is suggested for exclusion.

    Returns
    -------
    list of Flag
        ``outlier``, check ``replicate``, where one scan stands apart and the others agree;
        ``notice``, check ``group_disagrees``, on every scan of a group that disagrees without
        telling which one is wrong.

    Notes
    -----
    Distance in level (mean difference of log reflectance) and in shape (root mean square of what
    is left). The session's median of each leaf position is removed first. Two rounds: scans of
    one leaf against each other, then each scan against the other leaves of its unit. The pooled
    scale is the median of all pair distances within groups, scaled to a standard deviation.
    Groups of six scans or more are also held against the principal components of the session
    (:func:`model_outliers`).

    References
    ----------
    Median absolute deviation and its constant: Rousseeuw & Croux 1993, J. Am. Stat. Assoc.
    88:1273-1283.
    """
    rows = [_Scan(name, *places[name]) for name in scans]
    centred = _without_position(rows, bands)
    flags = _same_leaf(rows, centred, limit)
    outliers = {flag.scan for flag in flags if flag.severity == "outlier"}
    keep = [k for k, row in enumerate(rows) if row.name not in outliers]
    others = _other_leaves([rows[k] for k in keep], centred[keep], limit)
    sure = {flag.scan for flag in others if flag.severity == "outlier"}
    flagged = {f.scan for f in flags}
    both = [f for f in flags if f.severity == "outlier" or f.scan not in sure] + [
        f for f in others if f.severity == "outlier" or f.scan not in flagged
    ]
    units, leaves = [row.unit for row in rows], [row.leaf for row in rows]
    return both + model_outliers(scans, units, leaves, centred)


def _without_position(rows: Sequence[_Scan], bands: Floats) -> Floats:
    """Take off what a leaf position adds: the median over units of leaf less mean of its unit.

    Within units: how the units differ, often by far more, makes no noise of it.
    """
    out = bands - np.median(bands, axis=0)
    of_unit: dict[str, list[int]] = {}
    at_leaf: dict[str, dict[str, list[int]]] = {}
    for k, row in enumerate(rows):
        of_unit.setdefault(row.unit, []).append(k)
        at_leaf.setdefault(row.leaf, {}).setdefault(row.unit, []).append(k)
    centre = {unit: _mean(bands, rows_of) for unit, rows_of in of_unit.items()}
    for units in at_leaf.values():
        if len(units) >= FEWEST_AT_POSITION:
            added = [_mean(bands, rows_of) - centre[unit] for unit, rows_of in units.items()]
            out[[k for rows_of in units.values() for k in rows_of]] -= np.median(added, axis=0)
    return np.asarray(out, dtype=np.float64)


def _mean(bands: Floats, rows: Sequence[int]) -> Floats:
    # Mostly a leaf has one scan: its own mean, and many times faster had.
    return bands[rows[0]] if len(rows) == 1 else np.asarray(bands[list(rows)].mean(axis=0))


def _same_leaf(rows: Sequence[_Scan], bands: Floats, limit: float) -> list[Flag]:
    groups: dict[tuple[str, str], list[int]] = {}
    for k, row in enumerate(rows):
        groups.setdefault((row.unit, row.leaf), []).append(k)
    full = {key: members for key, members in groups.items() if len(members) > 1}
    if len(full) < FEWEST_GROUPS:
        return []
    values = {key: {rows[k].name: bands[k] for k in members} for key, members in full.items()}
    scale = _pooled(_pair_distances(values.values()))
    far = _farthest(values, scale)
    flags: list[Flag] = []
    for unit, leaf in sorted(key for key, z in far.items() if z > limit * _SURELY):
        what = f"scans of leaf {leaf} of {unit}"
        flags += _group_flags(values[unit, leaf], scale, limit, what)
    return flags


def _pooled(pairs: Mapping[str, Floats]) -> dict[str, float]:
    """Return the standard deviation of one scan, from the median distance of all pairs."""
    return {
        kind: max(MAD_TO_SD * float(np.median(pairs[kind])) / np.sqrt(2), least)
        for kind, least in _LEAST_SCALE.items()
    }


def _pair_distances(groups: Iterable[Mapping[str, Floats]]) -> dict[str, Floats]:
    """Return the distances of all pairs within groups."""
    stacks = [np.stack([group[name] for name in sorted(group)]) for group in groups]
    pairs = [stack[i] - stack[j] for stack in stacks for i, j in combinations(range(len(stack)), 2)]
    return _level_shape(np.array(pairs))


def _level_shape(difference: Floats) -> dict[str, Floats]:
    """Return the distance in level and in shape of differences, shape ``(..., n_bands)``."""
    level = difference.mean(axis=-1)
    shape = np.sqrt(np.mean((difference - level[..., None]) ** 2, axis=-1))
    return {"level": np.abs(level), "shape": np.asarray(shape)}


def _farthest(
    groups: Mapping[_Key, Mapping[str, Floats]], scale: Mapping[str, float]
) -> dict[_Key, float]:
    """Return the largest z of each group; groups of one size are taken together."""
    by_size: dict[int, list[_Key]] = {}
    for key, values in groups.items():
        by_size.setdefault(len(values), []).append(key)
    far: dict[_Key, float] = {}
    for size, keys in by_size.items():
        stack = np.stack([np.stack([groups[key][n] for n in sorted(groups[key])]) for key in keys])
        worst = np.zeros(len(keys))
        for i in range(size):
            others = np.median(np.delete(stack, i, axis=1), axis=1)
            distance = _level_shape(stack[:, i] - others)
            for kind in scale:
                z = distance[kind] / (scale[kind] * np.sqrt(_spread(size - 1)))
                worst = np.maximum(worst, z)
        far |= dict(zip(keys, worst.tolist(), strict=True))
    return far


def _spread(n_others: int) -> float:
    """Return the variance of a scan less the median of others, in variances of one scan.

    That of a median of n normal values is 1/n for one or two, about (pi/2)/n for more.
    """
    return 1 + (1 if n_others <= 2 else np.pi / 2) / n_others


def _group_flags(
    values: Mapping[str, Floats], scale: Mapping[str, float], limit: float, what: str
) -> list[Flag]:
    """Judge one group: name -> bands. Flags carry the name in ``scan``."""
    names = sorted(values)
    if len(names) == 2:
        z, kind = _z(values[names[0]] - values[names[1]], scale, 2.0)
        return [_disagrees(name, z, limit, kind, what) for name in names] if z > limit else []
    distance: dict[str, tuple[float, str]] = {}
    for name in names:
        others = np.array([values[other] for other in names if other != name])
        middle = np.median(others, axis=0)
        distance[name] = _z(values[name] - middle, scale, _spread(len(others)))
    worst = max(names, key=lambda name: distance[name][0])
    z, kind = distance[worst]
    if z <= limit:
        return []
    rest = [name for name in names if name != worst]
    gaps = [_z(values[a] - values[b], scale, 2.0)[0] for a in rest for b in rest if a < b]
    if float(np.median(gaps)) > AGREE_Z:
        return [_disagrees(name, z, limit, kind, what) for name in names]
    return [
        Flag(
            worst,
            "replicate",
            "outlier",
            z,
            limit,
            "1",
            f"It stands {z:.1f} robust standard deviations in {kind} from the other {what}, which "
            "agree with each other.",
        )
    ]


def _z(difference: Floats, scale: Mapping[str, float], variance: float) -> tuple[float, str]:
    distance = _level_shape(difference)
    z = {kind: float(distance[kind]) / (scale[kind] * np.sqrt(variance)) for kind in scale}
    kind = max(sorted(z), key=lambda name: z[name])
    return float(z[kind]), kind


def _disagrees(name: str, z: float, limit: float, kind: str, what: str) -> Flag:
    return Flag(
        name,
        "group_disagrees",
        "notice",
        z,
        limit,
        "1",
        f"Group disagrees: the {what} differ by {z:.1f} robust standard deviations in {kind}, and "
        "nothing tells which is right.",
    )


def _other_leaves(rows: Sequence[_Scan], bands: Floats, limit: float) -> list[Flag]:
    groups: dict[str, dict[str, list[int]]] = {}
    for k, row in enumerate(rows):
        groups.setdefault(row.unit, {}).setdefault(row.leaf, []).append(k)
    full = {unit: leaves for unit, leaves in groups.items() if len(leaves) > 1}
    if len(full) < FEWEST_GROUPS:
        return []
    means = {
        unit: {leaf: _mean(bands, members) for leaf, members in leaves.items()}
        for unit, leaves in full.items()
    }
    scale = _pooled(_pair_distances(means.values()))
    far = _farthest(means, scale)
    flags: list[Flag] = []
    disagree = sorted(unit for unit, z in far.items() if z > limit * _SURELY)
    swapped = _exchanges({unit: means[unit] for unit in disagree}, scale)
    for unit in disagree:
        named = _group_flags(means[unit], scale, limit, f"leaves of {unit}")
        for flag in named:
            sentence = flag.sentence + swapped.get((unit, flag.scan), "")
            flags += [
                replace(flag, scan=rows[k].name, sentence=sentence) for k in full[unit][flag.scan]
            ]
    return flags


def _exchanges(
    means: Mapping[str, Mapping[str, Floats]], scale: Mapping[str, float]
) -> dict[tuple[str, str], str]:
    """Find leaves that two units seem to have exchanged.

    Parameters
    ----------
    means
        Unit -> leaf -> log reflectance in bands, of the units whose leaves disagree.
    scale
        From :func:`_pooled`.

    Returns
    -------
    dict
        (unit, leaf) -> a sentence, for both leaves of an exchange after which the leaves of either
        unit agree; the exchange that makes them agree best, each unit once. Units of two leaves
        by themselves cannot say which leaf is wrong.
    """
    exchanges: list[tuple[float, tuple[str, str], tuple[str, str]]] = []
    for first, second in combinations(sorted(means), 2):
        for a, b in product(sorted(means[first]), sorted(means[second])):
            first_after = {**means[first], a: means[second][b]}
            other = {**means[second], b: means[first][a]}
            z = max(_farthest({first: first_after, second: other}, scale).values())
            if z < AGREE_Z:
                exchanges.append((z, (first, a), (second, b)))
    out: dict[tuple[str, str], str] = {}
    exchanged: set[str] = set()
    for _, one_leaf, other_leaf in sorted(exchanges):
        if exchanged & {one_leaf[0], other_leaf[0]}:
            continue
        exchanged |= {one_leaf[0], other_leaf[0]}
        pairs, both = [(one_leaf, other_leaf)], ""
        if len(means[one_leaf[0]]) == len(means[other_leaf[0]]) == 2:
            # Of two leaves each, exchanging the other two makes the same groups.
            rest = [(u, next(x for x in means[u] if x != leaf)) for u, leaf in pairs[0]]
            pairs.append((rest[0], rest[1]))
            both = " Of two leaves in a unit nothing tells which of the two were."
        for first_leaf, second_leaf in pairs:
            for mine, theirs in ((first_leaf, second_leaf), (second_leaf, first_leaf)):
                out[mine] = (
                    f" With leaf {theirs[1]} of {theirs[0]} in its place the leaves of both units "
                    f"agree: were the two labels swapped?{both}"
                )
    return out


# Groups of six scans or more: Hotelling T2 and residual Q
# ----------------------------------------------------------------------
# The model is that of one session, as the rule `quality` sees it: principal components of how its
# scans differ from the median of their own group, so that units may differ from each other freely.

FEWEST_IN_GROUP = 6
"""Smaller groups are compared by the distances of pairs alone."""
FEWEST_SCANS = 30
"""Fewer scans give no principal components to judge by."""
ALPHA = 1e-4
"""Share of good scans beyond one of the limits, if their differences are normal."""
_EXPLAINED = 0.95
_MOST_COMPONENTS = 5
_ROUNDS = 5
_WORDS: Mapping[str, str] = {
    "replicate_t2": "Hotelling T2 (how far along the ways in which scans of one group differ)",
    "replicate_q": "residual Q (what those ways do not explain)",
}
_BOX = " The limit is Box's, since that of Jackson and Mudholkar has no value here."


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
    large = {unit: members for unit, members in groups.items() if len(members) >= FEWEST_IN_GROUP}
    if not large:
        return []
    differences = np.full(bands.shape, np.nan)
    for members in groups.values():
        if len(members) >= 3:
            # The median takes up part of every difference: n / (n - 1) gives it back on average.
            centre = np.median(bands[members], axis=0)
            differences[members] = (bands[members] - centre) * np.sqrt(
                len(members) / (len(members) - 1)
            )
    defined = ~np.isnan(differences).any(axis=1)
    model = fit_model(differences[defined])
    if model is None:
        return []
    flags: list[Flag] = []
    for unit, members in sorted(large.items()):
        t2, q = model.t2_q(differences[members])
        for limit, values, check in (
            (model.t2_limit, t2, "replicate_t2"),
            (model.q_limit, q, "replicate_q"),
        ):
            beyond = {members[k]: float(values[k]) for k in np.flatnonzero(values > limit)}
            flags += _flags(beyond, limit, check, (scans, leaves), members, unit)
    if model.q_method == "box":
        flags = [
            replace(flag, sentence=flag.sentence + _BOX) if flag.check == "replicate_q" else flag
            for flag in flags
        ]
    return flags


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
        text = (
            f"{_WORDS[check]} against the {len(group)} scans of {unit} is {value:.3g}, the limit "
            f"{limit:.3g} (components of this session's scans, one good scan in "
            f"{1 / ALPHA:,.0f} beyond it)"
        )
        if leaf_differs:
            text += "; so are all scans of this leaf, so it is the leaf that differs"
        out.append(
            Flag(
                scans[k],
                check,
                "notice" if leaf_differs else "outlier",
                value,
                limit,
                "1",
                f"{text}.",
            )
        )
    return out
