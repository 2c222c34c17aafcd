"""A small file that would fill the memory is refused by `leafledger check`, in little memory."""

from __future__ import annotations

import io
import resource
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

MEMORY = 1_500_000 * 1024
LONGEST_S = 15.0
"""Of the processor: at most 5 s, twice that where other tests take the caches."""
STUDY = """\
title: bomb
design: {{unit: plant, treatment: treatment, control: a}}
intake: {{forms: {{default: {{{form}, quantity: reflectance}}}}}}
"""
JCAMP = """\
##TITLE=t
##JCAMP-DX=4.24
##DATA TYPE=UV/VIS SPECTRUM
##XUNITS=NANOMETERS
##YUNITS=REFLECTANCE
##FIRSTX=400
##LASTX=1000
##NPOINTS=601
##XFACTOR=1
##YFACTOR=1
##FIRSTY=1
##XYDATA=(X++(Y..Y))
400A1S1000000000
##END=
"""


def parquet(path: Path) -> None:
    """140 million zeros, 1.1 GB, in some kilobytes."""
    import numpy as np
    import pyarrow as pa
    import pyarrow.parquet as pq

    schema = pa.schema(
        [("label", pa.string()), ("reflectance", pa.list_(pa.float64()))],
        metadata={"wavelength_nm": str(list(range(400, 1000)))},
    )
    rows = pa.ListArray.from_arrays(pa.array([0, 10_000_000]), pa.array(np.zeros(10_000_000)))
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for i in range(14):
            writer.write_table(pa.table({"label": [f"s{i}"], "reflectance": rows}, schema=schema))
    assert path.stat().st_size < 1_000_000


def header(path: Path) -> None:
    heads = ",".join(f"{300 + i / 1000:.3f}" for i in range(1_000_000))
    path.write_text(f"label,{heads}\ns0,1\n", encoding="utf-8")


