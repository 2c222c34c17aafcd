"""How is ``study.yaml`` read safely: every value as the text that was typed, with its line?"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from leafledger.errors import InputFault, Problem, bounded, quoted

# What is wrong with YAML that cannot be read, in the words of somebody who does not write YAML.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class _Words:
    """The words for one kind of error of the YAML library.

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


def syntax_problem(error: Exception, text: str, file: str) -> Problem:
    """Return the problem of a file that is no YAML.

    Parameters
    ----------
    error
        What the YAML library raised.
    text
        The whole file.
    file
        Its name in messages.
    """
    control = next((i for i, c in enumerate(text) if _is_control(c)), None)
    if control is not None:
        return Problem(
            file=file,
            row=text.count("\n", 0, control) + 1,
            found=f"a control character (code {ord(text[control])})",
            expected="printable text",
            mend="Take it out; it cannot be seen in every editor.",
        )
    mark = getattr(error, "problem_mark", None)
    what = str(getattr(error, "problem", None) or "text that is not YAML")
    if "cannot start any token" in what and mark is not None:
        return _odd_character(text, mark.line, mark.column, file)
    for words in _WORDS:
        if any(sign in what for sign in words.signs):
            start = getattr(error, "context_mark", None) if words.at_context else None
            return _syntax_problem(words, (start or mark), file)
    return Problem(
        file=file,
        row=mark.line + 1 if mark else None,
        found=f"YAML that cannot be read ({what})",
        expected="`key: value` lines, indented with blanks",
        mend="Check the blanks, colons and quotes on this line and the one before.",
    )


def _syntax_problem(words: _Words, mark: object, file: str) -> Problem:
    line = getattr(mark, "line", None)
    return Problem(
        file=file,
        row=None if line is None else line + 1,
        found=words.found,
        expected=words.expected,
        mend=words.mend,
    )


def _odd_character(text: str, line: int, column: int, file: str) -> Problem:
    character = text.split("\n")[line][column : column + 1]
    if character == "\t":
        given, expected = "a tab before the text", "blanks"
        mend = "Replace the tab by as many blanks as the lines beside it have."
    else:
        given, expected = f"a value that begins with {quoted(character)}", "a value in quotes"
        mend = "Put the whole value in quotes."
    return Problem(file=file, row=line + 1, found=given, expected=expected, mend=mend)


def _is_control(character: str) -> bool:
    return (character < " " and character not in "\t\n\r") or "\x7f" <= character < "\xa0"


# Safe reading of ``study.yaml``: every value as the text that was typed, with its line.
# ----------------------------------------------------------------------

LARGEST_BYTES = 1_000_000
DEEPEST = 20
# libyaml where PyYAML has it: ten times faster, and the same nodes and marks.
_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_PLAIN = frozenset({"str", "int", "float", "bool", "null", "timestamp", "value", "merge"})


@dataclass
class YamlText:
    """A parsed file: nested dictionaries, lists and texts, and the line of each key path."""

    value: dict[str, Any]
    lines: dict[tuple[str | int, ...], int] = field(default_factory=dict)

    def line(self, path: tuple[str | int, ...]) -> int | None:
        """Return the line of ``path``, or of the nearest part of it that stands in the file.

        ``None`` if no part of it does.
        """
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines[path] if path else None


def read_yaml(path: Path, file: str) -> YamlText:
    """Read a YAML file without typing any value.

    Parameters
    ----------
    path
        The file.
    file
        Its name in messages.

    Raises
    ------
    InputFault
        If the file is missing, over 1 MB, not UTF-8, not YAML, not a mapping, or uses duplicate
        keys, anchors, aliases or tags.
    """
    if not path.is_file():
        raise InputFault(
            Problem(
                file=file,
                found="a folder or a special file"
                if path.exists() or path.is_symlink()
                else "no such file",
                expected="the study definition",
                mend="Run `leafledger new` to write one, or go to the study folder.",
            )
        )
    if path.stat().st_size > LARGEST_BYTES:
        raise InputFault(
            Problem(
                file=file,
                found=f"{path.stat().st_size} bytes",
                expected=f"at most {LARGEST_BYTES} bytes",
                mend="Keep data out of study.yaml; tables belong in units.csv and scans.csv.",
            )
        )
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputFault(
            Problem(
                file=file,
                found=f"a byte that is not UTF-8 at position {error.start}",
                expected="UTF-8 text",
                mend="Save the file as UTF-8 in your editor.",
            )
        ) from error
    return _parse(text, file)


