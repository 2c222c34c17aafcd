"""How is a study begun, checked and reviewed: the commands new, check and review?"""

from __future__ import annotations

import datetime as dt
import io
import json
import os
import re
import select
import shlex
import shutil
import sys
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO, TypeVar

import click

from leafledger.cli.terminal_text import (
    bullet_list,
    cores_option,
    json_option,
    problems_as_json,
    say,
    say_json,
    study_argument,
)
from leafledger.errors import InputFault, grouped_by_file, input_fault, quoted
from leafledger.study.definition import LABEL_WORDS
from leafledger.study.scan_sheet import HAVE_A_MEANING, OPTIONAL, REQUIRED
from leafledger.study.sheets import EXAMPLE, is_id, is_label
from leafledger.study.table_files import whole_file, write_text
from leafledger.study.table_sheet import fields_in, pattern_fault

# Writing a commented study for a user to fill in
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class StudyOptions:
    """What the new study is about."""

    title: str
    treatment: str = "treatment"
    control: str | None = "control"
    sessions: tuple[tuple[str, str], ...] = (("day0", "before"), ("day7", "after"))
    quantity: str = "counts"
    table: Path | None = None
    pattern: str | None = None
    units_known: bool = True


def refuse_existing_study(folder: Path) -> None:
    """Refuse a file, and a folder with a study in it, before anything is asked.

    Raises
    ------
    InputFault
        If there is a file of that name, or the folder already holds a study.
    """
    if folder.exists() and not folder.is_dir():
        raise input_fault(
            file=folder.name,
            found="a file",
            expected="a new folder for the study",
            mend="Choose another name for the folder.",
        )
    if (folder / "study.yaml").exists():
        raise input_fault(
            file="study.yaml",
            found="a study definition in this folder already",
            expected="a folder without one",
            mend="Choose another folder, or edit the study.yaml that is there.",
        )


def write_study(folder: Path, options: StudyOptions) -> list[str]:
    """Write the files of a new study.

    Returns
    -------
    list of str
        Names of the files written.

    Raises
    ------
    InputFault
        If the folder already holds a study.
    """
    refuse_existing_study(folder)
    folder = folder.resolve()
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "raw").mkdir(exist_ok=True)
    if options.table is not None:
        with whole_file(folder / "raw" / options.table.name) as temporary:
            shutil.copyfile(options.table, temporary)
        write_text(folder / "study.yaml", _table_study(options, options.table.name))
        return ["study.yaml", f"raw/{options.table.name}"]
    write_text(folder / "study.yaml", _sheet_study(options))
    names = ["study.yaml"]
    if options.units_known:
        example = f"{EXAMPLE}p01,{_cell(options.control or 'control')},A\n"
        write_text(folder / "units.csv", f"unit,{_cell(options.treatment)},block\n{example}")
        names.append("units.csv")
    if not options.pattern:
        write_text(folder / "scans.csv", _scan_sheet(options))
        names.append("scans.csv")
    example = f"{EXAMPLE}day0-p01-1,exclude,the clip slipped,A. Grower,2026-05-05T10:00:00\n"
    write_text(folder / "decisions.csv", f"scan,action,reason,by,when\n{example}")
    return [*names, "decisions.csv", "raw/"]


def _scan_sheet(options: StudyOptions) -> str:
    """Return the headings of the scan sheet and an example row for each role that is needed."""
    session = options.sessions[0][0]
    counts = options.quantity == "counts"
    examples = [("p01_1", "sample", "p01,1,1", "09:12:30", "18,10" if counts else ",")]
    if counts:
        examples += [
            ("white_1", "white", ",,1", "09:10:00", "12,10"),
            ("dark18_1", "dark", ",,1", "09:05:00", "18,10"),
            ("dark12_1", "dark", ",,1", "09:06:00", "12,10"),
        ]
    rows = (
        f"{EXAMPLE}{session}-{name.replace('_', '-')},raw/{session}/{name}.txt,,{role},{session},"
        f"{unit},2026-05-04T{time},{exposure},\n"
        for name, role, unit, time, exposure in examples
    )
    headings = (*REQUIRED, *(name for name in OPTIONAL if name not in _SELDOM))
    return f"{','.join(headings)}\n{''.join(rows)}"


