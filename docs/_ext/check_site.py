"""Refuse a built site that would load anything from a network: ``check_site.py FOLDER``."""

from __future__ import annotations

import re
import sys
from html.parser import HTMLParser
from pathlib import Path

LOADED = {
    "audio": ("src",),
    "embed": ("src",),
    "iframe": ("src",),
    "image": ("href", "xlink:href"),
    "img": ("src", "srcset"),
    "input": ("src",),
    "link": ("href",),
    "object": ("data",),
    "script": ("src",),
    "source": ("src", "srcset"),
    "track": ("src",),
    "use": ("href", "xlink:href"),
    "video": ("src", "poster"),
}
"""Element -> attributes whose file a browser fetches by itself; a link to click on is none."""
_ELSEWHERE = re.compile(r"(?:^|[\s,])(?:https?:)?//", re.IGNORECASE)
_IN_STYLE = re.compile(
    r"""(?:url\(\s*['"]?|@import\s+['"]?)((?:https?:)?//[^'")\s]+)""", re.IGNORECASE
)


class _Page(HTMLParser):
    """Collects what a page would fetch from elsewhere."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Look at the attributes of one element."""
        for name, value in attrs:
            if name in LOADED.get(tag, ()) and value and _ELSEWHERE.search(value):
                self.found.append(f"<{tag} {name}={value}>")
            if name == "style" and value:
                self.found += _IN_STYLE.findall(value)


def fetched_by_page(html: str) -> list[str]:
    """Return what a page would fetch from another host."""
    page = _Page()
    page.feed(html)
    styles = re.findall(r"<style[^>]*>(.*?)</style>", html, re.DOTALL | re.IGNORECASE)
    return [*page.found, *(url for text in styles for url in _IN_STYLE.findall(text))]


def fetched_by_style(css: str) -> list[str]:
    """Return what a style sheet would fetch from another host."""
    return _IN_STYLE.findall(css)


def fetched(site: Path) -> list[str]:
    """Return ``file: address`` of everything that the site would fetch from another host."""
    looked_at = {".html": fetched_by_page, ".css": fetched_by_style}
    return [
        f"{path.relative_to(site)}: {address}"
        for path in sorted(site.rglob("*"))
        if path.suffix in looked_at
        for address in looked_at[path.suffix](path.read_text(encoding="utf-8"))
    ]


if __name__ == "__main__":
    faults = fetched(Path(sys.argv[1]))
    if faults:
        sys.exit("The site would load from a network:\n" + "\n".join(faults))
