"""Which accepted spectra take part, under which label, and on which of very many does work?

The label is that of the unit, or that of the scan where the target is a column of the scan sheet:
such labels may change from session to session, as the stage of a disease does.

Up to ``MOST_IN_MEMORY`` scans the spectra are read at once. Beyond, they stay in their files: the
classifier reads them in row groups (:mod:`leafledger.classes.streaming`), and what cannot be summed
works on a stated sample of units (:class:`Sample`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.records.record import Job
from leafledger.resampling.permutation import generator
from leafledger.resampling.splits import members_of
from leafledger.study.table_files import (
    read_csv,
    read_json,
    read_spectra,
    spectrum_matrix,
    two_axes_problem,
)
from leafledger.words import counted

if TYPE_CHECKING:
    import pandas as pd


# Which accepted spectra take part, and what is the label of each?
# ----------------------------------------------------------------------

STUDY = "study.yaml"
BY_UNIT, BY_SESSION, BY_SCAN = "unit", "session", "scan"
"""What a label belongs to: one for each unit, for each unit and session, or for each scan."""
Codes = NDArray[np.int_]
Scans = NDArray[np.bool_]


MOST_IN_MEMORY = 4000
"""Scans that are read at once at most."""
SIZE_RULE = (
    f"up to {MOST_IN_MEMORY} scans the spectra are held in memory; beyond, they are read in row "
    "groups and every fit is made of products of wavelengths summed by parts"
)
ROWS_PER_BLOCK = 4096
"""Scans of one block of a pass: 33 MB at 1,000 wavelengths."""


@dataclass(frozen=True)
class SpectrumFiles:
    """Accepted spectra that stay in their files and are read block by block, every pass anew.

    Attributes
    ----------
    paths
        Files of the sessions.
    places
        For every file: row of each of its scans among the labelled scans, -1 for a scan that takes
        no part.
    inside
        Wavelengths inside the trusted range (true).
    rows_per_block
        Scans that are held at once.
    """

    paths: tuple[Path, ...]
    places: tuple[NDArray[np.intp], ...]
    inside: NDArray[np.bool_]
    rows_per_block: int = ROWS_PER_BLOCK

    @property
    def n_scans(self) -> int:
        """Number of scans that take part."""
        return sum(int((row_of >= 0).sum()) for row_of in self.places)

    def kept(self, kept: Scans) -> SpectrumFiles:
        """Return the same files for some of the scans, renumbered in order."""
        new = np.where(kept, np.cumsum(kept) - 1, -1)
        return replace(
            self, places=tuple(np.where(p >= 0, new[np.maximum(p, 0)], -1) for p in self.places)
        )

    def blocks(self) -> Iterator[tuple[NDArray[np.intp], NDArray[np.float64]]]:
        """Yield the rows of some scans and their spectra, until every scan was read once.

        Row groups in which no scan takes part are not read.

        Yields
        ------
        tuple
            Row numbers, shape ``(m,)``, and reflectance, shape ``(m, n_wavelengths)``; ``m`` is at
            most ``rows_per_block`` or the size of a row group, whichever is larger.
        """
        import pyarrow.parquet as pq

        for path, row_of in zip(self.paths, self.places, strict=True):
            with pq.ParquetFile(path) as file:
                for groups, first, stop in self._group_runs(file, row_of):
                    here = row_of[first:stop]
                    column = file.read_row_groups(groups, columns=["reflectance"]).column(0)
                    spectra = spectrum_matrix(column, len(self.inside))
                    taking_part = here >= 0
                    whole = taking_part.all() and self.inside.all()
                    if not whole:
                        spectra = spectra[np.ix_(taking_part, self.inside)]
                    yield here[taking_part], spectra

    def _group_runs(
        self, file: Any, row_of: NDArray[np.intp]
    ) -> Iterator[tuple[list[int], int, int]]:
        """Yield runs of neighbouring row groups that fill a block, with their rows in the file."""
        groups: list[int] = []
        first = row = 0
        for i in range(file.metadata.num_row_groups):
            n_rows = file.metadata.row_group(i).num_rows
            empty = not (row_of[row : row + n_rows] >= 0).any()
            if groups and (empty or row + n_rows - first > self.rows_per_block):
                yield groups, first, row
                groups = []
            if not empty:
                first = first if groups else row
                groups.append(i)
            row += n_rows
        if groups:
            yield groups, first, row

    def read(self) -> NDArray[np.float64]:
        """Return all spectra that take part, shape ``(n_scans, n_wavelengths)``."""
        # Wavelength by wavelength in memory: the order of summation, so the last digits, follow it.
        out = np.empty((int(self.inside.sum()), self.n_scans)).T
        for rows, spectra in self.blocks():
            out[rows] = spectra
        return out


@dataclass(frozen=True)
class Labelled:
    """Spectra to learn from.

    Attributes
    ----------
    spectra
        Reflectance, shape ``(n_scans, n_wavelengths)``; no row where they stay in ``files``.
    wavelength_nm
        Shape ``(n_wavelengths,)``.
    rows
        scan, session, unit of every scan.
    classes
        Labels, sorted.
    codes
        Class number of every scan.
    units
        Unit ids, sorted.
    unit_of
        Unit number of every scan.
    unit_codes
        Class number of every unit; where labels change, the number of its label sequence
        (``labels_by`` is ``session``) or of the set of its classes (``scan``).
    blocks
        Block labels, sorted; empty without blocks.
    unit_blocks
        Block number of every unit; zeros without blocks.
    sessions
        Sessions that hold accepted scans, in study order.
    day
        Place of every scan's session among them, from 0.
    set_aside
        A sentence for every class that was left out because it has one unit.
    labels_by
        ``unit``: all scans of a unit have one label; ``session``: all scans of a unit in a session
        have one label, and some unit changes it; ``scan``: labels differ within a session too.
    sequences
        Class number by label sequence and session, -1 where the units of that sequence have no
        scan, shape ``(n_sequences, n_sessions)``; empty unless ``labels_by`` is ``session``.
    """

    spectra: NDArray[np.float64]
    wavelength_nm: NDArray[np.float64]
    rows: pd.DataFrame
    classes: tuple[str, ...]
    codes: Codes
    units: tuple[str, ...]
    unit_of: Codes
    unit_codes: Codes
    blocks: tuple[str, ...]
    unit_blocks: Codes
    sessions: tuple[str, ...]
    day: Codes
    set_aside: tuple[str, ...] = ()
    labels_by: str = BY_UNIT
    sequences: Codes = field(default_factory=lambda: np.empty((0, 0), dtype=np.int_))
    files: SpectrumFiles | None = None

    def units_per_class(self) -> Codes:
        """Return the number of units of every class; a unit whose label changes counts in each."""
        return np.bincount(self.labelled_units()[1], minlength=len(self.classes))

    def labelled_units(self) -> tuple[Codes, Codes]:
        """Return the labelled unit (a unit under one label) of every scan, and the class of each.

        Labelled units are numbered by unit, then class. They are the units themselves where labels
        do not change.
        """
        pairs = self.unit_of * len(self.classes) + self.codes
        names, labelled = np.unique(pairs, return_inverse=True)
        return labelled.astype(np.int_), (names % len(self.classes)).astype(np.int_)

    def scan_codes(self, unit_codes: Codes) -> Codes:
        """Return the class of every scan if the units had other labels or label sequences.

        Parameters
        ----------
        unit_codes
            Numbers as in the attribute of that name, shape ``(..., n_units)``.

        Returns
        -------
        numpy.ndarray
            Shape ``(..., n_scans)``.

        Raises
        ------
        ValueError
            If labels differ within a session, or a sequence has no label for a session in which
            the unit was measured.
        """
        if self.labels_by == BY_SCAN:
            raise ValueError("labels differ between scans of a unit in one session")
        spread = unit_codes[..., self.unit_of]
        if self.labels_by == BY_UNIT:
            return spread
        codes = self.sequences[spread, self.day]
        if (codes < 0).any():
            raise ValueError("a label sequence of a unit that was not measured in this session")
        return codes

    def measured(self) -> Codes:
        """Return the number of the set of sessions in which each unit has scans, ``(n_units,)``."""
        measured = np.zeros((len(self.units), len(self.sessions)), dtype=bool)
        measured[self.unit_of, self.day] = True
        return np.unique(measured, axis=0, return_inverse=True)[1].reshape(-1).astype(np.int_)

    def scans_per_class(self) -> Codes:
        """Return the number of scans of every class."""
        return np.bincount(self.codes, minlength=len(self.classes))


def labelled_spectra(job: Job, chosen: str | Sequence[str] | None = None) -> Labelled:
    """Read the accepted spectra of the wanted sessions and label them.

    Parameters
    ----------
    job
        Of the rule ``classes``, ``rivals`` or ``negative_controls``.
    chosen
        Sessions, as in ``classes.sessions``; those of the settings if left out.

    Returns
    -------
    Labelled
        Rows in session order, then scan.

    Raises
    ------
    InputFault
        If no session or no accepted scan is left, a unit has no label, or fewer than two classes
        have two units. A class of one unit cannot be held out and trained at once: it is set
        aside and named.
    """
    design, settings = job.settings["design"], job.settings["classes"]
    rows, axis, files = _accepted(job, settings["sessions"] if chosen is None else chosen)
    labels = _labels(job, rows, str(settings["target"]))
    single = _classes_of_one_unit(labels, rows["unit"], settings["target"], design["unit"])
    if single:
        kept = ~np.isin(labels, list(single))
        rows, files, labels = rows[kept].reset_index(drop=True), files.kept(kept), labels[kept]
    units, unit_of = _coded(rows["unit"])
    classes, codes = _coded(labels)
    blocks: tuple[str, ...] = ()
    unit_blocks = np.zeros(len(units), dtype=np.int_)
    if design["block"]:
        sheet = job.settings["units"]
        blocks, unit_blocks = _coded([sheet[unit].get(design["block"], "") for unit in units])
    sessions = tuple(dict.fromkeys(str(s) for s in rows["session"]))
    number = {session: i for i, session in enumerate(sessions)}
    day = np.array([number[s] for s in rows["session"]], dtype=np.int_)
    in_memory = len(rows) <= MOST_IN_MEMORY
    labels_by, unit_codes, sequences = label_sequences(codes, unit_of, day)
    return Labelled(
        spectra=files.read() if in_memory else np.empty((0, len(axis))),
        wavelength_nm=axis,
        rows=rows,
        classes=classes,
        codes=codes,
        units=units,
        unit_of=unit_of,
        unit_codes=unit_codes,
        blocks=blocks,
        unit_blocks=unit_blocks,
        sessions=sessions,
        day=day,
        set_aside=tuple(
            f"class {quoted(name)} was set aside: its only {design['unit'] or 'scan'} ({unit}) "
            "cannot be held out and trained on at once; the model does not know this class"
            for name, unit in single.items()
        ),
        labels_by=labels_by,
        sequences=sequences,
        files=None if in_memory else files,
    )


def label_sequences(codes: Codes, unit_of: Codes, day: Codes) -> tuple[str, Codes, Codes]:
    """Return what the labels belong to, the number of every unit's labels, and the sequences.

    Parameters
    ----------
    codes, unit_of, day
        Class, unit and session of every scan, each counted from 0.

    Returns
    -------
    tuple
        ``labels_by``, ``unit_codes`` and ``sequences`` of :class:`Labelled`.

    Examples
    --------
    >>> unit_of, day = np.array([0, 0, 1, 1, 2, 2]), np.array([0, 1, 0, 1, 0, 1])
    >>> by, numbers, table = label_sequences(np.array([0, 0, 0, 1, 0, 1]), unit_of, day)
    >>> by, numbers.tolist(), table.tolist()
    ('session', [0, 1, 1], [[0, 0], [0, 1]])
    """
    n_units, empty = int(unit_of.max()) + 1, np.empty((0, 0), dtype=np.int_)
    first = np.zeros(n_units, dtype=np.int_)
    first[unit_of] = codes
    if np.array_equal(first[unit_of], codes):
        return BY_UNIT, first, empty
    by_day = np.full((n_units, int(day.max()) + 1), -1, dtype=np.int_)
    by_day[unit_of, day] = codes
    if np.array_equal(by_day[unit_of, day], codes):
        table, numbers = np.unique(by_day, axis=0, return_inverse=True)
        return BY_SESSION, numbers.reshape(-1).astype(np.int_), table
    classes = np.zeros((n_units, int(codes.max()) + 1), dtype=bool)
    classes[unit_of, codes] = True
    numbers = np.unique(classes, axis=0, return_inverse=True)[1]
    return BY_SCAN, numbers.reshape(-1).astype(np.int_), empty


def _labels(job: Job, rows: pd.DataFrame, target: str) -> NDArray[np.str_]:
    """Return the label of every accepted scan: its own where the scan sheet holds the target.

    Raises
    ------
    InputFault
        If one has none.
    """
    by_scan: Mapping[str, str] | None = job.settings.get("labels")
    if by_scan is not None:
        file, label_of, column = "the scan sheet", by_scan, "scan"
    else:
        label_of = {unit: row.get(target, "") for unit, row in job.settings["units"].items()}
        file, column = "units.csv", "unit"
    names = [str(name) for name in rows[column]]
    problems = [
        Problem(
            file=file,
            column=target,
            found=f"no label for {name}",
            expected="a label for everything that has an accepted scan",
            mend="Fill it in, or exclude its scans in decisions.csv.",
        )
        for name in sorted({*names})
        if not label_of.get(name, "")
    ]
    if problems:
        raise InputFault(problems)
    return np.array([label_of[name] for name in names], dtype=str)


def _classes_of_one_unit(
    labels: Iterable[str], units: Iterable[str], target: str, word: str | None
) -> dict[str, str]:
    """Return class -> its unit, of classes with one unit; refuse fewer than two other classes."""
    units_of: dict[str, list[str]] = {}
    for name, unit in sorted({(str(a), str(b)) for a, b in zip(labels, units, strict=True)}):
        units_of.setdefault(name, []).append(unit)
    if len(units_of) < 2:
        raise InputFault(
            Problem(
                file=STUDY,
                column="classes.target",
                found=f"one class only in {quoted(target)}: {quoted(next(iter(units_of)))}",
                expected="at least two classes among the accepted scans",
                mend="Choose another target, or leave the section classes out.",
            )
        )
    single = {name: several[0] for name, several in units_of.items() if len(several) == 1}
    if len(units_of) - len(single) < 2:
        word = word or "scan"
        raise InputFault(
            Problem(
                file=STUDY,
                column="classes.target",
                found=f"class {quoted(name)} of {quoted(target)} with one {word} ({unit})",
                expected=f"two classes with at least two {word}s each, so that one can be held out",
                mend="Measure more of it, or choose another target.",
            )
            for name, unit in single.items()
        )
    return single


def _accepted(
    job: Job, chosen: str | Sequence[str]
) -> tuple[pd.DataFrame, NDArray[np.float64], SpectrumFiles]:
    """Return scan, session and unit of the accepted scans, their axis, and where to read them.

    Rows are in session order, then by scan.
    """
    import pandas as pd

    reflectance = job.by_session("reflectance")
    sessions = wanted_sessions(chosen, job.settings["design"]["sessions"], list(reflectance))
    limits = read_json(job.inputs["range"])
    keep = read_csv(job.inputs["accepted"])[["scan", "session", "unit", "accepted"]]
    keep = keep.set_index("scan")
    frames, places, n_before = [], [], 0
    axis: NDArray[np.float64] | None = None
    for session in sessions:
        table = read_spectra(reflectance[session], ())
        if axis is not None and not np.array_equal(axis, table.wavelength_nm):
            raise InputFault(two_axes_problem(sessions[0], session))
        axis = table.wavelength_nm
        rows = keep.reindex(table.rows["scan"])
        order = np.flatnonzero(np.asarray(rows["accepted"], dtype=bool))
        order = order[np.argsort(rows.index.to_numpy(dtype=str)[order], kind="stable")]
        row_of = np.full(len(rows), -1, dtype=np.intp)
        row_of[order] = n_before + np.arange(len(order))
        n_before += len(order)
        frames.append(rows.iloc[order].reset_index()[["scan", "session", "unit"]])
        places.append(row_of)
    if axis is None:
        raise ValueError("no session asked for")
    if n_before == 0:
        raise InputFault(
            Problem(
                file="results/accepted.csv",
                column="accepted",
                found=f"no accepted scan in {', '.join(sessions)}",
                expected="accepted scans to train on",
                mend="See exclusions.csv for the reasons; name other sessions in classes.sessions.",
            )
        )
    inside = (axis >= limits["start_nm"]) & (axis <= limits["stop_nm"])
    if not inside.any():
        raise InputFault(
            Problem(
                file=STUDY,
                column="quality.range",
                found="no wavelength inside the trusted range",
                expected="at least one wavelength to train on",
                mend="State a range that overlaps the spectra: {start_nm: 450, stop_nm: 950}.",
            )
        )
    paths = tuple(reflectance[session] for session in sessions)
    files = SpectrumFiles(paths, tuple(places), inside)
    return pd.concat(frames, ignore_index=True), axis[inside], files


def wanted_sessions(
    chosen: str | Sequence[str], listed: Sequence[Mapping[str, Any]], read: Sequence[str]
) -> list[str]:
    """Return the sessions that the settings ask for.

    Parameters
    ----------
    chosen
        ``all``, ``before``, ``after``, or session ids.
    listed
        Sessions of the design with their phase; a study without any has one session only.
    read
        Sessions whose reflectance is there, in study order.

    Raises
    ------
    InputFault
        If none is left, or one that is asked for is not there.

    Examples
    --------
    >>> days = [{"session": "d0", "phase": "before"}, {"session": "d4", "phase": "after"}]
    >>> wanted_sessions("after", days, ["d0", "d4"])
    ['d4']
    """
    if not isinstance(chosen, str):
        unknown = [session for session in chosen if session not in read]
        if unknown:
            raise InputFault(
                Problem(
                    file=STUDY,
                    column="classes.sessions",
                    found=quoted(session),
                    expected="a session of the study",
                    mend=nearest(session, read),
                )
                for session in unknown
            )
        return [session for session in read if session in chosen]
    if chosen == "all" or not listed:
        return list(read)
    phase = {row["session"]: row["phase"] for row in listed}
    kept = [session for session in read if phase.get(session) == chosen]
    if not kept:
        raise InputFault(
            Problem(
                file=STUDY,
                column="classes.sessions",
                found=f"{chosen}, and no session with phase {chosen}",
                expected="at least one session to train on",
                mend=f"Give a session the phase {chosen} in design.sessions, or name sessions.",
            )
        )
    return kept


def _coded(labels: Iterable[str]) -> tuple[tuple[str, ...], Codes]:
    names, codes = np.unique(np.array(list(labels), dtype=str), return_inverse=True)
    return tuple(str(name) for name in names), codes.astype(np.int_)


# A sample of units, where a study has more scans than can be worked on
# ----------------------------------------------------------------------
# Permuted labels, held-out sessions, negative controls and baseline classifiers refit so often
# that their time grows much faster than the scans. Beyond a number of scans that each states, they
# work on a sample: whole units drawn within classes with the recorded seed, n of the sample and n
# of all beside each other in the result. The accuracy of the classifier itself is always that of
# all scans.

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
    by_priority = np.lexsort(((rank + 0.5) / sizes[groups[order]], ~needed))
    order, needed = order[by_priority], needed[by_priority]
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
