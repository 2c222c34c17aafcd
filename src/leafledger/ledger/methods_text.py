"""What stands in the methods paragraph of a run, by the settings that it really used?"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from leafledger.ledger.crate import ExportedRun
from leafledger.ledger.plans import on_record
from leafledger.records.digests import sha256_of_file
from leafledger.study.study import PLAN_HISTORY_FILE, VARIANTS_TABLE
from leafledger.study.table_files import read_json
from leafledger.study.tables import STATED
from leafledger.study.tasks import VARIANTS_TASK
from leafledger.study.written_plan import mark_of, plan_of, sentences_of, words_of_others
from leafledger.words import counted, listed

_METHODS = {
    "paired_t": ("paired t tests", "Student (1908), Biometrika 6, 1-25"),
    "signed_rank": (
        "exact signed-rank tests",
        "Wilcoxon (1945), Biometrics Bulletin 1, 80-83",
    ),
    "sign_flip": ("sign-flip tests", "Fisher (1935), The Design of Experiments, section 21"),
    "linear_model": (
        "a linear model of the value after on treatment, value before and block, with HC2 errors "
        "and "
        "working variances by treatment",
        "MacKinnon and White (1985), Journal of Econometrics 29, 305-325",
    ),
    "linear_model_equal": (
        "the same model with Bell and McCaffrey's degrees of freedom",
        "Bell and McCaffrey (2002), Survey Methodology 28, 169-181",
    ),
    "welch_t": (
        "Welch t tests on the change of each unit",
        "Welch (1947), Biometrika 34, 28-35",
    ),
    "label_permutation": (
        "permutation of the labels among units, studentised within blocks",
        "Janssen (1997), Statistics & Probability Letters 36, 9-21",
    ),
    "ancova": (
        "analysis of covariance of the change on the value before",
        "Senn (2006), Statistics in Medicine 25, 4334-4344",
    ),
    "summary_mean": ("the mean of each unit's course", "Matthews et al. (1990), BMJ 300, 230-235"),
    "summary_slope": (
        "the slope of each unit's course",
        "Matthews et al. (1990), BMJ 300, 230-235",
    ),
    "summary_area": (
        "the area under each unit's course",
        "Matthews et al. (1990), BMJ 300, 230-235",
    ),
    "mixed_model": (
        "a mixed model with a random intercept",
        "Kenward and Roger (1997), Biometrics 53, 983-997",
    ),
    "mixed_model_slope": (
        "a mixed model with random slopes",
        "Kenward and Roger (1997), Biometrics 53, 983-997",
    ),
    "mixed_model_unstructured": (
        "a mixed model with unstructured covariance",
        "Kenward and Roger (1997), Biometrics 53, 983-997",
    ),
}
_HOLM = "Holm (1979), Scandinavian Journal of Statistics 6, 65-70"
_SCHUIRMANN = "Schuirmann (1987), Journal of Pharmacokinetics and Biopharmaceutics 15, 657-680"
_PLS = (
    "Barker and Rayens (2003), Journal of Chemometrics 17, 166-173",
    "Dayal and MacGregor (1997), Journal of Chemometrics 11, 73-85",
)
_WILSON = "Wilson (1927), Journal of the American Statistical Association 22, 209-212"
_REFERENCES = {
    "bracket": "the white references before and after each leaf, weighted by time",
    "nearest": "the white reference nearest in time",
    "mean": "the mean of the session's white references",
}
_QUESTIONS = {
    "change": "change",
    "difference_in_change": "difference in change",
    "difference": "difference after",
    "equivalence": "equivalence",
}


def methods_paragraph(run: ExportedRun) -> str:
    """Return the methods of a run as text to paste: sentences, then the sources they name."""
    sources: list[str] = []
    parts = [
        _design(run),
        _randomised(run),
        _reflectance(run),
        _quality(run),
        _indices(run, sources),
        _effects(run, sources),
        _classes(run, sources),
        _variants(run),
        _software(run),
    ]
    text = " ".join(" ".join(part) for part in parts)
    source_list = "\n".join(f"- {source}" for source in dict.fromkeys(sources))
    return f"{text}\n\nSources\n{source_list}\n"


def _design(run: ExportedRun) -> Iterator[str]:
    settings = run.settings("effects")
    design, units = settings["design"], settings["units"]
    word = design["unit"]
    sessions = [s for s in design["sessions"] if not (s.get("to_come") or s.get("skipped"))]
    counts: dict[str, int] = {}
    for labels in units.values():
        label = labels.get(design["treatment"], "")
        counts[label] = counts.get(label, 0) + 1
    groups = ", ".join(f"{n} {label}" for label, n in sorted(counts.items()) if label)
    dates = [s["date"] for s in sessions if s["date"]]
    when = ""
    if dates:
        when = f" ({dates[0]})" if len(set(dates)) == 1 else f" ({dates[0]} to {dates[-1]})"
    if design["unit"] is None:
        n_spectra = "1 leaf spectrum" if len(units) == 1 else f"{len(units)} leaf spectra"
        yield (
            f"{n_spectra} were analysed; which of them "
            f"share an experimental unit is not known{' (' + groups + ')' if groups else ''}."
        )
        return
    yield (
        f"Reflectance of leaves was measured in {counted(len(sessions), 'session')}{when} on "
        f"{counted(len(units), 'experimental unit')} ({word}{': ' + groups if groups else ''})."
    )
    if design["block"]:
        yield f"Units stood in blocks ({design['block']})."
    if design.get("unallocated"):
        treatments = listed([str(level) for level in design["unallocated"]])
        yield f"The treatments ({treatments}) had not been allocated when this was computed."
    yield from _sessions_without_scans(design["sessions"])
    yield from _noted(run)


def _sessions_without_scans(sessions: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Say which sessions were skipped, with their reasons, and which are still to come."""
    for session in sessions:
        if reason := session.get("skipped"):
            yield f"Session {session['session']} was planned and not measured: {reason}."
    coming = [str(session["session"]) for session in sessions if session.get("to_come")]
    if coming:
        still = "was still to be measured" if len(coming) == 1 else "were still to be measured"
        yield f"When this was computed, {listed(coming)} {still}."


