"""What do several studies of one treatment say together, and how far do they agree?

Each study gives the estimate of its primary contrast and its standard error, as its newest run
recorded them. They are combined with random effects: the true effect may differ from study to
study. The page shows every study, the mean effect, the heterogeneity, and where the effect of a
further study of the same kind is expected.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np

from leafledger.errors import InputFault, Problem, input_fault, quoted
from leafledger.ledger.crate import ExportedRun
from leafledger.records.digests import sha256_of_file
from leafledger.records.events import RUNS
from leafledger.report.answer import comparison_of
from leafledger.report.figures import (
    BLUE,
    FAINT,
    INK,
    STYLE,
    VERMILLION,
    FigureSet,
    new_figure,
    wrap_text,
)
from leafledger.report.gather import groups_of
from leafledger.report.numbers import (
    format_df,
    format_fixed,
    format_interval,
    format_number,
    format_p_relation,
    is_number,
    method_words,
    plain,
    table_rows,
    unbroken,
    unit_suffix,
    with_true_minus,
)
from leafledger.resampling.intervals import RandomEffects, egger_regression, random_effects
from leafledger.study.rules import PLAN_HISTORY_FILE
from leafledger.study.table_files import refuse_links, write_text
from leafledger.study.tables import UNDEFINED
from leafledger.study.written_plan import sentences_of
from leafledger.words import counted, listed, plural

# The primary contrasts of each study, as its newest run recorded them.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class StudyEffect:
    """One primary contrast of one study.

    Attributes
    ----------
    study
        Title of the study; with its folder if two have the same.
    level, reference
        The treatments compared; ``reference`` is empty for a change within one.
    span
        The sessions compared, and the days between them where dates are known.
    model
        What has to be the same in all studies: name -> value.
    estimate, low, high, ci_level, df, se
        As recorded; the standard error is half the interval over the quantile of t.
    n
        Units of the level and of the reference.
    sentence
        What the study's own report says of it.
    plan
        When its plan was recorded, in words.
    effects_sha256
        Digest of its ``effects.csv``.
    raw
        Digests of the raw files that its scans were read from.
    runs
        Digests of the runs of its book.
    """

    study: str
    level: str
    reference: str
    span: str
    model: Mapping[str, str]
    estimate: float
    low: float
    high: float
    ci_level: float
    df: float
    se: float
    n: tuple[int, ...]
    sentence: str
    plan: str
    effects_sha256: str
    raw: frozenset[str] = frozenset()
    runs: frozenset[str] = frozenset()

    @property
    def groups(self) -> str:
        """The treatments compared, in words."""
        return f"{self.level} minus {self.reference}" if self.reference else self.level


_ASKED = {
    "index": "index",
    "formula": "formula of the index",
    "unit": "unit of the value",
    "question": "question",
    "method": "model of the primary contrast",
    "covariates": "what the difference is adjusted for",
    "level": "level of the intervals",
    "word": "experimental unit",
    "groups": "treatments compared",
}
"""What must be the same in all studies, in words."""


def effects_of(folders: Sequence[Path]) -> list[list[StudyEffect]]:
    """Return for each study its primary contrasts.

    Parameters
    ----------
    folders
        Study folders, at least two.

    Raises
    ------
    InputFault
        With every reason at once: fewer than two studies, one study twice, a study without a run
        or without a tested primary contrast, or studies that do not ask the same.
    """
    if len(folders) < 2:
        raise input_fault(
            file=folders[0].name if folders else "STUDY",
            found="one study",
            expected="two studies or more of the same treatment",
            mend="Name them all: leafledger report season-1 season-2 --out seasons.html. The "
            "report of one study is its results/report.html.",
        )
    problems: list[Problem] = []
    studies: list[list[StudyEffect]] = []
    names = _names(folders, problems)
    for folder, name in dict(zip(folders, names, strict=True)).items():
        try:
            studies.append(_effects_of_one(folder, name))
        except InputFault as fault:
            problems += [_in_study(name, problem) for problem in fault.problems]
    problems += _same_study(studies)
    problems += list(_not_the_same(studies))
    if problems:
        raise InputFault(problems)
    return studies


def _in_study(name: str, problem: Problem) -> Problem:
    return Problem(
        file=f"{name}: {problem.file}",
        found=problem.found,
        expected=problem.expected,
        mend=problem.mend,
    )


def _names(folders: Sequence[Path], problems: list[Problem]) -> list[str]:
    """Return the name of every study folder; those of the same name with their place."""
    names = [folder.name for folder in folders]
    if len(set(folders)) < len(folders):
        twice = next(folder for folder in folders if list(folders).count(folder) > 1)
        problems.append(
            Problem(twice.name, "the same study twice", "different studies", "Name each once.")
        )
    return [
        f"{folder.parent.name}/{name}" if names.count(name) > 1 else name
        for folder, name in zip(folders, names, strict=True)
    ]


def _effects_of_one(folder: Path, name: str) -> list[StudyEffect]:
    if not (folder / "ledger" / "runs").is_dir():
        raise input_fault("ledger/runs", "no book of runs", "a study that has been run",
                          "Run it first (leafledger run).")  # fmt: skip
    refuse_links(folder)
    run = ExportedRun(folder, "latest")
    table = run.table("results/effects.csv")
    rows = [row for row in table_rows(table) if row["primary"]]
    settings = run.settings("effects")
    if not rows:
        raise input_fault(
            "study.yaml: effects.primary",
            "no primary contrast is tested",
            "one primary contrast, tested in every study",
            "Name the same effects.primary in each study, or wait until its session is measured; "
            "then run it.",
        )
    design = settings["design"]
    groups = groups_of(design, settings["units"])
    sessions = [str(s["session"]) for s in design["sessions"]]
    catalogue = {e["index"]: e for e in run.json("results/indices/catalogue.json")["indices"]}
    history = run.json(PLAN_HISTORY_FILE) if PLAN_HISTORY_FILE in run.results else None
    findings = run.json("results/effects.json").get("findings") or []
    raw, runs = _raw_of(run), _runs_of(folder)
    effects = []
    for row in rows:
        compared = comparison_of(str(row["contrast"]), sessions, groups.names)
        if compared is None:
            raise input_fault(
                "study.yaml: effects.primary",
                f"the contrast {quoted(str(row['contrast']))}, which compares no two groups",
                "a change, a difference in change, or a difference",
                "Name such a primary contrast.",
            )
        df, se = _error_of(row)
        model = {
            "index": str(row["index"]),
            "formula": str(catalogue.get(row["index"], {}).get("formula", "")),
            "unit": str(row["unit"]),
            "question": str(row["question"]).replace("_", " "),
            "method": method_words(str(row["method"])),
            "covariates": str(row["covariates"] or "nothing"),
            "level": f"{float(row['ci_level']):g}",
            "word": str(design["unit"] or ""),
        }
        effects.append(
            StudyEffect(
                study=f"{plain(run.run['title'])} ({name})",
                level=compared.level,
                reference=compared.reference,
                span=_span(design, compared.before, compared.after),
                model=model,
                estimate=float(row["estimate"]),
                low=float(row["ci_low"]),
                high=float(row["ci_high"]),
                ci_level=float(row["ci_level"]),
                df=df,
                se=se,
                n=tuple(int(row[c]) for c in ("n_units", "n_units_reference") if is_number(row[c])),
                sentence=_sentence_of(row, findings),
                plan=" ".join(sentences_of(history, primary=True)),
                effects_sha256=run.digests["results/effects.csv"],
                raw=raw,
                runs=runs,
            )
        )
    return effects


def _error_of(row: Mapping[str, Any]) -> tuple[float, float]:
    """Return degrees of freedom and standard error of a row of effects.csv.

    The interval is estimate -+ t(df) times the error, so the error is half of it over the quantile.

    Raises
    ------
    InputFault
        If the test has no such error.
    """
    from scipy.special import stdtrit

    ends = [row[name] for name in ("estimate", "ci_low", "ci_high", "ci_level", "df")]
    if (
        str(row["verdict"]) == UNDEFINED
        or not all(map(is_number, ends))
        or row["statistic_name"] != "t"
    ):
        why = str(row["reason"] or "") if str(row["verdict"]) == UNDEFINED else ""
        waits = why.startswith("waits")
        raise input_fault(
            "results/effects.csv",
            f"the primary contrast of {row['index']} by {method_words(str(row['method']))} has no "
            f"standard error{f': {why}' if why and why != 'nan' else ''}",
            "an estimate with an interval by Student's t",
            "Wait until its sessions are measured, or leave the study out."
            if waits
            else "Name a t test or the linear model as effects.primary.method, and run the study.",
        )
    _, low, high, level, df = (float(end) for end in ends)
    return df, (high - low) / 2 / float(stdtrit(df, 0.5 + level / 2))


def _span(design: Mapping[str, Any], before: str, after: str) -> str:
    if not before:
        return f"at {after}"
    dates = {str(s["session"]): s.get("date") for s in design["sessions"]}
    words = f"{before.replace('_', ' ')} to {after}"
    if dates.get(before) and dates.get(after):
        import datetime as dt

        first, last = (dt.date.fromisoformat(str(dates[s])) for s in (before, after))
        words += f" ({counted((last - first).days, 'day')}, from {first.isoformat()})"
    return words


def _sentence_of(row: Mapping[str, Any], findings: Sequence[Mapping[str, Any]]) -> str:
    for finding in findings:
        if finding.get("id") == "primary" and finding.get("contrast") == row["contrast"]:
            return str(finding["sentence"]).removeprefix(f"{finding.get('rule')}. ")
    return ""


def _raw_of(run: ExportedRun) -> frozenset[str]:
    """Return the digests of the raw files that the scans of a run were read from."""
    return frozenset(
        given["sha256"]
        for record in run.records.values()
        if record["rule"] == "intake"
        for given in record["inputs"]
        if given["role"].startswith("raw/")
    )


def _runs_of(folder: Path) -> frozenset[str]:
    """Return the digests of the runs of a book: two books with one in common have one origin."""
    return frozenset(map(sha256_of_file, (folder / RUNS).glob("*.json")))


def _same_study(studies: Sequence[Sequence[StudyEffect]]) -> Iterator[Problem]:
    """Yield why two studies are one measurement: a copy, whatever was changed in it since.

    A mean effect over both would count the same plants twice.
    """
    for first, second in combinations(studies, 2):
        effect, other_effect = first[0], second[0]
        if effect.effects_sha256 == other_effect.effects_sha256:
            yield Problem(
                "results/effects.csv",
                f"{effect.study} and {other_effect.study} hold the same results, digit by digit",
                "independent studies",
                "Name each study once; a copy adds no knowledge.",
            )
        elif overlap := _in_common(first, second):
            yield Problem(
                overlap[0],
                f"{effect.study} and {other_effect.study} {overlap[1]}",
                "independent studies, each with scans of its own",
                "Name one of the two: a copy with another title, decision or setting measures the "
                "same plants again. To see what other settings change, declare `variants` in one "
                "study, or take `leafledger compare` for two runs of it.",
            )


_REUSED = 0.1
"""Share of raw files that two seasons may have in common: a lamp, a white (the project's own)."""


def _in_common(
    first: Sequence[StudyEffect], second: Sequence[StudyEffect]
) -> tuple[str, str] | None:
    """Return where two studies have something in common, and in words what it is."""
    first_effect, second_effect = first[0], second[0]
    shared, fewer = (
        len(first_effect.raw & second_effect.raw),
        min(len(first_effect.raw), len(second_effect.raw)),
    )
    if shared > _REUSED * fewer:
        share = f"{shared} of {counted(fewer, 'raw file')} ({math.floor(100 * shared / fewer)} %)"
        return "raw", f"share {share}, byte by byte"
    shared = len(first_effect.runs & second_effect.runs)
    if shared:
        return "ledger/runs", f"have {counted(shared, 'run')} of their books in common"
    if {_digits_of(effect) for effect in first} == {_digits_of(effect) for effect in second}:
        return "results/effects.csv", "have the same primary results, digit by digit"
    return None


def _digits_of(effect: StudyEffect) -> tuple[object, ...]:
    return (effect.groups, effect.estimate, effect.low, effect.high, effect.df, effect.n)


def _not_the_same(studies: Sequence[Sequence[StudyEffect]]) -> Iterator[Problem]:
    """Yield what studies ask otherwise than the first one does."""
    if len(studies) < 2:
        return
    first = studies[0]
    for effects in studies[1:]:
        pairs = [(name, first[0].model[name], effects[0].model[name]) for name in first[0].model]
        groups = [
            ", ".join(sorted(effect.groups for effect in of_study)) for of_study in (first, effects)
        ]
        for name, expected, value in [*pairs, ("groups", groups[0], groups[1])]:
            if expected != value:
                yield Problem(
                    file=f"{effects[0].study}: primary contrast",
                    found=f"{_ASKED[name]}: {quoted(value)}",
                    expected=f"{quoted(expected)}, as in {first[0].study}",
                    mend="Compare studies of one question: give both the same primary contrast, "
                    "indices and names, and run them again.",
                )


def by_contrast(studies: Sequence[Sequence[StudyEffect]]) -> list[list[StudyEffect]]:
    """Return for each pair of treatments the effect of every study."""
    return [
        [next(e for e in of_study if e.groups == effect.groups) for of_study in studies]
        for effect in studies[0]
    ]


def combined(effects: Sequence[StudyEffect]) -> RandomEffects:
    """Return the effects of several studies taken together, at the level of their intervals."""
    return random_effects(
        np.array([effect.estimate for effect in effects]),
        np.array([effect.se for effect in effects]),
        effects[0].ci_level,
    )


# The figure.
# ----------------------------------------------------------------------


def draw_forest(
    figures: FigureSet, effects: Sequence[StudyEffect], together: RandomEffects, name: str
) -> Any:
    """Draw every study with its interval, then the mean effect and where a further study may lie.

    The size of a square follows the weight of the study in the mean.
    """
    labels = [wrap_text(effect.study, 34, 2) for effect in effects]
    figure = new_figure(7.0, 0.42 * (len(effects) + 2) + 0.9)
    axis = figure.subplots()
    for y, (effect, weight) in enumerate(zip(effects, together.weights, strict=True)):
        axis.plot([effect.low, effect.high], [y, y], color=INK, linewidth=1.3)
        size = 4 + 7 * math.sqrt(weight / max(together.weights))
        axis.plot([effect.estimate], [y], "s", color=BLUE, markersize=size)
    y = len(effects)
    axis.fill(
        [together.low, together.mean, together.high, together.mean],
        [y, y - 0.24, y, y + 0.24], color=VERMILLION, linewidth=0,
    )  # fmt: skip
    labels.append("mean of the studies")
    if together.predicted_low is not None and together.predicted_high is not None:
        y += 1
        axis.plot([together.predicted_low, together.predicted_high], [y, y], color=VERMILLION,
                  linewidth=1.6, linestyle=(0, (4, 2)))  # fmt: skip
        labels.append("a further study")
    axis.axvline(0, color=FAINT, linewidth=0.8)
    axis.set_yticks(range(len(labels)), labels)
    axis.set_ylim(len(labels) - 0.4, -0.6)
    axis.tick_params(axis="y", length=0)
    axis.spines["left"].set_visible(False)
    unit = unit_suffix(effects[0].model["unit"]).strip()
    what = "difference in " if effects[0].reference else ""
    axis.set_xlabel(f"{what}{effects[0].model['index']}{f' ({unit})' if unit else ''}")
    counts = "; ".join(f"{effect.study}: {' + '.join(map(str, effect.n))}" for effect in effects)
    level = f"{100 * together.level:.4g} %"
    further = (
        " Dashed: where the true effect of a further such study is expected."
        if together.predicted_low is not None
        else ""
    )
    return figures.add(
        figure,
        name,
        f"{effects[0].groups}: every study and their mean",
        "A row for each study with its estimate and interval; below, the mean of the studies.",
        f"Squares: primary estimate of each study, larger with more weight; lines: its {level} "
        f"interval. Diamond: mean effect with its {level} interval (random effects, Hartung and "
        f"Knapp).{further} n of {plural(effects[0].model['word'])}: {counts}. Intervals "
        "are for this comparison by itself, not adjusted.",
    )


# The sentences and the page.
# ----------------------------------------------------------------------


def summary_sentences(effects: Sequence[StudyEffect], together: RandomEffects) -> list[str]:
    """Return what the studies say together: the mean, agreement, and a further study."""
    suffix = unit_suffix(effects[0].model["unit"])
    mean, low, high = format_interval(together.mean, together.low, together.high)
    level = f"{100 * together.level:.4g} %"
    is_shown = together.low > 0 or together.high < 0
    lead = (
        f"Over {len(effects)} studies the mean effect is {mean}{suffix} ({level} interval {low} to "
        f"{high}{suffix}; t = {format_fixed(together.t, 2)}, df = {together.df}, "
        f"p {format_p_relation(together.p)})"
    )
    lead += ": a mean effect is shown." if is_shown else ": no mean effect is shown."
    tau, tau_low, tau_high = (
        format_number(value, 2) for value in (together.tau, together.tau_low, together.tau_high)
    )
    spread = (
        f"True effects are estimated to differ between studies by a standard deviation of "
        f"{tau}{suffix} (tau; {level} interval {tau_low} to {tau_high}); Q = "
        f"{format_fixed(together.q, 2)}, df = {together.df}, p {format_p_relation(together.q_p)}; "
        f"I\N{SUPERSCRIPT TWO} = {100 * together.i2:.0f} %."
    )
    if together.predicted_low is None:
        further = (
            "Two studies allow no prediction interval: where a further study would lie is unknown."
        )
    else:
        _, first, last = format_interval(
            together.mean, together.predicted_low, together.predicted_high
        )
        further = (
            f"The true effect of a further study of this kind is expected between {first} and "
            f"{last}{suffix} ({level} prediction interval)."
        )
    few = (
        f"With {len(effects)} studies the spread between them is poorly known: read its interval, "
        "not its estimate alone."
    )
    return [lead, spread, further, *([few] if len(effects) < 5 else []), _small_studies(effects)]


def _small_studies(effects: Sequence[StudyEffect]) -> str:
    """Return whether small studies show other effects than large ones."""
    estimates, errors = np.array([[effect.estimate, effect.se] for effect in effects]).T
    egger = egger_regression(estimates, errors, effects[0].ci_level)
    if egger is None:
        return "Whether small studies show other effects cannot be tested: it takes ten or more."
    value, low, high = format_interval(egger.intercept, egger.low, egger.high)
    return (
        f"Small studies {'show' if egger.p < 0.1 else 'are not shown to have'} other effects than "
        f"large ones (regression of Egger et al. 1997, judged at 0.1: intercept {value}, {low} to "
        f"{high}; t = {format_fixed(egger.t, 2)}, df = {egger.df}, p {format_p_relation(egger.p)})."
    )


def cautions_of(effects: Sequence[StudyEffect]) -> list[str]:
    """Return what a reader should heed: sessions of unlike length, plans made late, few units."""
    notes = []
    spans = list(dict.fromkeys(effect.span.partition(",")[0] for effect in effects))
    if len(spans) > 1:
        notes.append(f"The studies compare different sessions: {listed(spans)}.")
    without = [effect.study for effect in effects if not effect.plan]
    if without:
        notes.append(f"Nothing is on record of when the plan was made: {listed(without)}.")
    few = [effect.study for effect in effects if effect.df < 10]
    if few:
        notes.append(
            "The standard error of a study is taken as known; it rests on fewer than 10 degrees of "
            f"freedom in {listed(few)}."
        )
    return notes


_STYLE = (
    "body{font:17px/1.55 sans-serif;color:#23302a;margin:2rem auto;max-width:56rem;padding:0 1rem}"
    "h1{font-size:1.6rem}h2{font-size:1.2rem;margin-top:2.2rem}.lead{font-size:1.15rem}"
    "table{border-collapse:collapse;width:100%;font-size:.92rem}td,th{border-bottom:1px solid "
    "#d6dcd7;padding:.3rem .5rem;text-align:left;vertical-align:top}td.r,th.r{text-align:right;"
    "white-space:nowrap}figure{margin:1.2rem 0}svg.plot{width:100%;height:auto}figcaption,.soft{"
    "color:#4c5751;font-size:.92rem}.wide{overflow-x:auto}code{font-size:.8rem;overflow-wrap:anywhere}"
    "h3{font-size:1.05rem}:root{color-scheme:light dark}@media screen{svg.plot{min-width:34rem}}"
    "@media(prefers-color-scheme:dark){body{color:#e4e9e4;background:#161b18}figcaption,.soft{"
    "color:#a7b2aa}svg.plot{filter:invert(1) hue-rotate(180deg)}}"
)


def page_of(studies: Sequence[Sequence[StudyEffect]]) -> str:
    """Return the page as HTML: one part for each pair of treatments; no script, no request."""
    import matplotlib as mpl

    figures = FigureSet(())
    heading = f"{len(studies)} studies together: {studies[0][0].model['index']}"
    parts = [f"<h1>{_text(heading)}</h1>"]
    if len(studies[0]) > 1:
        parts.append(
            f"<p>{len(studies[0])} pairs of treatments are compared. Intervals and p are for each "
            "by itself, not adjusted for the others.</p>"
        )
    with mpl.rc_context(STYLE):
        for i, same in enumerate(by_contrast(studies), start=1):
            parts += _part(same, figures, f"forest{i}")
    parts += _methods(studies)
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f'<meta name="generator" content="{_GENERATOR}">\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "style-src 'unsafe-inline'; img-src data:\">\n"
        f"<title>{_text(heading)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(parts)
        + "\n</main>\n</body>\n</html>\n"
    )