def _cell(text: str) -> str:
    """Return a label as the cell of a CSV row."""
    escaped = text.replace('"', '""')
    return f'"{escaped}"' if '"' in text else text


def _text(value: str) -> str:
    """Return a YAML text, quoted; JSON strings are YAML strings."""
    return json.dumps(value, ensure_ascii=False)


def _table_study(options: StudyOptions, name: str) -> str:
    label = _text(options.treatment)
    control = f"  control: {_text(options.control)}\n" if options.control is not None else ""
    return f"""\
# One table of labelled spectra: a row for each leaf, a column for each wavelength.
version: 1
title: {_text(options.title)}
design:
  unit: none            # which plant each leaf came from is not known; name it if it is
  treatment: {label}
{control}{_sessions(options)}intake:
  sheet: {_text("raw/" + name)}
  forms:
    default: {{form: wide_table, quantity: {options.quantity}}}
reflectance: {{grid: native}}
classes:
  target: {label}
  n_permutations: 199   # 999 for a result that is reported
"""


_SELDOM = frozenset({"instrument", "photo", "omitted"})
"""Columns of the scan sheet that few studies need; a template is short."""
_FIRST_DAY = dt.date(2026, 5, 4)
_SHEET = """\
  sheet: scans.csv                 # one row per raw scan; or a file name pattern instead:
  # pattern: "raw/{session}/{unit}_{leaf}_{replicate}.txt\""""
_PATTERN = """\
  pattern:                         # each {{field}} stands for part of a file's name
    - {pattern}
    # white and dark scans have names of their own:
    # - {{pattern: "raw/{folder}white_{{replicate}}.txt", role: white}}"""


def _where(options: StudyOptions) -> str:
    """Return the lines that say where the raw scans are listed."""
    folder = "{session}/" if options.sessions else ""
    if options.pattern:
        return _PATTERN.format(pattern=_text(options.pattern), folder=folder)
    return _SHEET


def _sessions(options: StudyOptions) -> str:
    if not options.sessions:
        return ""
    lines = "\n".join(
        f"    - {{session: {name}, phase: {phase}}}    # date: {date.isoformat()}"
        for (name, phase), date in zip(options.sessions, _dates(options), strict=True)
    )
    return f"  sessions:                        # in the order of measuring\n{lines}\n"


def _dates(options: StudyOptions) -> list[dt.date]:
    """Return an example date for each session: as its name counts days, else a week apart."""
    days = [re.search(r"[0-9]{1,4}$", name) for name, _ in options.sessions]
    counted = [int(day.group()) for day in days if day is not None]
    if len(counted) < len(days) or counted != sorted(set(counted)):
        counted = [7 * i for i in range(len(days))]
    return [_FIRST_DAY + dt.timedelta(days=day - counted[0]) for day in counted]


def _units(options: StudyOptions) -> str:
    treatment, control = _text(options.treatment), _text(options.control or "control")
    if not options.units_known:
        return (
            "  unit: none                       # which plant each leaf came from is not known\n"
            f"  treatment: {treatment}           # a field of the file name pattern\n"
            f"  control: {control}               # the level that the others are compared with\n"
        )
    return (
        "  unit: plant                      # word for one experimental unit; ids: units.csv\n"
        f"  treatment: {treatment}             # a column of units.csv\n"
        f"  control: {control}               # the level that the others are compared with\n"
        "  block: block                     # a column of units.csv; take the line out if there "
        "are none\n"
    )


def _sheet_study(options: StudyOptions) -> str:
    columns = "wavelength_column: 1, value_column: 2"
    form = f"{{form: text, quantity: {options.quantity}, {columns}}}"
    session = f", session: {options.sessions[-1][0]}" if options.sessions else ""
    return f"""\
# The study definition. Every key is explained in config/study.example.yaml; a word that is not
# known is an error with a suggestion. `leafledger check` says what is still missing.
version: 1
title: {_text(options.title)}
question: "What is asked of the data?"
design:
{_units(options)}{_sessions(options)}intake:
{_where(options)}
  forms:
    default: {form}
# effects:                         # the one effect that you plan; then `leafledger plan record`
#   primary: {{index: CI_rededge, question: difference_in_change{session}}}
"""


