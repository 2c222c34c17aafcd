"""What is taken to the bench: sheets of the order of measuring, labels for pots, a page of words?

Each is written as HTML and, but for the page of words, as PDF (A4). None shows a treatment: who
measures need not know it. No clock time, so that one seed gives one file, byte for byte.
"""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leafledger.planning.randomisation import SAMPLE, Step

if TYPE_CHECKING:
    from fpdf import FPDF


_HERE = Path(__file__).parent / "templates"
_MADE = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
"""Date written into every PDF: a fixed one, since the files are a function of the plan alone."""

CHECKLIST = (
    "Lamp on and warmed up as long as its maker says; do not switch it off in between.",
    "Fibre lies in a wide arc, bent no tighter than its maker allows, and does not move while you "
    "measure.",
    "Clip and panel clean; the clip closes all round, without a gap of light.",
    "Integration time set for the white, without saturation; note it, and keep it all day.",
    "Dark and white first (the first steps below), then again where the list has them.",
    "Same leaf and same place on it as in the other sessions; middle vein avoided, same side up.",
    "Same time of day as in the other sessions, after the same light.",
    "Every file is saved under the name of its scan, in the folder raw/{session}.",
    "A scan went wrong: take it again at once and write it beside the step.",
)
CAUTIONS = (
    "Never look into the lamp, a lit clip or the end of a fibre. Sources with ultraviolet light "
    "harm eyes and skin even where nothing is seen: use the shields and eye protection their maker "
    "names.",
    "Lamp and housing are hot: let them cool, keep them from solvents and dry leaves. A lamp that "
    "is held on a leaf scorches it.",
    "The maker's manual, the product's label and your local safety codes stand above this sheet.",
)
FIELDS = (
    "Measured by",
    "Date, begin and end",
    "Instrument, fibre, clip",
    "Integration time, averages",
    "Weather, and light before",
    "Panel",
    "Anything else",
)
WIDE_FIELDS = ("Anything else",)
_SHOWN_DIGITS = 12


@dataclass(frozen=True)
class Sheet:
    """The sheet of one session.

    Attributes
    ----------
    title
        Of the study.
    session, date
        The session, and its day if it is stated.
    word
        Word for a unit.
    steps
        In the order of measuring.
    with_replicates
        Whether leaves are scanned more than once.
    digest
        SHA-256 of the order of measuring, by which a sheet of paper is known again.
    """

    title: str
    session: str
    date: dt.date | None
    word: str
    steps: tuple[Step, ...]
    with_replicates: bool
    digest: str

    @property
    def heading(self) -> str:
        """Session, day and number of scans."""
        when = f", {self.date.isoformat()}" if self.date else ""
        n_leaves = sum(step.role == SAMPLE for step in self.steps)
        return f"Session {self.session}{when}: {len(self.steps)} scans, {n_leaves} of leaves"

    @property
    def blind(self) -> str:
        """That the treatment is not shown."""
        return (
            "The treatment is not shown, and whoever measures need not know it. Keep to the order: "
            "it was drawn by lot so that drift of lamp, light or hand cannot pass for the "
            "treatment."
        )

    @property
    def headings(self) -> list[str]:
        """Headings of the columns."""
        word = self.word[:1].upper() + self.word[1:]
        again = ["Again"] if self.with_replicates else []
        return ["Step", "Done", word, "Leaf", *again, "Kind", "Scan", "Note"]

    @property
    def groups(self) -> list[list[Step]]:
        """Steps with a line between references and leaves."""
        out: list[list[Step]] = []
        for step in self.steps:
            leaf = step.role == SAMPLE
            if not out or (out[-1][-1].role == SAMPLE) != leaf:
                out.append([])
            out[-1].append(step)
        return out

    def kind_of(self, step: Step) -> str:
        """Return what is measured, in a word."""
        return "leaf" if step.role == SAMPLE else f"{step.role} {step.replicate}"


