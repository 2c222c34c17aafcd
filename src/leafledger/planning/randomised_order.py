"""In which order are units measured, so that drift cannot pass for the effect of a treatment?

Lamps warm up, panels get dusty and leaves follow the light of the day. A session is therefore
measured in rounds: one unit of each treatment after the other. Which treatment comes first, second
and so on in a round is the row of a Latin square. Within a group of references as within a session
every treatment then stands equally often in every position, as nearly as the numbers allow; a
drift that is linear in time cancels in the difference between treatments. Sessions take different
rows of the same squares, so that no treatment keeps its position from day to day. Which unit of a
treatment fills its place is drawn anew in each session.

References
----------
Fisher, R. A. (1935). The Design of Experiments, sections 31-34 (Latin squares).
Cox, D. R. (1951). Some systematic experimental designs. Biometrika 38, 312-323 (treatments arranged
against a trend).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from leafledger.resampling.permutation import generator

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
    for at, unit in enumerate(order, start=1):
        for leaf in range(1, effort.n_leaves + 1):
            for replicate in range(1, effort.n_scans + 1):
                name = f"{session}-{unit}-{leaf}"
                scan = name + (f"-{replicate}" if effort.n_scans > 1 else "")
                out.append(
                    Step(len(out) + 1, scan, SAMPLE, session, unit, str(leaf), str(replicate))
                )
        if effort.n_references and (at % between == 0 or at == len(order)):
            references()
    return out


def minutes(n_steps: int, seconds_per_scan: float) -> float:
    """Return how long a session takes, in minutes."""
    return n_steps * seconds_per_scan / 60.0
