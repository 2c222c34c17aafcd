"""How is a run read in the list of runs: by what name, with which answer, with what description?

A list of ids and 140 numbers answers nobody. A run is named by what changed since the run before;
a handful of numbers and three tags say what it found; its description holds the findings in words.
All of it follows from the book of runs: ``leafledger verify`` holds the store against it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from leafledger.ledger.compare import Difference, differences_of
from leafledger.ledger.view import BookView
from leafledger.records import events
from leafledger.records.record import ABSENT, Record
from leafledger.study.rules import PLAN_HISTORY
from leafledger.study.settings import name_of
from leafledger.study.study import PLAN_HISTORY_FILE
from leafledger.study.table_files import read_csv, read_json
from leafledger.study.written_plan import mark_of
from leafledger.words import counted, decimals, number

LONGEST_TAG = 5000
"""Characters that MLflow takes of a tag."""
_LONGEST_SHOWN = 200
"""Of a run's name."""
MetricValue = tuple[str, float, int]
"""Name, value and step."""

# Its answer
# ----------------------------------------------------------------------

ANSWER = "answer/"
"""Numbers under this name come before all others in MLflow, in a section of their own."""
PRIMARY_TAG, VERDICT_TAG, CHANGED_TAG = "primary contrast", "verdict", "what changed"
INTERVAL = f"{ANSWER}interval_low"
_OF_RECORDS = (
    ("effects", "primary_estimate"),
    ("effects", "primary_p"),
    ("classes", "accuracy"),
    ("acceptance", "n_scans_excluded"),
)
_EFFECTS_TABLE, _EFFECTS_WORDS = "results/effects.csv", "results/effects.json"
_CLASSES_WORDS = "results/classes/summary.json"
_FIRST_RUN, _NOTHING = "first run", "nothing changed"
_UNALLOCATED = "design.unallocated"
_MOST_IN_NAME = 2
_MOST_IN_NOTE = 12


@dataclass(frozen=True)
class Answer:
    """The few numbers and words that say what a run found."""

    metrics: list[MetricValue] = field(default_factory=list)
    tags: dict[str, str] = field(default_factory=dict)


def answer_of(book: BookView, records: Mapping[str, Record], with_interval: bool = True) -> Answer:
    """Return the answer of a run: estimate, interval, p, verdict, accuracy, scans excluded.

    Parameters
    ----------
    book, records
        The book of runs, and the records of one run.
    with_interval
        Whether interval and verdict are read from the table of effects, if it is still kept.
    """
    answer = Answer()
    for task, name in _OF_RECORDS:
        for metric in records[task]["metrics"] if task in records else []:
            if metric["name"].split(".")[0] == name:
                headed = name_of(f"{ANSWER}{metric['name']}")
                answer.metrics.append((headed, float(metric["value"]), 0))
    table = book.content_at(records.get("effects"), _EFFECTS_TABLE) if with_interval else None
    if table is not None:
        _add_primary(answer, table, _mark(book, records))
    return answer


def _mark(book: BookView, records: Mapping[str, Record]) -> str:
    """Return the mark of the verdict on the primary contrast by the book; empty for none."""
    place = book.content_at(records.get(PLAN_HISTORY.name), PLAN_HISTORY_FILE)
    return "" if place is None else mark_of(read_json(place))


