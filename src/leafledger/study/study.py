"""What is a checked study, which results does it have, and which tasks?"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leafledger.errors import nearest, quoted
from leafledger.study.definition import Definition, Form, Session
from leafledger.study.rules import (
    BY_NAME,
    EVERYTHING,
    IF_THERE,
    LEVELS,
    OF_THE_BOOK,
    PLAN_HISTORY,
    PLAN_HISTORY_FILE,
    RECORDS,
    RESULTS,
    VARIANTS,
    VARIANTS_TABLE,
    WRITERS,
    Rule,
    name_read,
)
from leafledger.study.scan_sheet import DECISIONS_FILE as DECISIONS
from leafledger.study.scan_sheet import Decision, Scan, columns_of, is_unallocated
from leafledger.study.sheets import is_id
from leafledger.study.tables import RESULTS as TABLES_AND_DOCUMENTS
from leafledger.study.tables import meaning_of

if TYPE_CHECKING:
    import pandas as pd

    from leafledger.study.reading import SheetRows
    from leafledger.study.table_files import Spectra


# The figures that a report leaves behind, as files and as a notebook shows them.
# ----------------------------------------------------------------------

CAPTIONS = "captions.txt"
_FORMS = ("svg", "png")


@dataclass(frozen=True)
class Figure:
    """One figure at publication size; a notebook shows it as the value of a cell.

    Attributes
    ----------
    name
        File name without ending.
    caption
        Heading, and what n, error bars and adjustment are.
    files
        Form (``svg``, ``png``) -> file.
    """

    name: str
    caption: str
    files: Mapping[str, Path]

    def _repr_mimebundle_(self, **_options: Any) -> dict[str, str | bytes]:
        """Return the drawing and its caption as Jupyter asks for them."""
        bundle: dict[str, str | bytes] = {"text/plain": f"{self.name}: {self.caption}"}
        if "svg" in self.files:
            bundle["image/svg+xml"] = self.files["svg"].read_text(encoding="utf-8")
        elif "png" in self.files:
            bundle["image/png"] = self.files["png"].read_bytes()
        return bundle


def read_figures(folder: Path) -> dict[str, Figure]:
    """Return name -> figure of ``results/figures``, in the order of the report.

    Parameters
    ----------
    folder
        The folder of the figures; one that does not exist holds none.
    """
    listed = folder / CAPTIONS
    if not listed.is_file():
        return {}
    drawn = {path.stem for path in folder.iterdir() if path.suffix[1:] in _FORMS}
    captions = _captions(listed.read_text(encoding="utf-8"), drawn)
    return {name: Figure(name, caption, _files(folder, name)) for name, caption in captions.items()}


def _files(folder: Path, name: str) -> dict[str, Path]:
    paths = {form: folder / f"{name}.{form}" for form in _FORMS}
    return {form: path for form, path in paths.items() if path.is_file()}


def _captions(text: str, names: set[str]) -> dict[str, str]:
    """Return name -> caption: a line that is the name of a figure begins its caption."""
    lines_of: dict[str, list[str]] = {}
    lines: list[str] = []
    for line in text.splitlines():
        if line in names:
            lines = lines_of.setdefault(line, [])
        else:
            lines.append(line)
    return {name: "\n".join(caption_lines).strip() for name, caption_lines in lines_of.items()}


# A checked study: its definition, units, scans and decisions, and the tables of its results.
# ----------------------------------------------------------------------

ONLY_SESSION = "all"
UNALLOCATED = "waits: treatments are not allocated yet"
ASSAYS = ("assays.csv", "assays.xlsx")
STRIPS = "chromatograms"
"""Folder with the density profile of each strip that was read from a photograph."""
CHROMATOGRAMS = ("chromatograms.csv", "chromatograms.xlsx")


@dataclass(frozen=True)
class Study:
    """A checked study.

    Attributes
    ----------
    folder
        The study folder, absolute.
    definition
        What ``study.yaml`` says.
    scans
        The scans that take part, in sheet order: those of measured sessions that no reason leaves
        out.
    units
        Unit -> its labels (treatment, block, factors). Where units are not known, every leaf scan
        stands alone under its own id.
    decisions
        Decisions in file order.
    variant
        Name of the variant whose settings these are; ``None`` for the study as stated.
    to_come
        Sessions that are still to be measured, in study order.
    planned
        Scans of sessions to come that the sheet lists already, in the order of measuring.
    omitted
        Scans that the sheet leaves out, each with its reason.
    further_of_units
        Column of the sheet of units that the design does not name -> what it holds of each unit.
    rows_read
        All rows of the scan sheet with their key, if they were read from it just now and hold no
        problem; a run keeps them for later.
    """

    folder: Path
    definition: Definition
    scans: tuple[Scan, ...]
    units: Mapping[str, Mapping[str, str]]
    decisions: tuple[Decision, ...]
    variant: str | None = None
    to_come: tuple[str, ...] = ()
    planned: tuple[Scan, ...] = ()
    omitted: tuple[Scan, ...] = ()
    further_of_units: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    rows_read: SheetRows | None = field(default=None, compare=False)

    def __repr__(self) -> str:
        """Return the study in a line; its scans alone would fill a book."""
        counts = f"{len(self.units)} units, {len(self.scans)} scans"
        return (
            f"<Study {quoted(self.definition.title)}: {len(self.session_ids)} sessions, {counts}>"
        )

    def tables(self) -> list[str]:
        """Return the names of the tables that :meth:`table` gives, in the order of the data.

        Empty if the study has not been run.
        """
        return self._written(".csv", ".parquet")

    def table(self, path: str) -> pd.DataFrame:
        """Return a table of ``results/`` as pandas, such as ``"effects.csv"``.

        Spectra are left out of tables that hold them; :meth:`spectra` gives those.

        Raises
        ------
        FileNotFoundError
            If the study has not been run, or has no such table.
        """
        from leafledger.study.table_files import read_csv, read_parquet

        file = self._result(path, self.tables)
        if file.suffix == ".csv":
            return read_csv(file)
        return read_parquet(file, with_spectra=False)

    def columns(self, path: str) -> pd.DataFrame:
        """Return what the columns of a table mean: column, unit, meaning; a row for each.

        Raises
        ------
        FileNotFoundError
            If the study has not been run, or has no such table.
        """
        import pandas as pd

        rows = [(name, *meaning_of(path, str(name))) for name in self.table(path).columns]
        return pd.DataFrame(rows, columns=["column", "unit", "meaning"])

    def documents(self) -> list[str]:
        """Return the names of the results that are no tables, for :meth:`document`."""
        return self._written(".json")

    def document(self, path: str) -> Any:
        """Return a JSON file of ``results/`` as plain values, such as ``"effects.json"``.

        Raises
        ------
        FileNotFoundError
            If the study has not been run, or has no such document.
        """
        from leafledger.study.table_files import read_json

        return read_json(self._result(path, self.documents))

    def figures(self) -> dict[str, Figure]:
        """Return name -> figure of the report, in its order; empty if there are none.

        In a notebook a figure that is the value of a cell is drawn. ``files`` has its paths by
        form (``svg``, ``png``), ``caption`` says what n, error bars and adjustment are.
        """
        return read_figures(self.folder / "results" / "figures")

    def _written(self, *endings: str) -> list[str]:
        """Return the results with these endings that are there, in the order of the data."""
        paths = [
            result.path.format(session=session)
            for result in TABLES_AND_DOCUMENTS
            if result.path.endswith(endings)
            and not (result.of_classes and not self.has_classes)
            and not (result.of_pigments and not self.has_assays)
            and not (result.of_leaf_model and not self.has_leaf_model)
            and not (result.of_traits and not self.has_traits)
            and not (result.rule == "trait_effects" and not self.definition.effects.responses)
            for session in (self.session_ids if result.per_session else (None,))
        ]
        return [path for path in paths if (self.folder / "results" / path).is_file()]

    def _result(self, path: str, existing_paths: Callable[[], list[str]]) -> Path:
        file = self.folder / "results" / path
        if file.is_file():
            return file
        names = existing_paths()
        hint = nearest(path, names) if names else "Run the study first."
        raise FileNotFoundError(f"results/{path}: no such file. {hint}")

    def spectra(self, accepted: bool = True) -> Spectra:
        """Return the reflectance of all leaf scans, cut to the trusted range.

        Parameters
        ----------
        accepted
            Leave out excluded scans.

        Returns
        -------
        Spectra
            Reflectance ``(n_scans, n_wavelengths)``, wavelengths in nm, and a row per scan,
            sorted by session order, then scan.
        """
        from leafledger.study.table_files import load_spectra

        results = self.folder / "results"
        return load_spectra(
            {s: results / f"reflectance/{s}.parquet" for s in self.session_ids},
            results / "accepted.csv",
            results / "range.json",
            self.units,
            only_accepted=accepted,
        )

    @property
    def sessions(self) -> tuple[Session, ...]:
        """All stated sessions in order; one called ``all`` where the study names none."""
        return sessions_of(self.definition)

    @property
    def measured(self) -> tuple[Session, ...]:
        """The sessions that have been measured: neither to come nor skipped, in order."""
        return tuple(s for s in self.sessions if not s.skipped and s.session not in self.to_come)

    @property
    def session_ids(self) -> tuple[str, ...]:
        """Ids of the measured sessions, in order."""
        return tuple(s.session for s in self.measured)

    @property
    def skipped(self) -> dict[str, str]:
        """Session -> why it was never measured."""
        return {s.session: s.skipped for s in self.sessions if s.skipped}

    @property
    def is_allocated(self) -> bool:
        """Whether the units have treatments; False while the levels are stated and none has one."""
        return not is_unallocated(self.units, self.definition.design)

    @property
    def has_classes(self) -> bool:
        """Whether the classifier is asked for and can be trained."""
        return self.definition.classes is not None and not self.why_no_classes

    def why_unmeasured(self, session: str) -> str:
        """Return why a session has no results, in words; ``""`` if it is measured.

        A session to come has no scans yet; one that was skipped was not measured, for its reason.
        """
        if session in self.to_come:
            return f"waits: {session} has no scans yet"
        reason = self.skipped.get(session)
        return f"{session} was not measured: {reason}" if reason else ""

    @property
    def columns_of_units(self) -> dict[str, dict[str, str]]:
        """Column of the units -> what it holds of each: those of the design, then further ones."""
        stated = {
            name: {unit: row.get(name, "") for unit, row in self.units.items()}
            for name in columns_of(self.definition.design)
        }
        return stated | {name: {**by_unit} for name, by_unit in self.further_of_units.items()}

    @property
    def has_traits(self) -> bool:
        """Whether traits are asked for, and one of them is a column or can have been assayed."""
        traits = self.definition.traits
        if traits is None or not traits.targets:
            return False  # only the leaf model, or nothing
        columns = {*self.columns_of_units}.union(*(s.others for s in self.scans))
        return self.assay_sheet is not None or any(name in columns for name in traits.targets)

    @property
    def why_no_classes(self) -> str:
        """Why the classifier cannot be trained yet, or at all, in words; ``""`` if it can.

        A study without the section ``classes`` asks for none, and gives no reason.
        """
        classes = self.definition.classes
        if classes is None or not (self.to_come or self.skipped or not self.is_allocated):
            return ""
        if not self.is_allocated and classes.target == self.definition.design.treatment:
            return UNALLOCATED
        named_sessions = wanted_sessions(self.definition)
        measured_sessions = [s for s in self.session_ids if s in named_sessions]
        coming = [s for s in self.to_come if s in named_sessions]
        if not measured_sessions:
            return self.why_unmeasured((coming or [*named_sessions])[0]) if named_sessions else ""
        if coming and classes.split == "session" and len(measured_sessions) < 2:
            return f"waits: {coming[0]} has no scans yet, and one session cannot be split"
        labels = {
            s.others.get(classes.target, "")
            for s in self.samples()
            if s.session in measured_sessions
        }
        by_scan = classes.target not in columns_of(self.definition.design)
        if coming and by_scan and len(labels - {""}) < 2:
            return f"waits: {coming[0]} has no scans yet, and so far there is one class only"
        return ""

    @property
    def has_decisions(self) -> bool:
        """Whether ``decisions.csv`` exists."""
        return (self.folder / DECISIONS).is_file()

    @property
    def has_variants_table(self) -> bool:
        """Whether the table of results under other settings exists; a variant itself reads none."""
        return self.variant is None and (self.folder / VARIANTS_TABLE).is_file()

    @property
    def has_plan_history(self) -> bool:
        """Whether what the book says of the plan is there; a variant itself reads none."""
        return self.variant is None and (self.folder / PLAN_HISTORY_FILE).is_file()

    @property
    def assay_sheet(self) -> str | None:
        """Name of the sheet of assays, if there is one."""
        return self._sheet_of(ASSAYS)

    @property
    def chromatogram_sheet(self) -> str | None:
        """Name of the sheet of chromatograms, if there is one."""
        return self._sheet_of(CHROMATOGRAMS)

    @property
    def strip_profiles(self) -> tuple[str, ...]:
        """Paths of the kept density profiles of strips, sorted; none without the sheet of spots."""
        if self.chromatogram_sheet is None:
            return ()
        profiles = (self.folder / STRIPS).glob("*.csv")
        return tuple(sorted(f"{STRIPS}/{path.name}" for path in profiles if is_id(path.stem)))

    def _sheet_of(self, names: tuple[str, ...]) -> str | None:
        return next((name for name in names if (self.folder / name).is_file()), None)

    @property
    def has_assays(self) -> bool:
        """Whether there is a sheet of assays or of chromatograms."""
        return self.assay_sheet is not None or self.chromatogram_sheet is not None

    @property
    def coefficient_table(self) -> str | None:
        """Path of the coefficients of the leaf model, if the study asks for it."""
        traits = self.definition.traits
        model = None if traits is None else traits.leaf_model
        return None if model is None else model.coefficients

    @property
    def has_leaf_model(self) -> bool:
        """Whether contents are estimated by the leaf model."""
        return self.coefficient_table is not None

    @property
    def panel_table(self) -> str | None:
        """Path of the table of the white panel's reflectance, if there is one."""
        given = self.definition.instrument.panel.reflectance
        return given if isinstance(given, str) else None

    def form(self, session: str) -> Form:
        """Return how the raw files of a session are written."""
        forms = self.definition.intake.forms
        return forms.get(session) or forms.get("default") or Form()

    def samples(self, session: str | None = None) -> list[Scan]:
        """Return the leaf scans, of one session or of all, in study order."""
        session_ids = self.session_ids if session is None else (session,)
        return [
            scan
            for session_id in session_ids
            for scan in self.scans_of(session_id)
            if scan.role == "sample"
        ]

    def scans_of(self, session: str | None) -> Sequence[Scan]:
        """Return the scans of a session that take part, in sheet order."""
        return self._by_session.get(session or "", ())

    @cached_property
    def _by_session(self) -> dict[str, list[Scan]]:
        """Session -> its scans; without it every question about a session reads all scans."""
        by_session: dict[str, list[Scan]] = {}
        for scan in self.scans:
            by_session.setdefault(scan.session, []).append(scan)
        return by_session

    @cached_property
    def items_by_file(self) -> Mapping[str, Mapping[str, set[str]]]:
        """Raw file -> session -> the items of the file that the session names."""
        items: dict[str, dict[str, set[str]]] = {}
        for scan in self.scans:
            items.setdefault(scan.file, {}).setdefault(scan.session, set()).add(scan.item)
        return items

    def unit_of(self, scan: Scan) -> str:
        """Return the experimental unit of a leaf scan; its own id where units are not known."""
        return scan.unit if self.definition.design.unit is not None else scan.scan