# What ``leafledger new`` asks, where a flag has not said it; after a slip it asks again
# ----------------------------------------------------------------------

T = TypeVar("T")
QUANTITIES = ("counts", "reflectance", "percent")
_LONGEST_TITLE = _LONGEST_PATTERN = 300
_SESSIONS = "day0:before day7:after"
_PIPE_S = 1.0


def study_options(given: Mapping[str, Any]) -> StudyOptions:
    """Return what the new study is about, from flags and, for the others, from answers.

    Raises
    ------
    click.BadParameter
        If a flag cannot be meant: a session that is not written as ``id:before`` or ``id:after``,
        a pattern that ``check`` would refuse, or one that stands beside a table.
    """
    table, control = given["table"], None
    sessions: tuple[tuple[str, str], ...] = ()
    pattern = _pattern(given["pattern"], table)
    fields = fields_in(pattern) if pattern else ["session", "unit"]
    answer = _Answers(given)
    title = answer("title", "Title of the study", "My leaf study", _title)
    labels = [name for name in fields if name not in HAVE_A_MEANING]
    column = labels[0] if labels and "unit" not in fields else "treatment"
    treatment = answer("treatment", "Column that holds the treatment", column, _label)
    quantity = answer(
        "quantity",
        "What the raw files hold (counts, reflectance or percent)",
        "percent" if table else "counts",
        _quantity,
    )
    if table:
        if given["control"] is not None:
            control = _checked_flag("control", given["control"], _label)
        if given["sessions"]:
            sessions = _checked_flag("session", " ".join(given["sessions"]), _asked_sessions)
        return StudyOptions(title, treatment, control, sessions, quantity, table)
    control = answer("control", "Level that the others are compared with", "water", _label)
    if given["sessions"]:
        sessions = _checked_flag("session", " ".join(given["sessions"]), _asked_sessions)
        if len(sessions) > 1 and "session" not in fields:
            raise click.BadParameter(
                f"{pattern!r} has no field {{session}}, so that all its files are of one session: "
                "leave --session out, or say it once"
            )
    elif "session" in fields:
        sessions = _asked_sessions(
            answer("", f"Sessions, such as {_SESSIONS}", _SESSIONS, _all_sessions)
        )
    return StudyOptions(
        title,
        treatment,
        control,
        sessions,
        quantity,
        pattern=pattern,
        units_known="unit" in fields,
    )


class _Answers:
    """Answers from flags, else from the person at the terminal or piped in, else by default."""

    def __init__(self, given: Mapping[str, Any]) -> None:
        self._given = given
        self._at_terminal = sys.stdin.isatty()
        self._piped = not self._at_terminal and _is_ready(sys.stdin)

    def __call__(
        self, flag: str, question: str, default: str, checked: Callable[[str], str]
    ) -> str:
        """Return the answer to a question; one that cannot be meant is asked for again.

        A line piped in answers one question, an empty one takes the default; so do the questions
        after the last line. None can be asked for again.

        Raises
        ------
        click.BadParameter
            If a flag or a line piped in cannot be meant.
        """
        text = self._given.get(flag)
        if text is not None:
            return _checked_flag(flag, text, checked)
        if self._at_terminal:
            answered: str = click.prompt(question, default=default, value_proc=checked)
            return answered
        line = sys.stdin.readline() if self._piped else ""
        self._piped = bool(line)
        if not line.strip():
            return default
        try:
            answer = checked(line.strip())
        except click.BadParameter as wrong:
            raise click.BadParameter(f"{question}: {wrong.message}") from None
        say(f"{question}: {answer}")
        return answer


