"""Which unit gets which treatment, and in which order are units measured?

Lots are drawn by complete randomisation with equal numbers, within each block where there are
blocks. Blocks are stated (rows of a bench) or formed on values of a session before the treatment.

Lamps warm up, panels get dusty and leaves follow the light of the day. A session is therefore
measured in rounds: one unit of each treatment after the other. Which treatment comes first, second
and so on in a round is the row of a Latin square. Within a group of references as within a session
every treatment then stands equally often in every position, as nearly as the numbers allow; a
drift that is linear in time cancels in the difference between treatments. Sessions take different
rows of the same squares, so that no treatment keeps its position from day to day. Which unit of a
treatment fills its place is drawn anew in each session.

References
----------
Cox, D. R. (1951). Some systematic experimental designs. Biometrika 38, 312-323 (treatments arranged
against a trend).
Fisher, R. A. (1935). The Design of Experiments, sections 20-26 and 31-34. Oliver and Boyd (blocks,
lots, Latin squares).
Greevy, R., Lu, B., Silber, J. H. and Rosenbaum, P. (2004). Optimal multivariate matching before
randomization. Biostatistics 5, 263-275 (pairs formed on values before).
Moore, R. T. (2012). Multivariate continuous blocking to improve political science experiments.
Political Analysis 20, 460-479 (blocks of more than two by Mahalanobis distance).
"""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.resampling.permutation import generator
from leafledger.words import listed

Array = NDArray[np.float64]

FREE, BLOCKS, PAIRS = "completely_randomised", "complete_blocks", "pairs"
LAYOUTS = (FREE, BLOCKS, PAIRS)
BLOCK_COLUMN = {FREE: "", BLOCKS: "block", PAIRS: "pair"}
"""Column of units.csv and ``design.block`` of each layout."""
_SWEEPS = 200
_GAIN = 1e-12


@dataclass(frozen=True)
class Allocation:
    """Who gets what.

    Attributes
    ----------
    layout
        ``completely_randomised``, ``complete_blocks`` or ``pairs``.
    treatment
        Unit -> treatment, in the order of units.csv.
    block
        Unit -> block or pair; empty where there are none.
    seed
        Seed of the lots.
    """

    layout: str
    treatment: Mapping[str, str]
    block: Mapping[str, str]
    seed: int

    @property
    def text(self) -> str:
        """The allocation as a table: unit, block or pair, treatment; one line for each unit.

        Its SHA-256 is the digest of the allocation, that of ``plan/allocation.csv``.
        """
        column = BLOCK_COLUMN[self.layout]
        heading = ["unit", *([column] if column else []), "treatment"]
        lines = [
            [unit, *([self.block[unit]] if column else []), treatment]
            for unit, treatment in self.treatment.items()
        ]
        return csv_text([heading, *lines])

    @property
    def sha256(self) -> str:
        """SHA-256 of :attr:`text`, hex."""
        return hashlib.sha256(self.text.encode("utf-8")).hexdigest()


def csv_text(rows: Sequence[Sequence[str]]) -> str:
    r"""Return rows as CSV text, quoted where a cell needs it.

    Examples
    --------
    >>> csv_text([["unit", "treatment"], ["p01", 'the "old" spray']])
    'unit,treatment\np01,"the ""old"" spray"\n'
    """
    import csv
    import io

    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


# Names of units and of stated blocks.
# ----------------------------------------------------------------------


def unit_names(n: int) -> list[str]:
    """Return names of units: ``p01`` to ``p24``, with as many digits as the last one needs.

    Examples
    --------
    >>> unit_names(12)[:2], unit_names(120)[0]
    (['p01', 'p02'], 'p001')
    """
    digits = max(2, len(str(n)))
    return [f"p{i:0{digits}d}" for i in range(1, n + 1)]