def sessions_of(definition: Definition) -> tuple[Session, ...]:
    """Return the sessions of a definition, or the one session of a study that names none."""
    return tuple(definition.design.sessions) or (Session(session=ONLY_SESSION),)


def wanted_sessions(definition: Definition) -> tuple[str, ...]:
    """Return the sessions that ``classes.sessions`` asks for, measured or not, in study order.

    All of them where the section names a session that the study does not have, or a phase that no
    session has: what is wrong with it is for the rule to say.
    """
    classes = definition.classes
    phases = {session.session: session.phase for session in sessions_of(definition)}
    if classes is None or not definition.design.sessions:
        return tuple(phases)
    stated_sessions = classes.sessions
    if isinstance(stated_sessions, str):
        named_sessions = {s for s in phases if stated_sessions in {"all", phases[s]}}
    else:
        named_sessions = {*stated_sessions}
    if not named_sessions or not named_sessions <= set(phases):
        return tuple(phases)
    return tuple(s for s in phases if s in named_sessions)


# Tasks: the rules of the registry on the sessions of a study, with the files of each
# ----------------------------------------------------------------------


@dataclass(frozen=True, order=True)
class Task:
    """One rule on one session, or on the whole study."""

    rule: str
    session: str | None = None

    @property
    def name(self) -> str:
        """Name of the task's record, log and event: ``reflectance.day4``, ``effects``."""
        return self.rule if self.session is None else f"{self.rule}.{self.session}"

    @property
    def record(self) -> str:
        """Path of the task's record in the study folder."""
        return f"{RECORDS}/{self.name}.json"


