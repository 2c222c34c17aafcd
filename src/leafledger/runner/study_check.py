"""Everything about a study that can be checked before any job runs.

Its sheets and settings, its indices and variants, folders of results that are no folders, the table
of the panel, dates of sessions, the raw files, and scans that changed since a person decided about
them.
"""

from __future__ import annotations

import datetime as dt
import math
import statistics
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from leafledger.errors import InputFault, Problem, first_words, nearest, quoted
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
from leafledger.study.settings import settings_of
from leafledger.study.sheets import SCANS, PathCheck, is_there, with_own_names
from leafledger.study.study import ASSAYS, CHROMATOGRAMS, Study, Task, outputs, tasks
from leafledger.study.table_files import link_problems
from leafledger.study.table_sheet import without_pattern
from leafledger.study.yaml_text import YamlText

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from leafledger.intake.stage import SessionScans
    from leafledger.study.table_files import SpectraTable


# --- folders, the panel, dates, references --------------------------------------------------------

_FOLDERS = (RESULTS, RECORDS, "ledger", LOGS)
_NEAR_DAYS = 1
_ROUNDING = 1e-9


def blocked_places(study: Study) -> Iterator[Problem]:
    """Yield a problem for each file where a folder of results belongs, and the other way round."""
    paths = [path.rstrip("/") for task in tasks(study) for path in outputs(task).values()]
    parents = {parent for path in paths for parent in _parents(path)}
    folders = {path for path in paths if not PurePosixPath(path).suffix}
    for name in dict.fromkeys((*_FOLDERS, *sorted(parents | folders))):
        target = study.folder / name
        if target.exists() and not target.is_dir() and not target.is_symlink():
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

    from leafledger.reflectance.measurement_equation import (
        read_panel,
        stated_wavelengths,
        too_short,
    )

    name = study.panel_table
    if name is None or not (study.folder / name).is_file():
        return []  # no table, or one whose path is refused already
    table = study.folder / name
    problems: list[Problem] = []
    try:
        table_nm, _, _ = read_panel(table, name)
    except InputFault as fault:
        problems = list(fault.problems)
        stated_nm = stated_wavelengths(table, name)
        if stated_nm is None:
            return problems
        table_nm = stated_nm
    grid = study.definition.reflectance.grid
    measured = [(float(axis[0]), float(axis[-1])) for axis in axes]
    if isinstance(grid, str):
        if not measured:
            return problems
        low = min(first for first, _ in measured)
        high = max(last for _, last in measured)
    else:
        n_steps = math.floor((grid.stop_nm - grid.start_nm) / grid.step_nm + _ROUNDING)
        low, high = grid.start_nm, grid.start_nm + n_steps * grid.step_nm
    needed = np.array([low, high])
    if table_nm[0] > low or table_nm[-1] < high:
        problems.append(too_short(name, table_nm, needed))
    return problems


def strip_problems(study: Study) -> list[Problem]:
    """Return what is wrong with the kept profiles of strips."""
    from leafledger.pigments.chromatograms import read_profile

    problems: list[Problem] = []
    for name in study.strip_profiles:
        why = PathCheck(study.folder).why_refused(name)
        if why:
            mend = "Take it away; `leafledger assay strip` writes such files."
            problems.append(Problem(name, why, "the profile of a strip inside the study", mend))
            continue
        try:
            read_profile(study.folder / name, name)
        except InputFault as fault:
            problems += fault.problems
    return problems


def coefficient_problems(study: Study) -> list[Problem]:
    """Return what is wrong with the table of coefficients of the leaf model, if there is one."""
    from leafledger.traits.leaf_estimates import read_coefficients

    name = study.coefficient_table
    if name is None or not (study.folder / name).is_file():
        return []  # no table, or one whose path is refused already
    try:
        read_coefficients(study.folder / name, name)
    except InputFault as fault:
        return list(fault.problems)
    return []


def assay_problems(examined: ExaminedStudy) -> list[Problem]:
    """Return what is wrong with the sheets of assays and chromatograms, if there are any.

    Where the scans themselves are at fault, it is not known which units and leaves there are: then
    the sheets are not held against them.
    """
    from leafledger.pigments.assay_sheets import read_assays, read_chromatograms

    study, problems = examined.study, list[Problem]()
    readers = ((ASSAYS, read_assays), (CHROMATOGRAMS, read_chromatograms))
    flawed = any(
        p.file != STUDY_FILE or (p.column or "").startswith(("design", "intake"))
        for p in examined.problems
    )
    leaves = dict.fromkeys((study.unit_of(s), s.session, s.leaf) for s in study.samples())
    for names, read in readers:
        present = [name for name in names if is_there(study.folder, name, problems)]
        if len(present) > 1:
            problems.append(
                Problem(
                    file=present[1],
                    found=f"{present[0]} and {present[1]}",
                    expected="one of the two: nothing says which one holds",
                    mend="Keep the one that you work in and take the other away.",
                )
            )
        refused = PathCheck(study.folder).why_refused(present[0]) if present else None
        if refused:
            problems.append(
                Problem(
                    file=present[0],
                    found=refused,
                    expected="a sheet inside the study folder",
                    mend="Copy the sheet itself into the study folder.",
                )
            )
        elif present and leaves and not flawed:
            try:
                read(study.folder / present[0], present[0], list(leaves))
            except InputFault as fault:
                problems += fault.problems
    return problems


