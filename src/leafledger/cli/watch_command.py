"""How is a session watched from the terminal: one line for each scan, and single keys?"""

from __future__ import annotations

import shlex
import sys
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from leafledger.cli.terminal_text import safe, say
from leafledger.errors import InputFault
from leafledger.platforms import Keys

if TYPE_CHECKING:
    from leafledger.watch.measuring_session import MeasuringSession, Message
    from leafledger.watch.watch_server import Watch

# Lines of the terminal
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


# Single keys, at a terminal only
# ----------------------------------------------------------------------


def press(key: str, session: MeasuringSession, asked: Callable[[str], str]) -> bool:
    """Do what a key stands for; what cannot be done is said.

    Parameters
    ----------
    key
        One character.
    session
        The session that is measured.
    asked
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
            session.again("", asked("Why again (Enter: what was found)"))
        elif key == "s":
            session.skip(asked("Why is the next step not measured"))
        elif key == "n":
            session.note(asked("Note beside the last scan"))
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


# The command
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
    from leafledger.local_page.local_server import has_screen
    from leafledger.watch.measuring_session import MeasuringSession
    from leafledger.watch.watch_server import Watch

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