def _noted(run: ExportedRun) -> Iterator[str]:
    """Say what persons noted in the field, and which scans the sheet leaves out, by reason."""
    settings = run.settings("report")
    notes = settings.get("field_notes") or {}
    for session, noted in (notes.get("sessions") or {}).items():
        words = [f"{name} {text}" for name in ("weather", "light") if (text := noted.get(name))]
        yield f"Noted at {session}: {'; '.join(words)}."
    scans = notes.get("scans") or {}
    n_notes = sum("note" in noted for noted in scans.values())
    n_photos = sum("photo" in noted for noted in scans.values())
    kinds = [counted(n_notes, "scan") + " with a note"] * bool(n_notes)
    kinds += [counted(n_photos, "scan") + " with a photograph"] * bool(n_photos)
    if kinds:
        yield f"The scan sheet has {listed(kinds)}."
    omitted = settings.get("omitted") or []
    if omitted:
        reasons = Counter(str(row["reason"]) for row in omitted)
        noted = "; ".join(f"{reason} ({n})" for reason, n in reasons.items())
        n = f"{counted(len(omitted), 'scan')} of the sheet"
        yield f"{n} {'was' if len(omitted) == 1 else 'were'} omitted for a stated reason: {noted}."


def _reflectance(run: ExportedRun) -> Iterator[str]:
    settings = run.settings("reflectance")
    instrument, how = settings["instrument"], settings["reflectance"]
    forms = [r["settings"]["form"] for r in run.records.values() if r["rule"] == "intake"]
    if any(form["quantity"] == "counts" for form in forms):
        yield (
            "Counts were turned into reflectance with the dark signal subtracted "
            f"({how['dark'].replace('_', ' ')}) and divided by {_REFERENCES[how['references']]}"
            f"; the panel's reflectance was taken as {instrument['panel']['reflectance']} "
            f"(relative standard uncertainty {instrument['panel']['u_relative']:g})."
        )
        yield from _corrections(instrument, how)
    if any(form["quantity"] != "counts" for form in forms):
        yield "Spectra that came as reflectance were taken as they were."
    grid = how["grid"]
    if isinstance(grid, Mapping):
        yield (
            f"Spectra were read at {grid['start_nm']:g} to {grid['stop_nm']:g} nm in steps of "
            f"{grid['step_nm']:g} nm."
        )
    smoothing = how["smoothing"]
    if smoothing:
        yield (
            f"They were smoothed by local polynomials of order {smoothing['order']} over "
            f"{smoothing['window_nm']:g} nm."
        )
    else:
        yield "They were not smoothed."


def _corrections(instrument: Mapping[str, Any], how: Mapping[str, Any]) -> Iterator[str]:
    if instrument["linearity"]:
        estimated = (
            ", estimated from the references" if instrument["linearity"] == "estimate" else ""
        )
        yield f"The detector's departure from linearity was corrected{estimated}."
    if how["stray_light"]:
        yield "Stray light was subtracted."
    if how["wavelengths"] == "from_lamp":
        yield "Wavelengths were corrected by the lines of a lamp."


