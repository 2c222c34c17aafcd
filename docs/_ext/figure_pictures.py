"""Small pictures of the report of the demo and of its figures: ``make docs-figures``."""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from PIL import Image

PICTURES = Path(__file__).parent.parent / "figures"
SHOWN = (
    "answer",
    "signal_to_noise",
    "whites_over_time",
    "scans_at_fault",
    "replicates",
    "spectra_by_group",
    "primary_index",
    "effect_sizes",
    "spectrum_difference",
    "sensitivity",
    "residuals",
    "taken_for",
    "class_weights",
    "accuracy_by_latent_variables",
    "confusion_matrices",
    "loadings",
    "importance",
    "rivals",
    "permutation",
    "reliability",
    "variance_shares",
    "detectable_difference",
)
"""Names of the figures that the page shows."""
PAGE = Path(__file__).parent.parent / "report.png"
"""The first screens of the report, for the README."""
_WIDEST, _TALLEST = 760, 900
_PAGE_WIDTH, _PAGE_HEIGHT = 1200, 1500
_COLOURS = 96


def shrink(source: Path, target: Path) -> None:
    """Write a picture small enough for a page, with few colours."""
    with Image.open(source) as picture:
        small = picture.convert("RGB")
        small.thumbnail((_WIDEST, _TALLEST), Image.Resampling.LANCZOS)
        small.quantize(_COLOURS, dither=Image.Dither.NONE).save(target, optimize=True)


def picture_of_page(report: Path, target: Path) -> None:
    """Write a picture of the top of the report as Chromium shows it, with few colours.

    Parameters
    ----------
    report
        ``report.html``, with its figures beside it.
    target
        PNG.

    Raises
    ------
    SystemExit
        If there is no Chromium on this machine.
    """
    from playwright.sync_api import sync_playwright

    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        raise SystemExit(f"{target.name} needs Chromium: it was not found, the picture stays.")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": _PAGE_WIDTH, "height": _PAGE_HEIGHT})
        page.goto(report.resolve().as_uri())
        page.locator("html[data-live=drawn]").wait_for(state="attached", timeout=90_000)
        shot = Path(folder) / "page.png"
        page.screenshot(path=shot)
        browser.close()
        with Image.open(shot) as picture:
            # Coverage keeps the few coloured points, which the median cut would dull.
            few = picture.convert("RGB").quantize(
                _COLOURS, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE
            )
            few.save(target, optimize=True)


def main(study: Path) -> None:
    """Write every picture anew.

    Parameters
    ----------
    study
        The demo study, run.
    """
    PICTURES.mkdir(exist_ok=True)
    for name in SHOWN:
        shrink(study / "results" / "figures" / f"{name}.png", PICTURES / f"{name}.png")
    picture_of_page(study / "results" / "report.html", PAGE)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
