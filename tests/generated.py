"""Studies made by the demo generator, for any test to import."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent


def generator() -> Any:
    """Return the module of the demo generator."""
    spec = importlib.util.spec_from_file_location("generate", ROOT / "demo_data" / "generate.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["generate"] = module
    spec.loader.exec_module(module)
    return module


SMALL_CLASSES = """\
classes:
  target: treatment
  max_components: 3
  folds: {outer: 3, repeats: 2}
  n_permutations: 19
  seed: 11
"""


def shrink(study: Path) -> None:
    """Make the settings of a generated study cheap, so that a test can run it in seconds."""
    path = study / "study.yaml"
    head, _, _ = path.read_text(encoding="utf-8").partition("\nclasses:")
    head = head.replace("n_draws: 9999", "n_draws: 99")
    text = head + "\n" + SMALL_CLASSES + "report: {language: en, figures: [svg]}\n"
    path.write_text(text, encoding="utf-8")
