"""What may each rule see of the study, and which settings does a record hold?

A rule sees its own settings and no others. This cut is what makes "rerun only what changed" true: a
setting that a rule cannot see cannot make it run again. Which sections a rule sees is declared in
the registry of rules. The other way round, a record's settings are named as in ``study.yaml``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from leafledger.study.definition import Classes, Definition, Form, Session
from leafledger.study.rules import BY_NAME
from leafledger.study.scan_sheet import Scan, columns_of
from leafledger.study.study import Study, sessions_read
from leafledger.study.written_plan import Plan, plan_of

# What a rule sees
# ----------------------------------------------------------------------

Settings = dict[str, Any]
SHEET_ROWS = frozenset({"scans", "units", "elsewhere", "labels"})
"""Settings that hold rows of the sheets: one of each scan or unit, texts and numbers."""


def settings_of(study: Study, rule: str, session: str | None) -> Settings:
    """Return the settings of a rule as plain JSON values: the sections that it sees, joined.

    Parameters
    ----------
    study
        The whole study.
    rule
        Name of the rule.
    session
        The session, or ``None`` for a rule of the whole study.
    """
    settings: Settings = {}
    for section in BY_NAME[rule].sees:
        for name, value in SECTIONS[section](study, session).items():
            settings[name] = {**settings[name], **value} if name in settings else value
    return settings


def plan_of_study(study: Study) -> Plan:
    """Return the plan of a study."""
    return plan_of(
        settings_of(study, "effects", None), settings_of(study, "catalogue", None)["indices"]
    )


def _dump(section: Any) -> Any:
    return section.model_dump(mode="json")


def _stated(session: Session) -> Settings:
    """Return what a session is to every rule: field notes and what becomes of it are apart."""
    return {
        "session": session.session,
        "date": None if session.date is None else session.date.isoformat(),
        "phase": session.phase,
    }


# --- study.yaml ------------------------------------------------------------------------------


def _form(study: Study, session: str | None) -> Settings:
    return {"session": session, "form": _dump(study.form(str(session)))}


def _instrument(study: Study, _session: str | None) -> Settings:
    return {"instrument": _dump(study.definition.instrument)}


def _reflectance(study: Study, _session: str | None) -> Settings:
    return {"reflectance": _dump(study.definition.reflectance)}


def _checks(study: Study, _session: str | None) -> Settings:
    return {"checks": _dump(study.definition.quality.checks)}


def _apply(study: Study, _session: str | None) -> Settings:
    return {"apply": study.definition.quality.apply}


def _range(study: Study, _session: str | None) -> Settings:
    return {"range": _dump(study.definition.quality.range)}


def _severity(study: Study, _session: str | None) -> Settings:
    return {"severity": _dump(study.definition.quality.severity)}


def _indices(study: Study, _session: str | None) -> Settings:
    return {"indices": _dump(study.definition.indices)}


def _effects(study: Study, _session: str | None) -> Settings:
    section = _dump(study.definition.effects)
    return {"effects": {key: value for key, value in section.items() if key != "responses"}}


def _responses(study: Study, _session: str | None) -> Settings:
    return {"responses": list(study.definition.effects.responses)}


def _classes(study: Study, _session: str | None) -> Settings:
    return {"classes": _dump(study.definition.classes)}


def _classes_without(*keys: str) -> Callable[[Study, str | None], Settings]:
    """Return a cut of the section ``classes`` without the keys that a rule has no use for."""

    def cut(study: Study, _session: str | None) -> Settings:
        section = _classes(study, None)["classes"] or {}
        return {"classes": {key: value for key, value in section.items() if key not in keys}}

    return cut


def _design_of_classes(which: str) -> Callable[[Study, str | None], Settings]:
    """Return a cut of the design: what tells units apart, blocks, phases of the sessions read."""

    def cut(study: Study, _session: str | None) -> Settings:
        design, read = study.definition.design, {*sessions_read(study, which)}
        sessions = [
            {"session": s.session, "phase": s.phase} for s in study.measured if s.session in read
        ]
        return {
            "design": {
                "unit": design.unit,
                "treatment": design.treatment,
                "block": design.block,
                "sessions": sessions,
            }
        }

    return cut


def _report(study: Study, _session: str | None) -> Settings:
    return {"report": _dump(study.definition.report)}


def _title(study: Study, _session: str | None) -> Settings:
    return {"title": study.definition.title}


def _question(study: Study, _session: str | None) -> Settings:
    return {"question": study.definition.question}


def _leaf_model(study: Study, _session: str | None) -> Settings:
    traits = study.definition.traits
    return {"leaf_model": None if traits is None else _dump(traits.leaf_model)}


def _pigments(study: Study, _session: str | None) -> Settings:
    return {"pigments": _dump(study.definition.pigments)}


def _traits(study: Study, _session: str | None) -> Settings:
    section = _dump(study.definition.traits) if study.definition.traits else {}
    return {"traits": {key: value for key, value in section.items() if key != "leaf_model"}}


def _trait_columns(study: Study, _session: str | None) -> Settings:
    """Return what units and leaf scans hold in the columns that are targets of the traits."""
    traits = study.definition.traits
    targets = [] if traits is None else traits.targets
    every = study.columns_of_units
    units = {name: every[name] for name in targets if name in every}
    of_scans = [name for name in targets if name not in units]
    scans = {
        name: {s.scan: s.others[name] for s in study.samples() if s.others.get(name)}
        for name in of_scans
        # A column without any value yet is a column all the same.
        if any(name in s.others for s in study.samples())
    }
    return {"columns": {"units": units, "scans": scans}}


def _unit_word(study: Study, _session: str | None) -> Settings:
    return {"design": {"unit": study.definition.design.unit}}


def _design(study: Study, _session: str | None) -> Settings:
    design = study.definition.design
    return {
        "design": {
            "unit": design.unit,
            "treatment": design.treatment,
            "control": design.control,
            "block": design.block,
            "factors": list(design.factors),
            "doses": dict(design.doses),
            "sessions": [_stated(s) for s in study.measured],
        }
    }


def _waiting(study: Study, _session_id: str | None) -> Settings:
    """Return all stated sessions, and what waits, of a study that is not complete.

    Nothing once every session has been measured and the treatments are allocated: the settings are
    then those of a study that was measured before its first run.
    """
    if len(study.measured) == len(study.sessions) and study.is_allocated:
        return {}
    skipped = study.skipped
    sessions = [
        {
            **_stated(s),
            **({"to_come": True} if s.session in study.to_come else {}),
            **({"skipped": skipped[s.session]} if s.session in skipped else {}),
        }
        for s in study.sessions
    ]
    settings: Settings = {"design": {"sessions": sessions}}
    if not study.is_allocated:
        settings["design"]["unallocated"] = list(study.definition.design.levels)
    return settings


def _field_notes(study: Study, _session_id: str | None) -> Settings:
    """Return what persons noted of sessions and scans; nothing at all if nobody did."""
    sessions = {
        s.session: {name: text for name in ("weather", "light") if (text := getattr(s, name))}
        for s in study.sessions
    }
    scans = {
        s.scan: {
            "session": s.session,
            **({"note": s.note} if s.note else {}),
            **({"photo": s.photo} if s.photo else {}),
        }
        for s in (*study.scans, *study.omitted)
        if s.note or s.photo
    }
    by_kind = {
        "sessions": {name: notes for name, notes in sessions.items() if notes},
        "scans": scans,
    }
    by_kind = {name: notes for name, notes in by_kind.items() if notes}
    return {"field_notes": by_kind} if by_kind else {}


def _set_aside(study: Study, _session_id: str | None) -> Settings:
    """Return the scans with a decision that take no part in anything; nothing if there is none."""
    taking_part = {scan.scan for scan in study.samples()}
    aside = sorted({decision.scan for decision in study.decisions} - taking_part)
    return {"set_aside": aside} if aside else {}


def _left_out(study: Study, _session_id: str | None) -> Settings:
    """Return the scans that the sheet leaves out, and why no classifier is trained, if so."""
    omitted = [
        {"scan": s.scan, "session": s.session, "role": s.role, "reason": s.omitted}
        for s in study.omitted
    ]
    settings: Settings = {"omitted": omitted} if omitted else {}
    if study.why_no_classes:
        settings["no_classes"] = study.why_no_classes
    return settings


def _whole_plot(study: Study, _session: str | None) -> Settings:
    return {"design": {"whole_plot": study.definition.design.whole_plot}}


def _control_and_sessions(study: Study, _session: str | None) -> Settings:
    design = study.definition.design
    sessions = [_stated(s) for s in study.measured]
    return {"design": {"unit": design.unit, "control": design.control, "sessions": sessions}}


# --- units.csv -------------------------------------------------------------------------------


def _units(study: Study, _session: str | None) -> Settings:
    return {"units": {unit: dict(labels) for unit, labels in study.units.items()}}


def _treatments(study: Study, _session: str | None) -> Settings:
    column = study.definition.design.treatment
    return {"design": {"treatments": {u: row.get(column, "") for u, row in study.units.items()}}}


# --- scans.csv -------------------------------------------------------------------------------


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


def _scans_in_files(study: Study, session: str | None) -> Settings:
    rows = [intake_row(s) for s in study.scans_of(session)]
    elsewhere = _named_elsewhere(study, str(session))
    return {"scans": rows, "elsewhere": elsewhere} if elsewhere else {"scans": rows}


def _named_elsewhere(study: Study, session: str) -> dict[str, list[str]]:
    """Return file -> its scans that other sessions name, for the files that this one shares.

    So that intake calls no scan unused which another session uses. Of a table that is its own
    scan sheet every row is used.
    """
    form = study.form(session)
    if form.form == "wide_table" and form.scan_column is None:
        return {}
    shared_items: dict[str, list[str]] = {}
    for file in sorted({scan.file for scan in study.scans_of(session)}):
        others = [
            items
            for other_session, items in study.items_by_file[file].items()
            if other_session != session
        ]
        if others:
            shared_items[file] = sorted(set().union(*others))
    return shared_items


def _leaves_of_session(study: Study, session: str | None) -> Settings:
    return {
        "scans": {
            s.scan: {"unit": study.unit_of(s), "leaf": s.leaf, "replicate": s.replicate}
            for s in study.samples(session)
        }
    }


def _leaves_of_study(study: Study, _session: str | None) -> Settings:
    return {
        "scans": [
            {
                "scan": s.scan,
                "session": s.session,
                "unit": study.unit_of(s),
                "leaf": s.leaf,
                "replicate": s.replicate,
            }
            for s in study.samples()
        ]
    }


def _roles(study: Study, _session: str | None) -> Settings:
    return {
        "scans": {
            session: [{"scan": s.scan, "role": s.role} for s in study.scans_of(session)]
            for session in study.session_ids
        }
    }


def _unit_and_leaf(study: Study, _session: str | None) -> Settings:
    return {
        "scans": {
            s.scan: {"session": s.session, "unit": study.unit_of(s), "leaf": s.leaf}
            for s in study.samples()
        }
    }


def _instruments(study: Study, _session: str | None) -> Settings:
    """Return the leaf scans that name their instrument; nothing at all if none does."""
    named = {
        s.scan: {"session": s.session, "unit": study.unit_of(s), "instrument": s.instrument}
        for s in study.samples()
        if s.instrument
    }
    return {"scans": named} if named else {}


def _units_of_classes(study: Study, _session: str | None) -> Settings:
    """Return of each unit the target, the block and the column of a fixed split."""
    classes = study.definition.classes
    columns = [] if classes is None else [classes.target, study.definition.design.block]
    if classes is not None and not isinstance(classes.split, str):
        columns.append(classes.split.column)
    return {
        "units": {
            unit: {name: text for name, text in labels.items() if name in columns}
            for unit, labels in study.units.items()
        }
    }


def _scan_labels(study: Study, _session: str | None) -> Settings:
    """Return the label of every leaf scan that takes part, if the scan sheet holds the target."""
    classes = study.definition.classes
    if classes is None or classes.target in columns_of(study.definition.design):
        return {}
    sessions = {*sessions_read(study, "classes")}
    samples = [s for s in study.samples() if s.session in sessions]
    return {"labels": {s.scan: s.others.get(classes.target, "") for s in samples}}


SECTIONS: Mapping[str, Callable[[Study, str | None], Settings]] = {
    "intake.forms": _form,
    "instrument": _instrument,
    "reflectance": _reflectance,
    "quality.checks": _checks,
    "quality.apply": _apply,
    "quality.range": _range,
    "quality.severity": _severity,
    "indices": _indices,
    "effects": _effects,
    "effects: responses": _responses,
    "classes": _classes,
    "classes, but for n_permutations": _classes_without("n_permutations"),
    "classes, but for margin": _classes_without("margin"),
    "pigments": _pigments,
    "traits.leaf_model": _leaf_model,
    "traits": _traits,
    "design: unit": _unit_word,
    "report": _report,
    "title": _title,
    "question": _question,
    "design": _design,
    "design: whole_plot": _whole_plot,
    "design: sessions to come or skipped": _waiting,
    "field notes": _field_notes,
    "scans.csv: omitted": _left_out,
    "scans.csv: omitted or planned, with a decision": _set_aside,
    "design: unit, control, sessions": _control_and_sessions,
    "design: unit, treatment, block, sessions of the classifier": _design_of_classes("classes"),
    "design: unit, treatment, block, these sessions and those before": _design_of_classes(
        "classes+before"
    ),
    "units.csv": _units,
    "units.csv: treatment": _treatments,
    "units.csv: target, block and split of the classes": _units_of_classes,
    "units.csv and scans.csv: targets of the traits": _trait_columns,
    "scans.csv: file, item, role, time, integration_ms, averages": _scans_in_files,
    "scans.csv: unit, leaf, replicate": _leaves_of_session,
    "scans.csv: session, unit, leaf, replicate": _leaves_of_study,
    "scans.csv: session, role": _roles,
    "scans.csv: session, unit, leaf": _unit_and_leaf,
    "scans.csv: session, unit, instrument": _instruments,
    "scans.csv: target of the classes": _scan_labels,
}
"""Section as `Rule.sees` names it -> the function that cuts it from the study."""


# As flat text, name by name.
# ----------------------------------------------------------------------

_LONGEST_VALUE = 6000
_OF_QUALITY = frozenset({"checks", "apply", "range", "severity"})
_OF_THE_SHEETS = frozenset({"scans", "units", "field_notes", "omitted", "set_aside", "no_classes"})
"""What a record holds of the sheets, or of what they lack yet: no setting of ``study.yaml``."""
_IDS = ("session", "index")
"""Keys by which the items of a list are named."""


def parameters(record: Mapping[str, Any]) -> dict[str, str]:
    """Return the settings of a record as text, under the names they have in ``study.yaml``.

    What the sheets say of scans and units is left out: the record itself holds it.

    Examples
    --------
    >>> parameters({"rule": "reflectance", "session": "day0",
    ...             "settings": {"reflectance": {"grid": {"step_nm": 1.0}, "smoothing": None}}})
    {'reflectance.grid.step_nm': '1.0', 'reflectance.smoothing': 'none'}
    >>> parameters({"rule": "acceptance", "session": None,
    ...             "settings": {"apply": "faults", "scans": [{"scan": "a"}]}})
    {'quality.apply': 'faults'}
    >>> parameters({"rule": "catalogue", "session": None, "settings": {"indices": {"formulas": [
    ...     {"index": "RE_contrast", "unit": "1"}]}}})
    {'indices.formulas': 'RE_contrast', 'indices.formulas.RE_contrast.unit': '1'}
    """
    return {name_of(k): v[:_LONGEST_VALUE] for k, v in _flat(_as_in_the_study(record), "")}


def _as_in_the_study(record: Mapping[str, Any]) -> dict[str, Any]:
    """Return the settings of a record in the places that they have in ``study.yaml``."""
    settings = {k: v for k, v in record["settings"].items() if k not in _OF_THE_SHEETS}
    if record["rule"] == "intake":
        return {"intake": {"forms": {record["session"]: settings["form"]}}}
    placed: dict[str, Any] = {k: v for k, v in settings.items() if k not in _OF_QUALITY}
    if len(placed) < len(settings):
        placed["quality"] = {k: v for k, v in settings.items() if k in _OF_QUALITY}
    if "design" in placed:
        placed["design"] = {k: v for k, v in placed["design"].items() if k != "treatments"}
    return placed


def _flat(value: Any, key_path: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _flat(inner, f"{key_path}.{key}" if key_path else str(key))
    elif isinstance(value, list) and all(not isinstance(item, Mapping | list) for item in value):
        yield key_path, ", ".join(_text(item) for item in value)
    elif isinstance(value, list):
        id_key = _id_key(value)
        if id_key is not None:
            yield key_path, ", ".join(item[id_key] for item in value)
        for number, item in enumerate(value):
            name = number if id_key is None else item[id_key]
            rest = item if id_key is None else {k: v for k, v in item.items() if k != id_key}
            yield from _flat(rest, f"{key_path}.{name}")
    else:
        yield key_path, _text(value)


def _id_key(items: list[Any]) -> str | None:
    """Return the key by which the items of a list are told apart, if they have one."""
    for key in _IDS:
        ids = [item.get(key) if isinstance(item, Mapping) else None for item in items]
        if all(isinstance(value, str) for value in ids) and len(set(ids)) == len(ids):
            return key
    return None


def _text(value: Any) -> str:
    if value is None:
        return "none"
    return str(value).lower() if isinstance(value, bool) else str(value)


def name_of(text: str) -> str:
    """Return ``text`` with every character that the store refuses in a name turned into ``_``.

    Examples
    --------
    >>> name_of("(day8-day0)@chelate: p")
    '_day8-day0__chelate_ p'
    """
    return re.sub(r"[^A-Za-z0-9_./ -]", "_", text)[:250] or "_"


# Beside the defaults: what the task would have been given had the study said nothing.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Setting:
    """One setting under its name in ``study.yaml``; ``default`` is ``None`` if it has none."""

    name: str
    value: str
    default: str | None

    @property
    def changed(self) -> bool:
        """Whether the study says something else than the default."""
        return self.value != self.default


def settings_of_record(record: Mapping[str, Any]) -> list[Setting]:
    """Return the settings of a record, those that differ from the defaults first, design last.

    Examples
    --------
    >>> record = {"rule": "acceptance", "session": None,
    ...           "settings": {"apply": "none", "range": {"signal_to_noise": 200.0}}}
    >>> [(s.name, s.value, s.default) for s in settings_of_record(record)]
    ... # doctest: +NORMALIZE_WHITESPACE
    [('quality.apply', 'none', 'faults'),
     ('quality.range.signal_to_noise', '200.0', '200.0')]
    """
    standard = parameters({**record, "settings": _defaults(record)})
    settings = [
        Setting(name, value, standard.get(name)) for name, value in parameters(record).items()
    ]
    return sorted(settings, key=lambda s: (not s.changed, s.name.startswith("design.")))


def _defaults(record: Mapping[str, Any]) -> dict[str, Any]:
    """Return the default of every section that a record's settings hold."""
    default = _definition()
    sections: dict[str, Any] = {
        "form": Form().model_dump(mode="json"),
        "checks": default["quality"]["checks"],
        "apply": default["quality"]["apply"],
        "range": default["quality"]["range"],
        "severity": default["quality"]["severity"],
    }
    settings = record["settings"]
    if isinstance(settings.get("classes"), Mapping):
        named = Classes(target=str(settings["classes"].get("target", "treatment")))
        sections["classes"] = named.model_dump(mode="json") | {"target": None}
    default_of = {**default, **sections}
    return {
        name: default_of.get(name, {})
        for name in settings
        if name in default_of or name == "session"
    }


@cache
def _definition() -> dict[str, Any]:
    dumped: dict[str, Any] = Definition(title="none").model_dump(mode="json")
    return {name: value for name, value in dumped.items() if name not in {"title", "classes"}}
