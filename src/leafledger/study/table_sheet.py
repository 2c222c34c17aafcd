"""Which scans does a table of spectra, or a file name pattern, list in place of a sheet?"""

from __future__ import annotations

import csv
import hashlib
import io
import math
import re
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

from leafledger.errors import InputFault, Problem, first_words, quoted
from leafledger.study.definition import Form, Pattern
from leafledger.study.sheets import (
    LARGEST_WORKBOOK,
    MOST_ROWS,
    SCANS,
    UNITS,
    Row,
    as_id,
    headings_of,
    is_workbook,
    read_text,
)

# Which headings of a wide table are wavelengths: the one rule, for the sheet and the reader.
# ----------------------------------------------------------------------

SHORTEST_NM = 150.0
LONGEST_NM = 30_000.0

SHORTEST_UM, LONGEST_UM = SHORTEST_NM / 1000, LONGEST_NM / 1000
_FEWEST = 10
_SHARE_IN_ORDER = 0.8

_SIGN = "X|R|WL|W|NM|WAVE|WAVELENGTH|LAMBDA|\N{GREEK SMALL LETTER LAMDA}|REFL|REFLECTANCE|COUNTS"
_HEADING = re.compile(
    rf"(?:(?:{_SIGN})[\s._-]?)?([0-9]{{1,12}}(?:[.,][0-9]{{1,12}})?)(?:[\s._]*nm)?", re.IGNORECASE
)
_IN_MICROMETRES = re.compile(
    r"[0-9][\s._]*(?:um|[\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}]m|micron|micromet)", re.IGNORECASE
)
_BARE = re.compile(r"([+-]?[0-9]{1,12}(?:[.,][0-9]{1,12})?)(?:\s*nm)?", re.IGNORECASE)
_NUMBER = re.compile(r"[0-9]+(?:[.,][0-9]+)?")
_NUMBERED = re.compile(r"([^\W\d_]{1,12}[\s._-]*)([0-9]{1,6})")
_NUMBERED_MEND = (
    "Write the wavelength of each column in its heading; where the file numbers pixels, state "
    "`pixel_coefficients:` in its form."
)
_LONGEST_HEADING = 48


def wavelength_of(heading: str) -> float | None:
    """Return the wavelength that a column heading names, or ``None`` for any other column.

    A heading names a wavelength if it is a number from 150 to 30,000, alone or with one of the
    usual signs before it (``X``, ``R``, ``wl``, ``wavelength``, ``reflectance`` ..., perhaps
    with a blank, point, dash or underscore) and perhaps ``nm`` after it. Case does not count; a
    comma is a decimal comma, for the headings have been split already. Common practice, no source.

    Parameters
    ----------
    heading
        One heading, without its quotes.

    Returns
    -------
    float or None
        Wavelength in nm.

    Examples
    --------
    >>> [wavelength_of(h) for h in ("505", "505.0 nm", "X505", "wl_505.5", "R505", "505,5")]
    [505.0, 505.0, 505.0, 505.5, 505.0, 505.5]
    >>> [wavelength_of(h) for h in ("Type", "plant505", "12", "99999", "-505", "")]
    [None, None, None, None, None, None]
    """
    text = heading.strip()
    if len(text) > _LONGEST_HEADING:
        return None
    match = _HEADING.fullmatch(text)
    if match is None:
        return None
    value = float(match.group(1).replace(",", "."))
    return value if SHORTEST_NM <= value <= LONGEST_NM else None


def impossible_wavelength(heading: str) -> float | None:
    """Return the number of a heading that is only a number (or number and nm) but no wavelength.

    Such a column must not be taken for metadata in silence.

    Examples
    --------
    >>> impossible_wavelength("-505"), impossible_wavelength("99999 nm")
    (-505.0, 99999.0)
    >>> impossible_wavelength("505") is None, impossible_wavelength("rep 2") is None
    (True, True)
    """
    text = heading.strip()
    match = _BARE.fullmatch(text) if len(text) <= _LONGEST_HEADING else None
    if match is None or wavelength_of(text) is not None:
        return None
    value = float(match.group(1).replace(",", "."))
    return value if math.isfinite(value) else None


