"""Mutate valid raw files and read them: nothing may come of it but scans or our own fault.

By hand, for as long as wanted, in a process with bounded memory::

    python tests/intake/fuzz.py --form spreadsheet --seconds 600 --seed 7

``--form`` may be left out (every reader in turn). An input that breaks the rule is saved beside
the message, and ``--replay FILE`` with its ``--form`` reads it again.
"""

from __future__ import annotations

import argparse
import io
import random
import resource
import sys
import time
import tracemalloc
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
from test_intake_jcamp import BODIES, jcamp
from test_intake_parquet import VALUES, lists, saved
from test_intake_text import scan_rows, text_of
from test_intake_wide_table import table
from workbooks import number_rows, parts, scan, wide, workbook, zipped

from leafledger.errors import InputFault
from leafledger.intake.jcamp_dx import read_jcamp
from leafledger.intake.parquet import read_parquet
from leafledger.intake.raw_scan import FileForm, RawScans
from leafledger.intake.spreadsheet import read_spreadsheet
from leafledger.intake.text import read_text
from leafledger.intake.wide_table import read_wide_table

SLOWEST_S = 3.0
MEMORY_BYTES = 300_000_000
"""What reading one small file may take at most; a whole process stays under MEMORY_LIMIT."""
MEMORY_LIMIT = 1_500_000 * 1024
_HOT = (b"\0", b"\xff", b"9" * 12, b"-", b",", b";", b"\n", b'"', b"=", b"e", b"##", b"S9")


def _spreadsheet(data: bytes) -> RawScans:
    scans_in = "rows" if b"wide" in data[-200:] else "sheets"
    form = FileForm(form="spreadsheet", scans_in=scans_in, scan_column="label")
    return read_spreadsheet(data, "f", form)


_KNOWN = read_text(text_of(scan_rows(15)), "f", FileForm())[1]


def _text(data: bytes) -> RawScans:
    """Read with and without the layout of the file before: both must say the same."""
    slow = _told(lambda: read_text(data, "f", FileForm())[0])
    fast = _told(lambda: read_text(data, "f", FileForm(), _KNOWN)[0])
    if isinstance(slow, InputFault) or isinstance(fast, InputFault):
        assert type(slow) is type(fast), f"fast and careful disagree: {slow!r} and {fast!r}"
        assert isinstance(slow, InputFault)
        raise slow
    np.testing.assert_array_equal(slow.values, fast.values)
    np.testing.assert_array_equal(slow.wavelength_nm, fast.wavelength_nm)
    return slow


def _told(read: Callable[[], RawScans]) -> RawScans | InputFault:
    try:
        return read()
    except InputFault as fault:
        return fault


READERS: dict[str, Callable[[bytes], RawScans]] = {
    "text": _text,
    "wide_table": lambda data: read_wide_table(data, "f", FileForm(scan_column="label")),
    "jcamp_dx": lambda data: read_jcamp(data, "f", FileForm(quantity="reflectance")),
    "parquet": lambda data: read_parquet(data, "f", FileForm(scan_column="label")),
    "spreadsheet": _spreadsheet,
}


def _marked(data: bytes) -> bytes:
    """Mark a workbook as a wide table in the comment of its archive."""
    out = io.BytesIO(data)
    with zipfile.ZipFile(out, "a") as archive:
        archive.comment = b"wide"
    return out.getvalue()


_COMPOUND = (
    b"##TITLE= all\n##DATA TYPE= LINK\n"
    + jcamp(BODIES["SQZ"], title="a")
    + jcamp(BODIES["DIFDUP"], title="b")
    + b"##END=\n"
)
WHOLE: dict[str, list[bytes]] = {
    "text": [
        text_of(scan_rows(15)),
        text_of(scan_rows(15)).decode().encode("utf-16"),
        b"a title\r\n" + b"".join(b"%d;%d,5\r\n" % (400 + i, i) for i in range(15)) + b"end\r\n",
    ],
    "wide_table": [("\n".join(table(3)) + "\n").encode()],
    "jcamp_dx": [*(jcamp(body) for body in BODIES.values()), _COMPOUND],
    "parquet": [saved(lists(VALUES)), saved(lists(VALUES), compression="zstd")],
    "spreadsheet": [
        workbook({"x": scan()}),
        _marked(workbook({"x": wide()})),
        zipped(parts(number_rows()), zipfile.ZIP_STORED),
    ],
}


