"""Rule ``effects``: from unit means to tested effects, sentences and the whole-spectrum band."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.effects.analysis import Plan, all_effects, plan_from
from leafledger.effects.changes import unit_table
from leafledger.effects.description import description
from leafledger.effects.families import UNDEFINED, Judged, judged, record
from leafledger.effects.findings import findings, main_rows
from leafledger.effects.layout import DIFFERENCE, Contrast, Layout, contrasts, layout_from
from leafledger.effects.plan_words import plan_sentences
from leafledger.effects.readings import readings
from leafledger.effects.sensitivity import with_and_without
from leafledger.effects.sentences import sentences
from leafledger.effects.settings import misfits
from leafledger.effects.unit_means import unit_means
from leafledger.effects.whole_spectrum import simultaneous_band, unit_spectra
from leafledger.errors import InputFault
from leafledger.records.job import Job, Metric, Outcome
from leafledger.study.columns import EFFECTS, FLAGS, SPECTRUM_EFFECTS, TEXT
from leafledger.study.spectra import load_spectra
from leafledger.study.tables import read_csv, read_json, write_csv, write_json

if TYPE_CHECKING:
    import pandas as pd

_WHOLE = ("n_units", "n_units_reference", "n_missing", "n_family", "n_draws", "seed")


def run(job: Job) -> Outcome:
    """Write ``effects.csv``, ``effects.json`` and ``spectrum_effects.csv``.

    Raises
    ------
    InputFault
        If the settings name an index, session or method that the study does not have.
    """
    layout = layout_from(job.settings["design"], job.settings["units"])
    plan = plan_from(job.settings["effects"], layout)
    units = {e["index"]: e["unit"] for e in read_json(job.inputs["catalogue"])["indices"]}
    if problems := misfits(plan, layout, list(units)):
        raise InputFault(problems)
    means = read_csv(job.inputs["unit_indices"], text=tuple(TEXT))
    table = unit_table(layout, means, units)
    effects = all_effects(layout, table, plan) if layout.word else []
    rows = judged(effects, plan.alpha)
    write_csv(job.outputs["effects"], _frame(rows, units), EFFECTS)
    summary = _summary(rows, layout, plan, units)
    summary["description"] = description(layout, means, units)
    summary["with_and_without"] = _without_exclusions(job, layout, plan, rows, units)
    write_json(job.outputs["effects_summary"], summary)
    write_csv(job.outputs["spectrum_effects"], _spectrum(job, layout, plan), SPECTRUM_EFFECTS)
    return Outcome(_metrics(rows, layout, units), _warnings(rows, layout), {"effects": plan.seed})


def _frame(rows: Sequence[Judged], units: Mapping[str, str]) -> pd.DataFrame:
    import pandas as pd

    records = [record(row, units.get(row.effect.index, "")) for row in rows]
    frame = pd.DataFrame(records, columns=list(EFFECTS))
    for name in EFFECTS:
        if name in _WHOLE:
            frame[name] = frame[name].astype("Int64")
        elif name not in TEXT | FLAGS:
            frame[name] = frame[name].astype("float64")
    return frame


def _summary(
    rows: Sequence[Judged], layout: Layout, plan: Plan, units: Mapping[str, str]
) -> dict[str, Any]:
    main = main_rows(rows, layout, plan)
    primary = [row for row in main if row.effect.primary]
    shown = [record(row, units.get(row.effect.index, "")) for row in primary]
    return {
        "plan": plan_sentences(layout, plan, len(units)),
        "primary": {**shown[0], "contrasts": [r["contrast"] for r in shown]} if shown else None,
        "sentences": sentences(main, layout, units, plan.alpha, exploratory=plan.primary is None),
        "findings": findings(rows, layout, plan, units),
        "alpha": plan.alpha,
        "interval": plan.level,
    }


def _without_exclusions(
    job: Job, layout: Layout, plan: Plan, rows: Sequence[Judged], units: Mapping[str, str]
) -> dict[str, Any] | None:
    """Return the primary contrasts with and without exclusions; ``None`` if none is named."""
    primary = [row.effect for row in rows if row.effect.primary]
    if not primary or not (layout.before and layout.after):
        return None
    scans = read_csv(job.inputs["accepted"], text=tuple(TEXT), flags=tuple(FLAGS))
    columns = (scans[name].tolist() for name in ("scan", "unit", "session", "leaf"))
    places = {scan: (unit, day, leaf) for scan, unit, day, leaf in zip(*columns, strict=True)}
    everything = unit_table(
        layout, _means_of_all(job, places), {*units, *(e.index for e in primary)}
    )
    dropped = scans.loc[~scans["accepted"], "scan"]
    excluded = {scan: places[scan][:2] for scan in dropped}
    return {
        "rows": with_and_without(layout, plan, everything, primary, excluded),
        "reasons": _reasons(job.inputs["exclusions"], set(dropped)),
    }


def _means_of_all(job: Job, places: Mapping[str, tuple[str, str, str]]) -> pd.DataFrame:
    import pandas as pd

    means = unit_means(readings(job.by_session("indices"), places, set(places)))
    rows = [(*key, found.mean, found.u) for key, found in means.items()]
    return pd.DataFrame(rows, columns=["unit", "session", "index", "mean", "u"])


def _reasons(path: Path, excluded: set[str]) -> list[dict[str, str]]:
    """Return why each excluded scan was left out, as the table of exclusions has it."""
    table = read_csv(path, text=tuple(TEXT))
    kept = table[table["scan"].isin(excluded) & (table["applied"] == "exclude")]
    kept = kept.sort_values(["scan", "rule"], kind="stable")
    return [
        {"scan": scan, "rule": rule, "reason": reason}
        for scan, rule, reason in zip(kept["scan"], kept["rule"], kept["reason"], strict=True)
    ]


def _spectrum(job: Job, layout: Layout, plan: Plan) -> pd.DataFrame:
    import pandas as pd

    empty = pd.DataFrame(columns=list(SPECTRUM_EFFECTS))
    asked = [c for c in contrasts(layout) if c.question == DIFFERENCE and not c.obstacle]
    if not layout.word or not asked:
        return empty
    spectra = load_spectra(
        job.by_session("reflectance"),
        job.inputs["accepted"],
        job.inputs["range"],
        job.settings["units"],
        sessions=layout.sessions,
    )
    units = sorted(unit for arm in layout.levels.values() for unit in arm)
    means = unit_spectra(spectra.reflectance, spectra.rows, units, layout.sessions)
    before = means[:, : len(layout.before)].mean(axis=1)
    frames = []
    for contrast in asked:
        change = means[:, layout.sessions.index(contrast.after)] - before
        frame = _contrast_band(contrast, layout, plan, units, change)
        if frame is not None:
            frames.append(frame.assign(wavelength_nm=spectra.wavelength_nm))
    if not frames:
        return empty
    table = pd.concat(frames, ignore_index=True)
    return table.sort_values(["contrast", "wavelength_nm"], kind="stable", ignore_index=True)


def _contrast_band(
    contrast: Contrast,
    layout: Layout,
    plan: Plan,
    units: Sequence[str],
    change: NDArray[np.float64],
) -> pd.DataFrame | None:
    """Return the band of one contrast; ``None`` with fewer than two units in an arm."""
    import pandas as pd

    two = {*layout.levels[contrast.level], *layout.levels.get(contrast.reference, ())}
    rows = [i for i, u in enumerate(units) if u in two and np.isfinite(change[i]).all()]
    treated = np.array([units[i] in layout.levels[contrast.level] for i in rows], dtype=bool)
    n, n_reference = int(treated.sum()), int((~treated).sum())
    if min(n, n_reference) < 2:
        return None
    blocks = [layout.blocks.get(units[i], "") for i in rows]
    band = simultaneous_band(change[rows], treated, blocks, plan.level, plan.n_draws, plan.seed)
    columns = {
        "contrast": contrast.name,
        "estimate": band.estimate,
        "low": band.low,
        "high": band.high,
        "n_units": n,
        "n_units_reference": n_reference,
    }
    return pd.DataFrame(columns)


def _metrics(rows: Sequence[Judged], layout: Layout, units: Mapping[str, str]) -> list[Metric]:
    out = [
        Metric("n_units", sum(len(arm) for arm in layout.levels.values()) if layout.word else 0),
        Metric("n_tests", len(rows)),
        Metric("n_undefined", sum(row.verdict == UNDEFINED for row in rows)),
    ]
    main = next((row for row in rows if row.effect.primary and row.verdict != UNDEFINED), None)
    if main is not None:
        unit = units.get(main.effect.index, "1")
        out.append(Metric("primary_estimate", main.effect.tested.estimate, unit))
        out.append(Metric("primary_p", main.effect.tested.p))
    return out


def _warnings(rows: Sequence[Judged], layout: Layout) -> list[str]:
    if not layout.word:
        return ["units are not known: effects are described, not tested"]
    out = []
    if len(layout.levels) > 1 and not layout.control:
        out.append("no control is named: treatments are not compared with each other")
    undefined = {row.reason for row in rows if row.verdict == UNDEFINED}
    for reason in sorted(undefined):
        n = sum(row.verdict == UNDEFINED and row.reason == reason for row in rows)
        out.append(f"{n} {'tests are' if n > 1 else 'test is'} undefined: {reason}")
    return out