def split_headings(headings: Sequence[str]) -> tuple[list[int], list[int], list[float]]:
    """Split the headings of a wide table into metadata and wavelengths.

    Parameters
    ----------
    headings
        All headings, in file order.

    Returns
    -------
    metadata_positions, wavelength_positions
        Positions from 0, in file order.
    wavelengths
        Wavelength in nm of each wavelength position.

    Examples
    --------
    >>> split_headings(["plant", "X505", "note", "X515"])
    ([0, 2], [1, 3], [505.0, 515.0])
    """
    metadata: list[int] = []
    positions: list[int] = []
    wavelengths: list[float] = []
    for position, heading in enumerate(headings):
        wavelength = wavelength_of(heading)
        if wavelength is None:
            metadata.append(position)
        else:
            positions.append(position)
            wavelengths.append(wavelength)
    return metadata, positions, wavelengths


def in_micrometres(headings: Sequence[str]) -> tuple[str, str] | None:
    """Return why headings are in micrometres, and the mend; ``None`` if they are not.

    For tables in which a row of numbers in no order may be a row of values further down.
    """
    why = no_wavelengths(headings)
    return why if why is not None and "micrometres" in why[0] else None


def no_wavelengths(headings: Sequence[str]) -> tuple[str, str] | None:
    """Return why the numbers of a heading row are no wavelengths, and the mend.

    ``None`` if they may be wavelengths, or are fewer than ten.

    A first row of numbers in no order is a row of values: the table has no headings. Headings that
    count their columns from 0 or 1 (``X1`` to ``X2151``) name none either. Numbers from 0.15 to 30
    in order are micrometres.

    Parameters
    ----------
    headings
        All headings, in file order.

    Examples
    --------
    >>> values = (512, 498, 530, 501, 477, 499, 520, 530, 480, 470)
    >>> no_wavelengths(["leaf 1", *map(str, values)])[0]
    'a first row of numbers in no order'
    >>> no_wavelengths([f"X{n}" for n in range(1, 400)])[0]
    'headings that count their columns, from X1 to X399'
    >>> no_wavelengths([f"b{n}" for n in range(101)])[0]
    'headings that count their columns, from b0 to b100'
    >>> no_wavelengths([f"{n / 100}" for n in range(40, 100)])[0]
    'headings from 0.4 to 0.99, which look like micrometres'
    >>> no_wavelengths([f"{n / 100} um" for n in range(40, 100)])[0]
    'headings from 0.4 um to 0.99 um: micrometres'
    >>> no_wavelengths([f"{n} um" for n in range(400, 900)])[1]
    'The numbers look like nm: correct the unit in the headings.'
    >>> no_wavelengths([f"X{n}" for n in range(400, 900)]) is None
    True
    """
    texts = [h.strip() for h in headings if len(h.strip()) <= _LONGEST_HEADING]
    in_um = [text for text in texts if _IN_MICROMETRES.search(text)]
    if len(in_um) >= _FEWEST:
        stated = f"headings from {in_um[0]} to {in_um[-1]}: micrometres"
        values = [float(_NUMBER.findall(text)[0].replace(",", ".")) for text in in_um]
        if all(SHORTEST_NM <= value <= LONGEST_NM for value in values):
            return stated, "The numbers look like nm: correct the unit in the headings."
        return stated, "Write the wavelengths in nm: multiply them by 1000."
    matches = [(text, match) for text in texts if (match := _HEADING.fullmatch(text))]
    numbers = [float(match.group(1).replace(",", ".")) for _, match in matches]
    if len(numbers) < _FEWEST:
        return _numbered_columns(texts)
    rises = [later > earlier for earlier, later in pairwise(numbers)]
    falls = [later < earlier for earlier, later in pairwise(numbers)]
    in_order = max(sum(rises), sum(falls))
    if in_order < _SHARE_IN_ORDER * len(rises):
        return (
            "a first row of numbers in no order",
            "Write a heading row above it: the wavelength of each column, a word for the others.",
        )
    steps = {later - earlier for earlier, later in pairwise(numbers)}
    if steps == {1.0} and numbers[0] in (0.0, 1.0):
        return (
            f"headings that count their columns, from {matches[0][0]} to {matches[-1][0]}",
            _NUMBERED_MEND,
        )
    if min(numbers) >= SHORTEST_UM and max(numbers) <= LONGEST_UM and any(n % 1 for n in numbers):
        low, high = f"{min(numbers):g}", f"{max(numbers):g}"
        return (
            f"headings from {low} to {high}, which look like micrometres",
            "Write the wavelengths in nm: multiply them by 1000.",
        )
    return None


