"""How many units does a stated difference need, and which difference do so many units find?

The test that is planned for is that of the analysis: the linear model of the value after (or of the
change) on treatment, value before and block, by unit. Its power is that of the noncentral t. The
degrees of freedom and the price of an adjustment for the value before are those of
:mod:`leafledger.effects.sample_size`, so that what the plan promises and what a run tells of the
next study are one computation.

References
----------
Borm, G. F., Fransen, J. and Lemmens, W. A. J. G. (2007). A simple sample size formula for analysis
of covariance in randomized clinical trials. Journal of Clinical Epidemiology 60, 1234-1238 (the
factor 1 - r^2).
Frison, L. and Pocock, S. J. (1992). Repeated measures in clinical trials: analysis using mean
summary statistics and its implications for design. Statistics in Medicine 11, 1685-1704 (several
sessions before).
Cohen, J. (1988). Statistical Power Analysis for the Behavioral Sciences, 2nd ed., chapter 2.
Searle, S. R., Casella, G. and McCulloch, C. E. (1992). Variance Components. Wiley (leaves within
units).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

import numpy as np

from leafledger.effects.linear_model import FEWEST_DF
from leafledger.effects.sample_size import Design, needed_noncentrality, two_sample_power
from leafledger.errors import InputFault, first_words, input_fault, nearest
from leafledger.study.table_files import read_csv
from leafledger.words import listed

_POWER = "results/power.csv"
MOST_UNITS_OF_AN_ARM = 2000
"""A difference that needs more units of a treatment than this is out of reach (project's rule)."""
_FARTHEST = 100.0
"""Noncentrality above which the power is 1 to every digit."""

COVARIATE, CHANGE, AFTER = "covariate", "change", "after"
"""How the value before enters: as a covariate, by the change itself, or there is none."""


# How far units of one treatment differ: stated, or taken from another study.
# ----------------------------------------------------------------------


class Scatter(Protocol):
    """What is known of the variation before a study is measured."""

    def source_of(self, use: str) -> str:
        """Return where the variance of a model is known from, as a clause of a sentence."""

    def variance(self, use_of_before: str, n_before: int, n_leaves: int, n_scans: int) -> float:
        """Return the residual variance between units of one treatment.

        Parameters
        ----------
        use_of_before
            ``covariate``, ``change`` or ``after``.
        n_before
            Sessions before the treatment, which are averaged.
        n_leaves, n_scans
            Leaves of a unit in a session, scans of a leaf.
        """

    def use_known(self, use_of_before: str) -> str | None:
        """Return the model whose variance stands for a planned one, ``None`` if none does.

        Parameters
        ----------
        use_of_before
            How the value before enters the planned model: ``covariate``, ``change`` or ``after``.
        """

    def remarks(self, in_blocks: bool, n_leaves: int, n_scans: int) -> list[str]:
        """Return in sentences what the variation leaves out of a planned study.

        Parameters
        ----------
        in_blocks
            Whether the planned units are in blocks or pairs.
        n_leaves, n_scans
            Leaves of a unit in a session, scans of a leaf.
        """

    def facts(self) -> dict[str, Any]:
        """Return what it is made of, as plain values."""


@dataclass(frozen=True)
class StatedScatter:
    """Variation as a person states it.

    Attributes
    ----------
    sd
        Standard deviation between units of one treatment (and block) in one session. Where
        ``sd_leaves`` is stated it is that of the units themselves, else that of their measured
        means, with as many leaves and scans as are planned.
    correlation
        Between the values of a unit in two sessions; where ``sd_leaves`` is stated that of the
        units themselves.
    sd_leaves, sd_scans
        Standard deviation between leaves of a unit, and between scans of a leaf; 0: part of ``sd``.
    """

    sd: float
    correlation: float
    sd_leaves: float = 0.0
    sd_scans: float = 0.0

    def source_of(self, use: str) -> str:  # noqa: ARG002
        """Return where it is known from."""
        return "as stated"

    def variance(self, use_of_before: str, n_before: int, n_leaves: int, n_scans: int) -> float:
        """Return the residual variance; see :class:`Scatter`.

        Examples
        --------
        >>> round(StatedScatter(1.0, 0.6).variance("covariate", 1, 3, 1), 12)
        0.64
        """
        s2, r = self.sd**2, self.correlation
        # 1. What leaves and scans add to a unit's mean in one session.
        noise = self.sd_leaves**2 / n_leaves + self.sd_scans**2 / (n_leaves * n_scans)
        after = s2 + noise
        if use_of_before == AFTER or not n_before:
            return after
        # 2. The mean of p sessions before, all of which are correlated by r (Frison and Pocock).
        before = s2 * (1.0 + (n_before - 1) * r) / n_before + noise / n_before
        covariance = r * s2
        if use_of_before == CHANGE:
            return after + before - 2.0 * covariance
        # 3. Given the value before: sigma^2 (1 - r^2) for one session before and no leaves apart.
        return after - covariance**2 / before

    def use_known(self, use_of_before: str) -> str | None:
        """Return the model itself: what is stated gives the variance of each."""
        return use_of_before

    def remarks(self, *_planned: object) -> list[str]:
        """Return nothing: it is stated for the planned study."""
        return []

    def facts(self) -> dict[str, Any]:
        """Return what was stated."""
        return {
            "sd": self.sd,
            "correlation": self.correlation,
            "sd_leaves": self.sd_leaves,
            "sd_scans": self.sd_scans,
        }


@dataclass(frozen=True)
class OtherStudyScatter:
    """Variation of another study, as its ``power.csv`` tells it.

    Attributes
    ----------
    study
        Name of its folder.
    index
        The index.
    parts
        Use of the value before -> ``A, B, C`` of the residual variance ``A + B / leaves + C /
        (leaves scans)``.
    factors
        Use of the value before -> what else the other study adjusts for there, such as its blocks.
    knows_leaves, knows_scans
        Whether it tells leaves from units, and scans from leaves.
    standing
        In a sentence why its results may not be those of its data; ``""`` if they are.
    """

    study: str
    index: str
    parts: Mapping[str, tuple[float, float, float]]
    factors: Mapping[str, tuple[str, ...]]
    knows_leaves: bool = True
    knows_scans: bool = True
    standing: str = ""

    def source_of(self, use: str) -> str:
        """Return where the variance of one model is known from, and given what."""
        given = [*(["value before"] if use == COVARIATE else []), *self.factors.get(use, ())]
        of_what = {COVARIATE: "", CHANGE: " in the change itself", AFTER: " in the value after"}
        source = f"the variation{of_what[use]} that the study {self.study} found"
        return source + (f", given {listed(given)}" if given else "")

    def use_known(self, use_of_before: str) -> str | None:
        """Return the model whose variance stands for a planned one, ``None`` if none does.

        The variance of the change, or of the value after, is never less than that given the value
        before; so it stands for it, without the adjustment. The other way round nothing follows.
        """
        if use_of_before == COVARIATE:
            return next(use for use in (COVARIATE, CHANGE, AFTER) if use in self.parts)
        return use_of_before if use_of_before in self.parts else None

    def variance(
        self,
        use_of_before: str,
        n_before: int,  # noqa: ARG002
        n_leaves: int,
        n_scans: int,
    ) -> float:
        """Return the residual variance; see :class:`Scatter`.

        The other study is taken as it was measured: with its own number of sessions before.

        Raises
        ------
        InputFault
            If the other study does not know the variance of this model.
        """
        if use_of_before not in self.parts:
            known_models = " and ".join(_MODELS[use] for use in self.parts)
            raise input_fault(
                file="--from",
                found=f"{self.study}, whose scatter is known {known_models}",
                expected="a study without a session before, as the planned one"
                if use_of_before == AFTER
                else f"its scatter {_MODELS[use_of_before]}, as so few units are compared",
                mend="Plan a session before, or state the variation: --sd."
                if use_of_before == AFTER
                else "Plan more units, or state the variation: --sd and --correlation.",
            )
        a, b, c = self.parts[use_of_before]
        if not self.knows_leaves:
            n_leaves = 1  # what leaves add is part of the units, and stays as it is
        return max(0.0, a + b / n_leaves + c / (n_leaves * n_scans))

    def remarks(self, in_blocks: bool, n_leaves: int, n_scans: int) -> list[str]:
        """Return in sentences what the variation leaves out; see :class:`Scatter`."""
        out = [self.standing] if self.standing else []
        given = {name for names in self.factors.values() for name in names}
        if others := sorted(given - {"block"}):
            out.append(
                f"The study {self.study} knows the variation given {listed(others)}, which a "
                "planned study does not have: what is due to that is not in these numbers, and the "
                "power is too hopeful."
            )
        if not in_blocks and "block" in given:
            out.append(
                f"The study {self.study} knows the variation within its blocks only, and the "
                "planned units are in none: what blocks differ by is not in these numbers, and its "
                "results do not tell how much that is. The power is too hopeful, the number of "
                "units too small. Plan blocks as there, or state the variation: --sd."
            )
        if not self.knows_leaves and n_leaves != 1:
            out.append(
                f"The study {self.study} measured one leaf and cannot tell leaves from units: "
                f"these numbers are those of one leaf, and --leaves {n_leaves} changes nothing in "
                "them."
            )
        if not self.knows_scans and n_scans != 1:
            out.append(
                f"The study {self.study} scanned every leaf once and cannot tell scans from "
                f"leaves: these numbers are those of one scan, and --scans {n_scans} changes "
                "nothing in them."
            )
        return out

    def facts(self) -> dict[str, Any]:
        """Return what was read."""
        return {
            "study": self.study,
            "factors": {use: list(names) for use, names in self.factors.items()},
            "parts": {use: list(parts) for use, parts in self.parts.items()},
        }


_MODELS = {
    COVARIATE: "given the value before",
    CHANGE: "in the change itself",
    AFTER: "in the value after",
}


def scatter_of_study(folder: Path, index: str) -> OtherStudyScatter:
    """Read the variation of an index from the results of another study.

    Raises
    ------
    InputFault
        If there are no results, or they do not tell of this index.
    """
    path = folder / _POWER
    if not path.is_file():
        raise input_fault(
            file="--from",
            found=f"no results/power.csv in {folder.name or folder}",
            expected="a study that has been run: its power.csv tells of the variation",
            mend=f"Run it first: leafledger run {folder}",
        )
    table = read_csv(path)
    known_indices = sorted(set(table["index"]))
    if index not in known_indices:
        raise input_fault(
            file="--from",
            found=f"no {index} in the results of {folder.name}",
            expected=f"one of {first_words(known_indices)}",
            mend=nearest(index, known_indices),
        )
    rows = table[(table["index"] == index) & table["sd_residual"].notna()]
    if rows.empty:
        reasons = [str(text) for text in table.loc[table["index"] == index, "reason"] if text]
        raise input_fault(
            file="--from",
            found=f"the variation of {index} is not known in {folder.name}"
            + (f": {reasons[0]}" if reasons else ""),
            expected="a study with two units or more of each treatment, before and after",
            mend="Name another study, or state the variation: --sd and --correlation.",
        )
    with_before = rows["covariates"].map(lambda text: "value before" in str(text))
    without = CHANGE if with_before.any() or _has_before(folder) else AFTER
    parts, factors = {}, {}
    for use, chosen in ((COVARIATE, rows[with_before]), (without, rows[~with_before])):
        if chosen.empty:
            continue
        largest = chosen[chosen["n_units"] == chosen["n_units"].max()]
        named = str(largest["covariates"].fillna("").iloc[0])
        names = [name.strip() for name in named.split(",")]
        factors[use] = tuple(name for name in names if name not in ("", "value before"))
        parts[use] = _parts(largest)
    return OtherStudyScatter(
        folder.resolve().name,
        index,
        parts,
        factors,
        knows_leaves=rows["n_leaves"].nunique() > 1,
        knows_scans=rows["n_scans"].nunique() > 1,
    )


def standing_of(folder: Path) -> str:
    """Return in a sentence why the power table of a study may not be that of its data.

    Returns
    -------
    str
        ``""`` if a run would make it again as it is.
    """
    from leafledger.records.digests import FileDigests
    from leafledger.runner.outdated import outdated
    from leafledger.runner.study_check import checked_study
    from leafledger.study.study import outputs

    name = folder.resolve().name
    try:
        study = checked_study(folder)
    except InputFault as fault:
        first = fault.problems[0].sentence().rstrip(".")
        return (
            f"Whether the results of the study {name} are those of its data is not known, for it "
            f"cannot be run as it is now ({first}): these numbers may be out of date."
        )
    for due in outdated(study, FileDigests(study.folder)):
        if _POWER in outputs(due.task).values():
            why = f": {due.why}" if due.certain else f" {due.why}"
            return (
                f"The results of the study {name} are out of date ({due.task.name} would run"
                f"{why}), and so may these numbers be. Run {name} again first."
            )
    return ""


def _has_before(folder: Path) -> bool:
    """Tell whether a study compared changes since a session before the treatment."""
    path = folder / "results" / "effects.csv"
    return path.is_file() and any("change" in str(q) for q in read_csv(path)["question"])


def _parts(rows: Any) -> tuple[float, float, float]:
    """Return ``A, B, C`` of ``A + B / leaves + C / (leaves scans)``, by least squares.

    Where the table varies leaves only, or neither, what cannot be told apart is part of ``A``.
    """
    leaves = rows["n_leaves"].to_numpy(dtype=float)
    scans = rows["n_scans"].to_numpy(dtype=float)
    x = np.column_stack([np.ones(len(leaves)), 1.0 / leaves, 1.0 / (leaves * scans)])
    kept = [0]
    if len(set(leaves.tolist())) > 1:
        kept.append(1)
    if len(set(scans.tolist())) > 1:
        kept.append(2)
    y = rows["sd_residual"].to_numpy(dtype=float) ** 2
    b, *_ = np.linalg.lstsq(x[:, kept], y, rcond=None)
    whole = np.zeros(3)
    whole[kept] = b
    return float(whole[0]), float(whole[1]), float(whole[2])


# Size, power and the difference that is found.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Question:
    """What the primary contrast asks, and of which layout.

    Attributes
    ----------
    alpha
        Two-sided level of the study.
    power
        Wanted probability to find the difference.
    n_contrasts
        Primary contrasts: treatments that are compared with the control. Their p are adjusted
        among themselves (Holm), so that each is planned at ``alpha / n_contrasts``.
    n_before
        Sessions before the treatment.
    n_leaves, n_scans
        Leaves of a unit in a session, scans of a leaf.
    n_blocks
        Blocks; 0 where units are not in blocks.
    paired
        Whether every two units are a block of their own.
    """

    alpha: float
    power: float
    n_contrasts: int
    n_before: int
    n_leaves: int
    n_scans: int
    n_blocks: int = 0
    paired: bool = False

    @property
    def level(self) -> float:
        """Level at which one contrast is planned."""
        return self.alpha / self.n_contrasts

    def model(self, n: int) -> Design:
        """Return the linear model of ``n`` units in each treatment.

        The value before is a covariate where at least 6 residual degrees of freedom are left, as
        in the analysis.
        """
        blocks = n if self.paired else max(1, self.n_blocks)
        with_before = Design(n, before=True, n_blocks=blocks)
        if self.n_before and with_before.df >= FEWEST_DF:
            return with_before
        return Design(n, before=False, n_blocks=blocks)

    def use_of_before(self, model: Design) -> str:
        """Return how the value before enters a model."""
        if not self.n_before:
            return AFTER
        return COVARIATE if model.before else CHANGE


def model_known(n: int, question: Question, scatter: Scatter) -> tuple[Design, str]:
    """Return the model that is reckoned with, and how the value before enters it.

    It is that of the analysis where its variance is known. Where only the variance without the
    value before is known it is the model without it, with the degrees of freedom of that.
    """
    model = question.model(n)
    planned_use = question.use_of_before(model)
    known_use = scatter.use_known(planned_use)
    if known_use is None or known_use == planned_use:
        return model, planned_use
    return replace(model, before=False), known_use


def standard_error(n: int, question: Question, scatter: Scatter) -> float:
    """Return the standard error of the adjusted difference with ``n`` units in each treatment."""
    model, use = model_known(n, question, scatter)
    variance = scatter.variance(use, question.n_before, question.n_leaves, question.n_scans)
    return math.sqrt(variance) * model.error_factor


def power_of(n: int, difference: float, question: Question, scatter: Scatter) -> float:
    """Return the probability to find a difference.

    0 where no degree of freedom is left, or the variance of the model is not known.

    Parameters
    ----------
    n
        Units in each treatment.
    difference
        True difference, in the unit of the index.
    question, scatter
        What is asked, and how far units differ.

    Examples
    --------
    >>> asked = Question(0.05, 0.8, 1, 0, 1, 1)
    >>> round(power_of(64, 0.5, asked, StatedScatter(1.0, 0.0)), 4)
    0.8015
    """
    model, use = model_known(n, question, scatter)
    df = model.df
    if df < 1 or scatter.use_known(use) is None:
        return 0.0
    error = standard_error(n, question, scatter)
    noncentrality = min(abs(difference) / error, _FARTHEST) if error > 0 else _FARTHEST
    return two_sample_power(noncentrality, float(df), question.level)


def detectable(n: int, question: Question, scatter: Scatter) -> float:
    """Return the difference that ``n`` units in each treatment find with the wanted power.

    ``NaN`` where no degree of freedom is left.
    """
    df = model_known(n, question, scatter)[0].df
    if df < 1:
        return math.nan
    needed = needed_noncentrality(float(df), question.level, question.power)
    return needed * standard_error(n, question, scatter)


def units_needed(
    difference: float, question: Question, scatter: Scatter, at_least: int = 2
) -> int | None:
    """Return the smallest number of units in each treatment that finds a difference.

    Parameters
    ----------
    difference
        The smallest difference that would matter.
    question, scatter
        What is asked, and how far units differ. In blocks the number is a multiple of theirs.
    at_least
        Where to begin.

    Returns
    -------
    int or None
        ``None`` if 2,000 units of a treatment are not enough.

    Examples
    --------
    >>> units_needed(0.5, Question(0.05, 0.8, 1, 0, 1, 1), StatedScatter(1.0, 0.0))
    64
    """
    step = 1 if question.paired else max(1, question.n_blocks)
    first = step * math.ceil(max(at_least, 2) / step)

    def enough(n: int) -> bool:
        return power_of(n, difference, question, scatter) >= question.power

    # 1. Double until it is enough. Power only rises once the value before is a covariate; the
    #    numbers below are tried one by one.
    few = first + 8 * step
    for n in range(first, few + 1, step):
        if enough(n):
            return n
    low, high = few, few
    while not enough(high):
        low, high = high, 2 * high
        if low > MOST_UNITS_OF_AN_ARM:
            return None
    # 2. Halve the interval, in steps of a whole row of blocks.
    while high - low > step:
        middle = low + step * max(1, (high - low) // (2 * step))
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high if high <= MOST_UNITS_OF_AN_ARM else None


# The smallest p that the drawing of lots itself can give.
# ----------------------------------------------------------------------


def smallest_p(n: int, n_blocks: int = 0, paired: bool = False) -> float:
    """Return the smallest two-sided p of an exact test of two treatments, ``n`` units each.

    It is 2 over the number of ways in which the lots could have fallen.

    Examples
    --------
    >>> smallest_p(4), smallest_p(5, paired=True)
    (0.02857142857142857, 0.0625)
    """
    if paired:
        return 2.0 / 2.0**n
    blocks = max(1, n_blocks)
    per_block = n // blocks
    ways = math.comb(2 * per_block, per_block) ** blocks
    return 2.0 / ways if ways > 1 else 1.0


def fewest_units(alpha: float, n_blocks: int = 0, paired: bool = False) -> int:
    """Return the fewest units in each treatment with which an exact test can reach ``alpha``.

    Examples
    --------
    >>> fewest_units(0.05), fewest_units(0.05, paired=True), fewest_units(0.05, n_blocks=6)
    (4, 6, 6)
    """
    step = 1 if paired else max(1, n_blocks)
    n = step
    while smallest_p(n, n_blocks, paired) >= alpha:
        n += step
    return n