def _parse(text: str, file: str) -> YamlText:
    builder = _Builder(file)
    try:
        # Events first: an alias is refused before it can multiply anything.
        builder.refuse_shared_nodes(text)
        node = yaml.compose(text, Loader=_LOADER)
    except (yaml.YAMLError, RecursionError, ValueError) as error:
        raise InputFault(syntax_problem(error, text, file)) from error
    if not isinstance(node, yaml.MappingNode):
        raise InputFault(
            Problem(
                file=file,
                row=1,
                found="no sections",
                expected="sections such as title: and design:",
                mend="See config/study.example.yaml for a whole study definition.",
            )
        )
    value = builder.value(node, ())
    if builder.problems:
        raise InputFault(bounded(builder.problems))
    return YamlText(value, builder.lines)


class _Builder:
    """Turns nodes into plain values and keeps the lines; collects what is wrong on the way."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.lines: dict[tuple[str | int, ...], int] = {}
        self.problems: list[Problem] = []

    def refuse_shared_nodes(self, text: str) -> None:
        depth = 0
        for event in yaml.parse(text, Loader=_LOADER):
            row = event.start_mark.line + 1 if event.start_mark else 1
            if isinstance(event, yaml.CollectionStartEvent):
                depth += 1
            elif isinstance(event, yaml.CollectionEndEvent):
                depth -= 1
            if depth > DEEPEST:
                raise InputFault(
                    self._problem(row, "sections nested too deeply", f"at most {DEEPEST} levels")
                )
            if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
                raise InputFault(
                    self._problem(row, "an anchor or alias (& or *)", "each value written out")
                )

    def _problem(self, row: int, found: str, expected: str) -> Problem:
        return Problem(
            file=self.file,
            row=row,
            found=found,
            expected=expected,
            mend="Write the section out plainly.",
        )

    def value(self, node: yaml.Node, path: tuple[str | int, ...]) -> Any:
        self.lines.setdefault(path, node.start_mark.line + 1)
        if isinstance(node, yaml.ScalarNode):
            if node.tag.removeprefix("tag:yaml.org,2002:") not in _PLAIN:
                self._tagged(node)
            return node.value
        if isinstance(node, yaml.SequenceNode):
            return [self.value(item, (*path, i)) for i, item in enumerate(node.value)]
        return self._mapping(node, path)

    def _tagged(self, node: yaml.Node) -> None:
        row = node.start_mark.line + 1
        self.problems.append(self._problem(row, f"a tag {quoted(node.tag)}", "a plain value"))

    def _mapping(self, node: yaml.Node, path: tuple[str | int, ...]) -> dict[str, Any]:
        out: dict[str, Any] = {}
        for key, item in node.value:
            row = key.start_mark.line + 1
            if not isinstance(key, yaml.ScalarNode):
                self.problems.append(self._problem(row, "a key that is not a word", "a word"))
                continue
            name = str(key.value)
            if name in out:
                self.problems.append(
                    Problem(
                        file=self.file,
                        row=row,
                        column=".".join(str(p) for p in (*path, name)),
                        found=f"the key {quoted(name)} a second time",
                        expected="each key once in its section",
                        mend="Remove one of the two.",
                    )
                )
            self.lines[(*path, name)] = row
            out[name] = self.value(item, (*path, name))
        return out
