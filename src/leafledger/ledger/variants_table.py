"""Do the conclusions hold under other settings: the table of the variants, made of their runs.

A row rests on the tables of the run of its variant. The table's record names them by digest, so
that the lineage of the table leads to every one of those runs.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leafledger.effects.robustness import Origin, row_without_result, rows_of
from leafledger.ledger.view import BookView
from leafledger.records.digests import code_of, inputs_digest, sha256_of_file, version
from leafledger.records.events import Run
from leafledger.records.record import VERSION, Record, key_of, read_record, write_record
from leafledger.study.definition_file import differences_in_words
from leafledger.study.rules import VARIANTS as RULE
from leafledger.study.rules import VARIANTS_TABLE
from leafledger.study.study import VARIANTS_TASK, Study
from leafledger.study.table_files import read_csv, read_json, remove_file, write_bytes, write_csv
from leafledger.study.tables import STATED, VARIANTS

if TYPE_CHECKING:
    import pandas as pd


EFFECTS = "results/effects.csv"
CLASSES = "results/classes/summary.json"
_TASKS = {EFFECTS: "effects", CLASSES: "classes"}
"""Table that a row is made of -> task that makes it."""
_NOT_RUN = "it was not run to its end under these settings"


@dataclass(frozen=True)
class Settings:
    """One set of settings and the records of the run under it.

    Attributes
    ----------
    name
        The variant, or ``as_stated``.
    words
        What differs from the settings as stated.
    records
        Task -> record; ``None`` if no finished run holds for these settings.
    """

    name: str
    words: str
    records: Mapping[str, Record] | None

    @cached_property
    def files(self) -> dict[str, dict[str, Any]]:
        """Path -> entry of the record, for the tables that a row is made of."""
        return {
            path: output
            for path, task in _TASKS.items()
            for output in (self.records or {}).get(task, {}).get("outputs", [])
            if output["path"] == path
        }

    @property
    def origin(self) -> Origin:
        """What the rows of these settings say of where they come from."""
        digests = {path: entry["sha256"] for path, entry in self.files.items()}
        return Origin(
            variant=self.name,
            settings=self.words,
            effects=digests.get(EFFECTS, ""),
            classes=digests.get(CLASSES, ""),
            inputs=inputs_digest(self.records) if self.records else "",
        )


def settings_in_words(study: Study, other: Study) -> str:
    """Return what differs in the settings of a variant."""
    plain, of_variant = (
        s.definition.model_dump(mode="json", exclude={"variants"}) for s in (study, other)
    )
    return differences_in_words(plain, of_variant)


class VariantsTable:
    """The table of one study.

    Parameters
    ----------
    folder
        The study folder.
    sets
        The settings as stated, then those of each variant.
    """

    def __init__(self, folder: Path, sets: Iterable[Settings]) -> None:
        self.folder = folder
        self.sets = sorted(sets, key=lambda settings: (settings.name != STATED, settings.name))
        self.book = BookView(folder)

    def is_current(self) -> bool:
        """Tell whether the table in place is the one that would be made now.

        The key names the tables that rows are made of. The data below them can change and leave
        these as they are, so every row is asked as well.
        """
        record = read_record(self.folder / VARIANTS_TASK.record)
        return (
            record is not None
            and record["key"] == self.key
            and all(self._standing_rows(settings) is not None for settings in self.sets)
        )

    @property
    def key(self) -> str:
        """The key of the table's record."""
        digests = {given["role"]: given["sha256"] for given in self._inputs()}
        return key_of(RULE.name, None, self._settings(), digests, code_of(RULE.module))

    def make(self) -> Record:
        """Write the table and its record, and return the record.

        Raises
        ------
        LookupError
            If the tables of one of the runs are no longer kept.
        """
        import pandas as pd

        rows = [row for settings in self.sets for row in self._rows(settings)]
        frame = pd.DataFrame(rows, columns=list(VARIANTS))
        for name in ("n_units", "n_units_reference"):
            frame[name] = frame[name].astype("Int64")
        write_csv(self.folder / VARIANTS_TABLE, frame, VARIANTS)
        record = self._record()
        write_record(self.folder / VARIANTS_TASK.record, record)
        return record

    def kept(self, settings: Settings) -> bool:
        """Tell whether the rows of a set of settings can be made, or stand in the table."""
        all_kept = all(self._content(settings, path) is not None for path in settings.files)
        return bool(settings.records) and (all_kept or self._standing_rows(settings) is not None)

    def _content(self, settings: Settings, path: str) -> Path | None:
        return self.book.content_at((settings.records or {}).get(_TASKS[path]), path)

    def _rows(self, settings: Settings) -> list[dict[str, Any]]:
        if settings.records is None:
            return [row_without_result(settings.origin, _NOT_RUN)]
        tables = {path: self._content(settings, path) for path in settings.files}
        effects, summary = tables.get(EFFECTS), tables.get(CLASSES)
        if effects is None or (CLASSES in tables and summary is None):
            standing = self._standing_rows(settings)
            if standing is None:
                raise LookupError(f"the tables of variant {settings.name} are no longer kept")
            return standing
        return rows_of(settings.origin, _table(effects), read_json(summary) if summary else None)

    def _standing_rows(self, settings: Settings) -> list[dict[str, Any]] | None:
        """Return the rows of the table in place if they were made of the very same content."""
        record = read_record(self.folder / VARIANTS_TASK.record)
        path = intact_table(self.folder, record) if record else None
        if path is None:
            return None
        table, origin = _table(path), settings.origin
        same = table.loc[
            (table["variant"] == settings.name)
            & (table["effects_sha256"] == origin.effects)
            & (table["classes_sha256"] == origin.classes)
            & (table["inputs_sha256"] == origin.inputs)
        ]
        rows = [{str(k): v for k, v in row.items()} for row in same.to_dict("records")]
        return [row | {"settings": settings.words} for row in rows] or None

    def _settings(self) -> dict[str, Any]:
        return {
            "variants": {
                settings.name: settings.words for settings in self.sets if settings.name != STATED
            }
        }

    def _inputs(self) -> list[dict[str, Any]]:
        roles = {EFFECTS: "effects", CLASSES: "classes_summary"}
        return [
            {
                "role": f"{roles[path]}/{settings.name}",
                "path": path,
                "sha256": entry["sha256"],
                "bytes": entry["bytes"],
            }
            for settings in self.sets
            for path, entry in settings.files.items()
        ]

    def _record(self) -> Record:
        code = code_of(RULE.module)
        ran = [
            settings
            for settings in self.sets
            if settings.records is not None and settings.name != STATED
        ]
        failed = [settings.name for settings in self.sets if settings.records is None]
        return {
            "record": VERSION,
            "rule": RULE.name,
            "session": None,
            "key": self.key,
            "settings": self._settings(),
            "inputs": self._inputs(),
            "outputs": [_file_entry(self.folder, RULE.name, VARIANTS_TABLE)],
            "code": {"package": version(), "sha256": code.sha256},
            "libraries": code.libraries,
            "metrics": [{"name": "n_variants", "value": float(len(ran)), "unit": "1"}],
            "seeds": {},
            "warnings": [f"variant {name} has no finished run" for name in failed],
        }


