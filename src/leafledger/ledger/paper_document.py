"""How does the paper look as one document, in LaTeX and for a word processor?

Both are made of the same :class:`Paper`: methods, results, figures, tables, statements on data and
code, and an appendix. LaTeX cites by key; the document for a word processor cites by author and
year, and holds the list of references and the checklist besides. Its headings, captions and
headings of tables are those of the word processor, so that contents, numbering and repeated
headings work in it.

The same paper gives the same bytes: nothing in the file says when or where it was written.
"""

from __future__ import annotations

import io
import math
import re
import struct
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from leafledger.ledger.paper_tables import BETWEEN_MM, PaperTable
from leafledger.report.journal_figures import Drawn
from leafledger.report.works import Work, tex, with_short_citations, without_code_marks
from leafledger.study.table_files import whole_file

if TYPE_CHECKING:
    from docx.document import Document
    from docx.table import _Cell
    from docx.text.paragraph import Paragraph

# What a paper consists of.
# ----------------------------------------------------------------------

FIGURES, TABLES, BIBLIOGRAPHY = "figures", "tables", "references.bib"
"""Folders of the kit, and its BibTeX file."""


@dataclass(frozen=True)
class Paper:
    """The parts of a paper in the order of the page; texts may hold marks of works.

    Attributes
    ----------
    title, authors
        The authors as given, none if none were.
    state
        What the reader has to know first, such as sessions still to come; empty for nothing.
    methods
        Heading and text of every part.
    results
        Paragraphs.
    statements
        Heading and text: availability of data and code.
    figures, tables
        Those of the body.
    more_figures, more_tables
        Those of the appendix.
    works
        Key -> every work that a text or table marks.
    checklist
        A heading and rows of text.
    started
        When the run began, ISO 8601: the date of the document.
    """

    title: str
    authors: Sequence[str]
    state: str
    methods: Sequence[tuple[str, str]]
    results: Sequence[str]
    statements: Sequence[tuple[str, str]]
    figures: Sequence[Drawn]
    tables: Sequence[PaperTable]
    more_figures: Sequence[Drawn]
    more_tables: Sequence[PaperTable]
    works: Mapping[str, Work]
    checklist: PaperTable
    started: str


# In LaTeX.
# ----------------------------------------------------------------------

_HEAD = r"""% Made by leafledger from the book of runs.
% Compile: pdflatex paper, bibtex paper, pdflatex paper twice; lualatex for names in other scripts.
\documentclass[10pt]{article}
\usepackage[a4paper,textwidth=180mm,textheight=240mm]{geometry}
\usepackage{iftex}
\ifPDFTeX\usepackage[T1]{fontenc}\usepackage[utf8]{inputenc}\usepackage{textcomp,lmodern}\else\usepackage{fontspec}\fi
\usepackage{graphicx,array,booktabs,longtable}
\setlength{\LTcapwidth}{\textwidth}
\setlength{\emergencystretch}{3em}
"""


def paper_tex(paper: Paper) -> str:
    """Return the document in LaTeX: figures and tables are read from the files beside it."""
    authors = r" \and ".join(tex(name) for name in paper.authors) or "[authors]"
    parts = [
        _HEAD,
        rf"\title{{{tex(paper.title)}}}",
        rf"\author{{{authors}}}",
        r"\date{}",
        r"\begin{document}",
        r"\maketitle",
        *([f"{tex(paper.state)}\n"] if paper.state else []),
        r"\section*{Methods}",
        *(rf"\subsection*{{{tex(name)}}}" + f"\n{tex(text)}\n" for name, text in paper.methods),
        r"\section*{Results}",
        *(f"{tex(paragraph)}\n" for paragraph in paper.results),
        *map(_figure_tex, paper.figures),
        *(rf"\input{{{TABLES}/{table.name}.tex}}" for table in paper.tables),
        r"\clearpage",  # no figure floats into the references
        *(
            rf"\section*{{{tex(name)}}}" + f"\n{_breakable(tex(text))}"
            for name, text in paper.statements
        ),
        r"\bibliographystyle{plain}",
        rf"\bibliography{{{BIBLIOGRAPHY.removesuffix('.bib')}}}",
        r"\clearpage",
        r"\appendix",
        r"\section*{Appendix}",
        *(rf"\input{{{TABLES}/{table.name}.tex}}" for table in paper.more_tables),
        *map(_figure_tex, paper.more_figures),
        r"\end{document}",
    ]
    return "\n".join(parts) + "\n"


def _figure_tex(drawn: Drawn) -> str:
    width, height = size_mm(drawn, _TEXT_MM)
    return "\n".join(
        [
            r"\begin{figure}[htbp]\centering",
            rf"\includegraphics[height={height:.1f}mm]{{{FIGURES}/{width}mm/{drawn.name}.pdf}}",
            rf"\caption{{\textbf{{{tex(_titled(drawn))}}} {tex(drawn.caption)}}}",
            rf"\label{{fig:{drawn.name}}}",
            r"\end{figure}",
        ]
    )


