"""Text and lines of the page stand out from what is behind them, in light and in dark.

References
----------
W3C, Web Content Accessibility Guidelines 2.2: relative luminance and contrast ratio; success
criteria 1.4.3 (text at least 4.5 to 1) and 1.4.11 (graphics at least 3 to 1).
"""

from __future__ import annotations

import re
from itertools import product
from pathlib import Path

import pytest

import leafledger.review

CSS = (Path(leafledger.review.__file__).parent / "static/review.css").read_text()
LIGHT, DARK = (
    dict(re.findall(r"--([a-z0-9-]+):(#[0-9a-f]+)", part))
    for part in CSS.split("*{box-sizing")[0].split("@media")
)
TEXT = [
    *product(("ink", "soft"), ("paper", "card", "tint")),
    ("leaf", "card"),
    ("paper", "leaf"),
    ("paper", "ink"),
    ("leaf", "tint"),
    ("warn", "warn-tint"),
    ("warn", "card"),
    ("warn", "paper"),
    ("ink", "warn-tint"),
    ("bad", "bad-tint"),
    ("ink", "bad-tint"),
]
LINES = [
    *product([f"c{k}" for k in range(7)], ("card", "out")),
    ("line", "card"),
    ("leaf", "paper"),
]


def luminance(colour: str) -> float:
    digits = colour[1:] if len(colour) == 7 else "".join(2 * c for c in colour[1:])
    parts = [int(digits[k : k + 2], 16) / 255 for k in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def ratio(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_ratio_is_that_of_the_standard() -> None:
    assert ratio("#fff", "#000") == pytest.approx(21)
    # #767676 on white is widely quoted as the lightest grey that passes (from memory).
    assert ratio("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_text_and_lines_stand_out(colours: dict[str, str]) -> None:
    found = {(a, b): ratio(colours[a], colours[b]) for a, b in [*TEXT, *LINES]}
    assert {k: r for k, r in found.items() if k in TEXT and r < 4.5} == {}
    assert {k: r for k, r in found.items() if r < 3} == {}