def stated_blocks(units: Sequence[str], n_blocks: int, layout: str) -> dict[str, str]:
    """Return unit -> block: neighbours in the list stand in one block.

    Parameters
    ----------
    units
        Their number is a multiple of the number of blocks.
    n_blocks
        Number of blocks; not used of pairs.
    layout
        Of the study.

    Examples
    --------
    >>> stated_blocks(["p01", "p02", "p03", "p04"], 0, PAIRS)
    {'p01': '1', 'p02': '1', 'p03': '2', 'p04': '2'}
    """
    if layout == FREE:
        return {}
    count = len(units) // 2 if layout == PAIRS else n_blocks
    size = len(units) // count
    return block_names([units[i : i + size] for i in range(0, len(units), size)], units)


def block_names(blocks: Sequence[Sequence[str]], units: Sequence[str]) -> dict[str, str]:
    """Return unit -> number of its block as text, in the order of the units."""
    digits = len(str(len(blocks)))
    number = {unit: f"{i:0{digits}d}" for i, block in enumerate(blocks, start=1) for unit in block}
    return {unit: number[unit] for unit in units}


# Blocks and pairs of units that were alike before the treatment.
# ----------------------------------------------------------------------


def alike_blocks(values: Mapping[str, Sequence[float]], size: int) -> list[list[str]]:
    """Return blocks of units whose values before the treatment are near each other.

    With one value the units are put in its order and every ``size`` neighbours are a block, which
    no other blocks of this size can beat in the sum of squares within blocks. With two or more the
    distance is Mahalanobis's: scaled by the covariance of all units, so that neither unit of
    measurement nor a common part counts twice. Blocks are formed from the outside inwards and then
    improved by exchanges of two units, until no exchange lowers the sum of squares within blocks.

    Parameters
    ----------
    values
        Unit -> its values (the primary index first). The number of units is a multiple of
        ``size``.
    size
        Units of a block: 2 for pairs, a multiple of the number of treatments for blocks.

    Returns
    -------
    list of list of str
        Blocks in the order of their mean first value, units within them by name.

    Examples
    --------
    >>> alike_blocks({"p1": [3.0], "p2": [1.0], "p3": [1.1], "p4": [2.8]}, 2)
    [['p2', 'p3'], ['p1', 'p4']]
    """
    units = sorted(values)
    x = np.array([list(values[unit]) for unit in units], dtype=float)
    if x.shape[1] == 1:
        order = sorted(range(len(units)), key=lambda i: (x[i, 0], units[i]))
        groups = [order[i : i + size] for i in range(0, len(order), size)]
    else:
        groups = _improve_by_exchange(_blocks_from_outside(_whitened(x), size), _whitened(x))
    groups.sort(key=lambda group: (float(x[group, 0].mean()), units[group[0]]))
    return [sorted(units[i] for i in group) for group in groups]


def _whitened(x: Array) -> Array:
    """Return values in which the squared Euclidean distance is Mahalanobis's.

    Directions in which units do not differ at all count nothing.
    """
    centred = x - x.mean(axis=0)
    # 1. Each value in units of its own standard deviation: scales of 1e-3 and 1e3 are one problem.
    sd = centred.std(axis=0)
    scaled = centred[:, sd > 0] / sd[sd > 0]
    if not scaled.shape[1]:
        return np.zeros((len(x), 1))
    # 2. Principal directions, each with variance one: X = U S V', and U spans the same units.
    u, s, _ = np.linalg.svd(scaled, full_matrices=False)
    return np.asarray(u[:, s > 1e-9 * s[0]] * np.sqrt(len(x)), dtype=np.float64)


def _blocks_from_outside(z: Array, size: int) -> list[list[int]]:
    """Return blocks: the unit farthest from the centre with those nearest to it, and so on."""
    remaining, groups = list(range(len(z))), []
    while remaining:
        centre = z[remaining].mean(axis=0)
        start = max(remaining, key=lambda i: (float(((z[i] - centre) ** 2).sum()), -i))
        near = sorted(
            remaining, key=lambda i: (i != start, float(((z[i] - z[start]) ** 2).sum()), i)
        )
        groups.append(near[:size])
        remaining = [i for i in remaining if i not in set(near[:size])]
    return groups


