"""The pages of the documentation as headings, links and blocks of code."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from markdown_it import MarkdownIt
from markdown_it.token import Token

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
_FILE_BEFORE = re.compile(r"^`([^`]+)`(?: \([^)]*\))?:$", re.DOTALL)
_BUILT = ("_build", "jupyter_execute", ".ipynb_checkpoints")


@dataclass(frozen=True)
class Block:
    """A fenced block of code.

    ``heading`` is the nearest heading of the second level above it; ``file`` the name that the
    line before gives it, as in "`units.csv`:".
    """

    page: Path
    line: int
    language: str
    text: str
    heading: str
    file: str

    @property
    def where(self) -> str:
        return f"{self.page.name}:{self.line}"


def pages() -> list[Path]:
    """Return every Markdown file that a person reads."""
    written = [p for p in DOCS.rglob("*.md") if not set(p.parts) & set(_BUILT)]
    tops = [ROOT / name for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md")]
    return sorted([*written, *tops, ROOT / "demo_data" / "README.md"])


def tokens(page: Path) -> list[Token]:
    text = page.read_text(encoding="utf-8")
    if text.startswith("---\n"):  # the header of a notebook, kept as blank lines
        head, end, rest = text[4:].partition("\n---\n")
        text = "\n" * (head.count("\n") + 3) + rest if end else text
    return MarkdownIt("commonmark").enable("table").parse(text)


def blocks(page: Path) -> list[Block]:
    """Return the fenced blocks of a page in order; directives in braces are left out."""
    found: list[Block] = []
    heading, before = "", ""
    stream = tokens(page)
    for i, token in enumerate(stream):
        if token.type == "heading_open" and token.tag in {"h1", "h2"}:
            heading = stream[i + 1].content
        elif token.type == "inline":
            before = token.content
        elif token.type == "fence":
            named = _FILE_BEFORE.match(before)
            language = token.info.split()[0] if token.info.strip() else ""
            if language.startswith("{code-cell}"):
                language = "code-cell"
            line = token.map[0] + 1 if token.map else 0
            file = named.group(1) if named else ""
            if not language.startswith("{"):
                found.append(Block(page, line, language, token.content, heading, file))
            before = ""
    return found


def headings(page: Path) -> list[str]:
    stream = tokens(page)
    return [stream[i + 1].content for i, t in enumerate(stream) if t.type == "heading_open"]


def slug(heading: str) -> str:
    """Return the anchor that repository browsers and the site give a heading."""
    words = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", heading).replace("`", "")
    kept = "".join(c for c in words.lower() if c.isalnum() or c in "-_ ")
    return kept.strip().replace(" ", "-")


def anchors(page: Path) -> set[str]:
    found: set[str] = set()
    for heading in headings(page):
        anchor, n = slug(heading), 0
        while (f"{anchor}-{n}" if n else anchor) in found:
            n += 1
        found.add(f"{anchor}-{n}" if n else anchor)
    return found


def links(page: Path) -> Iterator[tuple[int, str]]:
    """Yield line and target of every link and picture."""
    for token in tokens(page):
        for child in token.children or ():
            target = child.attrs.get("href") or child.attrs.get("src")
            if target:
                yield (token.map or [0])[0] + 1, str(target)