def _checked_flag(flag: str, text: str, checked: Callable[[str], T]) -> T:
    """Return what a flag says; what cannot be meant is refused by the flag's name."""
    try:
        return checked(text)
    except click.BadParameter as wrong:
        raise click.BadParameter(wrong.message, param_hint=f"'--{flag}'") from None


def _is_ready(stream: TextIO) -> bool:
    """Tell whether lines can be read at once; a pipe that nobody writes to is not waited for."""
    try:
        return bool(select.select([stream], [], [], _PIPE_S)[0])
    except io.UnsupportedOperation:
        return True  # text in memory
    except (OSError, ValueError):
        return False


def _title(text: str) -> str:
    if not 0 < len(text.strip()) <= _LONGEST_TITLE:
        raise click.BadParameter(f"expected 1 to {_LONGEST_TITLE} characters")
    return text


def _label(text: str) -> str:
    if not is_label(text.strip()) or "," in text:
        raise click.BadParameter(f"{quoted(text)}: expected {LABEL_WORDS}, without a comma")
    return text.strip()


def _quantity(text: str) -> str:
    if text.strip() not in QUANTITIES:
        raise click.BadParameter(f"{quoted(text)}: expected counts, reflectance or percent")
    return text.strip()


def _all_sessions(text: str) -> str:
    _asked_sessions(text)
    return text


def _pattern(given: str | None, table: Any) -> str | None:
    if given is None:
        return None
    if table:
        raise click.BadParameter("a table holds its scans itself: leave out --pattern or --table")
    if not 0 < len(given) <= _LONGEST_PATTERN:
        raise click.BadParameter(f"expected a pattern of at most {_LONGEST_PATTERN} characters")
    wrong = pattern_fault(given)
    if wrong:
        raise click.BadParameter(
            f"{given!r}: {wrong}; expected such as raw/{{session}}/{{unit}}.txt"
        )
    return given


def _asked_sessions(text: str) -> tuple[tuple[str, str], ...]:
    sessions = []
    for word in text.replace(",", " ").split():
        name, _, phase = word.partition(":")
        if not is_id(name) or phase not in {"before", "after"}:
            raise click.BadParameter(f"{quoted(word)}: expected a session such as day0:before")
        sessions.append((name, phase))
    if not sessions:
        raise click.BadParameter("expected a session or more, such as day0:before day7:after")
    twice = [name for name, n in Counter(name for name, _ in sessions).items() if n > 1]
    if twice:
        raise click.BadParameter(f"session {quoted(twice[0])} stands there twice")
    _in_order([phase for _, phase in sessions])
    return tuple(sessions)


def _in_order(phases: Sequence[str]) -> None:
    if list(phases) != sorted(phases, key=["before", "after"].index):
        raise click.BadParameter("expected every session before the treatment first")


# The commands
# ----------------------------------------------------------------------


@click.command(short_help="Write a commented study to fill in.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--title", help="What the study is called.")
@click.option("--treatment", help="Column that holds the treatment.")
@click.option("--control", help="Level that the others are compared with.")
@click.option(
    "--session",
    "sessions",
    multiple=True,
    metavar="ID:PHASE",
    help="Such as day0:before; once for each, in order.",
)
@click.option(
    "--quantity",
    type=click.Choice(["counts", "reflectance", "percent"]),
    help="What the raw files hold: detector counts, or reflectance as a fraction or in percent.",
)
@click.option(
    "--pattern",
    metavar="PATH",
    help="File names that stand in for the scan sheet: raw/{session}/{unit}_{leaf}.txt.",
)
@click.option(
    "--table",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A table of labelled spectra (a row per leaf) to copy in.",
)
def new(folder: Path, **given: Any) -> None:
    """Write a commented study to FOLDER, asking for what is not given.

    Answers may be piped in, a line for each question.

    \b
    Example:
      leafledger new my-study
      leafledger new my-study --pattern "raw/{session}/{unit}_{leaf}.txt"
      leafledger new rust --table leaves.csv --treatment Type --quantity percent
    """
    refuse_existing_study(folder)
    names = write_study(folder, study_options(given))
    say(f"Wrote {', '.join(names)} in {folder}.")
    name = shlex.quote(str(folder))
    to_fill_in = [f"{folder}/raw/: put the raw files here; they are never written to"]
    if "units.csv" in names:
        to_fill_in.insert(
            0,
            f"{folder}/units.csv: a row per plant (or pot, or plot) with its treatment, like the "
            "example row, which is passed over",
        )
    if not given["pattern"]:
        to_fill_in.append(
            f"{folder}/scans.csv: a row per raw scan; or a file name pattern in study.yaml"
        )
    if given["table"] is None:
        bullet_list("Fill in:", to_fill_in)
    say(f"Next: leafledger check {name} (says what is missing), then leafledger run {name}")