VARIANTS_TASK = Task(VARIANTS.name)
PLAN_HISTORY_TASK = Task(PLAN_HISTORY.name)
FROM_THE_BOOK = tuple(Task(rule.name) for rule in OF_THE_BOOK)
"""Tasks whose results are made of the book of runs before the report reads them."""


def tasks(study: Study) -> list[Task]:
    """Return every task of a study, in the order of the data.

    Sessions to come and skipped ones have none; without any measured session there are no tasks.
    """
    return [task for level in levels(study) for task in level]


def levels(study: Study) -> list[list[Task]]:
    """Return the tasks of each level; those of one level do not read each other."""
    if not study.session_ids:
        return []  # nothing has been measured yet
    return [
        [
            task
            for rule in (BY_NAME[name] for name in names)
            if is_there(study, rule)
            for task in _tasks_of(rule, study)
        ]
        for names in LEVELS
    ]


def is_there(study: Study, rule: Rule) -> bool:
    """Return whether a study has a rule: some are only for a classifier, assays or traits."""
    return (
        (study.has_classes or not rule.only_with_classes)
        and (study.has_assays or not rule.only_with_assays)
        and (study.has_traits or not rule.only_with_traits)
        and (bool(study.definition.effects.responses) or not rule.only_with_responses)
        and (study.has_leaf_model or not rule.only_with_leaf_model)
    )


def _tasks_of(rule: Rule, study: Study) -> list[Task]:
    if rule.per_session:
        return [Task(rule.name, session) for session in study.session_ids]
    return [Task(rule.name)]


def outputs(task: Task) -> dict[str, str]:
    """Return role -> path of what a task writes; a path that ends in ``/`` is a folder."""
    return {
        output.role: f"{RESULTS}/{output.path.format(session=task.session)}"
        for output in BY_NAME[task.rule].writes
    }


def inputs(study: Study, task: Task) -> dict[str, str]:
    """Return role -> path of what a task reads, in study order."""
    rule = BY_NAME[task.rule]
    path_of: dict[str, str] = {}
    for read in rule.reads:
        if read == EVERYTHING:
            path_of |= _every_result(study, task)
        else:
            path_of |= _results_read(study, read, task.session)
    for kind in rule.given:
        path_of |= _GIVEN[kind](study, task.session)
    return path_of


def own_files(study: Study, task: Task) -> list[str]:
    """Return the files that a task reads and a person wrote: raw files, decisions, the panel.

    Snakemake is told their digests, never the files: it would judge them by their dates, which a
    copy from another machine sets as it likes.
    """
    kinds = BY_NAME[task.rule].given
    return [path for kind in kinds for path in _GIVEN[kind](study, task.session).values()]


