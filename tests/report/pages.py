"""Reads a page back: enough of HTML to check what a reader would see."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "img", "br", "input", "link", "hr"}


@dataclass
class Seen(HTMLParser):
    """Tags, attributes, values and text of a page; scripts that run, apart from blocks of data."""

    tags: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    values: list[tuple[float, str]] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    scripts: list[str] = field(default_factory=list)
    blocks: list[str] = field(default_factory=list)
    stack: list[str] = field(default_factory=list)
    unbalanced: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag == "data":
            self.values.append((float(dict(attrs)["value"] or "nan"), ""))
        if tag not in VOID:
            self.stack.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.stack or self.stack.pop() != tag:
            self.unbalanced.append(tag)

    def handle_data(self, data: str) -> None:
        if self.stack and self.stack[-1] == "script":
            script = next(a for tag, a in reversed(self.tags) if tag == "script")
            (self.scripts if script.get("type") is None else self.blocks).append(data)
            return
        if self.stack and self.stack[-1] == "style":
            return
        if self.stack and self.stack[-1] == "data":
            self.values[-1] = (self.values[-1][0], data)
        self.texts.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())


BLOCKS = {"p", "li", "td", "th", "dd", "dt", "figcaption", "caption", "summary", "h1", "h2", "h3",
          "h4", "span", "div", "title", "option", "label"}  # fmt: skip
SILENT = {"code", "pre", "script", "style", "svg"}


@dataclass
class Prose(HTMLParser):
    """What a page says in words: section, whether it is folded away, and the text of a block.

    Code, drawings and names of files that a link leads to are left out.
    """

    said: list[tuple[str, bool, str]] = field(default_factory=list)
    stack: list[tuple[str, bool]] = field(default_factory=list)
    section: str = ""
    words: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        if tag in BLOCKS:
            self.flush()
        if tag == "section":
            self.section = str(told.get("id", ""))
        if tag not in VOID:
            file = tag == "a" and not str(told.get("href", "#")).startswith("#")
            self.stack.append((tag, tag in SILENT or file))

    def handle_endtag(self, tag: str) -> None:
        if tag in BLOCKS:
            self.flush()
        while self.stack and self.stack.pop()[0] != tag:
            pass

    def handle_data(self, data: str) -> None:
        if not any(silent for _, silent in self.stack):
            self.words.append(data)

    def flush(self) -> None:
        text = " ".join("".join(self.words).split())
        folded = any(tag == "details" for tag, _ in self.stack)
        if text:
            self.said.append((self.section, folded, text))
        self.words = []


def prose(page: str) -> list[tuple[str, bool, str]]:
    seen = Prose()
    seen.feed(page)
    seen.close()
    seen.flush()
    return seen.said


def read(page: str) -> Seen:
    seen = Seen()
    seen.feed(page)
    seen.close()
    return seen
