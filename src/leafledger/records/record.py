"""What is a stage given, what does it give back, what is recorded, and where do two records differ?

A record is a function of content alone. It holds no time, no path outside the study and no name
of a machine, so that two equal runs leave equal bytes.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from leafledger.errors import StageFailure
from leafledger.records.digests import Code, files_below, sha256_of_file, sha256_of_value
from leafledger.study.settings import parameters
from leafledger.study.table_files import is_plain_name, leaves_the_study, write_json

# Jobs, outcomes and records
# ----------------------------------------------------------------------

# --- what a stage is given and gives back ---------------------------------------------------------


@dataclass(frozen=True)
class Job:
    """One rule on one session (or on the whole study).

    Attributes
    ----------
    rule
        Name of the rule, such as ``reflectance``.
    session
        Session id, or ``None`` for a rule of the whole study.
    settings
        The settings this rule may see, as plain JSON values.
    inputs
        Role -> absolute path of every file the rule may read. Roles of files that exist once per
        session end in ``/<session>``, such as ``reflectance/day4``; raw files have the role
        ``raw/<path in the study>``.
    outputs
        Role -> absolute path of every file the rule must write.
    folder
        The study folder, for paths in messages.
    digests
        Role -> SHA-256 of inputs whose content the task's key holds; a stage that reads such a
        file refuses any other content. Empty where there is no key.
    """

    rule: str
    session: str | None
    settings: Mapping[str, Any]
    inputs: Mapping[str, Path]
    outputs: Mapping[str, Path]
    folder: Path
    digests: Mapping[str, str] = field(default_factory=dict)

    def by_session(self, kind: str) -> dict[str, Path]:
        """Return session -> path of the inputs with role ``<kind>/<session>``, in study order."""
        prefix = f"{kind}/"
        return {
            role.removeprefix(prefix): path
            for role, path in self.inputs.items()
            if role.startswith(prefix)
        }

    def shown(self, path: Path) -> str:
        """Return ``path`` relative to the study folder, in POSIX form."""
        return path.relative_to(self.folder).as_posix()


@dataclass(frozen=True)
class Metric:
    """One number worth following from run to run, with its unit (``"1"`` for a plain number)."""

    name: str
    value: float
    unit: str = "1"


@dataclass
class Outcome:
    """What a stage says of its work, besides its tables."""

    metrics: list[Metric] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    seeds: dict[str, int] = field(default_factory=dict)


Stage = Callable[[Job], Outcome]


# --- the record -----------------------------------------------------------------------------------

Record = dict[str, Any]
VERSION = 1
RESULTS = "results"


def key_of(
    rule: str,
    session: str | None,
    settings: Mapping[str, Any],
    inputs: Mapping[str, str],
    code: Code,
) -> str:
    """Return the key under which the content store keeps the result of a task.

    Parameters
    ----------
    rule, session, settings
        What was asked.
    inputs
        Role -> SHA-256 (hex) of every input.
    code
        What did it.
    """
    return sha256_of_value(
        {
            "rule": rule,
            "session": session,
            "settings": settings,
            "inputs": sorted([role, digest] for role, digest in inputs.items()),
            "code": code.sha256,
            "libraries": code.libraries,
        }
    )


def key_in(record: Record) -> str:
    """Return the key that a record should have by what it says itself."""
    inputs = {entry["role"]: entry["sha256"] for entry in record["inputs"]}
    code = Code(record["code"]["sha256"], record["libraries"])
    return key_of(record["rule"], record["session"], record["settings"], inputs, code)


def input_digests(job: Job) -> dict[str, str]:
    """Return role -> SHA-256 of every input, read from the files as they are now.

    Raises
    ------
    StageFailure
        If an input is missing.
    """
    try:
        return {role: sha256_of_file(path) for role, path in job.inputs.items()}
    except OSError as error:
        raise StageFailure(f"an input of {job.rule} cannot be read: {error.strerror}") from error


def output_files(job: Job) -> dict[str, Path]:
    """Return role -> path of every file written; files of a folder have the role ``role/name``.

    Raises
    ------
    StageFailure
        If the stage did not write an output it owes.
    """
    files: dict[str, Path] = {}
    for role, path in job.outputs.items():
        if path.is_dir():
            for file in files_below(path):
                files[f"{role}/{file.relative_to(path).as_posix()}"] = file
        elif path.is_file():
            files[role] = path
        else:
            raise StageFailure(f"{job.rule} did not write {job.shown(path)}")
    return files


def make_record(
    job: Job, inputs: Mapping[str, str], code: Code, package: str, outcome: Outcome
) -> Record:
    """Return the record of a job that has written its outputs."""
    outputs = output_files(job)
    return {
        "record": VERSION,
        "rule": job.rule,
        "session": job.session,
        "key": key_of(job.rule, job.session, job.settings, inputs, code),
        "settings": dict(job.settings),
        "inputs": [
            {
                "role": role,
                "path": job.shown(path),
                "sha256": inputs[role],
                "bytes": path.stat().st_size,
            }
            for role, path in job.inputs.items()
        ],
        "outputs": [
            {
                "role": role,
                "path": job.shown(path),
                "sha256": sha256_of_file(path),
                "bytes": path.stat().st_size,
            }
            for role, path in sorted(outputs.items())
        ],
        "code": {"package": package, "sha256": code.sha256},
        "libraries": code.libraries,
        "metrics": [
            {"name": m.name, "value": float(m.value), "unit": m.unit} for m in outcome.metrics
        ],
        "seeds": dict(sorted(outcome.seeds.items())),
        "warnings": list(outcome.warnings),
    }


def write_record(path: Path, record: Record) -> None:
    """Write a record, whole."""
    write_json(path, record)


def read_record(path: Path) -> Record | None:
    """Return the record at ``path``, or ``None`` if there is none that can be read.

    A record that was edited by hand until it no longer has its form is none.
    """
    try:
        record = json.loads(path.read_text(encoding="utf-8"), parse_constant=_refuse)
    except (OSError, ValueError):
        return None
    return record if is_record(record) else None


def _refuse(constant: str) -> None:
    raise ValueError(f"{constant} in a record")


def is_record(record: Any) -> bool:
    """Tell whether ``record`` has what :func:`make_record` writes, in the form it writes it.

    A record with a path that leaves the study, or of a result elsewhere than in ``results``, has
    not: nothing may be read or written by it.
    """
    if not isinstance(record, dict) or record.get("record") != VERSION:
        return False
    lists = ("inputs", "outputs", "metrics", "warnings")
    if not all(isinstance(record.get(name), list) for name in lists):
        return False
    if not all(isinstance(record.get(name), dict) for name in ("settings", "code", "libraries")):
        return False
    files = [*record["inputs"], *record["outputs"]]
    texts = [f.get(k) for f in files if isinstance(f, dict) for k in ("role", "path", "sha256")]
    texts += [record["code"].get("sha256"), record.get("key"), record.get("rule")]
    if not all(isinstance(f, dict) for f in files) or not all(isinstance(t, str) for t in texts):
        return False
    return _stays_in_the_study(record)


def _stays_in_the_study(record: Record) -> bool:
    """Tell whether all that a record names lies in the study, its results below ``results``."""
    names = [record["rule"], record.get("session") or "none"]
    if not all(isinstance(name, str) and is_plain_name(name) for name in names):
        return False
    if any(leaves_the_study(file["path"]) for file in [*record["inputs"], *record["outputs"]]):
        return False
    return all(PurePosixPath(output["path"]).parts[0] == RESULTS for output in record["outputs"])


# Where settings differ
# ----------------------------------------------------------------------

# --- two settings of any form ---------------------------------------------------------------------


def differences(before: Any, after: Any, key_path: str = "") -> list[str]:
    """Return the key paths at which two settings differ.

    Examples
    --------
    >>> differences({"a": 1, "b": {"c": 2}}, {"a": 1, "b": {"c": 3}, "d": 4})
    ['b.c', 'd']
    """
    if isinstance(before, Mapping) and isinstance(after, Mapping):
        return [
            path
            for key in sorted({*before, *after})
            for path in differences(
                before.get(key), after.get(key), f"{key_path}.{key}" if key_path else str(key)
            )
        ]
    if isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        return [
            path
            for i, (item, other_item) in enumerate(zip(before, after, strict=True))
            for path in differences(item, other_item, f"{key_path}.{i}")
        ]
    same = type(before) is type(after) and before == after
    return [] if same else [key_path]


# --- the settings of two records ------------------------------------------------------------------

ABSENT = "not there"


@dataclass(frozen=True)
class SettingDiffers:
    """One setting that is not the same, or one cell of a sheet.

    Attributes
    ----------
    name
        The key in ``study.yaml``, or sheet, row and column.
    before, after
        What it was and what it is, in words.
    of_sheet
        Whether it stands in ``scans.csv`` or ``units.csv``.
    """

    name: str
    before: str
    after: str
    of_sheet: bool = False


def settings_differ(
    before: Mapping[str, Any], after: Mapping[str, Any], treatment: str = "treatment"
) -> Iterator[SettingDiffers]:
    """Yield all that differs in the settings of two records of one task.

    Parameters
    ----------
    before, after
        The records, of which rule, session and settings are read.
    treatment
        The column of ``units.csv`` that holds the treatment.

    Examples
    --------
    >>> record = {"rule": "quality", "session": "day0", "settings": {
    ...     "checks": {"lamp_lines": True}, "scans": {"a": {"leaf": "1"}}}}
    >>> other = {**record, "settings": {
    ...     "checks": {"lamp_lines": False}, "scans": {"a": {"leaf": "2"}}}}
    >>> [(d.name, d.before, d.after) for d in settings_differ(record, other)]
    ... # doctest: +NORMALIZE_WHITESPACE
    [('quality.checks.lamp_lines', 'true', 'false'), ('scans.csv a leaf', '1', '2')]
    """
    then, now = parameters(before), parameters(after)
    for name in sorted({*then, *now}):
        if then.get(name) != now.get(name):
            yield SettingDiffers(name, then.get(name, ABSENT), now.get(name, ABSENT))
    settings_before, settings_after = before["settings"], after["settings"]
    scans = _by_scan(settings_before.get("scans")), _by_scan(settings_after.get("scans"))
    yield from _rows("scans", *scans)
    if set(scans[0]) == set(scans[1]) and list(scans[0]) != list(scans[1]):
        yield SettingDiffers("scans.csv order of the rows", "one", "another", of_sheet=True)
    yield from _rows("units", _units(settings_before, treatment), _units(settings_after, treatment))
    shared = settings_before.get("elsewhere") or {}, settings_after.get("elsewhere") or {}
    for file in differences(_joined(shared[0]), _joined(shared[1])):
        was, is_now = (_joined(side).get(file, ABSENT) for side in shared)
        yield SettingDiffers(f"scans.csv other sessions' scans of {file}", was, is_now, True)


def _rows(kind: str, then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterator[SettingDiffers]:
    """Yield what differs in the rows of a sheet, each given by its id."""
    for row in sorted({*then, *now}):
        if row not in then or row not in now:
            was, is_now = ("a row" if row in rows else ABSENT for rows in (then, now))
            yield SettingDiffers(f"{kind}.csv {row}", was, is_now, of_sheet=True)
            continue
        for column in sorted({*then[row], *now[row]}):
            was, is_now = _cell(then[row], column), _cell(now[row], column)
            if was != is_now:
                yield SettingDiffers(f"{kind}.csv {row} {column}", was, is_now, of_sheet=True)


def _cell(row: Mapping[str, Any], column: str) -> str:
    if column not in row:
        return ABSENT
    return "empty" if row[column] is None or row[column] == "" else str(row[column])


def _by_scan(rows: Any) -> dict[str, Any]:
    """Return scan -> row of what a task is told of scans: a list, lists by session, or this."""
    if isinstance(rows, Mapping) and all(isinstance(group, list) for group in rows.values()):
        rows = [row for _, group in sorted(rows.items()) for row in group]
    if isinstance(rows, list):
        return {str(row["scan"]): {k: v for k, v in row.items() if k != "scan"} for row in rows}
    return dict(sorted((rows or {}).items()))


def scans_of(settings: Mapping[str, Any]) -> set[str]:
    """Return the ids of the scans that the settings of a record hold."""
    return set(_by_scan(settings.get("scans")))


def _units(settings: Mapping[str, Any], treatment: str) -> dict[str, Any]:
    """Return unit -> row; a task may be told nothing of the units but their treatments."""
    if "units" in settings:
        return dict(settings["units"] or {})
    levels = (settings.get("design") or {}).get("treatments") or {}
    return {unit: {treatment: level} for unit, level in levels.items()}


def _joined(named: Mapping[str, Any]) -> dict[str, str]:
    return {file: ", ".join(scans) for file, scans in named.items()}