def _numbered_columns(texts: Sequence[str]) -> tuple[str, str] | None:
    """Return why headings that number their columns behind some word of their own are no bands."""
    by_word: dict[str, list[tuple[str, int]]] = {}
    for text in texts:
        match = _NUMBERED.fullmatch(text)
        if match is not None:
            by_word.setdefault(match.group(1).casefold(), []).append((text, int(match.group(2))))
    columns = max(by_word.values(), key=len, default=[])
    numbers = [number for _, number in columns]
    if len(numbers) < _FEWEST or numbers != list(range(numbers[0], numbers[0] + len(numbers))):
        return None
    first, last = columns[0][0], columns[-1][0]
    if numbers[0] in (0, 1):
        return f"headings that count their columns, from {first} to {last}", _NUMBERED_MEND
    return f"headings from {first} to {last}, which are not known to be wavelengths", (
        "If the numbers are nm, write them alone: 505 or 505.0 nm."
    )


# Scan ids for a table that names no scans: made from what a row says, never from its place.
# ----------------------------------------------------------------------

_HEX_DIGITS = 12


def content_ids(rows: Sequence[str]) -> list[str]:
    """Return one id per row: ``s`` and the first 12 hex digits of the SHA-256 of its text.

    Rows that are equal to the last character get ``-2``, ``-3`` ... in file order; so an id
    stays with its row when other rows are added, left out or moved.

    Parameters
    ----------
    rows
        The rows as they stand in the file, decoded, each without its line ending; neither the
        heading nor blank lines.

    Returns
    -------
    list of str
        Ids in the order of ``rows``.

    Examples
    --------
    >>> content_ids(["abc", "b", "abc"])
    ['sba7816bf8f01', 's3e23e8160039', 'sba7816bf8f01-2']

    References
    ----------
    FIPS 180-4, Secure Hash Standard: SHA-256 of "abc" begins with ba7816bf 8f01cfea.
    """
    seen: Counter[str] = Counter()
    ids: list[str] = []
    for row in rows:
        digest = "s" + hashlib.sha256(row.encode("utf-8")).hexdigest()[:_HEX_DIGITS]
        seen[digest] += 1
        ids.append(digest if seen[digest] == 1 else f"{digest}-{seen[digest]}")
    return ids


# A wide table that is its own scan sheet: a row per leaf, labels and bands side by side.
# ----------------------------------------------------------------------

MOST_BANDS = 40_000
_FEWEST_BANDS = 10
"""A sheet with fewer headings that are wavelengths is no table of spectra."""
_LISTS_SCANS = frozenset({"file", "item", "role", "session"})
"""Headings of a sheet that lists the scans of wide tables and holds none itself."""
_LINE_END = re.compile(r"\r\n|\r|\n")
_DELIMITERS = {"tab": "\t", "comma": ",", "semicolon": ";", "space": " "}


def is_spectra_table(path: Path, form: Form) -> bool:
    """Tell whether a sheet holds bands, by its heading row."""
    if form.form != "wide_table" or not path.is_file() or is_workbook(path):
        return False
    return len(split_headings(_first_row(path, form))[1]) >= _FEWEST_BANDS


def _first_row(path: Path, form: Form) -> list[str]:
    with path.open("rb") as file:
        head = file.readline(4_000_000).decode("utf-8-sig", errors="replace")
    head = _LINE_END.split(head, maxsplit=1)[0]
    return _cells(head, _delimiter(head, form))


def without_headings(path: Path, file: str, form: Form) -> Problem | None:
    """Return the problem of a wide table whose first row holds values, or other units than nm."""
    if form.form != "wide_table" or not path.is_file() or is_workbook(path):
        return None
    if form.pixel_coefficients is not None:
        return None
    cells = _first_row(path, form)
    why = no_wavelengths(cells)
    if why is None and sum(map(_is_number, cells)) >= _FEWEST_BANDS:
        if is_spectra_table(path, form):
            return None
        why = (
            "a first row of numbers of which none can be a wavelength in nm",
            "Write a heading row above it: the wavelength of each column, a word for the others.",
        )
    names = [cell.strip() for cell in cells]
    if why is None and len(names) > _FEWEST_BANDS and not _LISTS_SCANS & {*names}:
        if is_spectra_table(path, form):
            return None
        why = (
            f"{len(names)} columns, of which fewer than ten name a wavelength: "
            f"{first_words(names, 5)}",
            "Write the wavelength of each column in its heading, such as 505 or 505.0 nm.",
        )
    if why is None:
        return None
    return Problem(
        file=file,
        row=1,
        found=why[0],
        expected="wavelengths in nm as headings, rising or falling",
        mend=why[1],
    )