def _quality(run: ExportedRun) -> Iterator[str]:
    trusted = run.json("results/range.json")
    yield (
        f"Wavelengths from {trusted['start_nm']:g} to {trusted['stop_nm']:g} nm were used: "
        f"{trusted['why']}."
    )
    table = run.table("results/accepted.csv")
    out = int((~table["accepted"]).sum())
    apply = {
        "none": "no check excluded a scan",
        "faults": "scans with a fault were excluded",
        "faults_and_outliers": "scans with a fault and outliers were excluded",
    }[run.settings("acceptance")["apply"]]
    yield (
        f"By rules fixed in the settings {apply}, and {counted(len(run.decisions), 'decision')} "
        f"of a person {'was' if len(run.decisions) == 1 else 'were'} recorded with a reason; "
        f"{out} of {counted(len(table), 'leaf scan')} "
        f"{'was' if out == 1 else 'were'} left out."
    )


def _indices(run: ExportedRun, sources: list[str]) -> Iterator[str]:
    entries = run.json("results/indices/catalogue.json")["indices"]
    names = [entry["index"] for entry in entries]
    sources += [f"{e['index']} = {e['formula']}: {e['source']}" for e in entries]
    read = run.settings("catalogue")["indices"]["band_read"]
    how = (
        "interpolated at the wavelengths of each formula"
        if read == "interpolate"
        else f"averaged over {read['mean_over_nm']:g} nm"
    )
    yield f"The indices {listed(names)} were computed from reflectance {how}."
    yield "Scans were averaged within leaves and leaves within units; n counts units throughout."


def _effects(run: ExportedRun, sources: list[str]) -> Iterator[str]:
    settings = run.settings("effects")["effects"]
    if run.settings("effects")["design"]["unit"] is None:
        yield "Units were not known, so that effects were described and not tested."
        return
    primary = settings["primary"]
    if primary:
        question = _QUESTIONS[primary["question"]]
        session = f" at {primary['session']}" if primary["session"] else ""
        yield (
            f"The primary outcome was the {question} of {primary['index']}{session}, judged at "
            f"{settings['alpha']:g}."
        )
    yield from _plan(run, named=bool(primary))
    named = [_METHODS[m] for m in settings["methods"]]
    sources += [source for _words, source in named]
    yield f"Effects were estimated by {listed([words for words, _source in named])}."
    sources.append(_HOLM)
    yield (
        "Other tests were adjusted within families of one question and one method by Holm's "
        f"procedure; intervals are at {100 * settings['interval']:g} %."
    )
    if settings["margin"]:
        sources.append(_SCHUIRMANN)
        margins = [f"{name} {value:g}" for name, value in settings["margin"].items()]
        yield f"Equivalence was tested by two one-sided tests (margins {listed(margins)})."
    yield (
        f"Tests by resampling drew {settings['n_draws']} times where full enumeration was out of "
        f"reach (seed {settings['seed']})."
    )


def _plan(run: ExportedRun, *, named: bool) -> Iterator[str]:
    """Yield what the book says of when the plan was made, as of this run."""
    if run.run.get("variant"):
        return  # its settings are not the study's plan
    has_history = PLAN_HISTORY_FILE in run.results
    facts = run.json(PLAN_HISTORY_FILE) if has_history else None
    yield from sentences_of(facts, primary=named)
    if mark_of(facts) and named:
        yield f"The verdict on the primary outcome is {mark_of(facts)}."
    plan = plan_of(run.settings("effects"), run.settings("catalogue").get("indices"))
    yield from words_of_others(on_record(run.book, until=run.run["run"]), plan)