def _titled(drawn: Drawn) -> str:
    return drawn.title if drawn.title.endswith("?") else f"{drawn.title}."


_SHA256 = re.compile("[0-9a-f]{64}")


def _breakable(text: str) -> str:
    """Return LaTeX in which a digest may be broken after every eighth sign."""
    return _SHA256.sub(lambda found: r"\allowbreak ".join(_eighths(found[0])), text)


def _eighths(digest: str) -> list[str]:
    return [digest[start : start + 8] for start in range(0, len(digest), 8)]


# How large is a figure with its caption, so that both stand on one page?
# ----------------------------------------------------------------------

_TEXT_MM: Final = 240.0
"""Height of the text of a page, in both documents."""
_CAPTION_LETTERS, _CAPTION_LINE_MM, _CAPTION_MM = 105, 4.3, 9.0
"""Letters and height of a line of a caption as wide as the text, and the room around it."""


def size_mm(drawn: Drawn, room_mm: float) -> tuple[int, float]:
    """Return the width at which a figure is taken, and its height in millimetres.

    The narrowest that leaves room for its caption on the page is taken; where none does, the
    least tall, made smaller.
    """
    lines = math.ceil((len(drawn.title) + len(drawn.caption)) / _CAPTION_LETTERS)
    room = room_mm - _CAPTION_MM - _CAPTION_LINE_MM * lines
    heights = {width: _height_mm(drawn, width) for width in sorted(drawn.files)}
    for width, height in heights.items():
        if height <= room:
            return width, height
    width = min(heights, key=lambda width: heights[width])
    return width, min(heights[width], room)


def _height_mm(drawn: Drawn, width_mm: int) -> float:
    """Return the height of a figure, read from the head of its PNG file."""
    png = drawn.files[width_mm]["png"]
    columns, rows = struct.unpack(">II", png[16:24])
    return width_mm * float(rows) / float(columns)


# For a word processor.
# ----------------------------------------------------------------------

_PAGE_MM: Final = (210.0, 297.0)
_MARGIN_MM: Final = (15.0, 25.0)
"""At the sides, so that a figure of 180 mm stands at its own width; above and below."""
_FONT, _POINTS, _TABLE_POINTS = "Times New Roman", 10.5, 8.0
_FIGURE_DPI: Final = 300
"""Resolution of the figures in the document; the files beside it have 600 dots per inch."""
_FIRST_DAY: Final = (1980, 1, 1, 0, 0, 0)
"""The earliest date that a ZIP file can hold."""


def write_docx(path: Path, paper: Paper) -> None:
    """Write the paper as Office Open XML, with figures, references and checklist in it."""
    import docx

    document = docx.Document()
    _set_up(document, paper)
    document.add_paragraph(paper.title, style="Title")
    document.add_paragraph(", ".join(paper.authors) or "[authors]", style="Subtitle")
    if paper.state:
        document.add_paragraph(_words(paper.state, paper), style="Intense Quote")
    document.add_heading("Methods", 1)
    for name, text in paper.methods:
        document.add_heading(name, 2)
        document.add_paragraph(_words(text, paper))
    document.add_heading("Results", 1)
    for text in paper.results:
        document.add_paragraph(_words(text, paper))
    numbers = {"Figure": 0, "Table": 0}
    _add_plates(document, paper, paper.tables, paper.figures, numbers)
    for name, text in paper.statements:
        document.add_heading(name, 1)
        document.add_paragraph(_words(text, paper))
    document.add_heading("References", 1)
    document.add_paragraph("Written down from memory: check each before you submit.")
    for line in _references(paper):
        document.add_paragraph(line, style="Reference")
    document.add_heading("Appendix", 1).paragraph_format.page_break_before = True
    _add_plates(document, paper, paper.more_tables, paper.more_figures, numbers)
    last = document.add_heading("Checklist of reporting guidelines", 1)
    last.paragraph_format.page_break_before = True
    document.add_paragraph("For the authors and the editor; it is no part of the paper.")
    _add_table(document, paper, paper.checklist, numbers)
    buffer = io.BytesIO()
    document.save(buffer)
    with whole_file(path) as part:
        part.write_bytes(_without_dates(buffer.getvalue()))


def _words(text: str, paper: Paper) -> str:
    return without_code_marks(with_short_citations(text, paper.works))


def _references(paper: Paper) -> Iterator[str]:
    """Yield the works by author and year; of an index without a work, nothing stands here."""
    for work in sorted(paper.works.values(), key=lambda work: (work.families, work.year)):
        if work.year:
            yield work.listed if work.listed.endswith(".") else f"{work.listed}."


