"""The document of the paper kit: read back as a word processor reads it, the same every time."""

from __future__ import annotations

import io
import re
import zipfile
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import docx
import pytest
from docx.shared import Mm
from PIL import Image

from leafledger.ledger.paper_document import Paper, paper_tex, size_mm, write_docx
from leafledger.ledger.paper_tables import PaperTable
from leafledger.report.journal_figures import Drawn
from leafledger.report.works import WORKS, cite

W = "{http://schemas.openxmlformats.org/wordprocessingml/2006/main}"


def figure(name: str, heights_mm: dict[int, float], caption: str = "A line.") -> Drawn:
    """Return a figure whose pictures have the given heights at 600 dots per inch."""
    files = {}
    for width, height in heights_mm.items():
        png = io.BytesIO()
        size = (round(width / 25.4 * 600), round(height / 25.4 * 600))
        Image.new("RGB", size, "white").save(png, "PNG")
        files[width] = {"png": png.getvalue(), "pdf": b"%PDF", "svg": b"<svg/>"}
    return Drawn(name, f"Title of {name}", caption, f"Words of {name}", files)


MEANS = PaperTable(
    "means",
    f"Means, adjusted{cite('holm1979')}.",
    "lrp{42mm}",
    ["Index", "Mean", "Where"],
    [["CI_rededge", "\N{MINUS SIGN}0.12", "so many words " * 20], ["NDVI (nm)", "< 0.0001", ""]],
)
PAPER = Paper(
    title="Iron & water",
    authors=["A. Grower", "B. & Co"],
    state="",
    methods=[("Design", "24 plants."), ("Statistics", f"Welch t{cite('welch1947')}.")],
    results=["From d0 to d8 it rose by 5 %.", "`leafledger verify` agrees."],
    statements=[("Data availability", f"SHA-256 {'0f' * 32} is the end.")],
    figures=[figure("answer", {85: 60.0, 180: 90.0})],
    tables=[MEANS],
    more_figures=[figure("residuals", {180: 80.0})],
    more_tables=[PaperTable("few", "Few.", "lr", ["Index", "n"], [["NDVI", "12"]])],
    works={key: WORKS[key] for key in ("welch1947", "holm1979")},
    checklist=PaperTable("checklist", "Asked.", "ll", ["Item", "State"], [["n", "given"]]),
    started="2026-12-01T00:36:10.661+00:00",
)


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the document of the invented paper."""
    path = tmp_path_factory.mktemp("document") / "paper.docx"
    write_docx(path, PAPER)
    return path


def test_the_document_has_every_part_in_order(written: Path) -> None:
    document = docx.Document(str(written))
    headings = [p.text for p in document.paragraphs if p.style.name.startswith("Heading")]
    assert headings == [
        "Methods", "Design", "Statistics", "Results", "Data availability", "References",
        "Appendix", "Checklist of reporting guidelines",
    ]  # fmt: skip
    texts = [p.text for p in document.paragraphs]
    assert texts[0] == "Iron & water" and texts[1] == "A. Grower, B. & Co"
    assert "Welch t (Welch 1947)." in texts
    assert "leafledger verify agrees." in texts
    references = [p.text for p in document.paragraphs if p.style.name == "Reference"]
    assert [text.partition(" (")[0] for text in references] == ["Holm", "Welch"]
    assert references[0].endswith("Scandinavian Journal of Statistics 6, 65-70.")
    assert "\ue000" not in "".join(texts)


def test_tables_hold_their_cells_and_repeat_their_heading(written: Path) -> None:
    document = docx.Document(str(written))
    assert len(document.tables) == 3
    first = document.tables[0]
    cells = [[cell.text for cell in row.cells] for row in first.rows]
    assert cells == [list(MEANS.heading), *map(list, MEANS.rows)]
    heads = [row._tr.find(f"{W}trPr/{W}tblHeader") is not None for row in first.rows]
    assert heads == [True, False, False]
    assert all(row._tr.find(f"{W}trPr/{W}cantSplit") is not None for row in first.rows)
    # The widths stand in the grid and in the cells: one word processor reads one, one the other.
    widths = [width + 1.5 for width in MEANS.widths_mm]
    assert [column.width for column in first.columns] == [pytest.approx(Mm(w), rel=0.01)
                                                         for w in widths]  # fmt: skip
    assert first.cell(1, 0).width == pytest.approx(Mm(widths[0]), rel=0.01)


def test_captions_are_numbered_by_fields(written: Path) -> None:
    with zipfile.ZipFile(written) as content:
        body = ElementTree.fromstring(content.read("word/document.xml"))
    fields = [
        (field.get(f"{W}instr"), "".join(field.itertext())) for field in body.iter(f"{W}fldSimple")
    ]
    assert [shown for code, shown in fields if code and "SEQ Figure" in code] == ["1", "2"]
    assert [shown for code, shown in fields if code and "SEQ Table" in code] == ["1", "2", "3"]
    captions = ["".join(p.itertext()) for p in body.iter(f"{W}p")]
    assert "Figure 1. Title of answer. A line." in captions
    assert "Table 1. Means, adjusted (Holm 1979)." in captions


def test_figures_stand_at_their_own_width_with_words_for_who_cannot_see_them(
    written: Path,
) -> None:
    document = docx.Document(str(written))
    shapes = list(document.inline_shapes)
    assert [shape.width for shape in shapes] == [
        pytest.approx(Mm(85), rel=0.01), pytest.approx(Mm(180), rel=0.01)
    ]  # fmt: skip
    assert [shape._inline.docPr.get("descr") for shape in shapes] == [
        "Words of answer", "Words of residuals"
    ]  # fmt: skip


def test_the_same_paper_gives_the_same_bytes_and_no_hour_of_writing(
    written: Path, tmp_path: Path
) -> None:
    again = tmp_path / "again.docx"
    write_docx(again, PAPER)
    assert again.read_bytes() == written.read_bytes()
    with zipfile.ZipFile(written) as content:
        assert {member.date_time for member in content.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        core = content.read("docProps/core.xml").decode("utf-8")
    assert set(re.findall(r"\d{4}-\d\d-\d\dT[\d:]+", core)) == {"2026-12-01T00:36:10"}
    assert "A. Grower; B. &amp; Co" in core and "python-docx" not in core
    assert [path.name for path in tmp_path.iterdir()] == ["again.docx"]


def test_an_unfinished_study_says_so_below_its_title(tmp_path: Path) -> None:
    coming = replace(PAPER, state="Not finished: still to be measured: day12.", authors=[])
    write_docx(tmp_path / "paper.docx", coming)
    texts = [p.text for p in docx.Document(str(tmp_path / "paper.docx")).paragraphs]
    assert texts[1:3] == ["[authors]", "Not finished: still to be measured: day12."]
    assert "still to be measured: day12" in paper_tex(coming).partition("Methods")[0]


def test_a_tall_figure_leaves_room_for_its_caption() -> None:
    assert size_mm(figure("low", {85: 60.0, 180: 90.0}), 240.0)[0] == 85
    width, height = size_mm(figure("tall", {85: 235.0, 180: 120.0}), 240.0)
    assert (width, round(height)) == (180, 120)
    # 2000 letters are 20 lines of 4.3 mm: with 9 mm around them, 145 mm are left.
    width, height = size_mm(figure("both", {85: 230.0, 180: 200.0}, "x" * 1985), 240.0)
    assert (width, round(height, 1)) == (180, 145.0)


def test_latex_has_each_table_figure_and_a_digest_that_may_be_broken() -> None:
    text = paper_tex(PAPER)
    assert r"\subsection*{Statistics}" in text and r"\cite{welch1947}" in text
    assert text.index(r"\input{tables/means.tex}") < text.index(r"\appendix")
    assert text.index(r"\appendix") < text.index(r"\input{tables/few.tex}")
    assert re.search(r"\\includegraphics\[height=60\.0mm\]\{figures/85mm/answer\.pdf\}", text)
    assert r"0f0f0f0f\allowbreak 0f0f0f0f" in text
    table = MEANS.as_tex()
    heads = table.count(r"Index & Mean & Where \\")
    assert heads == 2 and table.index(r"\endfirsthead") < table.index(r"\endhead")
    assert table.count(r"\label{tab:means}") == 1
    assert table.index(r"\label") < table.index(r"\endfirsthead")


def test_no_table_is_wider_than_the_text_and_numbers_stay_whole() -> None:
    words = "so many words " * 20
    wide = PaperTable("a", "", "llrr", ["A", "B", "n", "p"], [[words, words, "12 + 12", "0.00012"]])
    widths = wide.widths_mm
    assert sum(widths) + 4 * 1.5 == pytest.approx(180.0)
    # A number of seven signs at 1.55 mm each, and a millimetre.
    assert widths[2] == pytest.approx(7 * 1.55 + 1.0) == widths[3]
