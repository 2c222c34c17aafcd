"""The figures that a report leaves behind, as files and as a notebook shows them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

CAPTIONS = "captions.txt"
_FORMS = ("svg", "png")


@dataclass(frozen=True)
class Figure:
    """One figure at publication size; a notebook shows it as the value of a cell.

    Attributes
    ----------
    name
        File name without ending.
    caption
        Heading, and what n, error bars and adjustment are.
    files
        Form (``svg``, ``png``) -> file.
    """

    name: str
    caption: str
    files: Mapping[str, Path]

    def _repr_mimebundle_(self, **_options: Any) -> dict[str, str | bytes]:
        """Return the drawing and its caption as Jupyter asks for them."""
        bundle: dict[str, str | bytes] = {"text/plain": f"{self.name}: {self.caption}"}
        if "svg" in self.files:
            bundle["image/svg+xml"] = self.files["svg"].read_text(encoding="utf-8")
        elif "png" in self.files:
            bundle["image/png"] = self.files["png"].read_bytes()
        return bundle


def read_figures(folder: Path) -> dict[str, Figure]:
    """Return name -> figure of ``results/figures``, in the order of the report.

    Parameters
    ----------
    folder
        The folder of the figures; one that does not exist holds none.
    """
    listed = folder / CAPTIONS
    if not listed.is_file():
        return {}
    drawn = {path.stem for path in folder.iterdir() if path.suffix[1:] in _FORMS}
    captions = _captions(listed.read_text(encoding="utf-8"), drawn)
    return {name: Figure(name, caption, _files(folder, name)) for name, caption in captions.items()}


def _files(folder: Path, name: str) -> dict[str, Path]:
    paths = {form: folder / f"{name}.{form}" for form in _FORMS}
    return {form: path for form, path in paths.items() if path.is_file()}


def _captions(text: str, names: set[str]) -> dict[str, str]:
    """Return name -> caption: a line that is the name of a figure begins its caption."""
    found: dict[str, list[str]] = {}
    lines: list[str] = []
    for line in text.splitlines():
        if line in names:
            lines = found.setdefault(line, [])
        else:
            lines.append(line)
    return {name: "\n".join(told).strip() for name, told in found.items()}
