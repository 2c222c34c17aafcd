"""Everything about a study that can be checked before any job runs.

Its sheets and settings, its indices and variants, folders of results that are no folders, the table
of the panel, dates of sessions, the raw files, and scans that changed since a person decided about
them.
"""

from __future__ import annotations

import datetime as dt
import math
import statistics
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.runner.step import job_of
from leafledger.study.definition import Definition
from leafledger.study.definition_file import FILE as STUDY_FILE
from leafledger.study.definition_file import (
    definition_of,
    is_known,
    of_variant,
    with_rows,
    without_consequences,
)
from leafledger.study.reading import ExaminedStudy, examine_study, read_design, under_variant
from leafledger.study.rules import LOGS, RECORDS, RESULTS
from leafledger.study.scan_sheet import Scan, change_warnings, columns_of, digest_changed, standing
from leafledger.study.sheets import PathCheck, is_there
from leafledger.study.study import ASSAYS, CHROMATOGRAMS, Study
from leafledger.study.table_files import link_problems
from leafledger.study.table_sheet import without_pattern
from leafledger.study.tasks import Task, outputs, tasks
from leafledger.study.yaml_text import YamlText

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from leafledger.intake.stage import SessionScans


# --- folders, the panel, dates, swapped references ------------------------------------------------

_FOLDERS = (RESULTS, RECORDS, "ledger", LOGS)
_NEAR_DAYS = 1
_MIDDLE = 0.25
_ROUNDING = 1e-9


def blocked_places(study: Study) -> Iterator[Problem]:
    """Yield a problem for each file where a folder of results belongs, and the other way round."""
    paths = [path.rstrip("/") for task in tasks(study) for path in outputs(task).values()]
    parents = {parent for path in paths for parent in _parents(path)}
    folders = {path for path in paths if not PurePosixPath(path).suffix}
    for name in dict.fromkeys((*_FOLDERS, *sorted(parents | folders))):
        place = study.folder / name
        if place.exists() and not place.is_dir() and not place.is_symlink():
            yield Problem(
                file=name,
                found="a file",
                expected="a folder, or nothing: the results are written there",
                mend="Give it another name, or move it elsewhere.",
            )
    for path in sorted(set(paths) - folders):
        if (study.folder / path).is_dir():
            yield Problem(
                file=path,
                found="a folder",
                expected="a file of results, or nothing",
                mend="Give it another name, or move it elsewhere.",
            )


def _parents(path: str) -> list[str]:
    return [str(parent) for parent in PurePosixPath(path).parents][:-1]


def panel_problems(study: Study, axes: Iterable[NDArray[np.float64]]) -> list[Problem]:
    """Return what is wrong with the table of the white panel, too short a range included.

    Parameters
    ----------
    study
        The study.
    axes
        Wavelengths of the sessions of counts whose raw files have been read, nm. Without any, the
        range is that of the stated grid.
    """
    import numpy as np

    from leafledger.reflectance.panel import read_panel, too_short

    name = study.panel_table
    if name is None or not (study.folder / name).is_file():
        return []  # no table, or one whose path is refused already
    try:
        at, _, _ = read_panel(study.folder / name, name)
    except InputFault as fault:
        return list(fault.problems)
    grid = study.definition.reflectance.grid
    measured = [(float(axis[0]), float(axis[-1])) for axis in axes]
    if isinstance(grid, str):
        if not measured:
            return []
        low = min(first for first, _ in measured)
        high = max(last for _, last in measured)
    else:
        n_steps = math.floor((grid.stop_nm - grid.start_nm) / grid.step_nm + _ROUNDING)
        low, high = grid.start_nm, grid.start_nm + n_steps * grid.step_nm
    needed = np.array([low, high])
    return [too_short(name, at, needed)] if at[0] > low or at[-1] < high else []