def _is_number(text: str) -> bool:
    try:
        float(text.strip().strip('"').replace(",", "."))
    except ValueError:
        return False
    return True


def spectra_in_workbook(path: Path, file: str, form: Form) -> Problem | None:
    """Return the problem of labelled spectra in a workbook: they are read from CSV only.

    Raises
    ------
    InputFault
        If the workbook cannot be opened or does not say which sheet is meant.
    """
    in_rows = form.form in ("wide_table", "spreadsheet")
    if not in_rows or not is_workbook(path) or not path.is_file():
        return None
    if not 0 < path.stat().st_size <= LARGEST_WORKBOOK:
        return None  # the reader of scan sheets says so
    if len(split_headings(headings_of(path, file, "scans"))[1]) < _FEWEST_BANDS:
        return None
    return Problem(
        file=file,
        row=1,
        found="a table of labelled spectra in a workbook",
        expected="labelled spectra as CSV (UTF-8), or a scan sheet",
        mend="Save the sheet as CSV (UTF-8), name that file as `sheet:` under intake, and write "
        "`form: wide_table`.",
    )


def rows_of_table(path: Path, file: str, form: Form) -> tuple[list[Row], list[str]]:
    """Return a row of cells per scan (labels only, bands left out) and the label columns.

    The scan's id is the cell of ``scan_column`` made into an id, or, where there is no such
    column, ``row`` and the number of its row in the file, the heading being row 1. The raw values
    are found by a digest of the row's text, and a decision keeps the digest of what it was about,
    so a table that is sorted anew is noticed.

    Raises
    ------
    InputFault
        If the sheet is no text or its rows do not fit the heading.
    """
    lines = _LINE_END.split(read_text(path, file))
    delimiter = _delimiter(lines[0], form)
    headings = _cells(lines[0], delimiter)
    if len(headings) > MOST_BANDS or len(lines) > MOST_ROWS:
        raise InputFault(
            Problem(
                file=file,
                row=1,
                found=f"{len(headings):,} columns and {len(lines):,} lines",
                expected=f"at most {MOST_BANDS:,} columns and {MOST_ROWS:,} lines",
                mend="Check that the file is the table you mean; split it if it is.",
            )
        )
    labels, _, _ = split_headings(headings)
    names = [headings[i].strip() for i in labels]
    if form.scan_column is not None and form.scan_column not in names:
        raise InputFault(
            Problem(
                file=file,
                row=1,
                column=form.scan_column,
                found=f"no column {quoted(form.scan_column)}",
                expected="the scan_column that study.yaml names",
                mend="Correct intake.forms, or the heading of the table.",
            )
        )
    body = [(i, text) for i, text in enumerate(lines[1:], start=2) if text.strip()]
    ids = content_ids([text for _, text in body])
    digits = len(str(body[-1][0])) if body else 1
    rows: list[Row] = []
    for (line, text), content_id in zip(body, ids, strict=True):
        cells = _cells(text, delimiter)
        here = {headings[i].strip(): cells[i] for i in labels if i < len(cells)}
        item = here[form.scan_column].strip() if form.scan_column else content_id
        name = as_id(item) if form.scan_column else f"row{line:0{digits}d}"
        given = here.get("scan", "").strip()
        rows.append(Row(line, {**here, "scan": given or name, "item": item, "file": file}))
    return rows, names


def _delimiter(heading: str, form: Form) -> str:
    if form.delimiter != "auto":
        return _DELIMITERS[form.delimiter]
    return max("\t;,", key=heading.count)


def _cells(line: str, delimiter: str) -> list[str]:
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader(io.StringIO(line), delimiter=delimiter), [])
    except csv.Error:
        return line.split(delimiter)


# File names that stand in for a scan sheet, such as ``raw/{session}/{unit}_{leaf}.txt``.
# ----------------------------------------------------------------------

_FIELD = re.compile(r"\{([^{}]*)\}")
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,39}")
_MOST_FIELDS = 10
_MOST_FILES = 200_000
_GIVEN = ("file", "item")
_OF_A_SHEET = ("photo", "omitted")
"""Columns that no file name can give."""
_NO_RAW_FILES = frozenset({"study.yaml", *UNITS, *SCANS, "decisions.csv", "README.md"})
_OWN_FOLDERS = frozenset({"results", "records", "ledger", "logs"})


