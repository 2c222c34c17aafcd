"""The page on every command: what ``leafledger COMMAND --help`` says, in one place."""

from __future__ import annotations

from collections.abc import Iterator

import click
from markdown_words import cell, code, table

from leafledger.cli.main import cli
from leafledger.cli.plan_commands import PlanGroup

_HEAD = """# Every command

<!-- Made by `make reference` from the help of the commands; do not edit. -->

`leafledger COMMAND --help` prints the same. Where STUDY may be left out it is the folder that you
are in. Exit codes: 0 all is well, 1 something failed or does not hold, 2 something in what you gave
is at fault and the message says how to mend it, 130 interrupted.
"""


def commands(
    group: click.Group, names: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Yield every command with its words, in the order in which they are added."""
    if isinstance(group, PlanGroup):
        # Its first command has no word of its own: any other first word is a folder.
        yield names, group.folder_command
    for name, command in group.commands.items():
        if isinstance(command, click.Group):
            yield from commands(command, (*names, name))
        else:
            yield (*names, name), command


def page() -> str:
    """Return ``docs/reference/commands.md`` as text."""
    return _HEAD + "".join(_section(names, command) for names, command in commands(cli))


def _section(names: tuple[str, ...], command: click.Command) -> str:
    context = click.Context(command, info_name=" ".join(("leafledger", *names)))
    usage = " ".join([context.command_path, *command.collect_usage_pieces(context)])
    options = [p for p in command.params if isinstance(p, click.Option)]
    rows = [[_names(option), _told(option, context)] for option in options]
    told, examples = _help(command)
    parts = [f"## leafledger {' '.join(names)}", told, f"```text\n{usage}\n```"]
    parts.append("For example:\n\n```sh\n" + "\n".join(examples) + "\n```")
    return "\n" + "\n\n".join(parts) + "\n\n" + table(["option", "meaning"], rows)


def _help(command: click.Command) -> tuple[str, list[str]]:
    """Return the help of a command without its examples, and the examples."""
    told: list[str] = []
    examples: list[str] = []
    for block in (command.help or "").split("\n\n"):
        lines = [line.strip() for line in block.replace("\b", "").strip().splitlines()]
        if lines[0].rstrip("s:") == "Example":
            examples += lines[1:]
        else:
            told.append(" ".join(lines))
    if not examples:
        raise ValueError(f"the help of {command.name} has no paragraph that begins with Example:")
    return "\n\n".join(told), examples


def _names(option: click.Option) -> str:
    names = ", ".join((*option.opts, *option.secondary_opts))
    value = "" if option.is_flag else f" {_value(option)}"
    return code(names + value)


def _value(option: click.Option) -> str:
    if isinstance(option.type, click.Choice):
        return " / ".join(map(str, option.type.choices))
    if isinstance(option.type, click.Path):
        return "PATH"
    return option.metavar or ("N" if isinstance(option.type, click.IntRange) else "TEXT")


def _told(option: click.Option, context: click.Context) -> str:
    told = cell(option.help or "")
    if option.name == "cores":  # its default depends on the machine
        return f"{told} (2 if left out, 1 on a machine with one core)"
    default = option.get_default(context)
    if option.show_default and default is not None:
        told += f" ({code(str(default))} if left out)"
    return told.strip()