def assay_problems(examined: ExaminedStudy) -> list[Problem]:
    """Return what is wrong with the sheets of assays and chromatograms, if there are any.

    Where the scans themselves are at fault, it is not known which units and leaves there are: then
    the sheets are not held against them.
    """
    from leafledger.pigments.sheets import read_assays, read_chromatograms

    study, problems = examined.study, list[Problem]()
    readers = ((ASSAYS, read_assays), (CHROMATOGRAMS, read_chromatograms))
    flawed = any(
        p.file != STUDY_FILE or (p.column or "").startswith(("design", "intake"))
        for p in examined.problems
    )
    leaves = dict.fromkeys((study.unit_of(s), s.session, s.leaf) for s in study.samples())
    for names, read in readers:
        there = [name for name in names if is_there(study.folder, name, problems)]
        if len(there) > 1:
            problems.append(
                Problem(
                    file=there[1],
                    found=f"{there[0]} and {there[1]}",
                    expected="one of the two: nothing says which one holds",
                    mend="Keep the one that you work in and take the other away.",
                )
            )
        refused = PathCheck(study.folder).why_refused(there[0]) if there else None
        if refused:
            problems.append(
                Problem(
                    file=there[0],
                    found=refused,
                    expected="a sheet inside the study folder",
                    mend="Copy the sheet itself into the study folder.",
                )
            )
        elif there and leaves and not flawed:
            try:
                read(study.folder / there[0], there[0], list(leaves))
            except InputFault as fault:
                problems += fault.problems
    return problems


def dates_to_ask_about(study: Study) -> list[str]:
    """Return a question for each session whose date is not that of its scans.

    The date of the scans is the median of their days; a difference of one day may be a
    measurement that went on past midnight.
    """
    asked = []
    for session in study.sessions:
        days = [
            dt.datetime.fromisoformat(scan.time).date().toordinal()
            for scan in study.scans
            if scan.session == session.session and scan.time is not None
        ]
        if session.date is None or not days:
            continue
        scanned = dt.date.fromordinal(int(statistics.median_low(days)))
        apart = (scanned - session.date).days
        if abs(apart) > _NEAR_DAYS:
            asked.append(
                f"session {session.session} is dated {session.date}, and its scans were taken on "
                f"{scanned}, {abs(apart)} days {'later' if apart > 0 else 'earlier'}: correct "
                "design.sessions in study.yaml or the times of the scans, whichever is wrong"
            )
    return asked


def swapped_references(
    study: Study, session: str, scans: Sequence[Scan], counts: NDArray[np.float64]
) -> list[Problem]:
    """Return a problem if the whites of a session stand below its darks.

    Compared are medians over the middle half of the axis: the brightest white with the faintest
    dark, so that no other fault of some of them can look like a swap of all.

    Parameters
    ----------
    study
        The study.
    session
        The session.
    scans
        Its scans.
    counts
        Their raw values in the same order, shape ``(n_scans, n_wavelengths)``.
    """
    import numpy as np

    n = counts.shape[1]
    middle = counts[:, int(n * _MIDDLE) : max(int(n * (1 - _MIDDLE)), int(n * _MIDDLE) + 1)]
    levels = np.median(middle, axis=1)
    at = {role: [i for i, s in enumerate(scans) if s.role == role] for role in ("white", "dark")}
    if not at["white"] or not at["dark"]:
        return []
    white, dark = float(levels[at["white"]].max()), float(levels[at["dark"]].min())
    if white >= dark:
        return []
    by_pattern = bool(study.definition.intake.pattern)
    return [
        Problem(
            file=STUDY_FILE if by_pattern else study.definition.intake.sheet,
            column="intake.pattern" if by_pattern else "role",
            found=f"whites below darks in session {session}: swapped? The brightest "
            f"white at {white:.6g} counts, the faintest dark at {dark:.6g}",
            expected="whites far above darks",
            mend="White and dark are swapped: exchange the two roles.",
        )
    ]


# --- scans that changed since a decision ----------------------------------------------------------


def digests_of_last_run(study: Study, session: str) -> dict[str, str]:
    """Return scan -> digest of its raw values, as the last run took them in; of every role."""
    from leafledger.quality.measuring_order import raw_digest
    from leafledger.study.table_files import read_spectra

    table = read_spectra(
        study.folder / outputs(Task("intake", session))["scans"], ("counts", "reflectance")
    )
    (values,) = table.spectra.values()
    return {str(s): raw_digest(v) for s, v in zip(table.rows["scan"], values, strict=True)}