def _sum_of_squares(z: Array, group: Sequence[int]) -> float:
    rows = z[list(group)]
    return float(((rows - rows.mean(axis=0)) ** 2).sum())


def _improve_by_exchange(groups: list[list[int]], z: Array) -> list[list[int]]:
    """Exchange two units of two blocks while that lowers the sum of squares within blocks."""
    groups = [list(group) for group in groups]
    for _ in range(_SWEEPS):
        improved = False
        for a in range(len(groups)):
            for b in range(a + 1, len(groups)):
                improved |= _make_best_exchange(groups, a, b, z)
        if not improved:
            break
    return groups


def _make_best_exchange(groups: list[list[int]], a: int, b: int, z: Array) -> bool:
    now = _sum_of_squares(z, groups[a]) + _sum_of_squares(z, groups[b])
    best: tuple[float, list[int], list[int]] | None = None
    for i in range(len(groups[a])):
        for j in range(len(groups[b])):
            first, second = list(groups[a]), list(groups[b])
            first[i], second[j] = second[j], first[i]
            then = _sum_of_squares(z, first) + _sum_of_squares(z, second)
            if then < (now if best is None else best[0]) - _GAIN:
                best = then, first, second
    if best is None:
        return False
    groups[a], groups[b] = best[1], best[2]
    return True


# Drawing lots.
# ----------------------------------------------------------------------


