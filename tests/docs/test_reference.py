"""The generated pages say what models, tables and commands say now, and tables are as they say."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from docs.markdown_pages import DOCS, anchors, links
from leafledger.study.definition import Definition

sys.path.insert(0, str(DOCS / "_ext"))

import reference_pages
import study_file_page
from check_site import fetched, fetched_by_page, fetched_by_style


@pytest.mark.parametrize("path", list(reference_pages.pages()), ids=lambda p: p.name)
def test_a_generated_page_is_current(path: Path) -> None:
    assert path.read_text(encoding="utf-8") == reference_pages.pages()[path], (
        "renew it: make reference"
    )


def models(model: type[BaseModel], seen: set[type]) -> Iterator[type[BaseModel]]:
    seen.add(model)
    yield model
    for field in model.model_fields.values():
        for one in arguments(field.annotation):
            if isinstance(one, type) and issubclass(one, BaseModel) and one not in seen:
                yield from models(one, seen)


def arguments(annotation: Any) -> Iterator[Any]:
    yield annotation
    for inner in getattr(annotation, "__args__", ()):
        yield from arguments(inner)


def test_every_key_is_described_once() -> None:
    text = (DOCS / "reference/study_file.md").read_text(encoding="utf-8")
    known = list(models(Definition, set()))
    assert len(known) > 20
    for model in known:
        for name, field in model.model_fields.items():
            inner = [
                a
                for a in arguments(field.annotation)
                if isinstance(a, type) and issubclass(a, BaseModel)
            ]
            assert field.description or inner, f"{model.__name__}.{name} has no description"
    n_keys = sum(len(model.model_fields) for model in known)
    rows = [line for line in text.splitlines() if line.startswith("| `")]
    assert len(rows) == n_keys
    assert all(len(row.replace("\\|", "").split("|")) == 6 for row in rows)


def test_links_between_sections_lead_somewhere() -> None:
    page = DOCS / "reference/study_file.md"
    targets = {target[1:] for _, target in links(page) if target.startswith("#")}
    assert len(targets) > 20
    assert targets <= anchors(page)
    assert study_file_page.slug("design.sessions[]") == "designsessions"


def test_a_page_that_loads_from_a_network_is_found(tmp_path: Path) -> None:
    bad = [
        '<script src="https://elsewhere.invalid/x.js"></script>',
        '<link rel="stylesheet" href="//elsewhere.invalid/x.css">',
        '<img srcset="a.png 1x, https://elsewhere.invalid/b.png 2x">',
        "<style>@import 'https://elsewhere.invalid/x.css';</style>",
        '<p style="background: url(http://elsewhere.invalid/x.png)">x</p>',
    ]
    for text in bad:
        assert fetched_by_page(text), text
    assert fetched_by_style("@font-face { src: url('https://elsewhere.invalid/f.woff2') }")
    assert not fetched_by_page('<a href="https://elsewhere.invalid">x</a><img src="a//b.png">')
    (tmp_path / "in").mkdir()
    (tmp_path / "in/page.html").write_text(bad[0], encoding="utf-8")
    assert len(fetched(tmp_path)) == 1