def _classes(run: ExportedRun, sources: list[str]) -> Iterator[str]:
    settings = run.settings("classes").get("classes")
    if not settings:
        return
    sources += [*_PLS, _WILSON]
    folds = settings["folds"]
    split = settings["split"]
    split = split if isinstance(split, str) else f"as column {split['column']} says"
    prepared = [p.replace("_", " ") for p in settings["preprocessing"] if p not in ("none", "auto")]
    if "auto" in settings["preprocessing"]:
        prepared.append("preprocessing and decision rule chosen in inner folds")
    most, outer = settings["max_components"], folds["outer"]
    most = "more while the error fell" if most == "auto" else f"at most {most}"
    outer = "as many outer folds as the median class has units" if outer == "auto" else outer
    outer = f"{outer} outer folds" if isinstance(outer, int) else outer
    times = folds["repeats"]
    times = "3 to 10 times" if times == "auto" else f"{times} times"
    yield (
        f"A discriminant classifier of {settings['target']} by partial least squares was trained "
        f"on the spectra ({listed(prepared) if prepared else 'without preprocessing'}), with the "
        f"number of latent variables ({most}) chosen in inner folds "
        f"and its accuracy estimated in {outer}, {times}; "
        f"whole groups were held out together ({split.replace('_', ' ')})."
    )
    yield (
        f"Its accuracy was compared with {settings['n_permutations']} permutations of the labels "
        f"(seed {settings['seed']}); intervals of accuracy count units."
    )


def _randomised(run: ExportedRun) -> Iterator[str]:
    """Yield how treatments were allocated, where `leafledger plan` drew them.

    The table of lots tells who should have got what; the run, who got it.
    """
    table = run.folder / "plan" / "allocation.csv"
    if not table.is_file():
        return
    digest = sha256_of_file(table)
    allocations = [
        _lots_drawn(run.folder / "plan" / name) for name in ("plan.json", "allocation.json")
    ]
    lots = next(
        (allocation for allocation in allocations if allocation.get("sha256") == digest), None
    )
    with table.open(encoding="utf-8", newline="") as file:
        drawn = {row.get("unit"): row.get("treatment") for row in csv.DictReader(file)}
    settings = run.settings("effects")
    column = settings["design"]["treatment"]
    got = {unit: labels.get(column) for unit, labels in settings["units"].items()}
    if lots is None:
        yield "What plan/allocation.csv holds is not what was drawn by lot: its digest differs."
    elif drawn == got:
        words = str(lots["words"]).removesuffix(".")
        yield f"{words} (seed {lots['seed']}, SHA-256 of the allocation {digest})."
    else:
        odd = sum(got.get(unit) != treatment for unit, treatment in drawn.items())
        yield (
            f"Treatments were drawn by lot; {counted(odd, 'unit')} of {len(drawn)} did not have "
            f"the treatment that was drawn (SHA-256 of the allocation {digest})."
        )


def _lots_drawn(path: Path) -> dict[str, Any]:
    """Return words, seed and digest of lots from a file of the plan; empty if it tells of none."""
    try:
        plan = read_json(path)
    except (OSError, ValueError):
        return {}
    if not isinstance(plan, dict):
        return {}
    lots = plan.get("allocation", plan) if "answers" in plan else plan
    if not isinstance(lots, dict) or "words" not in lots:
        return {}
    return {"seed": plan.get("seed"), "words": lots["words"], "sha256": lots.get("sha256")}


def _variants(run: ExportedRun) -> Iterator[str]:
    """Yield the sentences about the variants of a run; none if it has no table of them."""
    record = run.records.get(VARIANTS_TASK.name)
    if record is None:
        return
    named: dict[str, str] = record["settings"]["variants"]
    ran = {given["role"].partition("/")[2] for given in record["inputs"]} - {STATED}
    many = "1 other set" if len(named) == 1 else f"{len(named)} other sets"
    settings = "; ".join(f"{name} ({words or 'no difference'})" for name, words in named.items())
    yield f"The same data were also analysed under {many} of settings: {settings}."
    failed = [name for name in named if name not in ran]
    if failed:
        yield f"Without result, for the analysis did not run to its end: {', '.join(failed)}."
    classified = any(given["role"].startswith("classes") for given in record["inputs"])
    accuracy = " and the accuracy of the classifier" if classified else ""
    yield f"The primary effects{accuracy} under each are in {VARIANTS_TABLE}."
    old = _out_of_date(run)
    if old:
        yield f"That table was made before {old} changed; it does not belong to this run."


def _out_of_date(run: ExportedRun) -> str:
    from leafledger.report.conclusions_held import out_of_date

    table = run.table(VARIANTS_TABLE)
    rows = table.loc[table["variant"] == STATED].to_dict("records")
    return out_of_date([{str(k): v for k, v in row.items()} for row in rows], run.records)


def _software(run: ExportedRun) -> Iterator[str]:
    libraries: dict[str, str] = {}
    for record in run.records.values():
        libraries |= record["libraries"]
    names = listed([f"{name} {version}" for name, version in sorted(libraries.items())])
    yield (
        f"Computed with leafledger {run.run['package']} on Python {run.run['python']} ({names}); "
        f"run {run.run['run']}."
    )