def trait_problems(study: Study) -> list[Problem]:
    """Return every target of traits that is nothing, every cell of one that is no number.

    A quantity that is not assayed yet is no problem while there is no sheet of assays.
    """
    from leafledger.traits.samples import target_problems

    traits, responses = study.definition.traits, study.definition.effects.responses
    targets = [] if traits is None else traits.targets
    of_units = study.columns_of_units
    of_scans = {
        name: {scan.scan: scan.others.get(name, "") for scan in study.samples()}
        for name in dict.fromkeys(name for scan in study.samples() for name in scan.others)
    }
    assayed = None if study.assay_sheet is None else _assayed_quantities(study)
    problems = target_problems(targets, assayed, of_units, of_scans)
    return problems + [
        Problem(
            file="study.yaml",
            column="effects.responses",
            found=quoted(name),
            expected="a target of the section traits",
            mend=nearest(name, targets) if targets else "Add it to traits.targets.",
        )
        for name in responses
        if name not in targets
    ]


def _assayed_quantities(study: Study) -> list[str]:
    """Return the quantities that the sheet of assays holds, or that its extracts give."""
    from leafledger.pigments.assay_sheets import read_assays
    from leafledger.pigments.stage import content_rows

    leaves = dict.fromkeys((study.unit_of(s), s.session, s.leaf) for s in study.samples())
    sheet = str(study.assay_sheet)
    assays = read_assays(study.folder / sheet, sheet, list(leaves))
    return list(dict.fromkeys(str(row["quantity"]) for row in content_rows(assays)))


def dates_to_ask_about(study: Study) -> list[str]:
    """Return a question for each session whose date is not that of its scans.

    The date of the scans is the median of their days; a difference of one day may be a
    measurement that went on past midnight.
    """
    questions = []
    for session in study.sessions:
        if session.date is None:
            continue
        days = [
            dt.datetime.fromisoformat(scan.time).date().toordinal()
            for scan in study.scans_of(session.session)
            if scan.time is not None
        ]
        if not days:
            continue
        scanned = dt.date.fromordinal(int(statistics.median_low(days)))
        offset = (scanned - session.date).days
        if abs(offset) > _NEAR_DAYS:
            questions.append(
                f"session {session.session} is dated {session.date}, and its scans were taken on "
                f"{scanned}, {abs(offset)} days {'later' if offset > 0 else 'earlier'}: correct "
                "design.sessions in study.yaml or the times of the scans, whichever is wrong"
            )
    return questions


def references_refused(study: Study, session: str, table: SpectraTable) -> list[Problem]:
    """Return what a run would refuse in the axis, the whites and the darks of a session.

    Where file names stand in for the scan sheet, a fault of its columns is one of the pattern.

    Parameters
    ----------
    study, session
        The study and the session.
    table
        Its scans, as intake writes them.
    """
    from leafledger.reflectance.stage import reference_problems

    roles = {scan.role for scan in study.scans_of(session)}
    if "counts" in table.spectra and not roles >= {"white", "dark"}:
        return []  # said of the scan sheet
    task = Task("reflectance", session)
    problems = reference_problems(table, session, settings_of(study, task.rule, session))
    if study.definition.intake.pattern:
        return [
            replace(p, file=STUDY_FILE, column="intake.pattern") if p.file in SCANS else p
            for p in problems
        ]
    return with_own_names(problems, study.folder, study.definition)


def beyond_full_scale(study: Study, session: str, counts: NDArray[np.float64]) -> str | None:
    """Return a warning if a session has counts that its detector, as stated, cannot give."""
    stated = study.definition.instrument.full_scale_counts
    if stated is None or float(counts.max()) <= stated:
        return None
    share = float((counts.max(axis=1) > stated).mean())
    return (
        f"session {session}: {100 * share:.3g} % of the scans hold counts above "
        f"instrument.full_scale_counts, {stated:g} (the largest {counts.max():g}): correct it in "
        "study.yaml, or each of these scans counts as saturated"
    )


# --- scans that changed since a decision ----------------------------------------------------------