@dataclass(frozen=True)
class Label:
    """The label of one pot.

    Attributes
    ----------
    unit
        Its id, which the code holds and nothing else.
    where
        Block or pair, in words; empty where there are none.
    """

    unit: str
    where: str

    @property
    def size(self) -> int:
        """Size of the letters of the id, pt: it stays on one line."""
        return max(7, min(26, 110 // max(1, len(self.unit))))

    @property
    def svg(self) -> Any:
        """The code as a drawing."""
        from markupsafe import Markup

        out = io.BytesIO()
        code_of(self.unit).save(
            out, kind="svg", xmldecl=False, svgns=False, omitsize=True, border=2, nl=False
        )
        return Markup(out.getvalue().decode("utf-8"))  # noqa: S704 - made of an id here


def code_of(unit: str) -> Any:
    """Return the machine-readable code (QR, error correction M) of a unit's id."""
    import segno

    return segno.make(unit, error="m", micro=False, boost_error=False)


# HTML.
# ----------------------------------------------------------------------


def _filled(template: str, **parts: Any) -> bytes:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    style = Markup((_HERE / "style.css").read_text(encoding="utf-8"))  # noqa: S704 - our own file
    page: str = environment.get_template(template).render(style=style, **parts)
    return f"{page}\n".encode()


def checklist(session: str) -> list[str]:
    """Return what is ticked before the first scan."""
    return [line.format(session=session) for line in CHECKLIST]


def sheet_html(sheet: Sheet) -> bytes:
    """Return the sheet of a session as a page."""
    return _filled(
        "sheet.html",
        sheet=sheet,
        checklist=checklist(sheet.session),
        cautions=CAUTIONS,
        fields=FIELDS,
        wide_fields=WIDE_FIELDS,
    )


def labels_html(title: str, labels: Sequence[Label]) -> bytes:
    """Return the labels of all pots as a page."""
    return _filled("labels.html", title=title, labels=labels)


def randomisation_html(
    title: str,
    sections: Sequence[tuple[str, Sequence[str]]],
    facts: Sequence[tuple[str, str]],
) -> bytes:
    """Return the page that says in words what was randomised.

    Parameters
    ----------
    title
        Of the study.
    sections
        Heading and paragraphs of each.
    facts
        Term and value: seed, digests, versions.
    """
    return _filled("randomisation.html", title=title, sections=sections, facts=facts)


# PDF.
# ----------------------------------------------------------------------

_FONTS = {"": "DejaVuSans.ttf", "B": "DejaVuSans-Bold.ttf"}
"""Style -> font, embedded; matplotlib ships them."""
_MARGIN = 12.0
_ROW = 9.0
_NOTE_LINE = 10.0
_BOX = 4.6
_BODY, _SMALL, _UNIT = 11.5, 9.5, 15.0
_LABEL_COLUMNS, _LABEL_ROWS = 3, 7
_LABEL_WIDTH, _LABEL_HEIGHT = 62.0, 38.0
_TOP = 14.0


def _document(title: str, footer: str) -> FPDF:
    """Return an empty A4 document with fonts that hold letters of most alphabets."""
    from fpdf import FPDF

    class Document(FPDF):  # type: ignore[misc]
        """A document whose pages are numbered."""

        def footer(self) -> None:
            self.set_y(-10.0)
            self.set_font("dejavu", size=8)
            self.cell(0, 5, footer)
            self.set_x(-_MARGIN - 40.0)
            self.cell(40.0, 5, f"page {self.page_no()} of {{nb}}", align="R")

    pdf = Document(orientation="portrait", unit="mm", format="A4")
    pdf.set_creation_date(_MADE)
    pdf.set_title(title)
    for style, name in _FONTS.items():
        pdf.add_font("dejavu", style, _fonts() / name)
    pdf.set_margins(_MARGIN, _MARGIN, _MARGIN)
    pdf.set_auto_page_break(True, margin=14.0)
    pdf.alias_nb_pages()
    pdf.add_page()
    return pdf


@lru_cache(maxsize=1)
def _printable_characters() -> frozenset[int]:
    """Return the characters that the fonts of the PDFs hold."""
    from matplotlib.ft2font import FT2Font

    character_sets = [set(FT2Font(str(_fonts() / name)).get_charmap()) for name in _FONTS.values()]
    return frozenset(set.intersection(*character_sets))


def _fonts() -> Path:
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"


def missing_letters(text: str) -> str:
    """Return the characters of a text that the PDFs cannot print, each once.

    Examples
    --------
    >>> missing_letters("größer, ρ ≈ 0.6") == "", len(missing_letters("\\u8449\\u8449"))
    (True, 1)
    """
    return "".join(dict.fromkeys(c for c in text if ord(c) not in _printable_characters()))


def _printable(text: str) -> str:
    """Return a text with a sign for every character that the PDFs cannot print."""
    missing = missing_letters(text)
    return "".join("\N{REPLACEMENT CHARACTER}" if c in missing else c for c in text)


def _bytes(pdf: FPDF) -> bytes:
    return bytes(pdf.output())


def _paragraph(pdf: FPDF, text: str, size: float, style: str = "", after: float = 1.5) -> None:
    pdf.set_font("dejavu", style=style, size=size)
    pdf.multi_cell(0, size * 0.46, text, align="L", new_x="LMARGIN", new_y="NEXT")
    pdf.ln(after)


def _tick_box(pdf: FPDF, x: float, y: float) -> None:
    pdf.set_line_width(0.45)
    pdf.rect(x, y, _BOX, _BOX)


def sheet_pdf(sheet: Sheet) -> bytes:
    """Return the sheet of a session for printing."""
    title = _printable(sheet.title)
    foot = f"{_cut(title, 46)}  ·  {sheet.session}  ·  order {sheet.digest[:_SHOWN_DIGITS]}"
    pdf = _document(f"{sheet.title}: {sheet.session}", foot)
    _paragraph(pdf, title, 17, "B")
    _paragraph(pdf, sheet.heading, 14, "B", 2.0)
    _paragraph(pdf, sheet.blind, 10.5, after=2.0)
    _paragraph(pdf, "Before the first scan", 12.5, "B", 0.5)
    for line in checklist(sheet.session):
        _tick_box(pdf, pdf.l_margin, pdf.get_y() + 0.6)
        pdf.set_x(pdf.l_margin + 8.0)
        pdf.set_font("dejavu", size=_BODY)
        pdf.multi_cell(0, 5.6, line, align="L", new_x="LMARGIN", new_y="NEXT")
        pdf.ln(1.2)
    pdf.ln(1.5)
    _paragraph(pdf, "Cautions", 12.5, "B", 0.5)
    top = pdf.get_y()
    pdf.set_left_margin(_MARGIN + 4.0)
    for line in CAUTIONS:
        _paragraph(pdf, line, 10.5, after=1.2)
    pdf.set_left_margin(_MARGIN)
    pdf.set_line_width(1.0)
    pdf.line(_MARGIN + 1.0, top, _MARGIN + 1.0, pdf.get_y() - 1.2)
    pdf.set_x(_MARGIN)
    pdf.ln(1.5)
    _paragraph(pdf, "Notes of the day", 12.5, "B", 0.0)
    _note_fields(pdf)
    pdf.add_page()
    _step_table(pdf, sheet)
    return _bytes(pdf)


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "\N{HORIZONTAL ELLIPSIS}"


def _note_fields(pdf: FPDF) -> None:
    """Draw lines to write on, two in a row, the wide ones alone."""
    half = (pdf.epw - 6.0) / 2.0
    pdf.set_font("dejavu", size=10)
    pdf.set_line_width(0.3)
    column = 0
    for label in FIELDS:
        wide = label in WIDE_FIELDS
        if wide and column:
            column = 0
            pdf.ln(11.0)
        x, y = pdf.l_margin + column * (half + 6.0), pdf.get_y()
        pdf.set_xy(x, y + 4.6)
        pdf.cell(half, 5, label)
        pdf.line(x, y + 10.4, x + (pdf.epw if wide else half), y + 10.4)
        pdf.set_xy(pdf.l_margin, y)
        if wide or column:
            pdf.ln(11.0)
        column = 0 if wide else 1 - column
    while pdf.get_y() + _NOTE_LINE < pdf.page_break_trigger:
        pdf.ln(_NOTE_LINE)
        pdf.line(pdf.l_margin, pdf.get_y(), pdf.l_margin + pdf.epw, pdf.get_y())


def _step_table(pdf: FPDF, sheet: Sheet) -> None:
    """Draw the steps, with the heading on every page; a thick line before and after references."""
    scan_width = max(34.0, min(62.0, 3.0 + 1.95 * max(len(step.scan) for step in sheet.steps)))
    widths = [13.0, 13.0, 34.0, 11.0]
    widths += [14.0] if sheet.with_replicates else []
    widths += [20.0, scan_width]
    widths.append(pdf.epw - sum(widths))

    def heading() -> None:
        for width, text in zip(widths, sheet.headings, strict=True):
            _fitting_font(pdf, _printable(text), "B", _SMALL, width - 1.0)
            pdf.cell(width, 7, _printable(text))
        pdf.ln(7)
        pdf.set_line_width(0.6)
        pdf.line(pdf.l_margin, pdf.get_y(), pdf.l_margin + pdf.epw, pdf.get_y())

    heading()
    for group in sheet.groups:
        for step in group:
            if pdf.will_page_break(_ROW):
                pdf.add_page()
                heading()
            _step_row(pdf, sheet, step, widths)
        pdf.set_line_width(0.7)
        pdf.line(pdf.l_margin, pdf.get_y(), pdf.l_margin + pdf.epw, pdf.get_y())


def _step_row(pdf: FPDF, sheet: Sheet, step: Step, widths: Sequence[float]) -> None:
    y, x = pdf.get_y(), pdf.l_margin
    shade = {"dark": 205, "white": 238}.get(step.role)
    if shade is not None:
        pdf.set_fill_color(shade)
        pdf.rect(x, y, pdf.epw, _ROW, style="F")
    cells = [
        (str(step.number), "", _BODY),
        ("", "", _BODY),
        (step.unit or step.role, "B", _UNIT),
        (step.leaf, "", 13.0),
        *([(step.replicate if step.unit else "", "", 13.0)] if sheet.with_replicates else []),
        (sheet.kind_of(step), "", _BODY),
        (step.scan, "", _SMALL),
        ("", "", _BODY),
    ]
    for width, (text, style, size) in zip(widths, cells, strict=True):
        _fitting_font(pdf, text, style, size, width - 1.0)
        pdf.set_xy(x, y)
        pdf.cell(width, _ROW, text)
        x += width
    _tick_box(pdf, pdf.l_margin + widths[0] + 1.5, y + (_ROW - _BOX) / 2)
    pdf.set_line_width(0.2)
    pdf.line(pdf.l_margin, y + _ROW, pdf.l_margin + pdf.epw, y + _ROW)
    pdf.set_xy(pdf.l_margin, y + _ROW)


def _fitting_font(pdf: FPDF, text: str, style: str, size: float, width: float) -> None:
    """Set the largest font up to a size in which a text is no wider than its place."""
    pdf.set_font("dejavu", style=style, size=size)
    if text and pdf.get_string_width(text) > width:
        smaller = size * width / pdf.get_string_width(text)
        pdf.set_font("dejavu", style=style, size=max(4.0, smaller))


def labels_pdf(title: str, labels: Sequence[Label]) -> bytes:
    """Return the labels of all pots for printing: three columns and seven rows on a page."""
    title = _printable(title)
    pdf = _document(f"{title}: labels", f"{_cut(title, 60)}  ·  labels; the code holds the id only")
    pdf.set_auto_page_break(False)
    per_page = _LABEL_COLUMNS * _LABEL_ROWS
    for i, label in enumerate(labels):
        if i and i % per_page == 0:
            pdf.add_page()
        if i % per_page == 0:
            _cutting_lines(pdf)
        row, column = divmod(i % per_page, _LABEL_COLUMNS)
        _draw_label(pdf, title, label, _MARGIN + column * _LABEL_WIDTH, _TOP + row * _LABEL_HEIGHT)
    return _bytes(pdf)


def _cutting_lines(pdf: FPDF) -> None:
    """Draw each line between labels once."""
    width, height = _LABEL_COLUMNS * _LABEL_WIDTH, _LABEL_ROWS * _LABEL_HEIGHT
    pdf.set_line_width(0.15)
    pdf.set_dash_pattern(dash=1.5, gap=1.5)
    for column in range(_LABEL_COLUMNS + 1):
        x = _MARGIN + column * _LABEL_WIDTH
        pdf.line(x, _TOP, x, _TOP + height)
    for row in range(_LABEL_ROWS + 1):
        y = _TOP + row * _LABEL_HEIGHT
        pdf.line(_MARGIN, y, _MARGIN + width, y)
    pdf.set_dash_pattern()


def _draw_label(pdf: FPDF, title: str, label: Label, x: float, y: float) -> None:
    rows = [list(row) for row in code_of(label.unit).matrix]
    size = 27.0 / (len(rows) + 4)  # two modules of quiet zone here, more by the margins
    pdf.set_fill_color(0)
    for r, row in enumerate(rows):
        c = 0
        while c < len(row):
            run = c
            while run < len(row) and row[run]:
                run += 1
            if run > c:
                left, top = x + 3.0 + (c + 2) * size, y + 5.5 + (r + 2) * size
                pdf.rect(left, top, (run - c) * size, size, style="F")
            c = run + 1
    width = _LABEL_WIDTH - 34.0
    _fitting_font(pdf, label.unit, "B", 24, width)
    pdf.set_xy(x + 32.0, y + 7.0)
    pdf.cell(width, 11, label.unit)
    if label.where:
        _fitting_font(pdf, label.where, "", 11, width)
        pdf.set_xy(x + 32.0, y + 18.5)
        pdf.cell(width, 6, label.where)
    pdf.set_font("dejavu", size=7)
    pdf.set_xy(x + 32.0, y + 26.0)
    pdf.multi_cell(width, 3.2, _cut(title, 44), align="L")


def labels_of(units: Sequence[str], block: Mapping[str, str], column: str) -> list[Label]:
    """Return the label of each unit, with its block or pair and without its treatment."""
    return [Label(unit, f"{column} {block[unit]}" if unit in block else "") for unit in units]
