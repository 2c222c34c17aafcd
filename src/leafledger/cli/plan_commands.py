"""How is a study planned and measured: plan FOLDER, allocate, record, history, watch?"""

from __future__ import annotations

import shlex
import sys
import threading
import webbrowser
from collections.abc import Callable
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from leafledger.cli.terminal_text import (
    bullet_list,
    json_option,
    problems_as_json,
    safe,
    say,
    say_indented,
    say_json,
    study_argument,
)
from leafledger.errors import InputFault, quoted
from leafledger.platforms import Keys
from leafledger.words import counted

if TYPE_CHECKING:
    from leafledger.watch.measuring_session import MeasuringSession, Message
    from leafledger.watch.watch_page import Watch

# The group: a first word that is no command is the folder of a study to be planned
# ----------------------------------------------------------------------

FOLDER = "FOLDER"


class PlanGroup(click.Group):
    """Commands on plans; any other first word is the folder of a new study.

    A folder named as one of the commands is written ``./record``.
    """

    folder_command: click.Command

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Let flags of the new study stand before its folder, too."""
        if args and args[0].startswith("-") and args[0] not in ctx.help_option_names:
            args = [FOLDER, *args]
        return super().parse_args(ctx, args)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the command of a first word: one of the group, else that of a folder."""
        word = args[0]
        if word == FOLDER and len(args) > 1:
            return FOLDER, self.folder_command, args[1:]
        if word in self.commands:
            return super().resolve_command(ctx, args)
        near = get_close_matches(word, [*self.commands], n=1, cutoff=0.7)
        if near and "/" not in word and not Path(word).exists():
            ctx.fail(
                f"{quoted(word)} is no command. Did you mean {near[0]}? A new study in a folder of "
                f"that name: leafledger plan ./{word}"
            )
        return FOLDER, self.folder_command, args

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the planning of a study first, then the other commands."""
        del ctx
        rows = [(FOLDER, self.folder_command.get_short_help_str(70))]
        rows += [(name, command.get_short_help_str(70)) for name, command in self.commands.items()]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


@click.group(
    cls=PlanGroup,
    subcommand_metavar="FOLDER | COMMAND [ARGS]...",
    short_help="Plan a study, draw lots, put the plan on record.",
)
def plan() -> None:
    """Plan a study before it is measured, draw lots, and put the plan on record.

    `leafledger plan FOLDER` writes a new study; `leafledger plan FOLDER --help` lists its flags.

    \b
    Example:
      leafledger plan my-study
      leafledger plan record my-study
    """


# plan FOLDER
# ----------------------------------------------------------------------


@click.command(short_help="Plan a new study: how many, who gets what, in which order.")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--title", help="What the study is called.")
@click.option("--treatments", metavar="A,B", help="All treatments, such as water,chelate.")
@click.option("--control", metavar="A", help="The control; the first treatment if left out.")
@click.option("--unit", metavar="WORD", help="Word for one experimental unit (plant, pot, tray).")
@click.option("--units", metavar="N", help="How many in all; computed from --difference and --sd.")
@click.option("--blocks", metavar="N", help="Complete blocks, each with every treatment.")
@click.option("--pairs", is_flag=True, help="Pairs, each with one unit of two treatments.")
@click.option(
    "--allocate-later",
    is_flag=True,
    help="Draw lots after the session before the treatment: leafledger plan allocate.",
)
@click.option(
    "--sessions",
    metavar="IDS",
    help="Such as day0,day4,day8 (the first is before), or day0:before:2026-05-04,day4:after.",
)
@click.option("--start", metavar="DATE", help="Date of the first session; day4 is 4 days later.")
@click.option("--leaves", metavar="N", help="Leaves of each unit in a session.")
@click.option("--scans", metavar="N", help="Scans of each leaf.")
@click.option("--reference-every", metavar="N", help="Dark and white after every N leaf scans.")
@click.option("--references", metavar="N", help="Darks, and as many whites, each time (3).")
@click.option(
    "--quantity",
    type=click.Choice(["counts", "reflectance", "percent"]),
    help="What the raw files will hold; only counts need darks and whites.",
)
@click.option("--index", metavar="NAME", help="Index of the primary contrast.")
@click.option("--difference", metavar="D", help="Smallest difference of it that would matter.")
@click.option("--sd", metavar="S", help="Standard deviation between units of one treatment.")
@click.option("--correlation", metavar="R", help="Of a unit's values in two sessions.")
@click.option("--sd-leaves", metavar="S", help="Standard deviation between leaves of a unit.")
@click.option("--sd-scans", metavar="S", help="Standard deviation between scans of a leaf.")
@click.option(
    "--from",
    "from_study",
    metavar="STUDY",
    help="A study that has been run: its variation is taken instead of --sd.",
)
@click.option("--power", metavar="P", help="Wanted power (0.8).")
@click.option("--alpha", metavar="A", help="Level of the two-sided test (0.05).")
@click.option("--seed", metavar="N", help="Seed of all lots; one is drawn if left out.")
@click.option(
    "--seconds-per-scan",
    type=click.FloatRange(min=1, max=3600),
    metavar="S",
    help="For the estimate of the time at the bench (30).",
)
@click.option("--fixed", is_flag=True, help="The number is fixed, even if the power is too low.")
def plan_folder(folder: Path, fixed: bool, **given: Any) -> None:
    """Plan a new study and write it to FOLDER, asking for what is not given.

    How many units a difference needs and what so many can find; which unit gets which treatment;
    the order of measuring of every session; sheets and labels to print. Flags answer questions
    beforehand; answers may be piped in. A design that cannot answer its question is refused.

    \b
    Example:
      leafledger plan my-study
      leafledger plan my-study --treatments water,chelate --units 24 --sessions day0,day4,day8
    """
    from leafledger.planning.design_checks import (
        bench_warnings,
        design_problems,
        power_problem,
        size_sentences,
        time_words,
    )
    from leafledger.planning.design_questions import Source, all_given, ask
    from leafledger.planning.planned_study import (
        files_of,
        folder_problem,
        letter_warnings,
        plan_study,
        write_study,
    )

    if blocked := folder_problem(folder):
        raise InputFault(blocked)
    given = {name: value for name, value in given.items() if value not in (None, False)}
    source = Source(given, asking=sys.stdin.isatty() or not all_given(given))
    answers = ask(given, source)
    if isinstance(answers, list):
        raise InputFault(answers)
    problems = design_problems(answers)
    if problems:
        raise InputFault(problems)
    sentences = size_sentences(answers)
    for sentence in sentences:
        say_indented(sentence, "")
    too_few = power_problem(answers)
    if too_few is not None and not fixed and not source.yes("Plan it all the same?"):
        raise InputFault(too_few)
    planned = plan_study(answers)
    write_study(folder, files_of(planned))
    n = counted(answers.n_units, answers.word)
    say(f"Planned {n} in {folder}: {time_words(answers)}. Seed {answers.seed}.")
    if planned.allocation is not None:
        say(f"SHA-256 of the allocation: {planned.allocation.sha256}")
    bullet_list("To heed:", [*bench_warnings(answers), *letter_warnings(answers)])
    name = shlex.quote(str(folder))
    first = answers.sessions[0].session
    bullet_list(
        "Print:",
        [
            f"{folder}/plan/sheets/{first}.pdf: the first session, step by step",
            f"{folder}/plan/labels.pdf: a label for every pot",
            f"{folder}/plan/randomisation.html: what was drawn, in words",
        ],
    )
    if answers.allocate_later:
        say(f"Next: measure {first}, leafledger run {name}, then leafledger plan allocate {name}")
    else:
        say(f"Next: leafledger plan record {name}, before you measure {first}")


plan.folder_command = plan_folder


# plan allocate
# ----------------------------------------------------------------------


@plan.command(short_help="Draw lots on the values of the session before the treatment.")
@study_argument
@click.option("--pairs", is_flag=True, help="Pairs of units that were alike, two treatments.")
@click.option("--blocks", type=click.IntRange(2, 1000), help="Complete blocks of alike units.")
@click.option("--index", metavar="NAME", help="Index to match on; the primary one if left out.")
@click.option("--second", metavar="NAME", help="A second index: units are matched on both.")
@click.option("--seed", type=click.IntRange(0, 2**32 - 1), help="Drawn if left out.")
@click.option("--again", is_flag=True, help="Draw again; the old allocation is kept and told of.")
@json_option
def allocate(
    study: Path,
    pairs: bool,
    blocks: int | None,
    index: str | None,
    second: str | None,
    seed: int | None,
    again: bool,
    as_json: bool,
) -> None:
    """Draw treatments once the session before the treatment has been run.

    Units that were alike form a pair or block, and lots are drawn within it. units.csv gets the
    treatments, study.yaml the block column; the order of the sessions to come is drawn anew with
    treatments alternating. What was drawn stands in plan/ with seed and digest, and is entered in
    the book of runs. Refused once an after-session has scans.

    \b
    Example:
      leafledger plan allocate my-study
      leafledger plan allocate my-study --pairs --second NDVI --seed 11
    """
    from leafledger.planning.baseline_allocation import AllocationOptions, allocate_study
    from leafledger.planning.randomisation import BLOCKS, PAIRS

    if pairs and blocks is not None:
        raise click.UsageError("--pairs and --blocks: leave one out")
    if second is not None and index is None:
        chosen = _with_primary(study, second)
    else:
        chosen = tuple(name for name in (index, second) if name is not None)
    layout = PAIRS if pairs else (BLOCKS if blocks is not None else None)
    with problems_as_json(as_json):
        done = allocate_study(study, AllocationOptions(layout, blocks, chosen, seed, again))
    entry = done.record.lodged.entry
    if as_json:
        answer = {"problems": [], "plan": entry["plan"], "notes": list(done.notes)}
        say_json({**answer, "allocation": dict(done.facts), "said": list(done.record.said)})
        return
    say_indented(str(done.facts["words"]), "")
    say_indented(str(done.facts["rule"]), "")
    for row in done.facts["balance"]:
        sd = "" if row["sd"] is None else f", standard deviation {row['sd']:.2g}"
        say(
            f"  {row['index']} before, {row['treatment']}: mean {row['mean']:.4g}{sd}, n {row['n']}"
        )
    say(f"Seed {done.facts['seed']}; SHA-256 of the allocation: {done.facts['sha256']}")
    say(f"Recorded as plan {entry['plan']}.")
    if done.facts["replaces"]:
        say(f"The earlier allocation is kept as {done.facts['replaces']}.")
    bullet_list("Notes:", [*done.notes, *done.record.said])


def _with_primary(study: Path, second: str) -> tuple[str, ...]:
    """Return the study's primary index and a second one."""
    from leafledger.study.definition_file import definition_of

    primary = definition_of(study.resolve())[0].effects.primary
    return (second,) if primary is None else (primary.index, second)