def rows_of(
    folder: Path,
    patterns: Sequence[Pattern],
    shown: str,
    needed: Sequence[str] = (),
    *,
    may_wait: bool = False,
) -> tuple[list[tuple[Row, list[str]]], list[Problem]]:
    """Return a row for each file that fits a pattern, and what is wrong.

    A field ``{name}`` stands for any characters but ``/``, as few as fit; ``{}`` stands for
    characters that mean nothing. Files are taken in the order of their paths; the first pattern
    that fits a file counts.

    Parameters
    ----------
    folder
        The study folder.
    patterns
        In order.
    shown
        The file that holds them, for messages.
    needed
        Fields that the study cannot do without: ``session``, and ``unit`` for leaf scans.
    may_wait
        Whether the study may be without any raw file yet: its sessions are to come then.

    Returns
    -------
    rows
        A :class:`Row` per file (its line is 0) and the names of the pattern's own fields.
    problems
        Patterns that are broken or that no file fits.
    """
    problems: list[Problem] = []
    files = _files(folder, patterns)
    waits = may_wait and not any(_may_be_raw(path) for path in files)
    matched: set[str] = set()
    rows: list[tuple[str, Row, list[str]]] = []
    for index, pattern in enumerate(patterns):
        where = f"intake.pattern.{index}" if len(patterns) > 1 else "intake.pattern"
        parts = _FIELD.split(pattern.pattern)
        fields = [name for name in parts[1::2] if name]
        wrong = _pattern_fault(pattern, parts, needed)
        matches = [(path, values) for path in files if (values := fit(parts, path)) is not None]
        if waits and not wrong:
            continue
        if wrong or not matches:
            problems.append(_problem(pattern.pattern, shown, where, wrong))
            continue
        for path, values in matches:
            if path in matched:
                continue
            matched.add(path)
            named = {k: v for k, v in zip(parts[1::2], values, strict=True) if k}
            cells = {"role": pattern.role, **named, "file": path}
            cells.setdefault("scan", as_id(str(Path(path).with_suffix("")).removeprefix("raw/")))
            rows.append((path, Row(0, cells, path), fields))
    rows.sort(key=lambda item: item[0])
    return [(row, fields) for _, row, fields in rows], problems


def without_pattern(folder: Path, patterns: Sequence[Pattern]) -> str | None:
    """Return a warning that names the files beside the raw scans that fit no pattern.

    Such a file may be a scan whose name was mistyped; it is told and not refused, for notes and
    pictures lie there as well.

    Parameters
    ----------
    folder
        The study folder.
    patterns
        Of the study; only files below the folders before their first field are listed.

    Returns
    -------
    str or None
        One sentence, ``None`` if every file fits.
    """
    parts = [_FIELD.split(pattern.pattern) for pattern in patterns]
    starts = {_start(pattern.pattern) for pattern in patterns} - {"."}
    odd = [
        path
        for path in _files(folder, patterns)
        if all(fit(pattern_parts, path) is None for pattern_parts in parts)
        and any(path.startswith(f"{start}/") for start in starts)
    ]
    if not odd:
        return None
    words = "1 file fits" if len(odd) == 1 else f"{len(odd):,} files fit"
    return (
        f"{words} no `intake.pattern` and will not be read: "
        f"{first_words([quoted(path) for path in odd], 5)}"
    )


def fit(parts: Sequence[str], text: str) -> list[str] | None:
    """Return what the fields of a pattern stand for in ``text``, or ``None`` if it does not fit.

    Parameters
    ----------
    parts
        Fixed text, field, fixed text, field ... fixed text. Each field takes as few characters
        as fit, at least one, none of them ``/``; the earlier field chooses first. A place that
        has failed once is not tried again, so that no name takes long.
    text
        The path of a file.

    Examples
    --------
    >>> fit(["raw/", "unit", "_", "leaf", ".txt"], "raw/p1_left_2.txt")
    ['p1', 'left_2']
    >>> fit(["raw/", "unit", ".txt"], "raw/day0/p1.txt") is None
    True
    """
    fixed = parts[0::2]
    if not text.startswith(fixed[0]):
        return None
    failed: set[tuple[int, int]] = set()

    def rest(field: int, start: int) -> list[str] | None:
        if field == len(fixed) - 1:
            return [] if start == len(text) else None
        if (field, start) in failed:
            return None
        after, last = fixed[field + 1], field == len(fixed) - 2
        slash = text.find("/", start)
        furthest = len(text) if slash < 0 else slash
        stop = len(text) - len(after) if last else text.find(after, start + 1)
        while start < stop <= furthest and text.startswith(after, stop):
            others = rest(field + 1, stop + len(after))
            if others is not None:
                return [text[start:stop], *others]
            stop = -1 if last else text.find(after, stop + 1)
        failed.add((field, start))
        return None

    return rest(0, len(fixed[0])) if len(fixed) > 1 else ([] if text == fixed[0] else None)


