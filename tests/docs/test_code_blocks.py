"""Blocks of code in the documents: YAML that the study model takes, commands that exist."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest

from docs.markdown_pages import ROOT, Block, blocks, pages, tokens
from leafledger.cli.main import cli
from leafledger.cli.plan_commands import PlanGroup
from leafledger.study.definition_file import read_definition

BLOCKS = [block for page in pages() for block in blocks(page)]
MAKE_TARGETS = set(
    re.findall(r"(?m)^([a-z][a-z-]*):", (ROOT / "Makefile").read_text(encoding="utf-8"))
)
PROFILES = [b for b in BLOCKS if b.language == "yaml" and b.where.startswith("cluster.md")]
YAML = [block for block in BLOCKS if block.language == "yaml" and block not in PROFILES]


def shell_lines() -> list[tuple[str, str]]:
    """Return place and text of every command of ours, in blocks and in running text."""
    found = []
    for block in BLOCKS:
        if block.language in {"sh", "bash", ""}:
            joined = block.text.replace("\\\n", " ")
            found += [(block.where, line) for line in joined.splitlines()]
    for page in pages():
        for token in tokens(page):
            for child in token.children or ():
                if child.type == "code_inline":
                    found.append((f"{page.name}:{(token.map or [0])[0] + 1}", child.content))
    return [(where, line) for where, line in found if line.startswith(("leafledger ", "make "))]


def why_wrong(line: str) -> str | None:
    """Return what is wrong with a command line, ``None`` if the commands know all its words."""
    words = shlex.split(re.sub(r"\$\([^)]*\)", "WORD", line), comments=True)
    for stop in ("|", ">", ">>", "&&", "#"):
        words = words[: words.index(stop)] if stop in words else words
    if words[0] == "make":
        wanted = next(word for word in words[1:] if "=" not in word)
        return None if wanted in MAKE_TARGETS else f"no target {wanted}"
    return _why_wrong(cli, words[1:])


def _why_wrong(command: click.Command, words: list[str]) -> str | None:
    if isinstance(command, click.Group):
        if not words or words[0] in {"--help", "-h", "COMMAND", "..."}:
            return None
        if isinstance(command, PlanGroup) and words[0] not in command.commands:
            return _why_wrong(command.folder_command, words)
        if words[0].startswith("-"):
            return None
        if words[0] not in command.commands:
            return f"no command {words[0]}"
        return _why_wrong(command.commands[words[0]], words[1:])
    try:
        options, given, _ = command.make_parser(click.Context(command)).parse_args(list(words))
    except click.UsageError as error:
        return error.message
    for parameter in command.params:
        value = options.get(parameter.name or "")
        if isinstance(parameter.type, click.Choice) and value not in (
            None,
            *parameter.type.choices,
        ):
            return f"{parameter.name} cannot be {value}"
    return f"too many words: {given}" if given else None


def test_blocks_are_found() -> None:
    assert len(YAML) >= 12
    assert len(shell_lines()) >= 60


@pytest.mark.parametrize("block", YAML, ids=lambda b: b.where)
def test_yaml_is_a_study_or_a_part_of_one(block: Block, tmp_path: Path) -> None:
    text = block.text
    if "title:" not in text:
        text = f'version: 1\ntitle: "A part"\n{text}'
    (tmp_path / "study.yaml").write_text(text, encoding="utf-8")
    read_definition(tmp_path)


@pytest.mark.parametrize("block", PROFILES, ids=lambda b: b.where)
def test_a_profile_is_one_that_snakemake_reads(block: Block, tmp_path: Path) -> None:
    from snakemake.cli import parse_args

    (tmp_path / "config.yaml").write_text(block.text, encoding="utf-8")
    _, args = parse_args(["--profile", str(tmp_path), "--workflow-profile", "none"])
    assert args.executor in {"slurm", "cluster-generic"} or args.set_resources


def test_commands_exist_with_their_options() -> None:
    faults = [
        f"{where}: {line}: {wrong}" for where, line in shell_lines() if (wrong := why_wrong(line))
    ]
    assert faults == []


@pytest.mark.parametrize(
    "line",
    [
        "leafledger rnu my-study",
        "leafledger run my-study --coers 2",
        "leafledger new x --quantity absorbance",
        "leafledger run my-study another",
        "leafledger plan my-study --unit 24 --block 6",
        "leafledger plan records my-study",
        "make demos",
    ],
)
def test_a_command_that_does_not_exist_is_found(line: str) -> None:
    assert why_wrong(line) is not None


def test_every_python_block_is_run_somewhere() -> None:
    # Those of your_files.md are run by test_your_files.py, cells of the notebook by `make docs`.
    pages_with_python = {block.page.name for block in BLOCKS if block.language == "python"}
    assert pages_with_python == {"your_files.md"}