# plan record, plan history
# ----------------------------------------------------------------------

_NAME_ONE = (
    "No primary contrast is named, so every effect of this plan is exploratory. To name one, write "
    "it in study.yaml (effects: primary: with index and question) and record the plan again."
)
_SEND = "Send the text or its digest to a colleague, or lodge it in a registry, before you measure."


@plan.command()
@study_argument
@json_option
def record(study: Path, as_json: bool) -> None:
    """Enter the plan in the book of runs and print its text with its SHA-256.

    The plan is the primary contrast, how effects are judged, the design and the treatment and block
    of every unit. Only study.yaml and units.csv need be right: it works before any scan exists.
    Later runs are held against it, and the report says whether the primary contrast was fixed
    before the data. A changed plan may be recorded as well; each stays on record.

    \b
    Example:
      leafledger plan record my-study
    """
    from leafledger.ledger.book import text_file
    from leafledger.runner.outdated import record_plan

    with problems_as_json(as_json):
        recorded = record_plan(study)
    entry = recorded.lodged.entry
    if as_json:
        say_json(
            {
                "problems": [],
                "plan": entry["plan"],
                "file": text_file(entry["plan"]),
                "recorded": entry["recorded"],
                "sha256": entry["sha256"],
                "is_new": recorded.lodged.is_new,
                "first": recorded.first.facts(),
                "primary": recorded.has_primary,
                "after_sessions_read": list(recorded.read),
                "said": list(recorded.said),
                "text": recorded.lodged.text,
            }
        )
        return
    say(recorded.lodged.text)
    say(f"SHA-256 of this text: {entry['sha256']}")
    if recorded.lodged.is_new:
        say(f"Recorded as plan {entry['plan']}: {text_file(entry['plan'])}")
    else:
        day = entry["recorded"][:10]
        say(f"This plan stands already since {day} (plan {entry['plan']}): nothing was entered.")
    notes = list(recorded.said)
    if recorded.read:
        read = ", ".join(recorded.read)
        notes.append(f"When it was recorded, after-sessions had been read already: {read}.")
    else:
        notes.append(_SEND)
    if not recorded.has_primary:
        notes.append(_NAME_ONE)
    bullet_list("Notes:", notes)