def _add_primary(answer: Answer, place: Path, mark: str) -> None:
    """Add the primary contrasts of a table of effects: interval, and what they say in words."""
    table = read_csv(place)
    if not {"primary", "index", "contrast", "estimate", "ci_low", "ci_high"} <= set(table.columns):
        return  # of another version, or cut short
    rows = [row for row in table.to_dict(orient="records") if row["primary"] is True]
    rows = [row for row in rows if all(_is_number(row[k]) for k in ("estimate", "ci_low"))]
    said, verdicts = [], []
    for n, row in enumerate(rows, start=1):
        which = "" if len(rows) == 1 else f".{n}"
        low, high, estimate = (float(row[k]) for k in ("ci_low", "ci_high", "estimate"))
        answer.metrics.append((f"{INTERVAL}{which}", low, 0))
        answer.metrics.append((f"{ANSWER}interval_high{which}", high, 0))
        places = decimals(low, high, estimate)
        shown = [number(value, places) for value in (estimate, low, high)]
        said.append(f"{row['index']} {shown[0]} ({shown[1]} to {shown[2]}), {row['contrast']}")
        verdicts.append(str(row["verdict"]).replace("_", " ") + (f", {mark}" if mark else ""))
    if rows:
        answer.tags[PRIMARY_TAG] = "; ".join(said)[:LONGEST_TAG]
        answer.tags[VERDICT_TAG] = "; ".join(dict.fromkeys(verdicts))[:LONGEST_TAG]


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and value == value


# What changed since the run before
# ----------------------------------------------------------------------


def changes_of(book: BookView, run: events.Run) -> list[str]:
    """Return in a few words each what changed since the run before.

    The run before is the last one of the study as stated that ended well: what failed or was
    killed may hold a part only, and variants have settings of their own.

    Returns
    -------
    list of str
        ``["first run"]`` if there was none before, ``["nothing changed"]`` if nothing did.
    """
    earlier = book.runs[: next(n for n, one in enumerate(book.runs) if one["run"] == run["run"])]
    whole = [r for r in earlier if r["records"] and r["outcome"] == "done" and not r.get("variant")]
    if not whole:
        return [_FIRST_RUN]
    return change_words(differences_of(book, whole[-1], run), run["outcome"] == "done")


def change_words(differences: Sequence[Difference], done: bool = True) -> list[str]:
    """Return differences in a few words each, sessions first.

    A session that was added brings its rows, files and settings with it; these are left out.

    Parameters
    ----------
    differences
        What differs from the run before.
    done
        Whether the run ended well; of one that did not, tasks that are not there say nothing.

    Examples
    --------
    >>> change_words([Difference("setting", "effects.alpha", "0.05", "0.01")])
    ['alpha 0.05 to 0.01']
    >>> change_words([Difference("task", "intake.day12", "not run", "stands"),
    ...               Difference("sheet", "scans.csv d12-p01-1", "not there", "a row")])
    ['day12 added']
    >>> change_words([Difference("file", f"raw/a{n}.txt", "1", "2") for n in range(3)])
    ['3 files changed']
    """
    tasks = {d.name: d.after == "stands" for d in differences if d.kind == "task"} if done else {}
    sessions = {n.split(".", 1)[1]: now for n, now in tasks.items() if n.startswith("intake.")}
    words = [f"{session} {'added' if now else 'taken out'}" for session, now in sessions.items()]
    words += [
        f"{name} {'added' if now else 'taken out'}" for name, now in tasks.items()
        if "." not in name and not sessions
    ]  # fmt: skip
    rest = [d for d in differences if d.kind != "task" and not _comes_with(d, sessions)]
    if any(d.name == _UNALLOCATED and d.after == ABSENT for d in differences):
        words.append("treatments allocated")
        rest = [d for d in rest if not d.name.startswith(("design.", "units.csv"))]
    settings = [d for d in rest if d.kind == "setting"]
    words += [f"{d.name.rpartition('.')[2]} {d.before} to {d.after}" for d in settings]
    words += [f"{d.name}: {_decided(d.after)}" for d in rest if d.kind == "decision"]
    for kind, noun in (("sheet", "cell"), ("file", "file")):
        n = sum(d.kind == kind for d in rest)
        words += [f"{counted(n, noun)}{' of the sheets' * (kind == 'sheet')} changed"] if n else []
    code = [d.name for d in rest if d.kind == "code"]
    if code:
        words.append(f"code of {code[0] if len(code) == 1 else counted(len(code), 'stage')}")
    words += [f"{d.name} {d.before} to {d.after}" for d in rest if d.kind in ("library", "machine")]
    return words or [_NOTHING]


