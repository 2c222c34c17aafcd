"""Figures are drawn once, side by side, and only if they changed; what is kept is checked."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.ticker import FuncFormatter

from leafledger.platforms import CORES_VARIABLE
from leafledger.records.store import DRAWINGS, MOST_PARTS_BYTES, KeptFiles, trim_parts
from leafledger.report import drawing
from leafledger.report.drawing import Order, built_bytes, draw_all, draw_for_page
from leafledger.report.figures import STYLE, FigureSet, new_figure


def percent(value: float, _place: int | None) -> str:
    return f"{value:g} %"


def built(height: float = 1.0, label: str = "leaf", power: int = 0) -> Any:
    with mpl.rc_context(STYLE):
        figure = new_figure(5.0, 3.0)
        left, right = figure.subplots(1, 2, sharey=True)
        left.plot([0, 1, 2], np.array([0.2, 0.5, height]) * 10.0**power, label=label)
        left.set_ylabel("reflectance")
        left.set_xlabel("wavelength (nm)")
        right.imshow(np.arange(9.0).reshape(3, 3), aspect="auto")
        right.xaxis.set_major_formatter(FuncFormatter(percent))
        figure.legend(loc="outside upper left")
    return figure


def orders(n: int) -> list[Order]:
    return [Order(built(1.0 + k), STYLE, draw_for_page, (True,)) for k in range(n)]


def as_before(figure: Any) -> dict[str, bytes]:
    """Draw as the report did when each form sought its ticks and measured its texts anew."""
    with mpl.rc_context(STYLE), pytest.MonkeyPatch.context() as patch:
        patch.setattr(drawing, "hold_ticks", lambda figure: None)
        patch.setattr(drawing, "_no_boxes", None)
        drawing._lay_out_once(figure)
        for part in figure.axes:
            for axis in (part.xaxis, part.yaxis):
                axis.__dict__.pop("_get_ticklabel_bboxes", None)
        svg = drawing.svg_bytes(figure)
        from matplotlib.backends.backend_agg import FigureCanvasAgg

        return {"svg": svg, "png": drawing.png_bytes(figure, FigureCanvasAgg(figure), 200)}


@pytest.mark.parametrize("power", [0, 7, -7])
def test_ticks_sought_and_texts_measured_once_change_no_byte(power: int) -> None:
    """matplotlib's own search and measuring, in each form, are the judge."""
    (ours,) = draw_all([Order(built(power=power), STYLE, draw_for_page, (True,))], None)
    assert dict(ours.files) == as_before(built(power=power))


@pytest.mark.parametrize("cores", ["1", "2", "4"])
def test_drawn_side_by_side_they_are_the_same_and_in_order(
    monkeypatch: pytest.MonkeyPatch, cores: str
) -> None:
    apart = [draw_all([order], None)[0].files for order in orders(3)]
    monkeypatch.setenv(CORES_VARIABLE, cores)
    together = [one.files for one in draw_all(orders(3), None)]
    assert together == apart
    assert len({one["svg"] for one in together}) == 3


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    drawn: list[Any] = []
    whole: Callable[[Order], Any] = drawing._drawn

    def noted(order: Order) -> Any:
        drawn.append(order)
        return whole(order)

    monkeypatch.setattr(drawing, "_drawn", noted)
    monkeypatch.setenv(CORES_VARIABLE, "1")
    return drawn


def test_only_what_changed_is_drawn_again(tmp_path: Path, counted: list[Any]) -> None:
    kept = KeptFiles(tmp_path, DRAWINGS)
    first = draw_all(orders(3), kept)
    assert len(counted) == 3
    again = draw_all(orders(3), kept)
    assert len(counted) == 3 and again == first
    changed = [*orders(2), Order(built(9.0), STYLE, draw_for_page, (True,))]
    assert draw_all(changed, kept)[:2] == first[:2]
    assert len(counted) == 4
    draw_all([Order(built(1.0), STYLE, draw_for_page, (False,))], kept)
    draw_all([Order(built(1.0), {**STYLE, "font.size": 9}, draw_for_page, (True,))], kept)
    assert len(counted) == 6, "what else is asked for, and the style, are part of the key"


@pytest.mark.parametrize("version", ["matplotlib", "pillow", "kiwisolver"])
def test_another_version_of_a_library_draws_anew(
    tmp_path: Path, counted: list[Any], monkeypatch: pytest.MonkeyPatch, version: str
) -> None:
    kept = KeptFiles(tmp_path, DRAWINGS)
    draw_all(orders(1), kept)
    known = drawing.version
    monkeypatch.setattr(drawing, "version", lambda name: "0" if name == version else known(name))
    draw_all(orders(1), kept)
    assert len(counted) == 2


def test_a_figure_that_calls_a_function_without_a_name_is_drawn_each_time(
    tmp_path: Path, counted: list[Any]
) -> None:
    kept = KeptFiles(tmp_path, DRAWINGS)
    for label in ("a", "b"):
        figure = built()
        figure.axes[0].xaxis.set_major_formatter(FuncFormatter(lambda x, _, label=label: label))
        (drawn,) = draw_all([Order(figure, STYLE, draw_for_page, (True,))], kept)
        assert f">{label}</text>".encode() in drawn.files["svg"]
    assert len(counted) == 2 and not list(kept.root.glob("??/*"))