@plan.command()
@study_argument
@json_option
def history(study: Path, as_json: bool) -> None:
    """List the plans on record, what changed from one to the next, and when.

    \b
    Example:
      leafledger plan history my-study
    """
    from leafledger.ledger.book import on_record
    from leafledger.ledger.view import BookView
    from leafledger.study.written_plan import course_lines

    records = on_record(BookView(study.resolve()))
    if as_json:
        entries = [entry for entry in records if entry.plan is not None]
        say_json([entry.facts() | {"plan": entry.plan} for entry in entries])
        return
    lines = course_lines(records)
    if not lines:
        say("No plan is on record: `leafledger plan record` enters one, and so does every run.")
    for line in lines:
        say_indented(line, "")


# watch: one line for each scan
# ----------------------------------------------------------------------

_COLOURS = {"fault": "red", "caution": "yellow", "good": "green"}
_MARKS = {"fault": "x", "caution": "!", "good": "+", "note": "-"}
_KEYS = "Keys: a again, s skip, n note, u undo, t take a file left aside, q end."


def line_of(message: Message) -> str:
    r"""Return one line for the terminal, with a bell where a person should look.

    Examples
    --------
    >>> from leafledger.watch.measuring_session import Message
    >>> line_of(Message("p1: MEASURE AGAIN", "fault", bell=True))
    'x p1: MEASURE AGAIN\x07'
    """
    text = message.text.replace("\n", "\N{REPLACEMENT CHARACTER}")
    return f"{_MARKS[message.kind]} {safe(text)}" + ("\a" if message.bell else "")


