"""A small file that would fill the memory is refused by `leafledger check`, in little memory."""

from __future__ import annotations

import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

MEMORY = 1_500_000 * 1024
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


BOMBS: dict[str, tuple[str, Callable[[Path], object]]] = {
    "parquet": ("form: parquet, scan_column: label", parquet),
    "jcamp": ("form: jcamp_dx", lambda path: path.write_text(JCAMP, encoding="utf-8")),
    "header": ("form: wide_table, scan_column: label", header),
    "large": ("form: text", large),
}


@pytest.mark.parametrize("kind", BOMBS)
def test_a_bomb_is_refused_by_check(tmp_path: Path, kind: str) -> None:
    form, write = BOMBS[kind]
    write(tmp_path / "bomb")
    (tmp_path / "study.yaml").write_text(STUDY.format(form=form), encoding="utf-8")
    (tmp_path / "units.csv").write_text("unit,treatment\np1,a\n", encoding="utf-8")
    (tmp_path / "scans.csv").write_text("scan,file,item,unit\ns0,bomb,,p1\n", encoding="utf-8")
    before = sorted(tmp_path.rglob("*"))
    done = subprocess.run(
        [sys.executable, "-m", "leafledger.cli", "check", str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY)),
    )
    assert done.returncode == 2, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    assert "  bomb" in done.stderr
    assert sorted(tmp_path.rglob("*")) == before