_GENERATOR = "leafledger report"


def _text(value: Any) -> str:
    return escape(unbroken(plain(str(value))), quote=True)


def _part(effects: Sequence[StudyEffect], figures: FigureSet, name: str) -> Iterator[str]:
    together = combined(effects)
    sentences = summary_sentences(effects, together)
    drawn = draw_forest(figures, effects, together, name)
    yield f"<h2>{_text(effects[0].groups)}</h2>"
    yield f'<p class="lead">{_text(sentences[0])}</p>'
    yield from (f"<p>{_text(sentence)}</p>" for sentence in sentences[1:])
    frame = f'<div class="wide" tabindex="0" role="group" aria-label="{_text(drawn.title)}">'
    yield f"<figure>{frame}{drawn.markup}</div>"
    yield f"<figcaption>{_text(drawn.caption)}</figcaption></figure>"
    yield _table(effects, together)
    notes = cautions_of(effects)
    if notes:
        yield "<h3>To heed</h3><ul>" + "".join(f"<li>{_text(n)}</li>" for n in notes) + "</ul>"
    yield "<h3>What each study says itself</h3>"
    for effect in effects:
        sentence = with_true_minus(effect.sentence)
        yield f"<p><strong>{_text(effect.study)}.</strong> {_text(sentence)}</p>"
        if effect.plan:
            yield f'<p class="soft">{_text(effect.plan)}</p>'