def draw(
    units: Sequence[str],
    treatments: Sequence[str],
    layout: str,
    block: Mapping[str, str],
    seed: int,
) -> Allocation:
    """Draw which unit gets which treatment, each equally often in every block.

    Parameters
    ----------
    units
        In the order of units.csv.
    treatments
        At least two.
    layout
        Of the study.
    block
        Unit -> block or pair; empty where units are not in blocks.
    seed
        Seed of the lots.

    Raises
    ------
    ValueError
        If a block does not hold each treatment equally often.

    Examples
    --------
    >>> lots = draw(["p01", "p02"], ["water", "iron"], FREE, {}, seed=3)
    >>> sorted(lots.treatment.values())
    ['iron', 'water']
    """
    rng = generator(seed, "allocation")
    members: dict[str, list[str]] = {}
    for unit in units:
        members.setdefault(block.get(unit, ""), []).append(unit)
    drawn: dict[str, str] = {}
    for name in sorted(members):
        inside = members[name]
        if len(inside) % len(treatments):
            raise ValueError(f"block {name!r}: {len(inside)} units for {len(treatments)} arms")
        lots = [
            treatment for treatment in treatments for _ in range(len(inside) // len(treatments))
        ]
        order = rng.permutation(len(inside))
        drawn |= {unit: lots[k] for unit, k in zip(inside, order.tolist(), strict=True)}
    kept = {unit: block[unit] for unit in units} if block else {}
    return Allocation(layout, {unit: drawn[unit] for unit in units}, kept, seed)


def units_per_arm(allocation: Allocation) -> dict[str, int]:
    """Return treatment -> number of its units, in the order in which they first occur."""
    return dict(Counter(allocation.treatment.values()))


def in_words(allocation: Allocation, treatments: Sequence[str], word: str) -> str:
    """Return in one sentence how the lots were drawn.

    Parameters
    ----------
    allocation
        The allocation.
    treatments
        All treatments.
    word
        Plural of the word for a unit.
    """
    n = len(allocation.treatment)
    each = n // len(treatments)
    lots = f"{n} {word} were allocated to {listed([*treatments])} at random, {each} to each"
    if allocation.layout == FREE:
        return f"{lots}; every arrangement with these numbers was equally likely."
    blocks = sorted(set(allocation.block.values()))
    size = n // len(blocks)
    if allocation.layout == PAIRS:
        return f"{lots}, by lot within each of {len(blocks)} pairs."
    inside = size // len(treatments)
    often = {1: "once", 2: "twice"}.get(inside, f"{inside} times")
    return (
        f"{lots}, by lot within each of {len(blocks)} complete blocks of {size}, in which each "
        f"treatment occurs {often}."
    )


def balance(
    allocation: Allocation, values: Mapping[str, Sequence[float]], names: Sequence[str]
) -> list[dict[str, Any]]:
    """Return number, mean and standard deviation of the values before, by treatment.

    They describe what the lots gave; nothing is tested, since any difference is chance.
    """
    rows = []
    for column, name in enumerate(names):
        for treatment in dict.fromkeys(sorted(allocation.treatment.values())):
            held = [values[u][column] for u, t in allocation.treatment.items() if t == treatment]
            rows.append(
                {
                    "index": name,
                    "treatment": treatment,
                    "n": len(held),
                    "mean": float(np.mean(held)),
                    "sd": float(np.std(held, ddof=1)) if len(held) > 1 else None,
                }
            )
    return rows


# The order of measuring: rounds whose treatments follow a Latin square.
# ----------------------------------------------------------------------

DARK, WHITE, SAMPLE = "dark", "white", "sample"
MOST_STEPS = 400
"""More steps than this in one session are warned of (project's rule: some hours at the bench)."""


@dataclass(frozen=True)
class Step:
    """One scan to be taken.

    Attributes
    ----------
    number
        From 1, within the session.
    scan
        Its id in scans.csv.
    role
        ``dark``, ``white`` or ``sample``.
    unit, leaf, replicate
        What is measured; ``""`` where it does not apply.
    """

    number: int
    scan: str
    role: str
    session: str
    unit: str = ""
    leaf: str = ""
    replicate: str = ""


@dataclass(frozen=True)
class Effort:
    """What is measured of each unit, and how often references are.

    Attributes
    ----------
    n_leaves, n_scans
        Leaves of a unit, scans of a leaf.
    reference_every
        Leaf scans between two groups of references, at most; a unit is never split.
    n_references
        Darks, and as many whites, of one group; 0 where files hold reflectance.
    """

    n_leaves: int
    n_scans: int
    reference_every: int
    n_references: int

    @property
    def per_unit(self) -> int:
        """Leaf scans of a unit in a session."""
        return self.n_leaves * self.n_scans


def units_between_references(effort: Effort, n_arms: int) -> int:
    """Return how many units are measured between two groups of references.

    As many as fit into ``reference_every`` scans, in whole rounds of one unit of each treatment.
    Where not even one round fits, a number that divides the round or has no divisor in common with
    it: with others a treatment would keep to some positions. At least one unit.

    Examples
    --------
    >>> [units_between_references(Effort(3, 1, n, 3), 2) for n in (12, 15, 8, 5, 2)]
    [4, 4, 2, 1, 1]
    >>> [units_between_references(Effort(2, 1, n, 3), 6) for n in (4, 9, 10)]
    [2, 3, 5]
    """
    fit = max(1, effort.reference_every // effort.per_unit)
    if fit >= n_arms:
        return n_arms * (fit // n_arms)
    return max(n for n in range(1, fit + 1) if _keeps_balance(n, n_arms))


def _keeps_balance(n_units: int, n_arms: int) -> bool:
    return n_arms % n_units == 0 or math.gcd(n_units, n_arms) == 1


def latin_square(k: int, rng: np.random.Generator) -> list[list[int]]:
    """Return a Latin square of order k: the cyclic one with rows, columns and symbols permuted.

    Every symbol stands once in every row and in every column.
    """
    rows, columns, symbols = (rng.permutation(k) for _ in range(3))
    return [[int(symbols[(r + c) % k]) for c in columns] for r in rows]


def orders(
    sessions: Sequence[str],
    treatment: Mapping[str, str],
    block: Mapping[str, str],
    effort: Effort,
    seed: int,
) -> dict[str, list[str]]:
    """Return session -> units in the order of measuring.

    Parameters
    ----------
    sessions
        All sessions of the study, in their order.
    treatment
        Unit -> treatment. Where all are blank the treatment is not drawn yet: the order is then a
        plain lot.
    block
        Unit -> block or pair. Blocks are measured one after the other, in an order drawn for the
        session; empty where there are none.
    effort
        What is measured.
    seed
        Seed of the study.

    Notes
    -----
    With k treatments, rounds are counted in groups of m, those between two references. In group g
    round j takes row ``g + j + s`` (modulo k) of a Latin square, s being the shift of the session.
    A square is drawn for each k groups and each k sessions: over k groups every treatment stands
    once in every position of every round; over m = k rounds the same holds within one group; over
    k sessions it holds for every position of the session.
    """
    units = sorted(treatment)
    arms = list(dict.fromkeys(treatment[unit] for unit in units))
    if arms == [""] or len(arms) < 2:
        return {
            session: _shuffled(units, generator(seed, "order", session)) for session in sessions
        }
    k = len(arms)
    between = units_between_references(effort, k)
    per_group = max(1, between // k)
    per_square = k * (between if between < k and k % between else 1)
    out = {}
    for i, session in enumerate(sessions):
        common = i // k
        shift = int(generator(seed, "shifts", common).permutation(k)[i % k])
        rng = generator(seed, "order", session)
        rounds = _rounds(units, treatment, block, arms, rng)
        squares = [
            latin_square(k, generator(seed, "square", common, c))
            for c in range(math.ceil(len(rounds) / (per_square * per_group)))
        ]
        order = []
        for r, held in enumerate(rounds):
            group, j = divmod(r, per_group)
            row = squares[group // per_square][(group + j + shift) % k]
            order += [held[arm] for arm in row]
        out[session] = order
    return out


def _shuffled(units: Sequence[str], rng: np.random.Generator) -> list[str]:
    return [units[i] for i in rng.permutation(len(units)).tolist()]


def _rounds(
    units: Sequence[str],
    treatment: Mapping[str, str],
    block: Mapping[str, str],
    arms: Sequence[str],
    rng: np.random.Generator,
) -> list[list[str]]:
    """Return rounds: one unit of each arm, drawn; blocks one after the other in drawn order."""
    members: dict[str, list[str]] = {}
    for unit in units:
        members.setdefault(block.get(unit, ""), []).append(unit)
    rounds = []
    for name in _shuffled(sorted(members), rng):
        of_arm = [
            _shuffled([unit for unit in members[name] if treatment[unit] == arm], rng)
            for arm in arms
        ]
        rounds += [list(held) for held in zip(*of_arm, strict=True)]
    return rounds


def steps(session: str, order: Sequence[str], effort: Effort, n_arms: int) -> list[Step]:
    """Return every scan of a session in the order of measuring, references included.

    Darks and whites come first, then after every few units, and at the end.

    Parameters
    ----------
    session
        Its id.
    order
        Units in the order of measuring.
    effort
        What is measured.
    n_arms
        Number of treatments.
    """
    between = units_between_references(effort, n_arms)
    out: list[Step] = []
    group = 0

    def references() -> None:
        nonlocal group
        group += 1
        for role in (DARK, WHITE):
            for i in range(1, effort.n_references + 1):
                scan = f"{session}-{role}{group}-{i}"
                out.append(Step(len(out) + 1, scan, role, session, replicate=str(i)))

    if effort.n_references:
        references()
    for n_units_measured, unit in enumerate(order, start=1):
        for leaf in range(1, effort.n_leaves + 1):
            for replicate in range(1, effort.n_scans + 1):
                name = f"{session}-{unit}-{leaf}"
                scan = name + (f"-{replicate}" if effort.n_scans > 1 else "")
                out.append(
                    Step(len(out) + 1, scan, SAMPLE, session, unit, str(leaf), str(replicate))
                )
        if effort.n_references and (
            n_units_measured % between == 0 or n_units_measured == len(order)
        ):
            references()
    return out


def minutes(n_steps: int, seconds_per_scan: float) -> float:
    """Return how long a session takes, in minutes."""
    return n_steps * seconds_per_scan / 60.0
