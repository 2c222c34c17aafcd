"""What is wrong with YAML that cannot be read, in the words of somebody who does not write YAML."""

from __future__ import annotations

from dataclasses import dataclass

from leafledger.errors import Problem, quoted


@dataclass(frozen=True)
class _Words:
    """How a complaint of the YAML library is told.

    ``at_context``: the library noticed it later than where it began; the beginning is shown.
    """

    signs: tuple[str, ...]
    found: str
    expected: str
    mend: str
    at_context: bool = False


_WORDS = (
    _Words(
        ("tab character",),
        "a tab before the text",
        "blanks",
        "Replace the tab by as many blanks as the lines beside it have.",
    ),
    _Words(
        ("unexpected end of stream", "unexpected document indicator"),
        "a quote that is never closed",
        "quotes in pairs",
        "Close the quote, or write a quote inside a text twice.",
        at_context=True,
    ),
    _Words(
        ("expected ':'",),
        "a line without a colon",
        "`key: value`",
        "Put a colon and a blank after the key.",
        at_context=True,
    ),
    _Words(
        ("mapping values are not allowed",),
        "a colon that does not follow a key",
        "one `key: value` on a line",
        "Put a value that holds a colon in quotes; else check that the line before is whole.",
    ),
    _Words(
        ("expected ',' or", "expected node content", "expected the node content"),
        "a bracket that is not closed, or a comma that is missing",
        "brackets in pairs, commas between what they hold",
        "Check the brackets, commas and quotes from this line on.",
        at_context=True,
    ),
    _Words(
        ("expected <block end>", "expected key", "'-' indicator", "entries are not allowed"),
        "a line that does not line up with its section",
        "the same number of blanks before every key of a section",
        "Check the blanks, quotes and brackets on this line and the one before.",
    ),
    _Words(
        ("unknown escape", "escape character", "expected escape"),
        "a \\ with a meaning inside double quotes",
        "text without \\, or in single quotes",
        "Use single quotes around it, or write \\\\.",
    ),
)


def syntax_problem(error: Exception, text: str, shown: str) -> Problem:
    """Return the problem of a file that is no YAML.

    Parameters
    ----------
    error
        What the YAML library raised.
    text
        The whole file.
    shown
        Its name in messages.
    """
    control = next((i for i, c in enumerate(text) if _is_control(c)), None)
    if control is not None:
        return Problem(
            file=shown,
            row=text.count("\n", 0, control) + 1,
            found=f"a control character (code {ord(text[control])})",
            expected="printable text",
            mend="Take it out; it cannot be seen in every editor.",
        )
    mark = getattr(error, "problem_mark", None)
    what = str(getattr(error, "problem", None) or "text that is not YAML")
    if "cannot start any token" in what and mark is not None:
        return _odd_character(text, mark.line, mark.column, shown)
    for words in _WORDS:
        if any(sign in what for sign in words.signs):
            start = getattr(error, "context_mark", None) if words.at_context else None
            return _told(words, (start or mark), shown)
    return Problem(
        file=shown,
        row=mark.line + 1 if mark else None,
        found=f"YAML that cannot be read ({what})",
        expected="`key: value` lines, indented with blanks",
        mend="Check the blanks, colons and quotes on this line and the one before.",
    )


def _told(words: _Words, mark: object, shown: str) -> Problem:
    line = getattr(mark, "line", None)
    return Problem(
        file=shown,
        row=None if line is None else line + 1,
        found=words.found,
        expected=words.expected,
        mend=words.mend,
    )


def _odd_character(text: str, line: int, column: int, shown: str) -> Problem:
    character = text.split("\n")[line][column : column + 1]
    if character == "\t":
        found, expected = "a tab before the text", "blanks"
        mend = "Replace the tab by as many blanks as the lines beside it have."
    else:
        found, expected = f"a value that begins with {quoted(character)}", "a value in quotes"
        mend = "Put the whole value in quotes."
    return Problem(file=shown, row=line + 1, found=found, expected=expected, mend=mend)


def _is_control(character: str) -> bool:
    return (character < " " and character not in "\t\n\r") or "\x7f" <= character < "\xa0"