def _table(effects: Sequence[StudyEffect], together: RandomEffects) -> str:
    rows = []
    for effect, weight in zip(effects, together.weights, strict=True):
        value, low, high = format_interval(effect.estimate, effect.low, effect.high)
        rows.append(
            f'<tr><th scope="row">{_text(effect.study)}</th><td>{_text(effect.span)}</td>'
            f'<td class="r">{" + ".join(map(str, effect.n))}</td><td class="r">{value}</td>'
            f'<td class="r">{low} to {high}</td><td class="r">{format_number(effect.se)}</td>'
            f'<td class="r">{format_df(effect.df)}</td><td class="r">{100 * weight:.0f} %</td></tr>'
        )
    names = f"n|Estimate|{100 * together.level:.4g} % interval|Standard error|df|Weight".split("|")
    head = '<tr><th scope="col">Study</th><th scope="col">Sessions</th>' + "".join(
        f'<th scope="col" class="r">{name}</th>' for name in names
    )
    return f'<div class="wide"><table>{head}</tr>{"".join(rows)}</table></div>'


def _methods(studies: Sequence[Sequence[StudyEffect]]) -> Iterator[str]:
    model = studies[0][0].model
    yield "<h2>How the studies were combined</h2>"
    yield (
        f"<p>Every study has the same primary contrast: the {_text(model['question'])} of "
        f"index {_text(model['index'])} = <code>{_text(model['formula'])}</code> by "
        f"{_text(model['method'])}, "
        f"adjusted for {_text(model['covariates'])}; n counts {_text(plural(model['word']))}. "
        "The studies are taken as independent. Their estimates were combined with random effects. "
        "The variance between studies is that of Paule and Mandel (1982). The interval of the mean "
        "is that of Hartung and Knapp (2001) with k \N{MINUS SIGN} 1 degrees of freedom; its "
        "factor is never below one (Röver, Knapp and Friede 2015). The interval of tau is the Q "
        "profile (Viechtbauer 2007). The prediction interval has k \N{MINUS SIGN} 2 degrees of "
        "freedom (Higgins, Thompson and Spiegelhalter 2009). I\N{SUPERSCRIPT TWO} is "
        "(Q \N{MINUS SIGN} df) / Q (Higgins and Thompson 2002). The standard error of a "
        "study is half its interval over the quantile of Student's t.</p>"
    )
    digests = "".join(
        f"<li>{_text(effects[0].study)}: <code>{effects[0].effects_sha256}</code></li>"
        for effects in studies
    )
    yield f"<p>SHA-256 of the effects.csv that the numbers are from:</p><ul>{digests}</ul>"


