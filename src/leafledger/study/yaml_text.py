"""Safe reading of ``study.yaml``: every value as the text that was typed, with its line."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from leafledger.errors import InputFault, Problem, bounded, quoted
from leafledger.study.yaml_faults import syntax_problem

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


def read_yaml(path: Path, shown: str) -> YamlText:
    """Read a YAML file without typing any value.

    Parameters
    ----------
    path
        The file.
    shown
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
                file=shown,
                found="no such file",
                expected="the study definition",
                mend="Run `leafledger new` to write one, or go to the study folder.",
            )
        )
    if path.stat().st_size > LARGEST_BYTES:
        raise InputFault(
            Problem(
                file=shown,
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
                file=shown,
                found=f"a byte that is not UTF-8 at position {error.start}",
                expected="UTF-8 text",
                mend="Save the file as UTF-8 in your editor.",
            )
        ) from error
    return _parse(text, shown)


def _parse(text: str, shown: str) -> YamlText:
    builder = _Builder(shown)
    try:
        # Events first: an alias is refused before it can multiply anything.
        builder.refuse_shared_nodes(text)
        node = yaml.compose(text, Loader=_LOADER)
    except (yaml.YAMLError, RecursionError, ValueError) as error:
        raise InputFault(syntax_problem(error, text, shown)) from error
    if not isinstance(node, yaml.MappingNode):
        raise InputFault(
            Problem(
                file=shown,
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

    def __init__(self, shown: str) -> None:
        self.shown = shown
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
            file=self.shown,
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
                        file=self.shown,
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