def _say_message(message: Message) -> None:
    bell = "\a" if message.bell and sys.stdout.isatty() else ""
    click.secho(line_of(message).rstrip("\a") + bell, fg=_COLOURS.get(message.kind))


# watch: single keys, at a terminal only
# ----------------------------------------------------------------------


def press(key: str, session: MeasuringSession, ask: Callable[[str], str]) -> bool:
    """Do what a key stands for; what cannot be done is said.

    Parameters
    ----------
    key
        One character.
    session
        The session that is measured.
    ask
        Asks for a line of words.

    Returns
    -------
    bool
        Whether the watch goes on.
    """
    try:
        if key == "q":
            return False
        if key == "a":
            session.again("", ask("Why again (Enter: what was found)"))
        elif key == "s":
            session.skip(ask("Why is the next step not measured"))
        elif key == "n":
            session.note(ask("Note beside the last scan"))
        elif key == "u":
            session.undo()
        elif key == "t":
            session.take("")
    except InputFault as fault:
        for problem in fault.problems:
            say(f"! found {problem.found}; expected {problem.expected}. {problem.mend}")
    except OSError as error:
        say(f"! {(error.strerror or str(error)).lower()}: nothing was changed. Try again.")
    return True


def _listen(watch: Watch, session: MeasuringSession, ended: threading.Event) -> None:
    with Keys() as keys:

        def asked(words: str) -> str:
            return keys.asked(lambda: click.echo(f"{words}: ", nl=False))

        while watch.wait(0.0) and not ended.is_set():
            key = keys.next_key(0.3)
            if key is not None and not press(key.lower(), session, asked):
                ended.set()


# watch
# ----------------------------------------------------------------------


@click.command(short_help="Judge each scan as it is saved, beside the spectrometer.")
@click.argument("study", type=click.Path(path_type=Path))
@click.argument("session")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    help="Port on this machine; a free one if left out.",
)
@click.option("--no-browser", is_flag=True, help="Print the address only.")
@click.option(
    "--poll",
    is_flag=True,
    help="Look through the folder again and again: for a folder on another machine.",
)
def watch(study: Path, session: str, port: int, no_browser: bool, poll: bool) -> None:
    """Judge each scan of SESSION of STUDY as soon as the instrument's program has saved it.

    Each complete file in raw/SESSION becomes the next step of the measuring order in scans.csv.
    Ended with q or Ctrl-C, it goes on where it was when it is begun again.

    \b
    Example:
      leafledger watch my-study day0
    """
    from leafledger.local_page import has_screen
    from leafledger.watch.measuring_session import MeasuringSession
    from leafledger.watch.watch_page import Watch

    measuring = MeasuringSession(study, session, _say_message)
    at_work = Watch(measuring, poll, lambda words: say(f"- {words}"))
    try:
        guard = at_work.serve(port)
        say(
            f"Save the scans into {measuring.folder_name}/ of {study.name or study.resolve().name}."
        )
        say(f"Page: {guard.address}")
        if not no_browser and has_screen():
            webbrowser.open(guard.address)
        following = measuring.order.next
        say(f"Next: {measuring.words_of(following)} ({following.scan.scan})" if following else "")
        at_work.start()
        _until_ended(at_work, measuring)
    finally:
        at_work.stop()
    if at_work.failure is not None:
        raise at_work.failure
    say("The watch has ended; what was measured is in scans.csv.")
    name, following = shlex.quote(str(study)), measuring.order.next
    if following is None:
        say(f"Next: leafledger run {name}")
    else:
        say(f"{following.scan.scan} is next: leafledger watch {name} {session} goes on there.")


def _until_ended(at_work: Watch, measuring: MeasuringSession) -> None:
    ended = threading.Event()
    try:
        if sys.stdin.isatty():
            say(_KEYS)
            _listen(at_work, measuring, ended)
        else:
            while at_work.wait(0.5):
                pass
    except KeyboardInterrupt:
        say("")