def _set_up(document: Document, paper: Paper) -> None:
    """Set page, fonts, styles, page numbers and the properties of the file."""
    import datetime as dt

    from docx.enum.style import WD_STYLE_TYPE
    from docx.enum.text import WD_ALIGN_PARAGRAPH
    from docx.shared import Mm, Pt, RGBColor

    section = document.sections[0]
    section.page_width, section.page_height = (Mm(length) for length in _PAGE_MM)
    section.left_margin = section.right_margin = Mm(_MARGIN_MM[0])
    section.top_margin = section.bottom_margin = Mm(_MARGIN_MM[1])
    black = RGBColor(0, 0, 0)
    styles: Any = document.styles
    normal = styles["Normal"]
    normal.paragraph_format.space_after = Pt(6)
    normal.paragraph_format.line_spacing = 1.15
    reference = styles.add_style("Reference", WD_STYLE_TYPE.PARAGRAPH)
    reference.base_style = normal
    reference.paragraph_format.left_indent = Mm(6)
    reference.paragraph_format.first_line_indent = -Mm(6)
    sizes = {
        "Normal": _POINTS, "Title": 18, "Subtitle": 12, "Heading 1": 14, "Heading 2": 11.5,
        "Caption": 9, "Intense Quote": _POINTS, "Reference": 9.5,
    }  # fmt: skip
    for name, points in sizes.items():
        style = styles[name]
        _set_font(style)
        style.font.size = Pt(points)
        style.font.color.rgb = black
        style.font.italic = False
        style.font.bold = name in {"Title", "Heading 1", "Heading 2"}
    for rule in styles["Title"].element.xpath("w:pPr/w:pBdr"):
        rule.getparent().remove(rule)
    for name in ("Heading 1", "Heading 2"):
        styles[name].paragraph_format.space_before = Pt(12 if name == "Heading 1" else 8)
        styles[name].paragraph_format.space_after = Pt(3)
    styles["Caption"].paragraph_format.space_after = Pt(6)
    foot = section.footer.paragraphs[0]
    foot.alignment = WD_ALIGN_PARAGRAPH.CENTER
    _add_field(foot, "PAGE", "1")
    about = document.core_properties
    about.title, about.author = paper.title, "; ".join(paper.authors)
    about.last_modified_by, about.comments = "", "Made by leafledger from the book of runs."
    day = dt.datetime.fromisoformat(paper.started).replace(microsecond=0, tzinfo=None)
    about.created = about.modified = day
    about.revision, about.language = 1, "en"


def _set_font(style: Any) -> None:
    """Name the font for every script, so that no font of the theme stands in for it."""
    from docx.oxml.ns import qn

    style.font.name = _FONT
    fonts = style.element.get_or_add_rPr().get_or_add_rFonts()
    for script in ("asciiTheme", "hAnsiTheme", "eastAsiaTheme", "cstheme"):
        fonts.attrib.pop(qn(f"w:{script}"), None)
    for script in ("ascii", "hAnsi", "eastAsia", "cs"):
        fonts.set(qn(f"w:{script}"), _FONT)


def _add_field(paragraph: Paragraph, instruction: str, placeholder: str) -> None:
    """Add a field that the word processor can renew, with what it shows until then."""
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    field = OxmlElement("w:fldSimple")
    field.set(qn("w:instr"), instruction)
    run = OxmlElement("w:r")
    text = OxmlElement("w:t")
    text.text = placeholder
    run.append(text)
    field.append(run)
    paragraph._p.append(field)


def _add_plates(
    document: Document,
    paper: Paper,
    tables: Sequence[PaperTable],
    figures: Sequence[Drawn],
    numbers: dict[str, int],
) -> None:
    for drawn in figures:
        _add_figure(document, drawn, numbers)
    for table in tables:
        _add_table(document, paper, table, numbers)


def _add_caption(
    document: Document, kind: str, title: str, words: str, numbers: dict[str, int]
) -> Paragraph:
    """Add a caption with a number of its own, which the word processor keeps in order."""
    numbers[kind] += 1
    caption = document.add_paragraph(style="Caption")
    caption.add_run(f"{kind} ").bold = True
    _add_field(caption, f"SEQ {kind} \\* ARABIC", str(numbers[kind]))
    caption.add_run(". ").bold = True
    if title:
        caption.add_run(f"{title} ").bold = True
    caption.add_run(words)
    return caption