def _decided(words: str) -> str:
    """Return what was decided of a scan, without who and why."""
    return "decision withdrawn" if words == "none" else words.split(" (")[0]


def _comes_with(difference: Difference, sessions: Mapping[str, bool]) -> bool:
    """Tell whether a difference is no more than that a session came or went."""
    if not sessions:
        return False
    if difference.kind in ("sheet", "file"):
        return True
    of_them = any(f".{session}" in difference.name for session in sessions)
    return difference.kind == "setting" and (of_them or difference.name.startswith("design."))


# Its name and its description
# ----------------------------------------------------------------------


def run_name(run: events.Run, changed: Sequence[str]) -> str:
    """Return the name of a run in the list of runs.

    Examples
    --------
    >>> run_name({"outcome": "done"}, ["day12 added", "alpha 0.05 to 0.01", "code of quality"])
    'day12 added, alpha 0.05 to 0.01 and 1 more'
    >>> run_name({"outcome": "failed", "variant": "no margin"}, ["first run"])
    'variant no margin (failed)'
    """
    if run.get("variant"):
        name = f"variant {run['variant']}"
    else:
        name = ", ".join(changed[:_MOST_IN_NAME])
        more = len(changed) - _MOST_IN_NAME
        name += f" and {more} more" if more > 0 else ""
    ending = "" if run["outcome"] == "done" else f" ({run['outcome'].replace('_', ' ')})"
    return f"{name[:_LONGEST_SHOWN]}{ending}"


def run_note(
    book: BookView, run: events.Run, records: Mapping[str, Record], changed: Sequence[str]
) -> str:
    """Return the description of a run, in Markdown: findings, what changed, what to heed."""
    parts = []
    if run["message"]:
        outcome = run["outcome"].replace("_", " ").capitalize()
        parts.append(f"**{outcome}.** {_plain(run['message'])}")
    words = book.content_at(records.get("effects"), _EFFECTS_WORDS)
    classes = book.content_at(records.get("classes"), _CLASSES_WORDS)
    found = [one["sentence"] for one in _readable(words).get("findings", [])]
    found += [_readable(classes)["sentence"]] if "sentence" in _readable(classes) else []
    parts += _bullets("Found", found)
    parts += _bullets("Not yet", _readable(words).get("unfinished", {}).get("said", []))
    parts += _bullets("Changed", changed)
    warned = [f"{task}: {text}" for task, one in records.items() for text in one["warnings"]]
    parts += _bullets("To heed", warned)
    where = ": its page is report.html under Artifacts" if "report" in records else ""
    parts.append(f"Run {run['run']}{where}.")
    return "\n\n".join(parts)[:LONGEST_TAG]


def _readable(place: Path | None) -> dict[str, Any]:
    """Return the content of a kept JSON file; nothing where it is gone or no object."""
    try:
        content = read_json(place) if place is not None else {}
    except ValueError:
        content = {}
    return content if isinstance(content, dict) else {}


def _bullets(title: str, sentences: Sequence[str]) -> list[str]:
    if not sentences:
        return []
    lines = [f"- {_plain(sentence)}" for sentence in sentences[:_MOST_IN_NOTE]]
    more = len(sentences) - _MOST_IN_NOTE
    lines += [f"- and {more} more"] if more > 0 else []
    return ["\n".join([f"**{title}**", "", *lines])]


def _plain(text: str) -> str:
    """Return words with the characters escaped that Markdown would take for its own.

    Examples
    --------
    >>> _plain("CI_rededge: p < 0.0001")
    'CI\\\\_rededge: p &lt; 0.0001'
    """
    escaped = re.sub(r"([\\`*_{}\[\]>#|~!])", r"\\\1", " ".join(str(text).split()))
    # MLflow's reader of Markdown shows the backslash before this one sign.
    return escaped.replace("<", "&lt;")