def survives(form: str, data: bytes) -> None:
    """Read ``data``; raise ``AssertionError`` if anything but a result or our fault comes of it."""
    start = time.perf_counter()
    try:
        scans = READERS[form](data)
    except InputFault as fault:
        assert all(p.file == "f" and p.found and p.expected and p.mend for p in fault.problems)
        assert len(fault.problems) <= 51
    else:
        assert np.isfinite(scans.values).all()
        assert scans.values.shape == (len(scans.items), len(scans.wavelength_nm))
        assert (np.diff(scans.wavelength_nm) > 0).all()
        assert len(scans.wavelength_nm) >= 10
    assert time.perf_counter() - start < SLOWEST_S, "too slow"


def mutated(data: bytes, rng: random.Random, other: bytes = b"") -> bytes:
    """Return a file with one to eight flips, cuts, doublings, insertions or splices.

    Workbooks are mutated half of the time inside one of their parts and zipped again, since a
    changed byte of the archive itself is nearly always caught by its check sum.
    """
    if data in WHOLE["spreadsheet"] and rng.random() < 0.5:
        return _mutated_part(data, rng)
    out = bytearray(data)
    for _ in range(rng.randint(1, 8)):
        if not out:
            break
        at = rng.randrange(len(out))
        span = rng.choice((1, 2, 8, 64, 512))
        match rng.randrange(6):
            case 0:
                out[at] ^= 1 << rng.randrange(8)
            case 1:
                del out[at : at + span]
            case 2:
                out[at:at] = out[at : at + span] * rng.randint(1, 4)
            case 3:
                out[at : at + rng.randint(0, 2)] = rng.choice(_HOT)
            case 4:
                del out[at:]
            case _:
                start = rng.randrange(len(other)) if other else 0
                out[at : at + span] = other[start : start + span]
    return bytes(out)


def _mutated_part(data: bytes, rng: random.Random) -> bytes:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        named = {name: archive.read(name) for name in archive.namelist()}
        comment = archive.comment
    name = rng.choice([n for n in named if "sheet" in n or "haredStrings" in n or n.endswith("s")])
    named[name] = mutated(named[name], rng, named[rng.choice(list(named))])
    again = zipped(named)
    return _marked(again) if comment == b"wide" else again


def inputs(form: str, rng: random.Random) -> Iterator[bytes]:
    """Yield mutated files without end; some go on from the one before."""
    data = b""
    while True:
        if not data or rng.random() < 0.7:
            data = rng.choice(WHOLE[form])
        data = mutated(data, rng, rng.choice(WHOLE[form]))
        yield data
        if len(data) > 200_000:
            data = b""


def memory_of(form: str, data: bytes) -> int:
    """Return the peak of memory of reading ``data``, in bytes."""
    tracemalloc.start()
    try:
        survives(form, data)
    finally:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    return peak


def main(arguments: list[str] | None = None) -> int:
    """Fuzz by hand; return 1 at the first input that breaks the rule."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--form", choices=list(READERS))
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--replay", type=Path)
    chosen = parser.parse_args(arguments)
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_LIMIT, MEMORY_LIMIT))
    if chosen.replay:
        survives(chosen.form, chosen.replay.read_bytes())
        return 0
    forms = [chosen.form] if chosen.form else list(READERS)
    for form in forms:
        stop = time.monotonic() + chosen.seconds / len(forms)
        n_inputs = 0
        for data in inputs(form, random.Random(chosen.seed)):
            n_inputs += 1
            try:
                survives(form, data)
            except BaseException:
                Path(f"fuzz-{form}-{chosen.seed}.bin").write_bytes(data)
                raise
            if time.monotonic() > stop:
                break
        sys.stdout.write(f"{form}: {n_inputs:,} inputs: nothing but scans and faults\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