def _results_read(study: Study, read: str, session: str | None) -> dict[str, str]:
    """Return role -> path of what one entry of ``reads`` names."""
    name, which = name_read(read)
    rule, output = WRITERS[name]
    path = f"{RESULTS}/{output.path}"
    if which == IF_THERE:
        return {name: path} if is_there(study, rule) else {}
    if not which:
        return {name: path.format(session=session) if rule.per_session else path}
    return {
        f"{name}/{read_session}": path.format(session=read_session)
        for read_session in sessions_read(study, which)
    }


def _raw_files(study: Study, session: str | None) -> dict[str, str]:
    files = [scan.file for scan in study.scans_of(session)]
    return {f"raw/{file}": file for file in dict.fromkeys(files)}


def _panel(study: Study, _session: str | None) -> dict[str, str]:
    return {} if study.panel_table is None else {"panel": study.panel_table}


def _strip_profiles(study: Study, _session: str | None) -> dict[str, str]:
    return {f"strip_profiles/{path}": path for path in study.strip_profiles}


def _leaf_coefficients(study: Study, _session: str | None) -> dict[str, str]:
    table = study.coefficient_table
    return {} if table is None else {"leaf_coefficients": table}


def _decisions(study: Study, _session: str | None) -> dict[str, str]:
    return {"decisions": DECISIONS} if study.has_decisions else {}


