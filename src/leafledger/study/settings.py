"""What each rule may see of the study: its own settings and no others.

This cut is what makes "rerun only what changed" true: a setting that a rule cannot see cannot
make it run again.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from leafledger.study.layout import sessions_read
from leafledger.study.plan import Plan, plan_of
from leafledger.study.scan_sheet import Scan
from leafledger.study.study import Study
from leafledger.study.units import columns_of

Settings = dict[str, Any]


def settings_of(study: Study, rule: str, session: str | None) -> Settings:
    """Return the settings of a rule as plain JSON values.

    Parameters
    ----------
    study
        The whole study.
    rule
        Name of the rule.
    session
        The session, or ``None`` for a rule of the whole study.
    """
    if session is not None:
        return _BY_SESSION[rule](study, session)
    return _BY_STUDY[rule](study)


def plan_of_study(study: Study) -> Plan:
    """Return the plan of a study."""
    return plan_of(_effects(study), _indices(study)["indices"])


def _dump(section: Any) -> Any:
    return section.model_dump(mode="json")


def _design(study: Study) -> Settings:
    design = study.definition.design
    return {
        "unit": design.unit,
        "treatment": design.treatment,
        "control": design.control,
        "block": design.block,
        "factors": list(design.factors),
        "doses": dict(design.doses),
        "sessions": [_dump(s) for s in study.sessions],
    }


def _units(study: Study) -> Settings:
    return {unit: dict(labels) for unit, labels in study.units.items()}


def intake_row(scan: Scan) -> Settings:
    """Return what intake is told of a scan: nothing of its unit, leaf or note."""
    return {
        "scan": scan.scan,
        "file": scan.file,
        "item": scan.item,
        "role": scan.role,
        "time": scan.time,
        "integration_ms": scan.integration_ms,
        "averages": scan.averages,
    }


def _intake(study: Study, session: str) -> Settings:
    rows = [intake_row(s) for s in study.scans if s.session == session]
    told = {"session": session, "form": _dump(study.form(session)), "scans": rows}
    elsewhere = _named_elsewhere(study, session)
    return {**told, "elsewhere": elsewhere} if elsewhere else told


def _named_elsewhere(study: Study, session: str) -> dict[str, list[str]]:
    """Return file -> its scans that other sessions name, for the files that this one shares.

    So that intake calls no scan unused which another session uses. Of a table that is its own
    scan sheet every row is used.
    """
    form = study.form(session)
    if form.form == "wide_table" and form.scan_column is None:
        return {}
    own = {scan.file for scan in study.scans if scan.session == session}
    named: dict[str, set[str]] = {}
    for scan in study.scans:
        if scan.session != session and scan.file in own:
            named.setdefault(scan.file, set()).add(scan.item)
    return {file: sorted(items) for file, items in sorted(named.items())}


def _reflectance(study: Study, _session: str) -> Settings:
    definition = study.definition
    return {
        "instrument": _dump(definition.instrument),
        "reflectance": _dump(definition.reflectance),
    }


def _quality(study: Study, session: str) -> Settings:
    return {
        "checks": _dump(study.definition.quality.checks),
        "scans": {
            s.scan: {"unit": study.unit_of(s), "leaf": s.leaf, "replicate": s.replicate}
            for s in study.samples(session)
        },
    }


def _acceptance(study: Study) -> Settings:
    design = study.definition.design
    quality = study.definition.quality
    return {
        "apply": quality.apply,
        "range": _dump(quality.range),
        "design": {
            "unit": design.unit,
            "control": design.control,
            "sessions": [_dump(s) for s in study.sessions],
            "treatments": {u: row.get(design.treatment, "") for u, row in study.units.items()},
        },
        "scans": [
            {
                "scan": s.scan,
                "session": s.session,
                "unit": study.unit_of(s),
                "leaf": s.leaf,
                "replicate": s.replicate,
            }
            for s in study.samples()
        ],
    }


def _indices(study: Study, _session: str | None = None) -> Settings:
    return {"indices": _dump(study.definition.indices)}


def _validation(study: Study) -> Settings:
    def roles(session: str) -> list[dict[str, str]]:
        return [{"scan": s.scan, "role": s.role} for s in study.scans if s.session == session]

    return {
        "severity": _dump(study.definition.quality.severity),
        "scans": {session: roles(session) for session in study.session_ids},
    }


def _unit_means(study: Study) -> Settings:
    def place(s: Scan) -> dict[str, str]:
        return {"session": s.session, "unit": study.unit_of(s), "leaf": s.leaf}

    return {"scans": {s.scan: place(s) for s in study.samples()}}


def _effects(study: Study) -> Settings:
    return {
        "design": {**_design(study), "whole_plot": study.definition.design.whole_plot},
        "effects": _dump(study.definition.effects),
        "units": _units(study),
        **_instruments(study),
    }


def _instruments(study: Study) -> Settings:
    """Return the leaf scans that name their instrument; nothing at all if none does."""
    named = {
        s.scan: {"session": s.session, "unit": study.unit_of(s), "instrument": s.instrument}
        for s in study.samples()
        if s.instrument
    }
    return {"scans": named} if named else {}


def _classes(study: Study) -> Settings:
    return _of_classes(study, "classes", ())


def _rivals(study: Study) -> Settings:
    return _of_classes(study, "rivals", ("n_permutations",))


def _negative_controls(study: Study) -> Settings:
    return _of_classes(study, "negative_controls", ("margin",))


def _of_classes(study: Study, rule: str, without: tuple[str, ...]) -> Settings:
    """Return what a rule of the section ``classes`` sees.

    Of the design: what tells units apart, blocks, and the phases of the sessions that it reads.
    Of the units: the target, the block, and the column of a fixed split. ``without``: keys of the
    section that it has no use for.
    """
    design, classes = study.definition.design, study.definition.classes
    read = {*sessions_read(study, rule, "reflectance")}
    section = {} if classes is None else _dump(classes)
    columns = [] if classes is None else [classes.target, design.block]
    if classes is not None and not isinstance(classes.split, str):
        columns.append(classes.split.column)
    return {
        "design": {
            "unit": design.unit,
            "treatment": design.treatment,
            "block": design.block,
            "sessions": [
                {"session": s.session, "phase": s.phase}
                for s in study.sessions
                if s.session in read
            ],
        },
        "classes": {key: value for key, value in section.items() if key not in without},
        "units": {
            unit: {name: text for name, text in labels.items() if name in columns}
            for unit, labels in study.units.items()
        },
        **_scan_labels(study),
    }


def _scan_labels(study: Study) -> Settings:
    """Return the label of every leaf scan that takes part, if the scan sheet holds the target."""
    classes = study.definition.classes
    if classes is None or classes.target in columns_of(study.definition.design):
        return {}
    wanted = {*sessions_read(study, "classes", "reflectance")}
    samples = [s for s in study.samples() if s.session in wanted]
    return {"labels": {s.scan: s.others.get(classes.target, "") for s in samples}}


def _report(study: Study) -> Settings:
    definition = study.definition
    return {
        "title": definition.title,
        "question": definition.question,
        "design": _design(study),
        "units": _units(study),
        "report": _dump(definition.report),
    }


_BY_SESSION: dict[str, Callable[[Study, str], Settings]] = {
    "intake": _intake,
    "reflectance": _reflectance,
    "quality": _quality,
    "indices": _indices,
}
_BY_STUDY: dict[str, Callable[[Study], Settings]] = {
    "acceptance": _acceptance,
    "catalogue": _indices,
    "validation": _validation,
    "unit_means": _unit_means,
    "effects": _effects,
    "classes": _classes,
    "rivals": _rivals,
    "negative_controls": _negative_controls,
    "report": _report,
}
