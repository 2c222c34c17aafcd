"""What two runs found, side by side: indices, effects, accuracy, with the size of the change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leafledger.ledger.view import BookView, in_data_order
from leafledger.records.record import Record
from leafledger.study.columns import EFFECTS_KEY, FLAGS, TEXT
from leafledger.study.tables import read_csv

if TYPE_CHECKING:
    import pandas as pd

Records = Mapping[str, Record]
_UNITS = "results/unit_indices.csv"
_EFFECTS = "results/effects.csv"
_INDEX_KEY = ("unit", "session", "index")
_KEPT = ("primary", "estimate", "p", "verdict", "unit")
_MOST = 10


@dataclass(frozen=True)
class NumberChange:
    """A number that is not the same in two runs; ``None`` where a run does not have it."""

    name: str
    before: float | None
    after: float | None

    @property
    def change(self) -> float | None:
        """After minus before."""
        return None if self.before is None or self.after is None else self.after - self.before


@dataclass(frozen=True)
class IndexChange:
    """How far the unit means of one index moved."""

    index: str
    n_changed: int
    n_means: int
    largest: float
    where: str


@dataclass(frozen=True)
class EffectChange:
    """How one row of the effects moved."""

    key: str
    primary: bool
    before: float | None
    after: float | None
    change: float | None
    unit: str
    p_before: float | None
    p_after: float | None
    verdict_before: str
    verdict_after: str


@dataclass
class ResultChanges:
    """All that differs in the results of two runs.

    Attributes
    ----------
    tasks
        Tasks whose outputs are not the same bytes.
    numbers
        Headline numbers of the records that differ.
    indices
        Per index that moved; ``None`` where the tables are no longer kept.
    effects
        Rows that moved most, the primary one first; ``None`` where the tables are gone.
    n_effects, n_verdicts
        How many rows moved, and how many changed their verdict.
    other_columns
        Columns of the effects, besides what `effects` shows, with values that moved.
    other_files
        Other files of the effects that are not the same bytes.
    gone
        What could not be compared, in words.
    """

    tasks: list[str] = field(default_factory=list)
    numbers: list[NumberChange] = field(default_factory=list)
    indices: list[IndexChange] | None = None
    effects: list[EffectChange] | None = None
    n_effects: int = 0
    n_verdicts: int = 0
    other_columns: list[str] = field(default_factory=list)
    other_files: list[str] = field(default_factory=list)
    gone: list[str] = field(default_factory=list)


def result_changes(book: BookView, before: Records, after: Records) -> ResultChanges:
    """Return what differs in the results of two runs, each given by its records."""
    found = ResultChanges()
    for task in in_data_order(list(after)):
        if task in before and _outputs(before[task]) != _outputs(after[task]):
            found.tasks.append(task)
    found.numbers = _numbers(before, after)
    tables = _both(book, before, after, "unit_means", _UNITS, found)
    if tables:
        found.indices = _index_changes(*tables)
    tables = _both(book, before, after, "effects", _EFFECTS, found)
    if tables:
        changes = _effect_changes(*tables)
        found.n_effects = len(changes)
        found.n_verdicts = sum(c.verdict_before != c.verdict_after for c in changes)
        found.effects = changes[:_MOST]
        found.other_columns = _other_columns(*tables)
        then, now = _outputs(before["effects"]), _outputs(after["effects"])
        found.other_files = [f for f in now if f != _EFFECTS and then.get(f) != now[f]]
    return found


def _outputs(record: Record) -> dict[str, str]:
    return {output["path"]: output["sha256"] for output in record["outputs"]}


def _numbers(before: Records, after: Records) -> list[NumberChange]:
    then, now = headline(before), headline(after)
    return [
        NumberChange(name, then.get(name), now.get(name))
        for name in dict.fromkeys([*then, *now])
        if then.get(name) != now.get(name)
    ]


def headline(records: Records) -> dict[str, float]:
    """Return the numbers that the records tell of: ``effects.primary_estimate`` and so on."""
    return {
        f"{task}.{metric['name']}": float(metric["value"])
        for task, record in records.items()
        for metric in record["metrics"]
    }


def _both(
    book: BookView, before: Records, after: Records, task: str, path: str, found: ResultChanges
) -> tuple[pd.DataFrame, pd.DataFrame] | None:
    """Return both versions of a table; ``None`` if they are equal or one is gone."""
    if task not in before or task not in after or task not in found.tasks:
        return None
    places = [book.content_at(records[task], path) for records in (before, after)]
    one, other = places
    if one is None or other is None:
        which = " and ".join(
            name for name, place in zip(("first", "second"), places, strict=True) if place is None
        )
        found.gone.append(f"{path} of the {which} run is no longer kept: headline numbers only")
        return None
    tables = _read(one), _read(other)
    wanted = {*_INDEX_KEY, "mean"} if path == _UNITS else {*EFFECTS_KEY, *_KEPT}
    if all(wanted <= set(table.columns) for table in tables):
        return tables
    found.gone.append(f"{path} had other columns in one of the runs: headline numbers only")
    return None


def _read(place: Path) -> pd.DataFrame:
    return read_csv(place, text=tuple(TEXT), flags=tuple(FLAGS))


def _index_changes(before: pd.DataFrame, after: pd.DataFrame) -> list[IndexChange]:
    key = list(_INDEX_KEY)
    both = before[[*key, "mean"]].merge(after[[*key, "mean"]], on=key, how="outer")
    moved = (both["mean_y"] - both["mean_x"]).abs()
    there = both["mean_x"].isna() != both["mean_y"].isna()
    both["moved"], both["differs"] = moved.fillna(0.0), (moved > 0) | there
    found = []
    for index, group in both.groupby("index", sort=True):
        if not group["differs"].any():
            continue
        most = group.sort_values("moved", kind="stable").to_dict(orient="records")[-1]
        found.append(
            IndexChange(
                index=str(index),
                n_changed=int(group["differs"].sum()),
                n_means=len(group),
                largest=float(most["mean_y"] - most["mean_x"]) if most["moved"] > 0 else 0.0,
                where=f"{most['unit']} {most['session']}",
            )
        )
    return found


def _effect_changes(before: pd.DataFrame, after: pd.DataFrame) -> list[EffectChange]:
    """Return the rows that differ: the primary first, then other verdicts, then the largest."""
    key = list(EFFECTS_KEY)
    both = before[[*key, *_KEPT]].merge(after[[*key, *_KEPT]], on=key, how="outer")
    changes = []
    for row in both.to_dict(orient="records"):
        then, now = _number(row["estimate_x"]), _number(row["estimate_y"])
        p = _number(row["p_x"]), _number(row["p_y"])
        verdicts = _word(row["verdict_x"]), _word(row["verdict_y"])
        if then == now and p[0] == p[1] and verdicts[0] == verdicts[1]:
            continue
        changes.append(
            EffectChange(
                key=", ".join(f"{name}={row[name]}" for name in key),
                primary=row["primary_x"] is True or row["primary_y"] is True,
                before=then,
                after=now,
                change=None if then is None or now is None else now - then,
                unit=_word(row["unit_y"]) or _word(row["unit_x"]),
                p_before=p[0],
                p_after=p[1],
                verdict_before=verdicts[0],
                verdict_after=verdicts[1],
            )
        )
    return sorted(changes, key=_weight)


def _other_columns(before: pd.DataFrame, after: pd.DataFrame) -> list[str]:
    """Return the columns that moved in rows which both tables have, and those of one table only."""
    key = list(EFFECTS_KEY)
    told = {*key, "estimate", "p", "verdict"}
    wanted = [c for c in after.columns if c in set(before.columns) - told]
    both = before[[*key, *wanted]].merge(after[[*key, *wanted]], on=key)
    then, now = both[[f"{c}_x" for c in wanted]], both[[f"{c}_y" for c in wanted]]
    moved = [c for c, x, y in zip(wanted, then, now, strict=True) if not both[x].equals(both[y])]
    return [*moved, *sorted(set(before.columns) ^ set(after.columns))]


def _weight(change: EffectChange) -> tuple[bool, bool, float, str]:
    scale = max(abs(change.before or 0.0), abs(change.after or 0.0)) or 1.0
    relative = abs(change.change or 0.0) / scale
    other_verdict = change.verdict_before != change.verdict_after
    return (not change.primary, not other_verdict, -relative, change.key)


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and value == value else None


def _word(value: Any) -> str:
    return value if isinstance(value, str) else ""