def digests_of_last_run(study: Study, session: str) -> dict[str, str]:
    """Return scan -> digest of its raw values, as the last run took them in; of every role."""
    from leafledger.quality.session import raw_digest
    from leafledger.study.table_files import read_spectra

    table = read_spectra(
        study.folder / outputs(Task("intake", session))["scans"], ("counts", "reflectance")
    )
    (values,) = table.spectra.values()
    return {str(s): raw_digest(v) for s, v in zip(table.rows["scan"], values, strict=True)}


def digests_of_raw_files(study: Study, session: str, read: SessionScans) -> dict[str, str]:
    """Return scan -> digest that its raw values would have if a run took them in now."""
    import numpy as np

    from leafledger.quality.session import raw_digest

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
    problems += coefficient_problems(examined.study)
    problems += strip_problems(examined.study)
    if not problems:
        problems += trait_problems(examined.study)
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
    from leafledger.indices.catalogue import check_indices

    problems = check_indices(definition.indices.model_dump(mode="json"))
    problems = problems or _unknown_indices(definition)
    index_problems = without_consequences(problems, unknown, definition)
    return with_rows(of_variant(index_problems, variant), text)


def sheet_warnings(study: Study) -> list[str]:
    """Return what the user should know of a study without a problem.

    Files beside the raw scans that fit no pattern or that no row names, dates of sessions that are
    not those of their scans, and headings that look like a misspelt column with a meaning.
    """
    warnings = without_pattern(study.folder, study.definition.intake.pattern)
    return [
        *([warnings] if warnings else []),
        *_not_listed(study),
        *dates_to_ask_about(study),
        *misspelt_columns(study),
        *_traits_waiting(study),
    ]


def _traits_waiting(study: Study) -> list[str]:
    """Return which targets of traits wait for a sheet of assays."""
    traits = study.definition.traits
    if traits is None or study.assay_sheet is not None:
        return []
    columns = {*study.columns_of_units}.union(*(s.others for s in study.samples()))
    waits = [name for name in traits.targets if name not in columns]
    if not waits:
        return []
    return [f"traits: {first_words(waits, 5)} cannot be estimated until there is an assays.csv"]


NOTHING_YET = "nothing to run yet: no session of this study has been measured"


def session_notes(study: Study) -> list[str]:
    """Return what the user should know of sessions that are not measured and of omitted scans.

    Examples of notes: ``day12 (2026-05-16): to come, no scans yet``, ``day8: skipped (storm)``.
    """
    session_lines = []
    planned = {
        session: [s for s in study.planned if s.session == session] for session in study.to_come
    }
    named = {scan.file for scan in (*study.scans, *study.planned, *study.omitted)}
    for session in study.sessions:
        name = session.session + (f" ({session.date})" if session.date else "")
        if session.session in study.to_come:
            rows = planned[session.session]
            listed = f"; {len(rows)} planned" if rows else ""
            session_lines.append(
                f"{name}: to come, no scans yet{listed}{_beside(study, rows, named)}"
            )
        elif session.skipped:
            session_lines.append(f"{name}: skipped, never measured ({session.skipped})")
    session_lines += [
        f"{n} scan{'s' * (n > 1)} left out: {reason}"
        for reason, n in Counter(scan.omitted for scan in study.omitted).items()
    ]
    if not study.is_allocated:
        session_lines.append(
            "treatments are not allocated yet: effects, classes and the balance of the arms wait"
        )
    if study.why_no_classes and study.session_ids:
        session_lines.append(f"the classifier is not trained ({study.why_no_classes})")
    return session_lines


def _not_listed(study: Study) -> list[str]:
    """Ask about files of the ending of the raw scans beside them, which no row names.

    Such a file was saved while a session was measured, and its row may name another one. Asked
    about are sessions that have begun; of those to come :func:`session_notes` tells.
    """
    if study.definition.intake.pattern:
        return []
    named = {scan.file for scan in (*study.scans, *study.omitted, *study.planned)} | {
        study.panel_table or "",
        study.coefficient_table or "",
    }
    reported: set[str] = set()
    out: list[str] = []
    for session in study.sessions:
        omitted = [scan for scan in study.omitted if scan.session == session.session]
        rows = [*study.scans_of(session.session), *omitted]
        files = {scan.file for scan in rows}
        endings = {PurePosixPath(file).suffix.lower() for file in files}
        odd = [
            file
            for file in _files_beside(study, rows, named)
            if PurePosixPath(file).suffix.lower() in endings and file not in reported
        ]
        reported |= {*odd}
        if odd and session.session not in study.to_come:
            out.append(
                f"{first_words([quoted(file) for file in odd], 3)} "
                f"{'lies' if len(odd) == 1 else 'lie'} beside the scans of session "
                f"{session.session} and no row names {'it' if len(odd) == 1 else 'them'}: if "
                f"{'it is' if len(odd) == 1 else 'they are'} of this session, a row of the scan "
                "sheet may name another file instead, and all rows after it may be one off"
            )
    return out