def digests_of_raw_files(study: Study, session: str, read: SessionScans) -> dict[str, str]:
    """Return scan -> digest that its raw values would have if a run took them in now."""
    import numpy as np

    from leafledger.quality.measuring_order import raw_digest

    settings = job_of(study, Task("intake", session)).settings
    # Counts are kept as float32; reflectance is kept as it came.
    kept = np.float32 if settings["form"]["quantity"] == "counts" else np.float64
    ids = [str(row["scan"]) for row in settings["scans"]]
    return {
        scan: raw_digest(v.astype(kept).astype(np.float64))
        for scan, v in zip(ids, read.values, strict=True)
    }


def sessions_with_decisions(study: Study) -> set[str]:
    """Return the sessions with a decision that notes which raw values it judged."""
    noted = {d.scan for d in standing(study.decisions).values() if d.scan_sha256}
    return {scan.session for scan in study.samples() if scan.scan in noted}


def warn_changed(study: Study, digests: dict[str, str]) -> list[str]:
    """Return a warning if scans have changed since the decisions that hold about them."""
    return change_warnings(digest_changed(standing(study.decisions).values(), digests))


# --- the whole study ------------------------------------------------------------------------------


def checked_study(folder: Path, variant: str | None = None) -> Study:
    """Read a study and check it, the indices and links out of it included.

    Parameters
    ----------
    folder
        The study folder.
    variant
        Name of the variant whose settings hold. Without one, the variants are checked as well.

    Raises
    ------
    InputFault
        With all problems found.
    """
    examined = examine(folder, variant)
    if examined.problems:
        raise InputFault(examined.problems)
    return examined.study


def checked_design(folder: Path) -> Study:
    """Read and check what a study is before any scan exists, the indices included.

    Raises
    ------
    InputFault
        With all problems found.
    """
    problems: list[Problem] = []
    study: Study | None = None
    try:
        study = read_design(folder)
    except InputFault as fault:
        problems += fault.problems
    try:
        definition, text = definition_of(folder)
        problems += _index_problems(definition, text, frozenset(), None)
    except InputFault as fault:
        problems += fault.problems
    if study is None or problems:
        raise InputFault(list(dict.fromkeys(problems)))
    return study


def examine(folder: Path, variant: str | None = None) -> ExaminedStudy:
    """Read a study as far as it can be, and check it, the indices and the variants included.

    Raises
    ------
    InputFault
        If ``study.yaml`` cannot be read at all.
    """
    examined = examine_study(folder, variant)
    indices = _index_problems(examined.study.definition, examined.text, examined.unknown, variant)
    problems = [*examined.problems, *indices, *link_problems(folder)]
    problems += blocked_places(examined.study)
    problems += assay_problems(examined)
    if is_known(examined.unknown, "reflectance.grid", "instrument.panel"):
        problems += panel_problems(examined.study, ())
    if variant is None and not problems:
        problems += _variant_problems(examined.study)
    return replace(examined, problems=tuple(dict.fromkeys(problems)))


def _variant_problems(study: Study) -> list[Problem]:
    problems: list[Problem] = []
    for name in study.definition.variants:
        try:
            under_variant(study, name)
        except InputFault as fault:
            problems += fault.problems
        try:
            definition, text = definition_of(study.folder, name)
        except InputFault:
            continue  # said above
        problems += _index_problems(definition, text, frozenset(), name)
    return problems


def _index_problems(
    definition: Definition, text: YamlText, unknown: frozenset[str], variant: str | None
) -> list[Problem]:
    """Return what is wrong with the indices, and with what names one."""
    from leafledger.indices.check import check_indices

    problems = check_indices(definition.indices.model_dump(mode="json"))
    problems = problems or _unknown_indices(definition)
    told = without_consequences(problems, unknown, definition)
    return with_rows(of_variant(told, variant), text)


def sheet_warnings(study: Study) -> list[str]:
    """Return what the user should know of a study without a problem.

    Files beside the raw scans that fit no pattern, dates of sessions that are not those of their
    scans, and headings that look like a misspelt column with a meaning.
    """
    told = without_pattern(study.folder, study.definition.intake.pattern)
    return [*([told] if told else []), *dates_to_ask_about(study), *misspelt_columns(study)]