def _files(folder: Path, patterns: Sequence[Pattern]) -> list[str]:
    """Return the files below the fixed first folders of the patterns, as POSIX paths."""
    starts = set()
    for pattern in patterns:
        if not _leaves(pattern.pattern):
            starts.add(_start(pattern.pattern))
    out: set[str] = set()
    for start in sorted(starts):
        for path in (folder / start).rglob("*"):
            relative_path = path.relative_to(folder).as_posix()
            if relative_path.split("/")[0] not in _OWN_FOLDERS and "/." not in f"/{relative_path}":
                out.add(relative_path)
            if len(out) > _MOST_FILES:
                break
    return sorted(path for path in out if (folder / path).is_file())


def _may_be_raw(path: str) -> bool:
    """Tell whether a file of the study folder may be a raw scan: no sheet, plan or hidden file."""
    first = path.split("/")[0]
    return first != "plan" and path not in _NO_RAW_FILES and not first.startswith(".")


def _start(pattern: str) -> str:
    """Return the folder before the first field, ``.`` for the study folder itself."""
    return pattern.split("{")[0].rpartition("/")[0] or "."


def _leaves(text: str) -> bool:
    return text.startswith("/") or ".." in text.split("/")


def pattern_fault(text: str, needed: Sequence[str] = ()) -> str | None:
    """Return what is wrong with a pattern of leaf scans itself, whatever files there are."""
    return _pattern_fault(Pattern(pattern=text), _FIELD.split(text), needed)


def fields_in(text: str) -> list[str]:
    """Return the names of the fields of a pattern.

    Examples
    --------
    >>> fields_in("raw/{session}/{unit}_{}.txt")
    ['session', 'unit']
    """
    return [name for name in _FIELD.split(text)[1::2] if name]


def _pattern_fault(pattern: Pattern, parts: Sequence[str], needed: Sequence[str]) -> str | None:
    """Return what is wrong with a pattern itself."""
    names = parts[1::2]
    fields = [name for name in names if name]
    odd = [name for name in fields if _NAME.fullmatch(name) is None]
    given = [name for name in fields if name in _GIVEN]
    of_sheet = [name for name in fields if name in _OF_A_SHEET]
    is_leaf = pattern.role == "sample" and "role" not in fields
    lacking = [n for n in needed if n not in fields and (n != "unit" or is_leaf)]
    complaints = (
        (len(names) > _MOST_FIELDS, f"more than {_MOST_FIELDS} fields"),
        (len(set(fields)) != len(fields), "a field named twice"),
        (odd, f"a field whose name is not a plain word ({quoted(odd[0], 20) if odd else ''})"),
        (given, f"the field {{{given[0] if given else ''}}}, which the path itself says"),
        (of_sheet, f"the field {{{of_sheet[0] if of_sheet else ''}}}, which only a sheet can give"),
        (any(part == "" for part in parts[2:-1:2]), "two fields with nothing between them"),
        (any(c in part for part in parts[0::2] for c in "{}"), "a { or } without its partner"),
        (_leaves(pattern.pattern), "a path that leaves the study folder"),
        (lacking, f"no field {{{lacking[0] if lacking else ''}}}"),
    )
    return next((words for is_so, words in complaints if is_so), None)


def _problem(text: str, file: str, where: str, wrong: str | None) -> Problem:
    if wrong:
        return Problem(
            file=file,
            column=where,
            found=f"{wrong}: {quoted(text)}",
            expected="a pattern such as raw/{session}/{unit}_{leaf}_{replicate}.txt",
            mend="Correct the pattern; if units are not known, say `design: {unit: none}`."
            if wrong == "no field {unit}"
            else "Correct the pattern.",
        )
    return Problem(
        file=file,
        column=where,
        found=f"{quoted(text)}, which no file fits",
        expected="a pattern that fits at least one file of the study folder",
        mend="Compare it with the file names, capital letters too; each {field} stands for part "
        "of a name, {} for a part that means nothing.",
    )