def _files_beside(study: Study, rows: Sequence[Scan], named: Collection[str]) -> list[str]:
    """Return the files in the folders of these scans that are named by no row."""
    folders = {str(PurePosixPath(file).parent) for file in {scan.file for scan in rows}} - {"."}
    files = sorted(
        f"{folder}/{path.name}"
        for folder in folders
        for path in (study.folder / folder).glob("*")
        if path.is_file() and not path.name.startswith(".")
    )
    return [path for path in files if path not in named]


def _beside(study: Study, rows: Sequence[Scan], named: Collection[str]) -> str:
    """Say which files lie where planned scans belong, and are named by no row."""
    odd = _files_beside(study, rows, named)
    if not odd:
        return ""
    return (
        f". But {first_words([quoted(path) for path in odd], 3)} "
        f"{'lies' if len(odd) == 1 else 'lie'} there and no row names "
        f"{'it' if len(odd) == 1 else 'them'}: correct column file if these are its scans"
    )


def misspelt_columns(study: Study) -> list[str]:
    """Ask about headings of the scan sheet without a meaning that resemble one with a meaning.

    ``int_ms`` is no integration time: all scans would be taken as equally long. Asked about are
    only columns that no scan of the study fills in under their right name.
    """
    if not study.scans:
        return []
    empty = {"integration_ms": None, "averages": None, "time": None, "leaf": "", "replicate": ""}
    missing = [n for n, value in empty.items() if all(getattr(s, n) == value for s in study.scans)]
    classes = study.definition.classes
    used = {*columns_of(study.definition.design), *([classes.target] if classes else [])}
    used |= {*(study.definition.traits.targets if study.definition.traits else [])}
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
    form_name = session if session in study.definition.intake.forms else "default"
    return is_known(unknown, f"intake.forms.{form_name}")


def references_are_known(examined: ExaminedStudy) -> bool:
    """Tell whether every scan is as its user means it, and the settings of its conversion too."""
    settings = ("instrument", "reflectance", "intake.forms")
    at_fault = {(p.column or "").split(".")[0] for p in examined.problems if p.file == STUDY_FILE}
    settings_known = is_known(examined.unknown, *settings) and not at_fault & {
        "instrument",
        "reflectance",
    }
    return settings_known and not examined.flawed


def check_raw_files(study: Study, with_references: bool = True) -> RawFiles:
    """Read the raw files of every session that is not taken in yet, and keep nothing.

    Parameters
    ----------
    study
        The study.
    with_references
        Ask of each session that is not converted yet whether its whites and darks can serve.

    Raises
    ------
    InputFault
        With the problems of all sessions.
    """
    from leafledger.intake.stage import read_session, table_of
    from leafledger.records.digests import FileDigests
    from leafledger.runner.outdated import why_run
    from leafledger.study.table_files import read_spectra

    digests = FileDigests(study.folder)
    problems: list[Problem] = []
    files: set[str] = set()
    axes: list[NDArray[np.float64]] = []
    warnings: list[str] = []
    decided, raw_digests = sessions_with_decisions(study), dict[str, str]()
    sessions = {scan.session for scan in study.scans}
    for session in (name for name in study.session_ids if name in sessions):
        task = Task("intake", session)
        if why_run(study, task, digests) is None:
            if session in decided:
                raw_digests |= digests_of_last_run(study, session)
            due = why_run(study, Task("reflectance", session), digests) is not None
            if due and with_references:
                table = read_spectra(study.folder / outputs(task)["scans"])
                problems += references_refused(study, session, table)
            continue
        job = job_of(study, task)
        try:
            read = read_session(job)
        except InputFault as fault:
            problems += fault.problems
            continue
        warnings += read.warnings
        files |= {scan.file for scan in study.scans_of(session)}
        if with_references:
            problems += references_refused(study, session, table_of(job, read))
        if study.form(session).quantity == "counts":
            axes.append(read.wavelength_nm)
            beyond = beyond_full_scale(study, session, read.values)
            warnings += [beyond] if beyond else []
        if session in decided:
            raw_digests |= digests_of_raw_files(study, session, read)
    problems += panel_problems(study, axes)
    if problems:
        raise InputFault(list(dict.fromkeys(problems)))
    return RawFiles(len(files), [*warnings, *warn_changed(study, raw_digests)])


def _unknown_indices(definition: Definition) -> list[Problem]:
    """The primary index, and those with a margin, must be among the indices computed."""
    from leafledger.indices.catalogue import chosen

    index_names = [entry.index for entry in chosen(definition.indices.model_dump(mode="json"))]
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
            mend=nearest(name, index_names),
        )
        for key, name in places
        if name not in index_names
    ]
