"""What does the report read, and in which order does it show groups and days?"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault
from leafledger.records.record import Job
from leafledger.study.columns import Result
from leafledger.study.table_files import (
    Spectra,
    SpectraTable,
    read_csv,
    read_json,
    read_parquet,
    read_spectra,
    two_axes_problem,
)
from leafledger.study.tables import TABLES, TEXT
from leafledger.study.written_plan import (
    Facts,
    digest_of,
    mark_of,
    mark_of_margins,
    plan_of,
    sentences_of,
)
from leafledger.words import listed, plural

if TYPE_CHECKING:
    import pandas as pd


# The names of the checks as a reader says them.
# ----------------------------------------------------------------------

CHECK_WORDS = {
    "ambient_light": "room light in the leaf scan",
    "ambient_scan": "room light with the lamp off",
    "bad_dark": "dark reference off",
    "clip_moved": "clip moved or lifted",
    "dark_against_sessions": "darks unlike those of other sessions",
    "dark_drift": "dark drifted",
    "dark_noise": "dark of unusual noise",
    "dark_pixel": "pixels that stand out in one dark",
    "decision": "decision of a person",
    "duplicate": "same scan twice",
    "far_from_white": "measured long after a white",
    "group_disagrees": "group of scans that disagree",
    "hot_pixel": "hot or dead pixels",
    "impossible_reflectance": "impossible reflectance",
    "lamp_lines": "lines of room lamps",
    "low_signal": "low signal",
    "no_leaf": "no leaf in the clip",
    "reference_at_fault": "rests on a reference at fault",
    "reference_drift": "white drifted",
    "replicate": "unlike its replicates",
    "replicate_q": "unlike its replicates in shape",
    "replicate_t2": "unlike its replicates in extent",
    "saturated": "saturated",
    "time_order": "times out of order",
    "wavelength_shift": "wavelength axis shifted",
    "white_saturated": "white saturated",
    "weak_white": "weak white reference",
}
"""Check (or ``decision``) -> words."""


def check_words(name: str) -> str:
    """Return a check in words; a name that is new here, without its underscores.

    Examples
    --------
    >>> check_words("far_from_white"), check_words("something_new")
    ('measured long after a white', 'something new')
    """
    return CHECK_WORDS.get(name, name.replace("_", " "))


# Which treatment a unit had, and in which order treatments and sessions are shown.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Groups:
    """Treatments in the order of display, and the treatment of every unit.

    Attributes
    ----------
    names
        The control first, then the others by name.
    of_unit
        Unit -> treatment.
    control
        The control, if the study names one.
    """

    names: tuple[str, ...]
    of_unit: Mapping[str, str]
    control: str | None

    def sizes(self) -> dict[str, int]:
        """Return the number of units of each group."""
        labels = list(self.of_unit.values())
        return {name: labels.count(name) for name in self.names}


def groups_of(design: Mapping[str, Any], units: Mapping[str, Mapping[str, str]]) -> Groups:
    """Find the groups of a study; one group called ``all`` if the treatment is not known."""
    column = str(design.get("treatment") or "")
    of_unit = {unit: row.get(column, "") or "all" for unit, row in units.items()}
    control = design.get("control")
    others = sorted(set(of_unit.values()) - {control})
    names = ([control] if control in set(of_unit.values()) else []) + others
    return Groups(tuple(names) or ("all",), of_unit, control)


@dataclass(frozen=True)
class Days:
    """Where the sessions lie on the time axis.

    Attributes
    ----------
    sessions
        Session ids in study order.
    positions
        Days since the first session, or 0, 1, 2 ... if a date is missing.
    label
        What the axis is called.
    """

    sessions: tuple[str, ...]
    positions: tuple[float, ...]
    label: str


def days_of(sessions: Sequence[Mapping[str, Any]]) -> Days:
    """Place the sessions in time.

    Examples
    --------
    >>> days_of([{"session": "a", "date": "2026-05-04"}, {"session": "b", "date": "2026-05-08"}])
    Days(sessions=('a', 'b'), positions=(0.0, 4.0), label='days since a')
    """
    names = tuple(str(row["session"]) for row in sessions)
    dates = [dt.date.fromisoformat(str(row["date"])) for row in sessions if row.get("date")]
    if names and len(dates) == len(names) and len(set(dates)) == len(dates):
        return Days(
            names, tuple(float((d - dates[0]).days) for d in dates), f"days since {names[0]}"
        )
    return Days(names, tuple(float(i) for i in range(len(names))), "session")


def contrast_words(
    sessions: Sequence[str], groups: Sequence[str], before: Sequence[str]
) -> dict[str, str]:
    """Return contrast -> words, for the contrasts that this study can hold.

    Parameters
    ----------
    sessions
        Session ids.
    groups
        Treatments.
    before
        Names that may stand for the state before treatment besides session ids.

    Examples
    --------
    >>> contrast_words(["d0", "d8"], ["water", "iron"], [])["(d8-d0)@iron-water"]
    'change from d0 to d8: iron minus water'
    >>> contrast_words(["d0", "d8"], ["water", "iron"], [])["(mean-d0)@iron-water"]
    'mean change from d0: iron minus water'
    """
    starts = [*sessions, *before]
    words: dict[str, str] = {}
    for late in sessions:
        words |= {
            f"{late}@{group}-{other}": f"at {late}: {group} minus {other}"
            for group in groups
            for other in groups
            if group != other
        }
        for early in starts:
            if early == late:
                continue
            change = f"change from {early} to {late}"
            for group in groups:
                words[f"{late}-{early}@{group}"] = f"{change} in {group}"
                for other in groups:
                    if other != group:
                        key = f"({late}-{early})@{group}-{other}"
                        words[key] = f"{change}: {group} minus {other}"
    return words | _course_words(starts, groups)


def contrast_in_words(key: str, words: Mapping[str, str]) -> str:
    """Return a contrast in words; one that is not among them without the signs of its key.

    Examples
    --------
    >>> contrast_in_words("d8-d0@iron", {"d8-d0@iron": "change from d0 to d8 in iron"})
    'change from d0 to d8 in iron'
    >>> contrast_in_words("(trend)@dose", {}), contrast_in_words("(d8-d0)/dose", {})
    ('trend: dose', 'change d8-d0 per dose')
    """
    if key in words:
        return words[key]
    if "@" not in key:
        return step_words(key)
    what, _, who = key.partition("@")
    what = what.strip("()").replace("_", " ")
    return f"{what}: {who}" if who else what


def step_words(contrast: str) -> str:
    """Return the words of a contrast that is none of two groups: a dose, or crossed factors.

    Examples
    --------
    >>> step_words("(d8-d0)/dose"), step_words("(d8-d0) treatment x cultivar")
    ('change d8-d0 per dose', 'change d8-d0: treatment x cultivar')
    >>> step_words("treatment x session")
    'treatment x session'
    """
    step, bracket, rest = contrast.removeprefix("(").partition(")")
    if not bracket:
        return contrast
    about = f"change {step}" if "-" in step else f"at {step}"
    return f"{about} per dose" if rest == "/dose" else f"{about}: {rest.strip()}"


def _course_words(starts: Sequence[str], groups: Sequence[str]) -> dict[str, str]:
    """Return contrast -> words for the summaries of a whole course."""
    summaries = {"slope": "slope of the course"}
    for start in starts:
        summaries[f"mean-{start}"] = f"mean change from {start}"
        summaries[f"area-{start}"] = f"area of the change from {start}"
    return {
        f"({name})@{group}-{other}": f"{words}: {group} minus {other}"
        for name, words in summaries.items()
        for group in groups
        for other in groups
        if group != other
    }


# Everything the report reads, in memory.
# ----------------------------------------------------------------------


class Tables:
    """Tables of the whole study as attributes, by their names in the registry: ``classes.path``."""

    tables: Mapping[str, pd.DataFrame]

    def __getattr__(self, name: str) -> pd.DataFrame:
        # A copy asks for attributes before it has any.
        if name in TABLES and name in self.__dict__.get("tables", ()):
            return self.tables[name]
        raise AttributeError(f"the study has no table {name}")


@dataclass(frozen=True)
class ClassTables(Tables):
    """What the classifier left behind; its tables by their names in the registry."""

    tables: Mapping[str, pd.DataFrame]
    summary: Mapping[str, Any]
    model_card: Mapping[str, Any]


@dataclass(frozen=True)
class Material(Tables):
    """A whole study as the report sees it.

    ``tables`` holds every table of the whole study, ``by_session`` those of a session each, both by
    their names in the registry; a table of the whole study is an attribute too.
    """

    title: str
    question: str
    design: Mapping[str, Any]
    units: Mapping[str, Mapping[str, str]]
    groups: Groups
    days: Days
    scans: Mapping[str, SpectraTable]
    reflectance: Mapping[str, SpectraTable]
    by_session: Mapping[str, Mapping[str, pd.DataFrame]]
    tables: Mapping[str, pd.DataFrame]
    all_spectra: Spectra
    spectra: Spectra
    trusted: Mapping[str, Any]
    catalogue: Mapping[str, Mapping[str, Any]]
    validation: Mapping[str, Any]
    effects_summary: Mapping[str, Any]
    classes: ClassTables | None
    records: Mapping[str, Mapping[str, Any]]
    plan_facts: Facts | None = None
    field_notes: Mapping[str, Any] = field(default_factory=dict)
    omitted: Sequence[Mapping[str, Any]] = ()
    no_classes: str = ""
    pigments: Mapping[str, Any] | None = None
    leaf_model: Mapping[str, Any] | None = None
    leaf_residuals: SpectraTable | None = None
    traits: Mapping[str, Any] | None = None

    @property
    def plan_sentences(self) -> list[str]:
        """What the book of runs says of when the plan was made."""
        named = bool(self.effects["primary"].astype(bool).any())
        return sentences_of(self.plan_facts, primary=named)

    @property
    def primary_mark(self) -> str:
        """The mark of every verdict on a primary contrast, empty for none."""
        return mark_of(self.plan_facts)

    @property
    def margin_mark(self) -> str:
        """The mark of every verdict on equivalence, empty for none."""
        return mark_of_margins(self.plan_facts)

    @property
    def stated_sessions(self) -> tuple[str, ...]:
        """Every session that a contrast may name, measured or not."""
        unfinished = self.effects_summary.get("unfinished") or {}
        stated = tuple(str(row["session"]) for row in unfinished.get("sessions") or ())
        return stated or self.days.sessions

    @property
    def unit_word(self) -> str:
        """The word for the experimental unit; ``scan`` where units are not known."""
        return str(self.design.get("unit") or "scan")

    @property
    def names(self) -> frozenset[str]:
        """Ids and labels of the study that sentences may hold."""
        labels = {label for row in self.units.values() for label in row.values()}
        return frozenset({*self.units, *labels, *self.days.sessions, *self.catalogue})

    @property
    def unit_words(self) -> str:
        """The same in the plural."""
        return plural(self.unit_word)


class _InFile(Mapping[str, "NDArray[np.float64]"]):
    """The spectra of one session, read from its file each time that they are asked for."""

    def __init__(self, path: Path, names: Sequence[str]) -> None:
        self._path, self._names = path, tuple(names)

    def __getitem__(self, name: str) -> NDArray[np.float64]:
        return read_spectra(self._path, (name,)).spectra[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


class StoredReflectance:
    """Rows of the reflectance of many scans, read when they are asked for, a session at a time.

    It is indexed by rows like an array of shape ``(n_scans, n_wavelengths)``, and holds no more
    than the session that was asked for last.

    Parameters
    ----------
    tables
        Session -> its table, in the order of the rows.
    places
        For each row the place of its session, and its row in the table of that session; shape
        ``(n_scans, 2)``.
    inside
        Which wavelengths, shape ``(n_in_file,)``.
    """

    def __init__(
        self,
        tables: Sequence[SpectraTable],
        places: NDArray[np.intp],
        inside: NDArray[np.bool_],
    ) -> None:
        self._tables, self._places, self._inside = tables, places, inside
        self._held: tuple[int, NDArray[np.float64]] | None = None

    @property
    def shape(self) -> tuple[int, int]:
        """Scans and wavelengths."""
        return len(self._places), int(self._inside.sum())

    def __len__(self) -> int:
        return len(self._places)

    def __getitem__(self, rows: Any) -> NDArray[np.float64]:
        positions = self._places[rows]
        if positions.ndim == 1:
            row: NDArray[np.float64] = self._session(int(positions[0]))[positions[1]]
            return row
        out = np.empty((len(positions), self.shape[1]))
        for session in np.unique(positions[:, 0]):
            in_session = positions[:, 0] == session
            out[in_session] = self._session(int(session))[positions[in_session, 1]]
        return out

    def _session(self, index: int) -> NDArray[np.float64]:
        if self._held is not None and self._held[0] == index:
            return self._held[1]
        self._held = None  # let go before the next is read
        values = np.ascontiguousarray(self._tables[index].spectra["reflectance"][:, self._inside])
        self._held = index, values
        return values

    def only(self, kept: NDArray[np.bool_]) -> StoredReflectance:
        """Return these rows, still in their files."""
        return StoredReflectance(self._tables, self._places[kept], self._inside)


def stored_spectra(
    reflectance: Mapping[str, SpectraTable],
    accepted: pd.DataFrame,
    trusted: Mapping[str, Any],
    units: Mapping[str, Mapping[str, str]],
) -> Spectra:
    """Return the spectra of all leaf scans as `load_spectra` does, left in their files.

    Parameters
    ----------
    reflectance
        Session -> table, its spectra read when they are asked for.
    accepted
        accepted.csv.
    trusted
        range.json.
    units
        Unit -> its columns.

    Raises
    ------
    InputFault
        If the sessions do not share one wavelength axis.
    """
    import pandas as pd

    keep = accepted.set_index("scan")
    axis = next(iter(reflectance.values())).wavelength_nm
    frames, places = [], []
    for index, (session, table) in enumerate(reflectance.items()):
        if not np.array_equal(axis, table.wavelength_nm):
            raise InputFault(two_axes_problem(next(iter(reflectance)), session))
        rows = keep.reindex(table.rows["scan"])
        order = np.argsort(rows.index.to_numpy(dtype=str), kind="stable")
        frames.append(rows.iloc[order].reset_index())
        places.append(np.column_stack([np.full(len(order), index), order]))
    rows = pd.concat(frames, ignore_index=True)
    for name in sorted({name for row in units.values() for name in row}):
        rows[name] = [units.get(unit, {}).get(name, "") for unit in rows["unit"]]
    inside = (axis >= trusted["start_nm"]) & (axis <= trusted["stop_nm"])
    stored: Any = StoredReflectance(
        list(reflectance.values()), np.concatenate(places), np.asarray(inside)
    )
    return Spectra(stored, axis[inside], rows)


def gather(job: Job) -> Material:
    """Read every table of the study.

    Raises
    ------
    InputFault
        If the sessions do not share one wavelength axis.
    """
    settings, inputs = job.settings, job.inputs
    design = settings["design"]
    reflectance = job.by_session("reflectance")
    sessions = list(design.get("sessions") or []) or [{"session": s} for s in reflectance]
    units = settings.get("units") or {}
    tables = {
        table.name: _read_table(table, inputs.get(table.report_role))
        for table in TABLES.values()
        if not table.per_session
    }
    in_files = {session: _in_file(path) for session, path in reflectance.items()}
    trusted = read_json(inputs["range"])
    spectra = stored_spectra(in_files, tables["accepted"], trusted, units)
    # The primary contrasts stand first wherever effects are listed.
    tables["effects"] = tables["effects"].sort_values(
        "primary", ascending=False, kind="stable", ignore_index=True
    )
    return Material(
        title=settings["title"],
        question=settings.get("question") or "",
        design={**design, "sessions": sessions},
        units=units,
        groups=groups_of(design, units),
        days=days_of(sessions),
        scans={s: read_spectra(p, ()) for s, p in job.by_session("scans").items()},
        reflectance=in_files,
        by_session={
            table.name: _tables_of_sessions(table, job.by_session(table.report_role))
            for table in TABLES.values()
            if table.per_session and not table.holds_spectra
        },
        tables=tables,
        all_spectra=spectra,
        spectra=accepted_only(spectra),
        trusted=trusted,
        catalogue={row["index"]: row for row in read_json(inputs["catalogue"])["indices"]},
        validation={
            part: read_json(inputs[f"validation_{part}"])
            for part in ("scans", "reflectance", "indices")
        },
        effects_summary=read_json(inputs["effects_summary"]),
        classes=ClassTables(
            tables, read_json(inputs["classes_summary"]), read_json(inputs["model_card"])
        )
        if "classes_summary" in inputs
        else None,
        records={
            role.removeprefix("record/"): _record_without_scans(path)
            for role, path in inputs.items()
            if role.startswith("record/")
        },
        plan_facts=plan_facts(inputs),
        field_notes=settings.get("field_notes") or {},
        omitted=settings.get("omitted") or (),
        no_classes=str(settings.get("no_classes") or ""),
        pigments=read_json(inputs["pigments_summary"]) if "pigments_summary" in inputs else None,
        leaf_model=read_json(inputs["leaf_model_summary"])
        if "leaf_model_summary" in inputs
        else None,
        leaf_residuals=read_spectra(inputs["leaf_model_residuals"], ("residual",))
        if "leaf_model_residuals" in inputs
        else None,
        traits=read_json(inputs["traits_summary"]) if "traits_summary" in inputs else None,
    )


def plan_facts(inputs: Mapping[str, Path]) -> Facts | None:
    """Return what the book says of the plan, ``None`` if nothing is there of this very plan.

    Plain Snakemake makes no such file: one that lies there may be of another plan than the present
    results.

    Parameters
    ----------
    inputs
        Role -> file that the report reads.
    """
    if "plan_history" not in inputs:
        return None
    facts: Facts = read_json(inputs["plan_history"])
    effects, catalogue = (
        read_json(inputs[f"record/{name}"])["settings"] for name in ("effects", "catalogue")
    )
    plan = plan_of(effects, catalogue.get("indices"))
    return facts if facts["plan_sha256"] == digest_of(plan) else None


def accepted_only(spectra: Spectra) -> Spectra:
    """Return the accepted scans."""
    kept = spectra.rows["accepted"].to_numpy(dtype=bool)
    stored: Any = spectra.reflectance
    reflectance: Any = stored.only(kept) if isinstance(stored, StoredReflectance) else stored[kept]
    return Spectra(reflectance, spectra.wavelength_nm, spectra.rows[kept].reset_index(drop=True))


def _record_without_scans(path: Path) -> dict[str, Any]:
    """Return a record in which the rows of the scan sheet are counted, not held.

    The page says how many they are and shows none of them.
    """
    record: dict[str, Any] = read_json(path)
    settings = dict(record["settings"])
    if "scans" in settings:
        settings["scans"] = [None] * len(settings["scans"])
    return {**record, "settings": settings}


class _TablesInFiles(Mapping[str, "pd.DataFrame"]):
    """Session -> table, read each time that it is asked for: held together they are too large."""

    def __init__(self, paths: Mapping[str, Path]) -> None:
        self._paths = paths

    def __getitem__(self, session: str) -> pd.DataFrame:
        return read_parquet(self._paths[session], leave_out=("digest",))

    def __iter__(self) -> Iterator[str]:
        return iter(self._paths)

    def __len__(self) -> int:
        return len(self._paths)


def _tables_of_sessions(table: Result, paths: Mapping[str, Path]) -> Mapping[str, pd.DataFrame]:
    """Return session -> table; indices, of which a scan has as many rows, stay in their files."""
    in_files = _TablesInFiles(paths)
    return in_files if table.name == "indices" else {**in_files}


def _in_file(path: Path) -> SpectraTable:
    """Return a table of spectra whose reflectance is read each time that it is asked for."""
    return replace(read_spectra(path, ()), spectra=_InFile(path, ("reflectance",)))


def _read_table(table: Result, path: Path | None) -> pd.DataFrame:
    if path is not None and path.suffix == ".parquet":
        return read_parquet(path)
    return table_or_empty(path, table.names)


def table_or_empty(path: Path | None, columns: Sequence[str]) -> pd.DataFrame:
    """Read a table that a study may lack; without it, no rows.

    Parameters
    ----------
    path
        The file, ``None`` if the study has none.
    columns
        Columns of the contract; one that an older table lacks is empty.
    """
    import pandas as pd

    if path is None:
        return pd.DataFrame(columns=list(columns))
    frame = read_csv(path)
    for name in columns:
        if name not in frame.columns:
            frame[name] = "" if name in TEXT else None
    return frame


# Every warning of every rule once; what one rule says of many indices, in one line.
# ----------------------------------------------------------------------

_OUTSIDE = re.compile(
    r"(?P<index>\S+) is not computed: it needs .+, outside the trusted range "
    r"(?P<range>\S+ to \S+ nm)(?P<rest> \(.*\))?\.?"
)
_UNDEFINED = re.compile(r"(?P<index>\S+) is undefined in \d+ of \d+ scans \(.*\): (?P<why>.*)")
_FAR = re.compile(r"(?P<index>\S+) is read from far neighbours: .*")
_NAMED = 12

Source = tuple[str, str | None, Sequence[str]]


def warnings_of(sources: Iterable[Source]) -> list[dict[str, str]]:
    """Return every warning once: rule, text, sessions.

    Parameters
    ----------
    sources
        (rule, session or ``None``, its warnings), in the order of display.

    Notes
    -----
    Warnings on single indices that differ by the index alone become one line with the number of
    indices, their names and the sessions. The tables and records keep each of them.
    """
    sessions_by_warning: dict[tuple[str, str], list[str]] = {}
    grouped: dict[tuple[str, str], dict[str, list[str]]] = {}
    for rule, session, texts in sources:
        for text in texts:
            key = _kind(text)
            if key is None:
                _add(sessions_by_warning.setdefault((rule, text), []), session)
            else:
                kind, index = key
                sessions_by_warning.setdefault((rule, kind), [])
                sessions = grouped.setdefault((rule, kind), {}).setdefault(index, [])
                _add(sessions, session)
    return [
        _line(rule, text, sessions)
        if (rule, text) not in grouped
        else _grouped_line(rule, text, grouped[rule, text])
        for (rule, text), sessions in sessions_by_warning.items()
    ]


def _add(sessions: list[str], session: str | None) -> None:
    if session and session not in sessions:
        sessions.append(session)


def _line(rule: str, text: str, sessions: Sequence[str]) -> dict[str, str]:
    return {"rule": rule, "text": text, "sessions": ", ".join(sessions)}


def _kind(text: str) -> tuple[str, str] | None:
    """Return what is said, with a place for the subject, and the index that it is said of."""
    if match := _OUTSIDE.fullmatch(text):
        kind = f"not computed: bands outside the trusted range {match['range']}"
        return kind, match["index"]
    if match := _UNDEFINED.fullmatch(text):
        return f"undefined in some scans: {match['why'].rstrip('.')}", match["index"]
    if match := _FAR.fullmatch(text):
        return "read across gaps of the wavelength axis: compare with care", match["index"]
    return None


def _grouped_line(rule: str, kind: str, by_index: Mapping[str, Sequence[str]]) -> dict[str, str]:
    names = sorted(by_index)
    named = listed(names[:_NAMED]) if len(names) <= _NAMED else (
        f"{', '.join(names[:_NAMED])} and {len(names) - _NAMED} more"
    )  # fmt: skip
    subject = f"{names[0]} is" if len(names) == 1 else f"{len(names)} indices are"
    in_brackets = "" if len(names) == 1 else f" ({named})"
    sessions = list(dict.fromkeys(s for listed_ in by_index.values() for s in listed_))
    return _line(rule, f"{subject} {kind}{in_brackets}.", sessions)


def texts(value: Any) -> list[str]:
    """Return a text, or the texts of a list or mapping, as a list."""
    if isinstance(value, str):
        return [value]
    if isinstance(value, Mapping):
        return [str(v) for v in value.values()]
    return [str(v) for v in value] if isinstance(value, list) else []