def _add_figure(document: Document, drawn: Drawn, numbers: dict[str, int]) -> None:
    """Add a figure at its own width, with its words for who cannot see it; its caption below."""
    from docx.enum.text import WD_ALIGN_PARAGRAPH
    from docx.shared import Mm

    width, height = size_mm(drawn, _TEXT_MM)
    paragraph = document.add_paragraph()
    paragraph.alignment = WD_ALIGN_PARAGRAPH.CENTER
    paragraph.paragraph_format.keep_with_next = True
    paragraph.paragraph_format.line_spacing = 1.0
    picture = paragraph.add_run().add_picture(
        io.BytesIO(_at_resolution(drawn.files[width]["png"])), height=Mm(height)
    )
    properties = picture._inline.docPr
    properties.set("name", drawn.name)
    properties.set("descr", drawn.alt)
    caption = _add_caption(document, "Figure", _titled(drawn), drawn.caption, numbers)
    caption.paragraph_format.keep_together = True


def _at_resolution(png: bytes) -> bytes:
    """Return a picture of the kit at the resolution of the document."""
    from PIL import Image

    from leafledger.report.journal_figures import DPI

    with Image.open(io.BytesIO(png)) as picture:
        size = tuple(round(side * _FIGURE_DPI / DPI) for side in picture.size)
        smaller = picture.convert("RGB").resize((size[0], size[1]), Image.Resampling.LANCZOS)
    out = io.BytesIO()
    few = smaller.quantize(256, Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    few.save(out, "PNG", dpi=(_FIGURE_DPI, _FIGURE_DPI))
    return out.getvalue()


def _add_table(
    document: Document, paper: Paper, table: PaperTable, numbers: dict[str, int]
) -> None:
    """Add a table with three rules; its heading is repeated on every page, no row is parted."""
    from docx.oxml import OxmlElement
    from docx.shared import Mm

    caption = _add_caption(document, "Table", "", _words(table.caption, paper), numbers)
    caption.paragraph_format.keep_with_next = True
    lines = [list(table.heading), *table.rows]
    word_table = document.add_table(rows=len(lines), cols=len(table.heading))
    word_table.autofit = False
    widths = table.widths_mm
    for column, width in zip(word_table.columns, widths, strict=True):
        column.width = Mm(width + BETWEEN_MM)
    _set_cell_margins(word_table)
    right = table.to_the_right
    # A row is asked for its cells once: python-docx looks them up anew at every call.
    for i, (row, line) in enumerate(zip(word_table.rows, lines, strict=True)):
        settings = row._tr.get_or_add_trPr()
        settings.append(OxmlElement("w:cantSplit"))
        if i == 0:
            settings.append(OxmlElement("w:tblHeader"))
        for j, (cell, text) in enumerate(zip(row.cells, line, strict=True)):
            _fill_cell(cell, _words(text, paper), widths[j], to_the_right=right[j], bold=i == 0)
            sides = {0: ("top", "bottom"), len(lines) - 1: ("bottom",)}.get(i, ())
            _add_rules(cell, sides)
    document.add_paragraph()


def _set_cell_margins(table: Any) -> None:
    """Set the room left and right of the text of every cell, so that two have BETWEEN_MM."""
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn
    from docx.shared import Mm

    margins = OxmlElement("w:tblCellMar")
    for side in ("left", "right"):
        margin = OxmlElement(f"w:{side}")
        margin.set(qn("w:w"), str(Mm(BETWEEN_MM / 2).twips))
        margin.set(qn("w:type"), "dxa")
        margins.append(margin)
    table._tbl.tblPr.append(margins)


def _fill_cell(cell: _Cell, text: str, width_mm: float, *, to_the_right: bool, bold: bool) -> None:
    from docx.enum.text import WD_ALIGN_PARAGRAPH
    from docx.shared import Mm, Pt

    cell.width = Mm(width_mm + BETWEEN_MM)
    paragraph = cell.paragraphs[0]
    paragraph.paragraph_format.space_after = Pt(1)
    paragraph.paragraph_format.line_spacing = 1.0
    if to_the_right:
        paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
    run = paragraph.add_run(text)
    run.font.size = Pt(_TABLE_POINTS)
    run.bold = bold


def _add_rules(cell: _Cell, sides: Sequence[str]) -> None:
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    if not sides:
        return
    borders = OxmlElement("w:tcBorders")
    for side in sides:
        rule = OxmlElement(f"w:{side}")
        for name, value in (("val", "single"), ("sz", "6"), ("space", "0"), ("color", "000000")):
            rule.set(qn(f"w:{name}"), value)
        borders.append(rule)
    cell._tc.get_or_add_tcPr().append(borders)


def _without_dates(content: bytes) -> bytes:
    """Return a ZIP file with the same members, none of which says when it was written."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(content)) as given,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as kept,
    ):
        for member in given.infolist():
            entry = zipfile.ZipInfo(member.filename, _FIRST_DAY)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            kept.writestr(entry, given.read(member))
    return out.getvalue()
