"""Every link inside the repository leads to a file and a heading that are there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from docs.markdown_pages import DOCS, ROOT, anchors, links, pages, slug

TOCTREE = re.compile(r"```\{toctree\}\n(.*?)```", re.DOTALL)


def broken(page: Path, root: Path = ROOT) -> list[str]:
    found = []
    for line, target in links(page):
        if re.match(r"[a-z]+:", target):
            continue
        name, _, anchor = target.partition("#")
        place = (page.parent / name).resolve() if name else page
        if not place.is_relative_to(root) or not place.exists():
            found.append(f"{page.name}:{line}: {target}: no such file")
        elif anchor and anchor not in anchors(place):
            found.append(f"{page.name}:{line}: {target}: no such heading")
    return found


@pytest.mark.parametrize("page", pages(), ids=lambda p: p.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(page: Path) -> None:
    assert broken(page) == []


def test_a_broken_link_is_found(tmp_path: Path) -> None:
    text = "# Here\n\n[a](#here) [b](#there) [c](nowhere.md) ![d](no.png) [e](https://a.invalid)\n"
    (tmp_path / "page.md").write_text(text, encoding="utf-8")
    assert [fault.split(": ")[1] for fault in broken(tmp_path / "page.md", tmp_path)] == [
        "#there",
        "nowhere.md",
        "no.png",
    ]
    assert anchors(DOCS / "method.md") >= {"tests", "many-tests"}
    assert slug("`design.sessions[]`") == "designsessions"
    assert any(name == "tutorial.md" for _, name in links(DOCS / "index.md"))


def test_every_page_is_in_the_site() -> None:
    text = (DOCS / "index.md").read_text(encoding="utf-8")
    listed = {
        line
        for tree in TOCTREE.findall(text)
        for line in tree.splitlines()
        if line and not line.startswith(":")
    }
    there = {
        p.relative_to(DOCS).with_suffix("").as_posix() for p in pages() if p.is_relative_to(DOCS)
    }
    assert listed == there - {"index"}