def _table(path: Path) -> pd.DataFrame:
    return read_csv(path)


def _file_entry(folder: Path, role: str, path: str) -> dict[str, Any]:
    file = folder / path
    digest, size = sha256_of_file(file), file.stat().st_size
    return {"role": role, "path": path, "sha256": digest, "bytes": size}


# The table in its place: whole, put back from its kept copy, or taken away
# ----------------------------------------------------------------------


def intact_table(folder: Path, record: Record) -> Path | None:
    """Return the table if it is what its record says."""
    return intact_output(folder, record, VARIANTS_TABLE)


def intact_output(folder: Path, record: Record, path: str) -> Path | None:
    """Return the output at ``path`` if it is what the record says."""
    file = folder / path
    recorded = next((o["sha256"] for o in record["outputs"] if o["path"] == path), None)
    return file if file.is_file() and sha256_of_file(file) == recorded else None


def remove_table(folder: Path) -> None:
    """Take the table and its record away."""
    remove_file(folder / VARIANTS_TABLE)
    remove_file(folder / VARIANTS_TASK.record)


@dataclass(frozen=True)
class TableAtStart:
    """What a run makes of a table that is not as it was recorded, before it judges anything.

    Attributes
    ----------
    sha256
        Digest of the table that is put back; ``None`` if the table is taken away.
    run
        The run in which it stood.
    """

    sha256: str | None
    run: Run | None = None


def table_at_start(study: Study) -> TableAtStart | None:
    """Return what a run would make of the table first, ``None`` if it leaves it as it is.

    No step makes it, so that none would make it again: it is put back as it was recorded if it was
    changed or lost. One that nobody recorded is taken away. A table of variants that the study no
    longer names stays as long as it is whole: it says under which settings its rows stand.
    """
    folder = study.folder
    present = (folder / VARIANTS_TABLE).exists() or (folder / VARIANTS_TASK.record).exists()
    if study.variant is not None or not (present or study.definition.variants):
        return None
    book = BookView(folder)
    run = _newest_run_with_table(book.runs)
    if (run is None and not present) or _stands(book, run):
        return None
    if run is not None and all(_kept_copies(book, run)):
        return TableAtStart(run["tables"][VARIANTS_TABLE], run)
    return TableAtStart(None)


def _kept_copies(book: BookView, run: Run) -> tuple[bytes | None, bytes | None]:
    """Return table and record as they stood in a run, as far as their copies are kept whole."""
    table = book.history(run.get("tables", {}).get(VARIANTS_TABLE, ""))
    return table, book.history(run["records"][VARIANTS_TASK.name])


def restore_table(study: Study) -> list[str]:
    """Put the table back as it was recorded, or take it away; return notes to the user."""
    at_start = table_at_start(study)
    if at_start is None:
        if study.definition.variants or not study.has_variants_table:
            return []
        return [
            f"{VARIANTS_TABLE} tells of variants that study.yaml no longer names; "
            "`leafledger run --variants` takes it away"
        ]
    if at_start.run is not None:
        table, record = _kept_copies(BookView(study.folder), at_start.run)
        if table is not None and record is not None:
            write_bytes(study.folder / VARIANTS_TABLE, table)
            write_bytes(study.folder / VARIANTS_TASK.record, record)
            return [
                f"{VARIANTS_TABLE} was changed or lost and has been put back as it was recorded"
            ]
    remove_table(study.folder)
    return [
        f"{VARIANTS_TABLE} is not as it was recorded and was taken away; "
        "`leafledger run --variants` makes it again"
    ]


def _newest_run_with_table(runs: list[Run]) -> Run | None:
    """Return the newest run of the study as stated in which the table stood.

    A later run that ended well and has no table takes it out of the book.
    """
    for run in reversed(runs):
        if run.get("variant") is not None:
            continue
        if VARIANTS_TASK.name in run["records"]:
            return run
        if run["outcome"] == "done":
            return None
    return None


def _stands(book: BookView, run: Run | None) -> bool:
    path = book.folder / VARIANTS_TASK.record
    record = read_record(path)
    if record is None or intact_table(book.folder, record) is None:
        return False
    if not book.runs:
        return True  # a folder whose book begins now, such as a run being rebuilt
    return run is not None and run["records"][VARIANTS_TASK.name] == sha256_of_file(path)