@click.command()
@study_argument
@json_option
@click.option("--sheets", is_flag=True, help="Check the sheets only; leave the raw files unread.")
def check(study: Path, as_json: bool, sheets: bool) -> None:
    """List what is wrong with a study, before anything runs.

    Raw files that have not been taken in yet are read as well; nothing is written.

    \b
    Example:
      leafledger check my-study
    """
    from leafledger.runner.study_check import (
        check_raw_files,
        examine,
        readable_raw_files,
        references_are_known,
        session_notes,
        sheet_warnings,
    )
    from leafledger.study.checks import levels_with_n, levels_without_units, listed_levels

    # As in a step of a run: no threads whose memory nobody needs.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    n_files, warnings = 0, list[str]()
    with problems_as_json(as_json):
        examined = examine(study)
        problems = list(examined.problems)
        opened = examined.study
        readable = None if sheets else readable_raw_files(examined)
        if readable is not None:
            try:
                raw = check_raw_files(readable, references_are_known(examined))
                n_files, warnings = raw.n_files, raw.warnings
            except InputFault as fault:
                problems += grouped_by_file(fault.problems)
        if problems:
            raise InputFault(problems)
    levels = levels_with_n(opened.units, opened.definition.design)
    unused = levels_without_units(levels) if opened.is_allocated else []
    warnings = [*unused, *sheet_warnings(opened), *warnings]
    if as_json:
        named = [{"level": level, "n": n} for level, n in levels]
        say_json(
            {
                "problems": [],
                "warnings": warnings,
                "levels": named,
                "to_come": list(opened.to_come),
                "notes": session_notes(opened),
            }
        )
        return
    say(
        f"No problem found: {len(opened.samples())} leaf scans of {len(opened.units)} "
        f"{'units' if opened.definition.design.unit else 'leaves'} in "
        f"{len(opened.session_ids)} session{'s' * (len(opened.session_ids) != 1)}"
        + (f"; {n_files} raw file{'s' * (n_files > 1)} read." if n_files else ".")
    )
    design = opened.definition.design
    if levels and not opened.is_allocated:
        labels = ", ".join(
            f"{level}{' (control)' * (level == design.control)}" for level, _ in levels
        )
        say(f"Levels of {design.treatment}: {labels}. No {design.unit or 'unit'} has one yet.")
    elif levels:
        counted = f"units ({design.unit})" if design.unit else "leaf scans"
        bullet_list(
            f"Levels of {design.treatment} with their number of {counted}:",
            listed_levels(levels, design.control),
        )
    bullet_list("Sessions and scans that take no part:", session_notes(opened))
    bullet_list("To heed:", warnings)


@click.command(short_help="Look at replicates and decide, in a browser.")
@study_argument
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    help="Port on this machine; a free one if left out.",
)
@click.option("--no-browser", is_flag=True, help="Print the address only.")
@click.option("--reviewer", default="", metavar="NAME", help="Name to write beside decisions.")
@cores_option
def review(study: Path, port: int, no_browser: bool, reviewer: str, cores: int) -> None:
    """Look at replicates and decide which scans take part, in a browser on this machine.

    Treatments and effects are hidden until decisions are saved in decisions.csv.

    \b
    Example:
      leafledger review my-study --reviewer "A. Grower"
    """
    from leafledger.review.review_session import ReviewSession, serve

    serve(ReviewSession(study, reviewer, cores), port, not no_browser, say)
