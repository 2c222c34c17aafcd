"""What must fit together between the files of a study before any job runs?"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

from leafledger.errors import Problem, first_words, grouped, nearest, quoted
from leafledger.study.analysis_checks import of_analysis
from leafledger.study.definition import NOTHING_WORDS, Definition, Design
from leafledger.study.definition_file import FILE
from leafledger.study.scan_sheet import NO_REASON, Scan, columns_of
from leafledger.study.sheets import PathCheck, is_label
from leafledger.study.study import Study, sessions_of, sessions_read

# One instrument in a session of counts; named for every leaf scan of a session or for none.
# ----------------------------------------------------------------------


def of_instruments(study: Study) -> Iterator[Problem]:
    """Return what is wrong with the column ``instrument`` of the scan sheet, session by session."""
    for session in study.session_ids:
        scans = study.scans_of(session)
        if study.form(session).quantity == "counts":
            yield from _several_instruments(session, scans)
        yield from _partly_named_instruments(
            session, [scan for scan in scans if scan.role == "sample"]
        )


def _several_instruments(session: str, scans: Sequence[Scan]) -> Iterator[Problem]:
    """White, dark, noise and wavelengths belong to one instrument: none can serve another."""
    named = [scan for scan in scans if scan.instrument]
    other = next((scan for scan in named if scan.instrument != named[0].instrument), None)
    if other is not None:
        yield _instrument_problem(
            other,
            f"{quoted(other.instrument)} in session {quoted(session)}, of which other scans name "
            f"{quoted(named[0].instrument)}",
            "one instrument in a session of counts: its whites and darks serve its own scans only",
            "Give the scans of each instrument a session of their own, with their own whites and "
            "darks, or hand in reflectance.",
        )


def _partly_named_instruments(session: str, samples: Sequence[Scan]) -> Iterator[Problem]:
    empty = next((scan for scan in samples if not scan.instrument), None)
    if empty is not None and any(scan.instrument for scan in samples):
        yield _instrument_problem(
            empty,
            f"no instrument, but other leaf scans of session {quoted(session)} name one",
            "the instrument of every leaf scan of a session, or of none",
            "Fill it in.",
        )


def _instrument_problem(scan: Scan, found: str, expected: str, mend: str) -> Problem:
    return Problem(
        file=scan.source,
        row=scan.row or None,
        column="instrument",
        found=found,
        expected=expected,
        mend=mend,
    )


# Which levels has the treatment, of how many units each, and which look like slips of the pen?
# ----------------------------------------------------------------------
# Two labels are one level written twice if they differ in nothing but capital letters, Unicode
# form, look-alike letters, blanks or the way a number is written. Two levels are near-duplicates
# if one is the other with a letter missing, doubled, swapped or wrong. The rules are the project's
# own: a distance between words alone would refuse pairs such as nitrate and nitrite, or low and
# slow, which are both meant. So a wrong letter, or any slip in a word of five letters, counts only
# where one level is rare beside the other; another first letter only in words of seven or more;
# and no slip in words of four.

ERROR_VALUES = re.compile(
    r"#(N/A|NV|REF!|VALUE!|WERT!|BEZUG!|NAME\?|DIV/0!|NULL!|NUM!|ZAHL!|SPILL!|CALC!|GETTING_DATA|#+)",
    re.IGNORECASE,
)
"""What a spreadsheet writes where a formula has no result."""
MISSING_WORDS = frozenset({"NA", "N/A", "n/a", "NaN", "nan", "?"})
"""What programs export for a missing value."""

MISSING_SIGNS = frozenset({"-", "--", "\N{EN DASH}", "\N{EM DASH}", "."})
"""What a person writes into an empty cell; beside a level ``+`` it is the other level."""

MOST_LISTED = 40
MOST_COMPARED = 200
"""Levels beyond this number are not compared pair by pair; equal ones are still found."""
_LOOK_ALIKES = str.maketrans(
    "\u0430\u0435\u043e\u0440\u0441\u0445\u0443\u0456\u0458\u0455\u043a\u043c\u0442\u0432\u043d\u03bf\u03b1\u03bd\u03c1",
    "aeopcxyijskmtbhoavp",
)
_SEPARATORS = re.compile(r"(?<=[^\W\d])[\s_-]+(?=\w)|(?<=\w)[\s_-]+(?=[^\W\d])")
_DECIMAL_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")
_SHORTEST_RARE, _SHORTEST_SLIP, _SHORTEST_FIRST, _SHORTEST_TWO = 5, 6, 7, 8
"""Letters of the longer word at least: for a slip if rare, in any, at the first letter, two."""
_RARE_SHARE = 0.5
_COMMON_UNITS = 3


@dataclass(frozen=True)
class LabelCell:
    """The label of one unit, and where it stands.

    Attributes
    ----------
    text
        The label.
    file, row
        Name of the sheet (or raw file) and row; no row where a file name gives the label.
    """

    text: str
    file: str
    row: int | None


def levels_with_n(units: Mapping[str, Mapping[str, str]], design: Design) -> list[tuple[str, int]]:
    """Return the levels of the treatment and how many units have each.

    The control comes first, then the levels in the order of ``design.levels``, else by name. A
    level that is stated and that no unit has counts 0.

    Examples
    --------
    >>> units = {"p1": {"treatment": "salt"}, "p2": {"treatment": "water"}}
    >>> levels_with_n(units, Design(control="water"))
    [('water', 1), ('salt', 1)]
    """
    counts = dict.fromkeys(design.levels, 0)
    named_levels = sorted({labels.get(design.treatment, "") for labels in units.values()} - {""})
    counts.update({level: 0 for level in named_levels if level not in counts})
    for labels in units.values():
        level = labels.get(design.treatment, "")
        if level:
            counts[level] += 1
    return sorted(counts.items(), key=lambda item: item[0] != design.control)


def listed_levels(levels: Sequence[tuple[str, int]], control: str | None) -> list[str]:
    """Return a line for each level with its number of units; of very many, the first and a count.

    Examples
    --------
    >>> listed_levels([("water", 4), ("salt", 3)], "water")
    ['water: 4 (control)', 'salt: 3']
    """
    lines = [f"{name}: {n}" + " (control)" * (name == control) for name, n in levels]
    if len(lines) <= MOST_LISTED:
        return lines
    return [*lines[:MOST_LISTED], f"and {len(lines) - MOST_LISTED:,} more levels"]


def levels_without_units(levels: Sequence[tuple[str, int]]) -> list[str]:
    """Return a warning that names the levels which are stated and which no unit has."""
    empty = [quoted(level) for level, n in levels if n == 0]
    if not empty:
        return []
    return [f"design.levels states {first_words(empty, 5)}, and no unit has it"]


def level_problems(
    design: Design, column: str, cells: Iterable[LabelCell], word: str
) -> list[Problem]:
    """Return every level of a column that cannot be meant, each once, at its first unit.

    Parameters
    ----------
    design
        The design; levels of the treatment that it states, and labels that it calls distinct, are
        never near-duplicates of others of them.
    column
        Treatment, block, whole plot or a factor.
    cells
        The label of every unit.
    word
        What a unit is called, such as ``plant``.
    """
    by_level: dict[str, list[LabelCell]] = {}
    for cell in cells:
        if cell.text:
            by_level.setdefault(cell.text, []).append(cell)
    is_treatment = column == design.treatment
    stated = {*design.distinct, *((*design.levels, *design.doses) if is_treatment else ())}
    counts = {level: len(cells_of) for level, cells_of in by_level.items()}
    problems: list[Problem] = []
    refused: set[str] = set()
    for level, cells_of in by_level.items():
        why = _not_a_level(level, stated, by_level)
        if why is None and is_treatment and design.levels:
            why = _unstated(level, design.levels)
        if why is not None:
            refused.add(level)
            problems.append(_level_problem(column, level, cells_of, word, *why))
    kept = [level for level in by_level if level not in refused]
    for odd, intended in _misspelled_levels(kept, counts, stated):
        problems.append(_misspelling_problem(column, odd, intended, by_level, word, is_treatment))
    return sorted(problems, key=lambda p: p.row or 0)


def stated_problems(design: Design) -> Iterator[Problem]:
    """Yield what is wrong with ``design.levels`` and ``design.distinct`` themselves."""
    for key, labels in (("levels", design.levels), ("distinct", design.distinct)):
        for label, n in sorted(Counter(labels).items()):
            if n > 1:
                yield Problem(
                    file=FILE,
                    column=f"design.{key}",
                    found=f"{quoted(label)} more than once",
                    expected="each label once",
                    mend="Take one of them out.",
                )


def _not_a_level(
    level: str, stated: Collection[str], levels: Collection[str]
) -> tuple[str, str] | None:
    """Return what was expected and the mend where a label is no level at all."""
    if ERROR_VALUES.fullmatch(level):
        return "a label; this is what a spreadsheet writes for a failed formula", (
            "Type the label in place of the formula."
        )
    blank = level in MISSING_WORDS or (level in MISSING_SIGNS and "+" not in levels)
    if blank and level not in stated:
        return "a label; this stands for a missing value", (
            "Fill the label in; if it is meant, state it in design.levels (a treatment) or "
            "design.distinct (any other column)."
        )
    return None


def _unstated(level: str, levels: Sequence[str]) -> tuple[str, str] | None:
    if level in levels:
        return None
    expected = "a level that design.levels states: " + first_words(levels, 12)
    same = [other for other in levels if _canonical(other) == _canonical(level)]
    hint = f"Did you mean {quoted(same[0])}?" if same else nearest(level, levels)
    return expected, f"{hint} A further treatment is added to design.levels."


def _level_problem(
    column: str, level: str, cells: Sequence[LabelCell], word: str, expected: str, mend: str
) -> Problem:
    return Problem(
        file=cells[0].file,
        row=cells[0].row,
        column=column,
        found=f"{quoted(level)} ({_count_words(len(cells), word)})",
        expected=expected,
        mend=mend,
    )


def _misspelling_problem(
    column: str,
    odd: str,
    intended: str,
    by_level: Mapping[str, Sequence[LabelCell]],
    word: str,
    is_treatment: bool,
) -> Problem:
    rows = [str(cell.row) for cell in by_level[odd] if cell.row is not None]
    where = f", rows {first_words(rows, 5)}" if len(rows) > 1 else ""
    mend = f"Did you mean {quoted(intended)}?"
    if (
        ascii(odd) != ascii(intended)
        and odd.casefold() != intended.casefold()
        and not odd.isascii()
    ):
        mend += f" The two differ in the code of a letter: {odd!a} and {intended!a}."
    if is_treatment:
        mend += " If both are treatments, state all of them: design.levels in study.yaml."
    else:
        mend += " If both are meant, state both: design.distinct in study.yaml."
    return Problem(
        file=by_level[odd][0].file,
        row=by_level[odd][0].row,
        column=column,
        found=f"{quoted(odd)} ({_count_words(len(by_level[odd]), word)}{where}) "
        f"beside {quoted(intended)} ({_count_words(len(by_level[intended]), word)})",
        expected=f"one spelling for each {'treatment' if is_treatment else column}",
        mend=mend,
    )


def _count_words(count: int, word: str) -> str:
    return f"{count} {word}" + "s" * (count != 1)


def _misspelled_levels(
    levels: Sequence[str], counts: Mapping[str, int], stated: Collection[str]
) -> Iterator[tuple[str, str]]:
    """Yield (odd level, level that is meant): the rarer one is odd, of two equals the later."""
    rank = {level: (level in stated, counts[level], -i) for i, level in enumerate(levels)}
    by_form: dict[str, list[str]] = {}
    for level in levels:
        by_form.setdefault(_canonical(level), []).append(level)
    odd: set[str] = set()
    for same in by_form.values():
        intended = max(same, key=lambda level: rank[level])
        for level in same:
            if level != intended and not (level in stated and intended in stated):
                odd.add(level)
                yield level, intended
    if len(levels) > MOST_COMPARED:
        return
    for pair in combinations([level for level in levels if level not in odd], 2):
        rarer, intended = sorted(pair, key=lambda level: rank[level])
        if rarer in odd or (rarer in stated and intended in stated):
            continue
        if _is_misspelling(rarer, intended, counts[rarer], counts[intended]):
            odd.add(rarer)
            yield rarer, intended


def _canonical(label: str) -> str:
    """Return what two spellings of one label share.

    Examples
    --------
    >>> _canonical("Water") == _canonical("\uff37ater") == _canonical("w\u0430ter")
    True
    >>> _canonical("5 mM") == _canonical("5mM"), _canonical("0,50") == _canonical("0.5")
    (True, True)
    >>> _canonical("+N") == _canonical("-N"), _canonical("dose 1-2") == _canonical("dose 12")
    (False, False)
    """
    text = unicodedata.normalize("NFKC", label).casefold().strip().translate(_LOOK_ALIKES)
    text = " ".join(_SEPARATORS.sub("", text).split())
    number = text.replace(",", ".") if _DECIMAL_COMMA.fullmatch(text) else text
    try:
        return repr(float(number)) if number.isascii() and "_" not in number else text
    except ValueError:
        return text


def _is_misspelling(rarer: str, common: str, n_rarer: int, n_common: int) -> bool:
    """Tell whether ``rarer`` reads like ``common`` with a slip.

    Words are compared one by one; all but one must be the same, and digits always are: ``dose 1``
    and ``dose 2`` are two treatments. So are codes in capitals (``NPK``, ``NPKS``), ``lowN`` and
    ``lowP``, and ``irrigated`` and ``unirrigated``.

    Examples
    --------
    >>> pairs = [("chelat", "chelate", 4, 4), ("watre", "water", 1, 5)]
    >>> [_is_misspelling(*pair) for pair in pairs]
    [True, True]
    >>> pairs = [("nitrite", "nitrate", 6, 6), ("nitrote", "nitrate", 1, 6)]
    >>> [_is_misspelling(*pair) for pair in pairs]
    [False, True]
    >>> pairs = [("low", "slow", 1, 9), ("heat", "wheat", 1, 9), ("sown", "shown", 4, 4)]
    >>> [_is_misspelling(*pair) for pair in pairs]
    [False, False, False]
    >>> pairs = [("dose1", "dose2", 1, 9), ("lowN", "lowP", 1, 9), ("NPK", "NPKS", 1, 9)]
    >>> [_is_misspelling(*pair) for pair in pairs]
    [False, False, False]
    """
    words = _words(rarer), _words(common)
    if len(words[0]) != len(words[1]):
        return False
    differing = [(a, b) for a, b in zip(*words, strict=True) if a.casefold() != b.casefold()]
    if len(differing) != 1:
        return False
    a, b = differing[0]
    if (a.isupper() and b.isupper()) or not (a.isalpha() and b.isalpha()):
        return False
    if a[:-1] == b[:-1] and (a[-1].isupper() or b[-1].isupper()):
        return False
    a, b = a.casefold(), b.casefold()
    rare = n_rarer == 1 or n_rarer <= _RARE_SHARE * n_common
    edits, wrong_letter = _slips(a, b)
    longer = max(len(a), len(b))
    if edits == 1:
        if a[0] != b[0] and sorted(a) != sorted(b) and longer < _SHORTEST_FIRST:
            return False
        return longer >= (_SHORTEST_RARE if rare else _SHORTEST_SLIP) and (rare or not wrong_letter)
    prefix_only = a.endswith(b) or b.endswith(a)
    lone = n_rarer == 1 and n_common >= _COMMON_UNITS
    return edits == 2 and lone and longer >= _SHORTEST_TWO and not prefix_only and a[0] == b[0]


def _words(label: str) -> list[str]:
    """Return the runs of letters, the runs of digits and the other characters but blanks."""
    return re.findall(r"[^\W\d_]+|[0-9]+|[^\w\s]", unicodedata.normalize("NFC", label))


def _slips(word: str, other: str) -> tuple[int, bool]:
    """Return the number of slips between two words, and whether a wrong letter is the only one.

    A slip is a letter left out, put in, wrong, or swapped with its neighbour: the restricted
    edit distance of Damerau (1964), Commun. ACM 7, 171-176, from memory.
    """
    # 1. d[i][j]: slips between the first i letters of one word and the first j of the other.
    rows, columns = len(word) + 1, len(other) + 1
    d = [[i + j if i == 0 or j == 0 else 0 for j in range(columns)] for i in range(rows)]
    for i in range(1, rows):
        for j in range(1, columns):
            same = word[i - 1] == other[j - 1]
            d[i][j] = min(d[i - 1][j] + 1, d[i][j - 1] + 1, d[i - 1][j - 1] + (not same))
            # 2. Two neighbours swapped are one slip.
            if i > 1 and j > 1 and word[i - 1] == other[j - 2] and word[i - 2] == other[j - 1]:
                d[i][j] = min(d[i][j], d[i - 2][j - 2] + 1)
    edits = d[-1][-1]
    swapped = sorted(word) == sorted(other)
    return edits, edits == 1 and len(word) == len(other) and not swapped


# What must fit together between the files of a study, checked before any job runs.
# ----------------------------------------------------------------------


def of_definition(definition: Definition) -> list[Problem]:
    """Return what is wrong inside ``study.yaml`` alone, across its sections."""
    return [
        *_sessions(definition),
        *_session_words(definition),
        *_columns(definition),
        *stated_problems(definition.design),
    ]


def of_study(study: Study) -> list[Problem]:
    """Return what does not fit between definition, units and scans."""
    return [
        *of_scans(study),
        *of_panel(study),
        *of_coefficients(study),
        *of_units(study),
        *of_analysis(study),
    ]


def of_scans(study: Study) -> list[Problem]:
    """Return what the scans lack of what the sessions ask for."""
    return [*_scans(study), *_references(study), *of_instruments(study)]


def of_units(study: Study) -> list[Problem]:
    """Return what the labels of the units lack of what the design and the classes ask for."""
    return [*_control(study), *_classes(study)]


def of_design(study: Study) -> list[Problem]:
    """Return what does not fit between definition and units, before any scan exists."""
    return [*_control(study), *_classes(study), *of_analysis(study)]


def _settings_problem(key: str, found: str, expected: str, mend: str) -> Problem:
    return Problem(file=FILE, column=key, found=found, expected=expected, mend=mend)


def of_panel(study: Study) -> Iterator[Problem]:
    """Return what is wrong with the path of the table of the panel."""
    name = study.panel_table
    why = None if name is None else PathCheck(study.folder).why_refused(name)
    if name is not None and why:
        yield _settings_problem(
            "instrument.panel.reflectance",
            f"{why}: {quoted(name)}",
            "a number, or a CSV inside the study folder",
            "Put the table of the panel's certificate there, or correct its name.",
        )


def of_coefficients(study: Study) -> Iterator[Problem]:
    """Return what is wrong with the path of the coefficients of the leaf model."""
    name = study.coefficient_table
    why = None if name is None else PathCheck(study.folder).why_refused(name)
    if name is not None and why:
        yield _settings_problem(
            "traits.leaf_model.coefficients",
            f"{why}: {quoted(name)}",
            "a CSV inside the study folder: leafledger does not bring the coefficients along",
            "Put the table there, or correct its name. The coefficients of PROSPECT-D are in the "
            "supplement of Feret et al. (2017), Remote Sensing of Environment 193: 204-215.",
        )


def _sessions(definition: Definition) -> Iterator[Problem]:
    sessions = definition.design.sessions
    counts = Counter(s.session for s in sessions)
    first: dict[str, str] = {}
    for i, session in enumerate(sessions):
        key = f"design.sessions.{i}"
        alike = first.setdefault(session.session.casefold(), session.session)
        if alike != session.session:
            yield _settings_problem(
                key,
                f"session {quoted(session.session)}, which differs from {quoted(alike)} in capital "
                "letters only",
                "names that differ in more: on many disks their files would have one name",
                "Rename one.",
            )
        if counts[session.session] > 1:
            yield _settings_problem(
                key,
                f"session {quoted(session.session)} more than once",
                "each session once",
                "Rename or remove one.",
            )
        if session.skipped and session.skipped.casefold() in NO_REASON:
            yield _settings_problem(
                f"{key}.skipped",
                quoted(session.skipped),
                "why the session was never measured, in words",
                "Write the reason: it stands in report and methods. Of a session that was or will "
                "be measured, take the key out.",
            )
    dates = [(i, s.date) for i, s in enumerate(sessions) if s.date is not None]
    for (_, earlier), (i, later) in pairwise(dates):
        if later < earlier:
            yield _settings_problem(
                f"design.sessions.{i}",
                f"{later}, after a session of {earlier}",
                "sessions in the order of their dates",
                "Put the sessions in order or correct the date.",
            )
    phases = [s.phase for s in sessions]
    if "before" in phases and phases != sorted(phases, key=["before", "after"].index):
        yield _settings_problem(
            "design.sessions",
            "a session before the treatment that stands after one after it",
            "all sessions of phase before first",
            "Put the sessions in order or correct the phase.",
        )


def _session_words(definition: Definition) -> Iterator[Problem]:
    """Every place that names a session must name one of the design."""
    session_names = [s.session for s in sessions_of(definition)]
    places = [
        (f"intake.forms.{name}", name) for name in definition.intake.forms if name != "default"
    ]
    primary = definition.effects.primary
    if primary and primary.session:
        places.append(("effects.primary.session", primary.session))
    classes = definition.classes
    if classes and isinstance(classes.sessions, list):
        places += [("classes.sessions", name) for name in classes.sessions]
    for key, name in places:
        if name not in session_names:
            yield _settings_problem(
                key,
                quoted(name),
                "a session of design.sessions: " + ", ".join(session_names),
                nearest(name, session_names),
            )
    if primary and primary.session:
        after = [s.session for s in sessions_of(definition) if s.phase == "after"]
        if primary.session in session_names and primary.session not in after:
            yield _settings_problem(
                "effects.primary.session",
                f"{quoted(primary.session)}, a session before the treatment",
                "a session of phase after",
                "Name the session whose change from before is the primary outcome.",
            )


def _columns(definition: Definition) -> Iterator[Problem]:
    classes = definition.classes
    if classes and classes.split == "block" and not definition.design.block:
        yield _settings_problem(
            "classes.split",
            "block, but the design has no block",
            "design.block, or split: unit",
            "Name the block column under design, or split by unit.",
        )
    grid = definition.reflectance.grid
    if not isinstance(grid, str) and grid.stop_nm <= grid.start_nm:
        yield _settings_problem(
            "reflectance.grid.stop_nm",
            f"{grid.stop_nm:g}",
            f"more than start_nm ({grid.start_nm:g})",
            "Swap the two.",
        )
    elif not isinstance(grid, str) and (grid.stop_nm - grid.start_nm) / grid.step_nm > 100_000:
        yield _settings_problem(
            "reflectance.grid.step_nm",
            f"{grid.step_nm:g}",
            "a step that gives at most 100,000 wavelengths",
            "Use a wider step.",
        )
    stated = getattr(definition.quality.range, "stop_nm", None)
    if stated is not None and stated <= definition.quality.range.start_nm:  # type: ignore[union-attr]
        yield _settings_problem(
            "quality.range.stop_nm", f"{stated:g}", "more than start_nm", "Swap the two."
        )


def _scans(study: Study) -> Iterator[Problem]:
    intake = study.definition.intake
    sheet = "study.yaml" if intake.pattern else intake.sheet
    by_session = Counter(s.session for s in study.samples())
    for session in study.session_ids:
        if not by_session[session]:
            yield Problem(
                file=sheet,
                column="intake.pattern" if intake.pattern else "session",
                found=f"no leaf scan of session {quoted(session)}",
                expected="at least one scan of role sample in every session",
                mend="Add its scans, or take the session out of design.sessions. A session of "
                "which no file exists at all is to come, and waits.",
            )


def _references(study: Study) -> Iterator[Problem]:
    intake = study.definition.intake
    sheet, column = (FILE, "intake.pattern") if intake.pattern else (intake.sheet, "role")
    for session in study.session_ids:
        if study.form(session).quantity != "counts":
            continue
        roles = {s.role for s in study.scans_of(session)}
        for role in ("white", "dark"):
            if role not in roles and "sample" in roles:
                yield Problem(
                    file=sheet,
                    column=column,
                    found=f"session {quoted(session)} with counts but no {role} reference",
                    expected=f"at least one scan of role {role}",
                    mend=f"Add the {role} scan; if the files already hold reflectance, say "
                    "`quantity: reflectance` (or percent) under intake.forms.",
                )


def _control(study: Study) -> Iterator[Problem]:
    design = study.definition.design
    levels = _levels(study, design.treatment)
    if design.control is not None and not levels:
        word = design.unit or "leaf"
        yield _settings_problem(
            "design.control",
            f"{quoted(design.control)}, and no {word} with a {design.treatment}",
            f"each {word} listed with its {design.treatment}, some of them with the control",
            "List them first.",
        )
    elif design.control is not None and design.control not in levels:
        yield _settings_problem(
            "design.control",
            quoted(design.control),
            f"a level of {design.treatment}: " + ", ".join(levels[:12]),
            nearest(design.control, levels),
        )
    elif (
        design.control is None
        and len(levels) > 1
        and design.unit is not None
        and study.definition.effects.compare == "control"
    ):
        yield _settings_problem(
            "design.control",
            "no control",
            f"one of {design.treatment}: " + ", ".join(levels[:12]),
            "Name the treatment that the others are compared with." + _untreated_word_hint(levels),
        )


def _untreated_word_hint(levels: Sequence[str]) -> str:
    """Return a hint where a level reads like a word for nothing but is written otherwise."""
    like = [level for level in levels if level.strip().casefold() in NOTHING_WORDS]
    if not like:
        return ""
    return f" To name {quoted(like[0])}, write it just so; any other `none` means no control."


def _classes(study: Study) -> Iterator[Problem]:
    classes = study.definition.classes
    if classes is None:
        return
    if classes.target in columns_of(study.definition.design):
        levels = _levels(study, classes.target)
    elif study.scans or study.planned:
        in_use = _scans_in_use(study)
        if not any(classes.target in s.others for s in (*in_use, *study.planned)):
            yield _no_target(study, classes.target)
            return
        yield from grouped(_scan_labels(in_use, classes.target))
        if study.why_no_classes:
            return
        levels = sorted({s.others.get(classes.target, "") for s in in_use} - {""})
    else:
        return  # a column of the scan sheet, which is not there yet
    if not levels and study.definition.design.control is not None:
        return  # no unit is listed: said of the control
    if len(levels) < 2:
        only = quoted(levels[0]) if levels else "none"
        yield _settings_problem(
            "classes.target",
            f"{quoted(classes.target)} with one class only ({only})",
            "at least two classes to tell apart",
            "Name another target, or leave the section classes out.",
        )


def _scans_in_use(study: Study) -> list[Scan]:
    """Return the leaf scans of the sessions of the classifier that no decision excludes."""
    sessions = {*sessions_read(study, "classes")}
    last = {decision.scan: decision.action for decision in study.decisions}
    return [s for s in study.samples() if s.session in sessions and last.get(s.scan) != "exclude"]


def _no_target(study: Study, target: str) -> Problem:
    valid = columns_of(study.definition.design)
    others = dict.fromkeys(name for scan in study.samples() for name in scan.others)
    return _settings_problem(
        "classes.target",
        quoted(target),
        "the treatment column, the block column or one of design.factors; for labels that change "
        "by session, a column of the scan sheet",
        nearest(target, [*valid, *(name for name in others if name not in valid)]),
    )


def _scan_labels(scans: Sequence[Scan], target: str) -> list[Problem]:
    """Return a problem for every scan whose label is missing or not printable."""
    return [
        Problem(
            file=scan.source,
            row=scan.row or None,
            column=target,
            found=quoted(text) if text else "an empty cell",
            expected="a label of printable text, at most 64 characters",
            mend=f"Fill in the {target} of scan {scan.scan}, or exclude it in decisions.csv.",
        )
        for scan in scans
        if not is_label(text := scan.others.get(target, ""))
    ]


def _levels(study: Study, column: str) -> Sequence[str]:
    """Return the levels of a column; those that are stated while treatments are not allocated."""
    if column == study.definition.design.treatment and not study.is_allocated:
        return sorted(study.definition.design.levels)
    return sorted({labels.get(column, "") for labels in study.units.values()} - {""})