def write_comparison(folders: Sequence[Path], out: Path) -> list[str]:
    """Write the page of several studies; return what it says first of each pair of treatments.

    Parameters
    ----------
    folders
        Study folders.
    out
        The HTML file; one that this command wrote before is replaced, any other refused.

    Raises
    ------
    InputFault
        As :func:`effects_of`; or if ``out`` is another file, or lies in one of the studies.
    """
    folders = [folder.resolve() for folder in folders]
    _refuse_place(folders, out)
    studies = effects_of(folders)
    write_text(out, page_of(studies))
    return [
        f"{same[0].groups}: {summary_sentences(same, combined(same))[0]}"
        for same in by_contrast(studies)
    ]


def _refuse_place(folders: Sequence[Path], out: Path) -> None:
    """Refuse a place for the page where it would overwrite something or lie in a study."""
    if any(out.resolve().is_relative_to(folder) for folder in folders):
        raise input_fault(
            "--out",
            f"{out.name}, inside one of the studies",
            "a place outside them: a study holds its own files only",
            "Name another, such as --out seasons.html beside the studies.",
        )
    ours = f'content="{_GENERATOR}"'.encode()
    if out.is_dir() or (out.exists() and ours not in out.read_bytes()[:2000]):
        raise input_fault(
            "--out",
            f"{out.name}, which is there and was not written by this command",
            "a new file, or an earlier page of this command",
            "Name another; nothing of yours is overwritten.",
        )
