"""Small pictures for the page on figures, from the report of the demo: ``make docs-figures``."""

from __future__ import annotations

import sys
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
_WIDEST, _TALLEST = 760, 900
_COLOURS = 96


def shrink(source: Path, target: Path) -> None:
    """Write a picture small enough for a page, with few colours."""
    with Image.open(source) as picture:
        small = picture.convert("RGB")
        small.thumbnail((_WIDEST, _TALLEST), Image.Resampling.LANCZOS)
        small.quantize(_COLOURS, dither=Image.Dither.NONE).save(target, optimize=True)


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


if __name__ == "__main__":
    main(Path(sys.argv[1]))