def test_the_code_of_a_function_that_a_figure_calls_is_part_of_the_key(
    tmp_path: Path, counted: list[Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    from leafledger.report.trust import _plain_number

    def figure() -> Any:
        found = built()
        found.axes[0].xaxis.set_major_formatter(FuncFormatter(_plain_number))
        return found

    kept = KeptFiles(tmp_path, DRAWINGS)
    draw_all([Order(figure(), STYLE, draw_for_page, (True,))], kept)
    known = drawing.digest_of_modules
    monkeypatch.setattr(
        drawing,
        "digest_of_modules",
        lambda module: "edited" if module == "leafledger.report.trust" else known(module),
    )
    draw_all(orders(1), kept)
    assert len(counted) == 2
    draw_all(orders(1), kept)
    assert len(counted) == 2, "the other figure calls no function of that module"
    draw_all([Order(figure(), STYLE, draw_for_page, (True,))], kept)
    assert len(counted) == 3


@pytest.mark.slow
def test_a_built_figure_has_the_same_bytes_in_another_process() -> None:
    script = (
        "import hashlib, test_drawing as t\n"
        "from leafledger.report.drawing import Order, built_bytes\n"
        "print(hashlib.sha256(built_bytes(Order(t.built(), t.STYLE, len))).hexdigest())\n"
    )
    found = {
        subprocess.run(
            [sys.executable, "-c", script],
            env={**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(Path(__file__).parent)},
            check=True,
            capture_output=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(found) == 1


def test_a_figure_that_differs_in_one_number_or_letter_has_other_bytes() -> None:
    known = {
        built_bytes(Order(figure, STYLE, draw_for_page))
        for figure in (built(), built(1.0 + 1e-12), built(label="leaf "), built(power=1))
    }
    assert len(known) == 4


# What is kept is used only as it was written.
# ----------------------------------------------------------------------


def only_file(kept: KeptFiles) -> Path:
    (path,) = kept.root.glob("??/*")
    return path


KEY = "ab" * 32


@pytest.mark.parametrize(
    "damage",
    [
        lambda content: content[:-1],
        lambda content: content + b"x",
        lambda content: content.replace(b"PNG", b"GIF"),
        lambda content: b"",
        lambda content: content.replace(b'"svg",3', b'"svg",2'),
        lambda content: b"0" * 64 + content[64:],
    ],
)
def test_a_drawing_that_was_damaged_or_edited_is_thrown_away(
    tmp_path: Path, damage: Callable[[bytes], bytes]
) -> None:
    kept = KeptFiles(tmp_path, DRAWINGS)
    kept.put(KEY, {"svg": b"SVG", "png": b"PNG"})
    assert kept.get(KEY) == {"svg": b"SVG", "png": b"PNG"}
    path = only_file(kept)
    before = path.read_bytes()
    path.write_bytes(damage(before))
    assert path.read_bytes() != before
    assert kept.get(KEY) is None
    assert not path.exists()


def test_a_drawing_under_the_key_of_another_is_not_used(tmp_path: Path) -> None:
    kept = KeptFiles(tmp_path, DRAWINGS)
    kept.put(KEY, {"svg": b"SVG"})
    other = "cd" * 32
    place = kept.root / other[:2] / other
    place.parent.mkdir(parents=True)
    only_file(kept).rename(place)
    assert kept.get(other) is None and kept.get(KEY) is None


def test_the_longest_unused_go_first_and_clean_bounds_every_kind(tmp_path: Path) -> None:
    kept = KeptFiles(tmp_path, DRAWINGS)
    keys = [f"{k:02x}" * 32 for k in range(3)]
    for age, key in enumerate(keys):
        kept.put(key, {"svg": bytes(1000)})
        os.utime(kept.root / key[:2] / key, (1e9 + age, 1e9 + age))
    assert kept.get(keys[0]) is not None  # used now, so that it is the youngest
    kept.trim(2500)
    assert [kept.get(key) is not None for key in keys] == [True, False, True]
    assert 2000 < trim_parts(tmp_path, MOST_PARTS_BYTES) < 2500
    assert trim_parts(tmp_path, 0) == 0 and kept.get(keys[0]) is None


def test_a_set_of_figures_uses_what_is_kept(tmp_path: Path, counted: list[Any]) -> None:
    def page() -> FigureSet:
        figures = FigureSet(["svg"], KeptFiles(tmp_path, DRAWINGS))
        figures.add(built(), "one", "One", "Lines", "n = 3.")
        figures.add(built(label="\u6c34"), "two", "Two", "Lines", "n = 3.")
        return figures

    first, second = page(), page()
    assert first.files == second.files and len(counted) == 2
    assert first.captions() == second.captions()
    assert "lacks \u6c34" in second.figures[1].caption
    assert "lacks" not in second.figures[0].caption
    assert second.figures[0].markup == first.figures[0].markup
