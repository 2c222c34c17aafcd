"""The table of results under other settings, made of finished runs and kept in its place."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leafledger.effects.variant_rows import Origin, row_without_result, rows_of
from leafledger.ledger.view import BookView
from leafledger.records.code import code_of, version
from leafledger.records.digests import inputs_digest, sha256_of_file
from leafledger.records.events import Run
from leafledger.records.record import VERSION, Record, key_of, read_record, write_record
from leafledger.study.columns import FLAGS, STATED, TEXT, VARIANTS
from leafledger.study.definition_file import differences_in_words
from leafledger.study.links import remove_file
from leafledger.study.rules import VARIANTS as RULE
from leafledger.study.study import VARIANTS_TABLE, Study
from leafledger.study.tables import read_csv, read_json, write_bytes, write_csv
from leafledger.study.tasks import VARIANTS_TASK

if TYPE_CHECKING:
    import pandas as pd


# The table of the variants in its place: whole, put back from its kept copy, or taken away.
# ----------------------------------------------------------------------


def whole_table(folder: Path, record: Record) -> Path | None:
    """Return the table if it is what its record says."""
    return whole_output(folder, record, VARIANTS_TABLE)


def whole_output(folder: Path, record: Record, path: str) -> Path | None:
    """Return the output at ``path`` if it is what the record says."""
    place = folder / path
    said = next((o["sha256"] for o in record["outputs"] if o["path"] == path), None)
    return place if place.is_file() and sha256_of_file(place) == said else None


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
    there = (folder / VARIANTS_TABLE).exists() or (folder / VARIANTS_TASK.record).exists()
    if study.variant is not None or not (there or study.definition.variants):
        return None
    book = BookView(folder)
    known = list(book.runs)
    entry = _vouching(known)
    if (entry is None and not there) or _stands(folder, entry, known):
        return None
    if entry is not None:
        digest = entry.get("tables", {}).get(VARIANTS_TABLE, "")
        if None not in (book.history(digest), book.history(entry["records"][VARIANTS_TASK.name])):
            return TableAtStart(digest, entry)
    return TableAtStart(None)


def bring_table_back(study: Study) -> list[str]:
    """Put the table back as it was recorded, or take it away; return what to tell."""
    at_start = table_at_start(study)
    if at_start is None:
        return _named(study)
    if at_start.run is not None and _put_back(study.folder, at_start.run):
        return [f"{VARIANTS_TABLE} was changed or lost and has been put back as it was recorded"]
    remove_table(study.folder)
    return [
        f"{VARIANTS_TABLE} is not as it was recorded and was taken away; "
        "`leafledger run --variants` makes it again"
    ]


def _named(study: Study) -> list[str]:
    if study.definition.variants or not study.has_variants_table:
        return []
    return [
        f"{VARIANTS_TABLE} tells of variants that study.yaml no longer names; "
        "`leafledger run --variants` takes it away"
    ]


def _vouching(known: list[Run]) -> Run | None:
    """Return the newest run of the study as stated in which the table stood."""
    for entry in reversed(known):
        if entry.get("variant") is not None:
            continue
        if VARIANTS_TASK.name in entry["records"]:
            return entry
        if entry["outcome"] == "done":
            return None
    return None


def _stands(folder: Path, entry: Run | None, known: list[Run]) -> bool:
    record = read_record(folder / VARIANTS_TASK.record)
    if record is None or whole_table(folder, record) is None:
        return False
    if not known:
        return True  # a folder whose book begins now, such as a run being rebuilt
    digest = sha256_of_file(folder / VARIANTS_TASK.record)
    return entry is not None and entry["records"][VARIANTS_TASK.name] == digest


def _put_back(folder: Path, entry: Run) -> bool:
    book = BookView(folder)
    record = book.history(entry["records"][VARIANTS_TASK.name])
    table = book.history(entry.get("tables", {}).get(VARIANTS_TABLE, ""))
    if record is None or table is None:
        return False
    write_bytes(folder / VARIANTS_TABLE, table)
    write_bytes(folder / VARIANTS_TASK.record, record)
    return True


# The table of results under other settings, made of finished runs.
# ----------------------------------------------------------------------
# A row rests on the tables of the run of its variant. Its record names them by digest, so that the
# lineage of the table leads to every one of those runs.

EFFECTS = "results/effects.csv"
CLASSES = "results/classes/summary.json"
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
        of = {EFFECTS: "effects", CLASSES: "classes"}
        return {
            path: output
            for path, task in of.items()
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


def words_of(study: Study, other: Study) -> str:
    """Return what differs in the settings of a variant."""
    return differences_in_words(_plain(study), _plain(other))


def _plain(study: Study) -> dict[str, Any]:
    dumped: dict[str, Any] = study.definition.model_dump(mode="json", exclude={"variants"})
    return dumped


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
        self.sets = sorted(sets, key=lambda one: (one.name != STATED, one.name))
        self.book = BookView(folder)

    def is_current(self) -> bool:
        """Tell whether the table in place is the one that would be made now.

        The key names the tables that rows are made of. The data below them can change and leave
        these as they are, so every row is asked as well.
        """
        there = read_record(self.folder / VARIANTS_TASK.record)
        return (
            there is not None
            and there["key"] == self.key
            and all(self._standing_rows(one) is not None for one in self.sets)
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

        rows = [row for one in self.sets for row in self._rows(one)]
        frame = pd.DataFrame(rows, columns=list(VARIANTS))
        for name in ("n_units", "n_units_reference"):
            frame[name] = frame[name].astype("Int64")
        write_csv(self.folder / VARIANTS_TABLE, frame, VARIANTS)
        record = self._record()
        write_record(self.folder / VARIANTS_TASK.record, record)
        return record

    def kept(self, one: Settings) -> bool:
        """Tell whether the rows of a set of settings can be made, or stand in the table."""
        there = all(self._content(one, path) is not None for path in one.files)
        return bool(one.records) and (there or self._standing_rows(one) is not None)

    def _content(self, one: Settings, path: str) -> Path | None:
        records = one.records or {}
        task = "effects" if path == EFFECTS else "classes"
        return self.book.content_at(records.get(task), path)

    def _rows(self, one: Settings) -> list[dict[str, Any]]:
        if one.records is None:
            return [row_without_result(one.origin, _NOT_RUN)]
        found = {path: self._content(one, path) for path in one.files}
        effects, summary = found.get(EFFECTS), found.get(CLASSES)
        if effects is None or (CLASSES in found and summary is None):
            standing = self._standing_rows(one)
            if standing is None:
                raise LookupError(f"the tables of variant {one.name} are no longer kept")
            return standing
        return rows_of(one.origin, _table(effects), read_json(summary) if summary else None)

    def _standing_rows(self, one: Settings) -> list[dict[str, Any]] | None:
        """Return the rows of the table in place if they were made of the very same content."""
        there = read_record(self.folder / VARIANTS_TASK.record)
        place = whole_table(self.folder, there) if there else None
        if place is None:
            return None
        table, origin = _table(place), one.origin
        same = table.loc[
            (table["variant"] == one.name)
            & (table["effects_sha256"] == origin.effects)
            & (table["classes_sha256"] == origin.classes)
            & (table["inputs_sha256"] == origin.inputs)
        ]
        rows = [{str(k): v for k, v in row.items()} for row in same.to_dict("records")]
        return [row | {"settings": one.words} for row in rows] or None

    def _settings(self) -> dict[str, Any]:
        return {"variants": {one.name: one.words for one in self.sets if one.name != STATED}}

    def _inputs(self) -> list[dict[str, Any]]:
        roles = {EFFECTS: "effects", CLASSES: "classes_summary"}
        return [
            {
                "role": f"{roles[path]}/{one.name}",
                "path": path,
                "sha256": entry["sha256"],
                "bytes": entry["bytes"],
            }
            for one in self.sets
            for path, entry in one.files.items()
        ]

    def _record(self) -> Record:
        code = code_of(RULE.module)
        table = self.folder / VARIANTS_TABLE
        ran = [one for one in self.sets if one.records is not None and one.name != STATED]
        failed = [one.name for one in self.sets if one.records is None]
        return {
            "record": VERSION,
            "rule": RULE.name,
            "session": None,
            "key": self.key,
            "settings": self._settings(),
            "inputs": self._inputs(),
            "outputs": [
                {
                    "role": RULE.name,
                    "path": VARIANTS_TABLE,
                    "sha256": sha256_of_file(table),
                    "bytes": table.stat().st_size,
                }
            ],
            "code": {"package": version(), "sha256": code.sha256},
            "libraries": code.libraries,
            "metrics": [{"name": "n_variants", "value": float(len(ran)), "unit": "1"}],
            "seeds": {},
            "warnings": [f"variant {name} has no finished run" for name in failed],
        }


def _table(path: Path) -> pd.DataFrame:
    return read_csv(path, text=tuple(TEXT), flags=tuple(FLAGS))