def _assays(study: Study, _session: str | None) -> dict[str, str]:
    return {} if study.assay_sheet is None else {"assays": study.assay_sheet}


def _chromatograms(study: Study, _session: str | None) -> dict[str, str]:
    sheet = study.chromatogram_sheet
    return {} if sheet is None else {"chromatograms": sheet}


_GIVEN: Mapping[str, Callable[[Study, str | None], dict[str, str]]] = {
    "raw": _raw_files,
    "panel": _panel,
    "decisions": _decisions,
    "assays": _assays,
    "chromatograms": _chromatograms,
    "strip_profiles": _strip_profiles,
    "leaf_coefficients": _leaf_coefficients,
}
"""What ``given`` of a rule names -> the function that finds these files."""


def sessions_read(study: Study, which: str) -> tuple[str, ...]:
    """Return the sessions whose files a rule of the whole study reads, in study order.

    The classifier reads the sessions that ``classes.sessions`` asks for and no others, so that a
    raw file of another session cannot make it run again. So do the rivals. The negative controls
    read these too; if the target is the treatment, also the sessions before it, in which they ask
    for the treatment.

    Parameters
    ----------
    study
        The study.
    which
        ``*``, ``classes`` or ``classes+before``, as in `Rule.reads`.
    """
    classes = study.definition.classes
    if which == "*" or classes is None:
        return study.session_ids
    sessions = {*wanted_sessions(study.definition)}
    if which == "classes+before" and classes.target == study.definition.design.treatment:
        sessions |= {s.session for s in study.sessions if s.phase == "before"}
    return tuple(s for s in study.session_ids if s in sessions)


def _every_result(study: Study, reader: Task) -> dict[str, str]:
    """Return every result and every record but the reader's own: the report reads them all.

    The table of the variants, and what the book says of the plan, are read if they are there. A
    variant's own report has neither.
    """
    path_of: dict[str, str] = {}
    for task in tasks(study):
        if task.rule == reader.rule:
            continue
        for output in BY_NAME[task.rule].writes:
            if output.in_report:
                role = output.report_role + ("" if task.session is None else f"/{task.session}")
                path_of[role] = f"{RESULTS}/{output.path.format(session=task.session)}"
        path_of[f"record/{task.name}"] = task.record
    if study.has_variants_table:
        path_of[VARIANTS.name] = VARIANTS_TABLE
    if study.has_plan_history:
        path_of[PLAN_HISTORY.name] = PLAN_HISTORY_FILE
    return path_of