def large(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(200_000_000)


OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
SHEET = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
RELATIONS = "http://schemas.openxmlformats.org/package/2006/relationships"


def workbook(path: Path, **parts: str) -> None:
    """A workbook of one sheet; ``sheet``, ``strings`` and ``more`` are the bombs."""
    links = (
        f'<Relationships xmlns="{RELATIONS}"><Relationship Id="r1" Type="{OFFICE}/{{}}" '
        'Target="{}"/>{}</Relationships>'
    )
    strings = f'<Relationship Id="r2" Type="{OFFICE}/sharedStrings" Target="strings.xml"/>'
    named = {
        "_rels/.rels": links.format("officeDocument", "xl/workbook.xml", ""),
        "xl/workbook.xml": f'<workbook xmlns="{SHEET}" xmlns:r="{OFFICE}"><sheets>'
        '<sheet name="a" sheetId="1" r:id="r1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": links.format("worksheet", "sheet1.xml", strings),
        "xl/sheet1.xml": f'<worksheet xmlns="{SHEET}"><sheetData>{parts.get("rows", "")}'
        f"</sheetData>{parts.get('after', '')}</worksheet>",
        "xl/strings.xml": f"{parts.get('doctype', '')}<sst>{parts.get('strings', '')}</sst>",
        "xl/more.xml": parts.get("more", ""),
    }
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in named.items():
            archive.writestr(name, text)


def inflating(path: Path) -> None:
    """1,000 to 1: 100 MB of zeros in 100 kB."""
    workbook(path, more="0" * 100_000_000)
    assert path.stat().st_size < 140_000


def lying(path: Path) -> None:
    """The same sheet, but the archive promises 1,000 bytes."""
    workbook(path, rows="<row/>" * 5_000_000)
    data = path.read_bytes()
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        entry = archive.getinfo("xl/sheet1.xml")
    path.write_bytes(
        data.replace(entry.file_size.to_bytes(4, "little"), (1000).to_bytes(4, "little"))
    )


def entities(path: Path) -> None:
    """A billion laughs."""
    levels = "".join(f'<!ENTITY e{i} "{f"&e{i - 1};" * 10}">' for i in range(1, 10))
    doctype = f'<!DOCTYPE sst [<!ENTITY e0 "laugh">{levels}]>'
    workbook(path, doctype=doctype, strings="<si><t>&e9;</t></si>")


def far_cells(path: Path) -> None:
    """A few cells at the far end of the largest sheet there can be."""
    rows = "".join(
        f'<row r="{i}"><c r="XFD{i}"><v>1</v></c></row>' for i in range(1_048_000, 1_048_577)
    )
    workbook(path, rows=rows, after='<dimension ref="A1:XFD1048576"/>')


def texts(path: Path) -> None:
    """A million shared texts, each of its own so that they do not shrink much."""
    workbook(path, strings="".join(f"<si><t>{i * 7919 % 10**7}</t></si>" for i in range(1_000_000)))


def elements(path: Path) -> None:
    """A million elements that mean nothing, in a part that shrinks like any other."""
    workbook(path, after="".join(f'<a b="{i * 7919 % 10**7}"/>' for i in range(1_000_000)))


def blanks(path: Path) -> None:
    """200,000 cells that share one long text with a blank before it."""
    rows = "".join(f'<row r="{i}"><c r="A{i}" t="s"><v>0</v></c></row>' for i in range(1, 200_001))
    workbook(path, rows=rows, strings=f"<si><t> {'x' * 39_000}</t></si>")


BOMBS: dict[str, tuple[str, Callable[[Path], object]]] = {
    "parquet": ("form: parquet, scan_column: label", parquet),
    "jcamp": ("form: jcamp_dx", lambda path: path.write_text(JCAMP, encoding="utf-8")),
    "header": ("form: wide_table, scan_column: label", header),
    "large": ("form: text", large),
    "xlsx_inflating": ("form: spreadsheet", inflating),
    "xlsx_lying": ("form: spreadsheet", lying),
    "xlsx_entities": ("form: spreadsheet", entities),
    "xlsx_far_cells": ("form: spreadsheet", far_cells),
    "xlsx_texts": ("form: spreadsheet", texts),
    "xlsx_elements": ("form: spreadsheet", elements),
    "xlsx_blanks": ("form: spreadsheet", blanks),
}
SHEETS = {name: write for name, (form, write) in BOMBS.items() if form == "form: spreadsheet"}


@pytest.mark.parametrize("kind", BOMBS)
def test_a_bomb_is_refused_by_check(tmp_path: Path, kind: str) -> None:
    form, write = BOMBS[kind]
    write(tmp_path / "bomb")
    (tmp_path / "study.yaml").write_text(STUDY.format(form=form), encoding="utf-8")
    (tmp_path / "units.csv").write_text("unit,treatment\np1,a\n", encoding="utf-8")
    (tmp_path / "scans.csv").write_text("scan,file,item,unit\ns0,bomb,,p1\n", encoding="utf-8")
    is_refused(tmp_path, "bomb")


@pytest.mark.parametrize("name", ["units.xlsx", pytest.param("scans.xlsx", marks=pytest.mark.slow)])
@pytest.mark.parametrize("kind", SHEETS)
def test_a_bomb_in_place_of_a_sheet_is_refused_by_check(
    tmp_path: Path, kind: str, name: str
) -> None:
    (tmp_path / "study.yaml").write_text(STUDY.format(form="form: text"), encoding="utf-8")
    (tmp_path / "units.csv").write_text("unit,treatment\np1,a\n", encoding="utf-8")
    (tmp_path / "scans.csv").write_text("scan,file,unit\ns0,scans.csv,p1\n", encoding="utf-8")
    (tmp_path / name).with_suffix(".csv").unlink()
    SHEETS[kind](tmp_path / name)
    is_refused(tmp_path, name)


def is_refused(tmp_path: Path, name: str) -> None:
    before = sorted(tmp_path.rglob("*"))
    start = processor_seconds()
    done = subprocess.run(
        [sys.executable, "-m", "leafledger.cli", "check", str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
        timeout=180,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY)),
    )
    assert processor_seconds() - start < LONGEST_S
    assert done.returncode == 2, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    assert f"  {name}" in done.stderr
    assert sorted(tmp_path.rglob("*")) == before


def processor_seconds() -> float:
    """Processor time of the processes that this one has started and seen end."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime
