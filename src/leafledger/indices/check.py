"""Which indices a study asks for, and whether they can be had: checked before any job runs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

from leafledger.errors import InputFault, Problem, nearest, quoted
from leafledger.indices.catalogue import Entry, averaged, catalogue
from leafledger.spectra.formula import FormulaError, parse

ALL = "all"
_FILE = "study.yaml"
_AROUND = 18


def check_indices(settings: Mapping[str, Any]) -> list[Problem]:
    """Return every fault in the ``indices`` section of a study.

    Parameters
    ----------
    settings
        The section as plain values: ``use``, ``band_read``, ``formulas``.

    Returns
    -------
    list of Problem
        Unknown names (with the nearest valid one), names given twice, formulas that take the
        name of a published index, formulas that cannot be read. Empty if all is well.
    """
    formulas = list(settings["formulas"])
    own = [str(formula["index"]) for formula in formulas]
    return [
        *_names_problems([str(name) for name in settings["use"]], own),
        *_ids_problems(own),
        *[problem for formula in formulas for problem in _formula_problems(formula)],
    ]


def chosen(settings: Mapping[str, Any]) -> list[Entry]:
    """Return the indices a study asks for, as they are computed.

    Parameters
    ----------
    settings
        As in :func:`check_indices`.

    Returns
    -------
    list of Entry
        In the order of ``use`` (``all``: the whole catalogue), then the user's formulas that
        ``use`` does not name. ``band_read: {mean_over_nm: w}`` averages every single wavelength
        of every formula over w; otherwise only published indices with a width of their own are
        averaged (WI over 10 nm).

    Raises
    ------
    InputFault
        If :func:`check_indices` finds anything.
    """
    problems = check_indices(settings)
    if problems:
        raise InputFault(problems)
    own = {formula["index"]: _user_entry(formula) for formula in settings["formulas"]}
    names: dict[str, None] = {}
    for name in settings["use"]:
        names.update(dict.fromkeys(catalogue() if name == ALL else [name]))
    names.update(dict.fromkeys(own))
    known = {**catalogue(), **own}
    read = settings["band_read"]
    return [
        averaged(
            known[name],
            known[name].band_width_nm if isinstance(read, str) else float(read["mean_over_nm"]),
        )
        for name in names
    ]


def _names_problems(use: list[str], own: list[str]) -> list[Problem]:
    valid = [*catalogue(), *own]
    found = [
        Problem(
            file=_FILE,
            column="indices.use",
            found=quoted(name),
            expected=f"an index of the catalogue, of indices.formulas, or {ALL}",
            mend=_hint(name, [*valid, ALL]),
        )
        for name in dict.fromkeys(use)
        if name != ALL and name not in valid
    ]
    found += [
        Problem(
            file=_FILE,
            column="indices.use",
            found=f"{quoted(name)} {times} times",
            expected="each index once",
            mend="Leave it in once.",
        )
        for name, times in Counter(use).items()
        if times > 1
    ]
    if not use and not own:
        found.append(
            Problem(
                file=_FILE,
                column="indices.use",
                found="no index",
                expected="at least one index or formula",
                mend="Name an index, such as NDVI, or leave the key out for the default ones.",
            )
        )
    return found


def _ids_problems(own: list[str]) -> list[Problem]:
    found = []
    for name, times in Counter(own).items():
        if name in catalogue() or name == ALL:
            whose = "the word for all indices" if name == ALL else "the name of a published index"
            expected = "a name that the catalogue does not use"
        elif times > 1:
            whose, expected = f"the name of {times} formulas", "each name once"
        else:
            continue
        found.append(
            Problem(
                file=_FILE,
                column=f"indices.formulas.{name}",
                found=f"{quoted(name)}, {whose}",
                expected=expected,
                mend="Give the formula another name.",
            )
        )
    return found


def _formula_problems(formula: Mapping[str, Any]) -> list[Problem]:
    text = str(formula["formula"])
    try:
        parse(text)
    except FormulaError as fault:
        return [
            Problem(
                file=_FILE,
                column=f"indices.formulas.{formula['index']}",
                found=_where(text, fault.place),
                expected=fault.expected,
                mend=fault.mend,
            )
        ]
    return []


def _where(text: str, place: int) -> str:
    """Return the offending character, its position counted from 1, and the text around it."""
    start, stop = max(0, place - _AROUND), place + _AROUND
    shown = ("..." if start else "") + text[start:stop] + ("..." if stop < len(text) else "")
    if place >= len(text):
        return f"the end of the formula after {quoted(shown)} (character {place + 1})"
    return f"{quoted(text[place])} at character {place + 1} of {quoted(shown)}"


def _hint(name: str, valid: list[str]) -> str:
    by_case = {word.casefold(): word for word in valid}
    if name.casefold() in by_case:
        return f'Did you mean "{by_case[name.casefold()]}"?'
    return nearest(name[:64], valid)


def _user_entry(formula: Mapping[str, Any]) -> Entry:
    return Entry(
        index=str(formula["index"]),
        name="formula of this study",
        formula=str(formula["formula"]),
        unit=str(formula["unit"]),
        band_width_nm=0.0,
        domain="user",
        responds_to="",
        confusions="",
        source=str(formula["source"]),
        tree=parse(str(formula["formula"])),
    )
