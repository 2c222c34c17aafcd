"""On which scans does work, where a study has more of them than can be worked on?

Permuted labels, held-out sessions, negative controls and baseline classifiers refit so often that
their time grows much faster than the scans. Beyond a number of scans that each states, they work
on a sample: whole units drawn within classes with the recorded seed, n of the sample and n of all
beside each other in the result. The accuracy of the classifier itself is always that of all scans.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leafledger.classes.labelled_scans import SIZE_RULE, Codes, Labelled, label_sequences
from leafledger.resampling.permutation import generator
from leafledger.resampling.splits import members_of
from leafledger.words import counted

UNITS_OF_CLASS = (2, 20)
"""Fewest units of a class in a sample, however few scans may be drawn; twenty where they fit."""


@dataclass(frozen=True)
class Sample:
    """Which part of the scans something was computed on.

    Attributes
    ----------
    n_scans, n_units
        Of the sample.
    n_scans_all, n_units_all
        Of the study.
    most_per_unit
        Scans of one unit at most; nothing where every unit of the sample has all its scans.
    seed
        Seed of the settings.
    """

    n_scans: int
    n_units: int
    n_scans_all: int
    n_units_all: int
    most_per_unit: int | None
    seed: int

    def words(self, unit: str | None) -> str:
        """Say which scans were used, n of the sample beside n of all.

        Examples
        --------
        >>> Sample(1000, 50, 20000, 1000, None, 1).words("plant")
        'a sample of 1,000 of 20,000 scans, 50 of 1,000 plants drawn within classes with all \
their scans (seed 1)'
        """
        if not unit:
            return (
                f"a sample of {self.n_scans:,} of {self.n_scans_all:,} scans drawn within classes "
                f"(seed {self.seed})"
            )
        scans = (
            "all their scans"
            if self.most_per_unit is None
            else f"at most {counted(self.most_per_unit, 'scan')} each"
        )
        return (
            f"a sample of {self.n_scans:,} of {self.n_scans_all:,} scans, {self.n_units:,} of "
            f"{self.n_units_all:,} {unit}s drawn within classes with {scans} (seed {self.seed})"
        )

    def facts(self) -> dict[str, int | None]:
        """Return what a result file records."""
        return {
            "n_scans": self.n_scans,
            "n_scans_all": self.n_scans_all,
            "n_units": self.n_units,
            "n_units_all": self.n_units_all,
            "most_per_unit": self.most_per_unit,
            "seed": self.seed,
        }


def sampled(data: Labelled, most: int, seed: int) -> tuple[Labelled, Sample | None]:
    """Return the scans in memory, or a sample of units if there are more than ``most`` scans.

    Units are drawn within classes (where labels change, among units of the same labels), so that
    every class keeps its share, and come with all their scans. Only where the fewest units of
    every class, ``UNITS_OF_CLASS``, have more scans than ``most`` is the number of scans of a unit
    limited, spread over its sessions: units are what a result generalises over.

    Parameters
    ----------
    data
        Labelled spectra, in memory or in files.
    most
        Scans of the sample at most.
    seed
        Seed of the settings.

    Returns
    -------
    tuple
        The sample and what it is; the data themselves and nothing if they are few enough.
    """
    if len(data.codes) <= most:
        if data.files is not None:
            data = replace(data, spectra=data.files.read(), files=None)
        return data, None
    rng = generator(seed, "sample of units", most)
    members = members_of(data.unit_of)
    scans = np.array([len(rows) for rows in members])
    chosen = _drawn_units(data.unit_codes, scans, most, rng)
    limit = _most_per_unit(scans[chosen], most)
    rows = np.sort(
        np.concatenate([_drawn_scans(members[u], data.day, limit, rng) for u in np.sort(chosen)])
    )
    drawn = _part_of(data, rows)
    return drawn, Sample(len(rows), len(drawn.units), len(data.codes), len(data.units), limit, seed)


def _drawn_units(
    groups: Codes, scans: Codes, most: int, rng: np.random.Generator
) -> NDArray[np.intp]:
    """Return units of every group in turn, as many as have ``most`` scans together."""
    fewest, enough = UNITS_OF_CLASS
    n_groups = len(np.unique(groups))
    at_least = int(np.clip(most // n_groups, fewest, enough))
    # 1. Units in random order; rank within the group, over its size: the groups keep their shares.
    order = rng.permutation(len(groups))
    order = order[np.argsort(groups[order], kind="stable")]
    sizes = np.bincount(groups)
    rank = np.arange(len(order)) - (np.cumsum(sizes) - sizes)[groups[order]]
    needed = rank < at_least
    place = np.lexsort(((rank + 0.5) / sizes[groups[order]], ~needed))
    order, needed = order[place], needed[place]
    # 2. The fewest of every group, then further ones while their scans fit.
    fits = np.cumsum(scans[order]) <= most
    return np.asarray(order[needed | fits])


def _most_per_unit(scans: Codes, most: int) -> int | None:
    """Return how many scans a unit may keep so that all together have ``most``; none if all."""
    if scans.sum() <= most:
        return None
    limits = np.arange(1, int(scans.max()) + 1)
    totals = np.array([np.minimum(scans, limit).sum() for limit in limits])
    return int(max(limits[totals <= most], default=1))


def _drawn_scans(
    rows: NDArray[np.intp], day: Codes, limit: int | None, rng: np.random.Generator
) -> NDArray[np.intp]:
    """Return at most so many scans of a unit, one of every session before a second of any."""
    if limit is None or len(rows) <= limit:
        return rows
    mixed = rng.permutation(rows)
    days = day[mixed]
    turn = np.empty(len(mixed), dtype=np.int_)
    for each in np.unique(days):
        turn[days == each] = np.arange(int((days == each).sum()))
    return np.asarray(mixed[np.argsort(turn, kind="stable")][:limit])


def _part_of(data: Labelled, rows: NDArray[np.intp]) -> Labelled:
    """Return some of the scans, in memory, with units, classes and sessions numbered anew."""
    kept = np.zeros(len(data.codes), dtype=bool)
    kept[rows] = True
    spectra = data.spectra[kept] if data.files is None else data.files.kept(kept).read()
    classes, codes = np.unique(data.codes[kept], return_inverse=True)
    units, unit_of = np.unique(data.unit_of[kept], return_inverse=True)
    days, day = np.unique(data.day[kept], return_inverse=True)
    codes, unit_of, day = (each.astype(np.int_) for each in (codes, unit_of, day))
    labels_by, unit_codes, sequences = label_sequences(codes, unit_of, day)
    return replace(
        data,
        spectra=spectra,
        rows=data.rows[kept].reset_index(drop=True),
        classes=tuple(data.classes[i] for i in classes),
        codes=codes,
        units=tuple(data.units[i] for i in units),
        unit_of=unit_of,
        unit_codes=unit_codes,
        unit_blocks=data.unit_blocks[units],
        sessions=tuple(data.sessions[i] for i in days),
        day=day,
        labels_by=labels_by,
        sequences=sequences,
        files=None,
    )


# What a result says of it.
# ----------------------------------------------------------------------


def size_facts(data: Labelled, sample: Sample | None) -> dict[str, Any]:
    """Return how the spectra were read, and which scans the controls are on (nothing: all)."""
    return {
        "spectra_read": "at once" if data.files is None else "in row groups",
        "size_rule": SIZE_RULE,
        "control_sample": None if sample is None else sample.facts(),
    }


def sample_warnings(sample: Sample | None, refused: str, unit: str | None) -> list[str]:
    """Say on which scans the permutation test and the held-out sessions are.

    ``refused`` is why they are on none.
    """
    if sample is None:
        return []
    if refused:
        return [
            f"no permutation test and no held-out sessions: {sample.words(unit)} does not allow "
            f"them ({refused})"
        ]
    return [
        f"permutation test and held-out sessions are on {sample.words(unit)}; the accuracy is that "
        "of all scans"
    ]