def misspelt_columns(study: Study) -> list[str]:
    """Ask about headings of the scan sheet without a meaning that resemble one with a meaning.

    ``int_ms`` is no integration time: all scans would be taken as equally long. Asked about are
    only columns that no scan of the study fills in under their right name.
    """
    empty = {"integration_ms": None, "averages": None, "time": None, "leaf": "", "replicate": ""}
    missing = [n for n, of in empty.items() if all(getattr(s, n) == of for s in study.scans)]
    classes = study.definition.classes
    used = {*columns_of(study.definition.design), *([classes.target] if classes else [])}
    headings = dict.fromkeys(name for scan in study.scans for name in scan.others)
    return [
        f'{study.scans[0].source}, column "{name}" has no meaning and is not used: {hint}'
        for name in headings
        if name not in used and (hint := nearest(name, missing)).startswith("Did you mean")
    ]


@dataclass(frozen=True)
class RawFiles:
    """What a look at the raw files told.

    Attributes
    ----------
    n_files
        How many were read, each once however many sessions share it; a session whose results
        stand is not read again.
    warnings
        What the user should know, such as scans that changed since a decision about them.
    """

    n_files: int
    warnings: list[str]


def readable_raw_files(examined: ExaminedStudy) -> Study | None:
    """Return the study with the scans that can be read in spite of problems, ``None`` if none can.

    A row of the scan sheet that is at fault is left out, and so is a session without any other.
    """
    study = examined.study
    if not is_known(examined.unknown, "intake.sheet", "intake.pattern", "design.sessions"):
        return None
    sessions = [s for s in study.session_ids if _form_is_known(study, s, examined.unknown)]
    scans = [
        scan
        for scan in study.scans
        if scan.session in sessions and (scan.source, scan.row or None) not in examined.flawed
    ]
    return replace(study, scans=tuple(scans)) if scans else None


def _form_is_known(study: Study, session: str, unknown: frozenset[str]) -> bool:
    own = session if session in study.definition.intake.forms else "default"
    return is_known(unknown, f"intake.forms.{own}")


def check_raw_files(study: Study) -> RawFiles:
    """Read the raw files of every session that is not taken in yet, and keep nothing.

    Raises
    ------
    InputFault
        With the problems of all sessions.
    """
    from leafledger.intake.stage import read_session
    from leafledger.records.digests import FileDigests
    from leafledger.runner.outdated import why_run

    digests = FileDigests(study.folder)
    problems: list[Problem] = []
    files: set[str] = set()
    axes: list[NDArray[np.float64]] = []
    judged, raw_digests = sessions_with_decisions(study), dict[str, str]()
    sessions = {scan.session for scan in study.scans}
    for session in (name for name in study.session_ids if name in sessions):
        task = Task("intake", session)
        if why_run(study, task, digests) is None:
            if session in judged:
                raw_digests |= digests_of_last_run(study, session)
            continue
        try:
            read = read_session(job_of(study, task))
        except InputFault as fault:
            problems += fault.problems
            continue
        files |= {scan.file for scan in study.scans if scan.session == session}
        if study.form(session).quantity == "counts":
            scans = [scan for scan in study.scans if scan.session == session]
            problems += swapped_references(study, session, scans, read.values)
            axes.append(read.wavelength_nm)
        if session in judged:
            raw_digests |= digests_of_raw_files(study, session, read)
    problems += panel_problems(study, axes)
    if problems:
        raise InputFault(list(dict.fromkeys(problems)))
    return RawFiles(len(files), warn_changed(study, raw_digests))


def _unknown_indices(definition: Definition) -> list[Problem]:
    """The primary index, and those with a margin, must be among the indices computed."""
    from leafledger.indices.check import chosen

    known = [entry.index for entry in chosen(definition.indices.model_dump(mode="json"))]
    effects = definition.effects
    places = [(f"effects.margin.{name}", name) for name in effects.margin]
    if effects.primary:
        places.append(("effects.primary.index", effects.primary.index))
    if definition.pigments.index:
        places.append(("pigments.index", definition.pigments.index))
    return [
        Problem(
            file="study.yaml",
            column=key,
            found=quoted(name),
            expected="an index of indices.use or indices.formulas",
            mend=nearest(name, known),
        )
        for key, name in places
        if name not in known
    ]
