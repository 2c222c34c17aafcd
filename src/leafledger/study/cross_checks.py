"""What must fit together between the files of a study, checked before any job runs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise

from leafledger.errors import Problem, grouped, nearest, quoted
from leafledger.study.analysis_checks import of_analysis
from leafledger.study.definition import Definition
from leafledger.study.definition_file import FILE
from leafledger.study.field_types import NOTHING_WORDS
from leafledger.study.instrument_checks import of_instruments
from leafledger.study.layout import sessions_read
from leafledger.study.names import PathCheck, is_label
from leafledger.study.scan_sheet import Scan
from leafledger.study.study import Study, sessions_of
from leafledger.study.treatment_levels import stated_problems
from leafledger.study.units import columns_of


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
    return [*of_scans(study), *of_panel(study), *of_units(study), *of_analysis(study)]


def of_scans(study: Study) -> list[Problem]:
    """Return what the scans lack of what the sessions ask for."""
    return [*_scans(study), *_references(study), *of_instruments(study)]


def of_units(study: Study) -> list[Problem]:
    """Return what the labels of the units lack of what the design and the classes ask for."""
    return [*_control(study), *_classes(study)]


def of_design(study: Study) -> list[Problem]:
    """Return what does not fit between definition and units, before any scan exists."""
    return [*_control(study), *_classes(study), *of_analysis(study)]


def _yaml(key: str, found: str, expected: str, mend: str) -> Problem:
    return Problem(file=FILE, column=key, found=found, expected=expected, mend=mend)


def of_panel(study: Study) -> Iterator[Problem]:
    """Return what is wrong with the path of the table of the panel."""
    name = study.panel_table
    why = None if name is None else PathCheck(study.folder).why_refused(name)
    if name is not None and why:
        yield _yaml(
            "instrument.panel.reflectance",
            f"{why}: {quoted(name)}",
            "a number, or a CSV inside the study folder",
            "Put the table of the panel's certificate there, or correct its name.",
        )


def _sessions(definition: Definition) -> Iterator[Problem]:
    sessions = definition.design.sessions
    counts = Counter(s.session for s in sessions)
    for i, session in enumerate(sessions):
        key = f"design.sessions.{i}"
        if counts[session.session] > 1:
            yield _yaml(
                key,
                f"session {quoted(session.session)} more than once",
                "each session once",
                "Rename or remove one.",
            )
    dates = [(i, s.date) for i, s in enumerate(sessions) if s.date is not None]
    for (_, earlier), (i, later) in pairwise(dates):
        if later < earlier:
            yield _yaml(
                f"design.sessions.{i}",
                f"{later}, after a session of {earlier}",
                "sessions in the order of their dates",
                "Put the sessions in order or correct the date.",
            )
    phases = [s.phase for s in sessions]
    if "before" in phases and phases != sorted(phases, key=["before", "after"].index):
        yield _yaml(
            "design.sessions",
            "a session before the treatment that stands after one after it",
            "all sessions of phase before first",
            "Put the sessions in order or correct the phase.",
        )


def _session_words(definition: Definition) -> Iterator[Problem]:
    """Every place that names a session must name one of the design."""
    known = [s.session for s in sessions_of(definition)]
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
        if name not in known:
            yield _yaml(
                key,
                quoted(name),
                "a session of design.sessions: " + ", ".join(known),
                nearest(name, known),
            )
    if primary and primary.session:
        after = [s.session for s in sessions_of(definition) if s.phase == "after"]
        if primary.session in known and primary.session not in after:
            yield _yaml(
                "effects.primary.session",
                f"{quoted(primary.session)}, a session before the treatment",
                "a session of phase after",
                "Name the session whose change from before is the primary outcome.",
            )


def _columns(definition: Definition) -> Iterator[Problem]:
    classes = definition.classes
    if classes and classes.split == "block" and not definition.design.block:
        yield _yaml(
            "classes.split",
            "block, but the design has no block",
            "design.block, or split: unit",
            "Name the block column under design, or split by unit.",
        )
    grid = definition.reflectance.grid
    if not isinstance(grid, str) and grid.stop_nm <= grid.start_nm:
        yield _yaml(
            "reflectance.grid.stop_nm",
            f"{grid.stop_nm:g}",
            f"more than start_nm ({grid.start_nm:g})",
            "Swap the two.",
        )
    elif not isinstance(grid, str) and (grid.stop_nm - grid.start_nm) / grid.step_nm > 100_000:
        yield _yaml(
            "reflectance.grid.step_nm",
            f"{grid.step_nm:g}",
            "a step that gives at most 100,000 wavelengths",
            "Use a wider step.",
        )
    stated = getattr(definition.quality.range, "stop_nm", None)
    if stated is not None and stated <= definition.quality.range.start_nm:  # type: ignore[union-attr]
        yield _yaml("quality.range.stop_nm", f"{stated:g}", "more than start_nm", "Swap the two.")


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
                mend="Add its scans, or take the session out of design.sessions.",
            )


def _references(study: Study) -> Iterator[Problem]:
    intake = study.definition.intake
    sheet, column = (FILE, "intake.pattern") if intake.pattern else (intake.sheet, "role")
    for session in study.session_ids:
        if study.form(session).quantity != "counts":
            continue
        roles = {s.role for s in study.scans if s.session == session}
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
        yield _yaml(
            "design.control",
            f"{quoted(design.control)}, and no {word} with a {design.treatment}",
            f"each {word} listed with its {design.treatment}, some of them with the control",
            "List them first.",
        )
    elif design.control is not None and design.control not in levels:
        yield _yaml(
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
        yield _yaml(
            "design.control",
            "no control",
            f"one of {design.treatment}: " + ", ".join(levels[:12]),
            "Name the treatment that the others are compared with." + _like_nothing(levels),
        )


def _like_nothing(levels: Sequence[str]) -> str:
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
    elif study.scans:
        in_use = _scans_in_use(study)
        if not any(classes.target in s.others for s in in_use):
            yield _no_target(study, classes.target)
            return
        yield from grouped(_scan_labels(in_use, classes.target))
        levels = sorted({s.others.get(classes.target, "") for s in in_use} - {""})
    else:
        return  # a column of the scan sheet, which is not there yet
    if len(levels) < 2:
        only = quoted(levels[0]) if levels else "none"
        yield _yaml(
            "classes.target",
            f"{quoted(classes.target)} with one class only ({only})",
            "at least two classes to tell apart",
            "Name another target, or leave the section classes out.",
        )


def _scans_in_use(study: Study) -> list[Scan]:
    """Return the leaf scans of the sessions of the classifier that no decision excludes."""
    wanted = {*sessions_read(study, "classes", "reflectance")}
    last = {decision.scan: decision.action for decision in study.decisions}
    return [s for s in study.samples() if s.session in wanted and last.get(s.scan) != "exclude"]


def _no_target(study: Study, target: str) -> Problem:
    valid = columns_of(study.definition.design)
    others = dict.fromkeys(name for scan in study.samples() for name in scan.others)
    return _yaml(
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
    return sorted({labels.get(column, "") for labels in study.units.values()} - {""})
