"""The rule ``pigments``: contents, calibrated indices, and the spots of chromatograms."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from leafledger.pigments.assay_sheets import Assay, Leaf, read_assays, read_chromatograms
from leafledger.pigments.calibration import (
    FORMS,
    Calibration,
    Choice,
    Pairs,
    best_form,
    calibrate,
    choose,
    form_problem,
    formula_text,
    uncalibrated_reason,
    york_of,
)
from leafledger.pigments.chromatograms import (
    SpotFindings,
    profile_rows,
    read_profile,
    sources_of,
    strip_sentence,
    strips,
)
from leafledger.pigments.extracts import (
    CAROTENOIDS,
    CAUTIONS,
    CHLOROPHYLL,
    CHLOROPHYLL_A,
    CHLOROPHYLL_B,
    PER_AREA,
    PER_MASS,
    RATIO,
    Equation,
    contents,
    examine,
)
from leafledger.records.record import Job, Metric, Outcome
from leafledger.study.table_files import read_csv, read_parquet, write_csv, write_json
from leafledger.study.tables import names_of
from leafledger.words import counted, listed, plural

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]
Series = tuple[str, str]
"""A quantity and its unit."""
_LEADING: Final[tuple[Series, ...]] = tuple(
    (quantity, unit)
    for unit in (PER_AREA, PER_MASS, "1")
    for quantity in (CHLOROPHYLL, CHLOROPHYLL_A, CHLOROPHYLL_B, CAROTENOIDS, RATIO)
)


def run(job: Job) -> Outcome:
    """Write the tables of pigments and ``pigments.json``."""
    places = {
        str(scan): (
            str(labels["unit"] or scan),
            str(labels["session"] or "all"),
            str(labels["leaf"] or ""),
        )
        for scan, labels in job.settings["scans"].items()
    }
    leaves = sorted(set(places.values()))
    word = str(job.settings["design"]["unit"] or "scan")
    rows = _contents_of(job, leaves)
    spots = _spots_of(job, leaves)
    values = leaf_values(job, places) if rows else {}
    calibrated = [
        calibrated_series(series, rows, values, job.settings["pigments"], word)
        for series in _in_order({(row["quantity"], row["unit_of_value"]) for row in rows})
    ]
    level = float(job.settings["pigments"]["interval"])
    estimates = [row for series in calibrated for row in _estimate_rows(series, values, level)]
    tables = {
        "pigment_contents": rows,
        "pigment_calibrations": [row for series in calibrated for row in series.rows],
        "pigment_estimates": estimates,
        "chromatogram_spots": [row for strip in spots for row in _spot_rows(strip)],
        "strip_profiles": _profiles_of(job, spots),
    }
    for name, content in tables.items():
        write_csv(job.outputs[name], _frame(content, name), names_of(name))
    summary = _summary(rows, calibrated, estimates, spots, word, level)
    write_json(job.outputs["pigments_summary"], summary)
    return Outcome(metrics=_metrics(rows, calibrated, spots), warnings=_warnings(rows, calibrated))


def _frame(rows: Sequence[Mapping[str, Any]], name: str) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(list(rows), columns=list(names_of(name)))


def _in_order(all_series: Iterable[Series]) -> list[Series]:
    """Return the series: those of chlorophyll per area first, unknown quantities last."""
    ranks = {series: rank for rank, series in enumerate(_LEADING)}
    return sorted(all_series, key=lambda series: (ranks.get(series, len(ranks)), series))


# Contents: one row for each quantity of each extract.
# ----------------------------------------------------------------------


def _contents_of(job: Job, leaves: Sequence[Leaf]) -> list[dict[str, Any]]:
    if "assays" not in job.inputs:
        return []
    path = job.inputs["assays"]
    return content_rows(read_assays(path, job.shown(path), leaves))


def content_rows(assays: Sequence[Assay]) -> list[dict[str, Any]]:
    """Return one row for each content, in the order of the sheet.

    A row that is not ``used`` says why: an extract at fault, or equations for comparison only.
    """
    rows: list[dict[str, Any]] = []
    for assay in assays:
        unit, session, leaf = assay.leaf
        labels = {"unit": unit, "session": session, "leaf": leaf, "extract": assay.extract_id}
        if assay.extract is None:
            assert assay.content is not None  # an assay is an extract or a content
            rows.append(
                {
                    **labels,
                    "quantity": assay.quantity,
                    "value": assay.content.value,
                    "u": assay.content.u,
                    "unit_of_value": assay.unit,
                    "equation": "",
                    "method": assay.method,
                    "used": True,
                    "reason": "",
                    "remark": "",
                    "row": assay.row,
                }
            )
            continue
        findings = examine(assay.extract)
        rows += [
            {
                **labels,
                "quantity": content.quantity,
                "value": content.value,
                "u": content.u,
                "unit_of_value": content.unit,
                "equation": assay.extract.equation.name,
                "method": assay.method,
                "used": not findings.faults,
                "reason": "; ".join(findings.faults),
                "remark": "; ".join(findings.remarks),
                "row": assay.row,
            }
            for content in contents(assay.extract)
        ]
    return _without_contradictions(rows)


def _without_contradictions(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Take out of use contents handed in that contradict each other: less a than b, a wrong sum."""
    handed_in: dict[tuple[Any, ...], dict[str, dict[str, Any]]] = defaultdict(dict)
    for row in rows:
        if not row["equation"]:
            key = (row["unit"], row["session"], row["leaf"], row["extract"], row["unit_of_value"])
            handed_in[key][row["quantity"]] = row
    for quantities in handed_in.values():
        a, b, total = (quantities.get(name) for name in (CHLOROPHYLL_A, CHLOROPHYLL_B, CHLOROPHYLL))
        if a is None or b is None:
            continue
        why = ""
        if a["value"] < b["value"]:
            why = "less chlorophyll a than b, impossible in green leaves: are the two swapped?"
        elif total is not None and abs(total["value"] - a["value"] - b["value"]) > max(
            _SUM_TOLERANCE * total["value"], 3.0 * _uncertainty_or_zero(total["u"])
        ):
            why = "the total is not the sum of chlorophyll a and b"
        for row_at_fault in (a, b, total):
            if why and row_at_fault is not None:
                row_at_fault["used"], row_at_fault["reason"] = False, why
    return rows


_SUM_TOLERANCE: Final = 0.05


def _uncertainty_or_zero(u: float) -> float:
    return u if math.isfinite(u) else 0.0


# Index values of leaves.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class LeafValue:
    """Mean of one index over the accepted scans of a leaf, and its standard uncertainty."""

    value: float
    u: float


def leaf_values(job: Job, places: Mapping[str, Leaf]) -> dict[str, dict[Leaf, LeafValue]]:
    """Return index -> leaf -> its value, from accepted scans where the index is defined.

    The part of the uncertainty that differs from scan to scan shrinks with averaging; those of
    references and panel are shared by the scans of a session and do not.
    """
    accepted = read_csv(job.inputs["accepted"])
    chosen = set(accepted.loc[accepted["accepted"], "scan"])
    numbers = ("value", "u_scan", "u_reference", "u_panel")
    grouped: dict[str, dict[Leaf, list[tuple[float, ...]]]] = {}
    for path in job.by_session("indices").values():
        table = read_parquet(path)
        table = table[(table["status"] == "ok") & table["scan"].isin(chosen)]
        columns = ("scan", "index", *numbers)
        for scan, index, *measured in zip(*(table[c].tolist() for c in columns), strict=True):
            if scan in places:
                of_index = grouped.setdefault(index, {})
                of_index.setdefault(places[scan], []).append(tuple(measured))
    return {
        index: {leaf: _mean_of(scans) for leaf, scans in sorted(of_index.items())}
        for index, of_index in sorted(grouped.items())
    }


def _mean_of(scans: Sequence[tuple[float, ...]]) -> LeafValue:
    """Average the scans of a leaf; as in the unit means, what references share does not shrink."""
    n = len(scans)
    value = math.fsum(scan[0] for scan in scans) / n
    alone = math.sqrt(math.fsum(scan[1] ** 2 for scan in scans)) / n
    reference = math.fsum(abs(scan[2]) for scan in scans) / n
    panel = math.fsum(abs(scan[3]) for scan in scans) / n
    return LeafValue(value, math.sqrt(alone**2 + reference**2 + panel**2))


# Calibrations of one quantity.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class CalibratedSeries:
    """What became of one quantity.

    Attributes
    ----------
    series
        Quantity and unit.
    rows
        Of the table of calibrations: a row for each index and form.
    choice
        The index and form that give estimates; ``None``, with a reason, if there are none.
    assayed
        The leaves whose content is known and used.
    """

    series: Series
    rows: list[dict[str, Any]]
    choice: Choice | None
    assayed: frozenset[Leaf]
    reason: str


def calibrated_series(
    series: Series,
    rows: Sequence[Mapping[str, Any]],
    values: Mapping[str, Mapping[Leaf, LeafValue]],
    settings: Mapping[str, Any],
    word: str,
) -> CalibratedSeries:
    """Calibrate every index to one quantity, and choose the one that gives estimates.

    Parameters
    ----------
    series, rows
        The quantity, and the table of contents.
    values
        Index -> leaf -> value.
    settings
        ``pigments`` of the study: the stated index, if any.
    word
        What a unit is called.
    """
    assayed = leaf_contents(series, rows)
    pairs = {index: _pairs(assayed, index_values) for index, index_values in values.items()}
    n_most = max((index_pairs.n_leaves for index_pairs in pairs.values()), default=0)
    whole = {
        index: index_pairs
        for index, index_pairs in pairs.items()
        if index_pairs.n_leaves == n_most and not uncalibrated_reason(index_pairs, word)
    }
    stated_index = settings.get("index")
    choice = _choice(whole, pairs, stated_index)
    reason = ""
    if choice is None:
        most = max(
            pairs.values(),
            key=lambda index_pairs: index_pairs.n_leaves,
            default=_pairs(assayed, {}),
        )
        about = pairs.get(str(stated_index), _pairs(assayed, {})) if stated_index else most
        reason = uncalibrated_reason(about, word) or "no form can be fitted"
    elif not choice.is_useful:
        reason = (
            f"{_index_words(choice)} does not estimate {plural(word)} left out clearly better than "
            "the mean of the others does"
        )
        choice = None
    calibration_rows = [
        row
        for index, index_pairs in pairs.items()
        for row in _calibration_rows(series, index, index_pairs, choice, word)
    ]
    return CalibratedSeries(series, calibration_rows, choice, frozenset(assayed), reason)


def _index_words(choice: Choice) -> str:
    choice_words = f"the best of {choice.n_tried} indices ({choice.index})"
    return choice_words if choice.n_tried > 1 else choice.index


def _choice(
    whole: Mapping[str, Pairs], pairs: Mapping[str, Pairs], stated_index: str | None
) -> Choice | None:
    """Return the stated index, or the best of those with a value on every assayed leaf."""
    if stated_index is None:
        return choose(whole)
    stated = pairs.get(stated_index)
    if stated is None or uncalibrated_reason(stated):
        return None
    return choose({stated_index: stated})


def leaf_contents(
    series: Series, rows: Sequence[Mapping[str, Any]]
) -> dict[Leaf, tuple[float, float]]:
    """Return leaf -> mean content of its extracts that are used, and its uncertainty."""
    extracts_of: dict[Leaf, list[tuple[float, float]]] = {}
    for row in rows:
        if row["used"] and (row["quantity"], row["unit_of_value"]) == series:
            leaf = (row["unit"], row["session"], row["leaf"])
            extracts_of.setdefault(leaf, []).append((row["value"], row["u"]))
    return {
        leaf: (
            math.fsum(value for value, _ in extracts) / len(extracts),
            math.sqrt(math.fsum(u**2 for _, u in extracts)) / len(extracts),
        )
        for leaf, extracts in sorted(extracts_of.items())
    }


def _pairs(assayed: Mapping[Leaf, tuple[float, float]], values: Mapping[Leaf, LeafValue]) -> Pairs:
    leaves = [leaf for leaf in assayed if leaf in values]
    return Pairs(
        np.array([values[leaf].value for leaf in leaves], dtype=np.float64),
        np.array([assayed[leaf][0] for leaf in leaves], dtype=np.float64),
        tuple(leaf[0] for leaf in leaves),
        np.array([values[leaf].u for leaf in leaves], dtype=np.float64),
        np.array([assayed[leaf][1] for leaf in leaves], dtype=np.float64),
    )


def _calibration_rows(
    series: Series, index: str, pairs: Pairs, choice: Choice | None, word: str
) -> Iterator[dict[str, Any]]:
    reason = uncalibrated_reason(pairs, word)
    best = None if reason else best_form(pairs)
    for form in FORMS:
        calibration = None if reason else calibrate(form, pairs)
        row: dict[str, Any] = {
            "quantity": series[0],
            "unit_of_value": series[1],
            "index": index,
            "form": form,
            "n_units": len(pairs.units),
            "n_leaves": pairs.n_leaves,
            "best_form": best is not None and best.form == form,
            "chosen": False,
            "reason": reason or form_problem(form, pairs),
        }
        if calibration is None:
            row["reason"] = row["reason"] or "the curve turns back within the range"
        else:
            row |= _calibration_numbers(calibration)
            if choice is not None and (choice.index, choice.calibration.form) == (index, form):
                row["chosen"], row["n_tried"] = True, choice.n_tried
                row["rmse_nested"] = choice.rmse_nested
        yield row


def _calibration_numbers(calibration: Calibration) -> dict[str, Any]:
    b = [*calibration.fit.coefficients.tolist(), math.nan][:3]
    numbers: dict[str, Any] = {
        "b0": b[0],
        "b1": b[1],
        "b2": b[2],
        "rmse_cv": calibration.rmse_cv,
        "bias_cv": calibration.bias_cv,
        "r2_cv": calibration.r2_cv,
        "sd_leaf": calibration.scale_of_interval,
        "df": calibration.df,
        "range_low": calibration.low,
        "range_high": calibration.high,
    }
    line = york_of(calibration.pairs) if calibration.form == "linear" else None
    if line is not None:
        numbers |= {
            "york_intercept": line.intercept,
            "york_slope": line.slope,
            "u_york_intercept": line.u_intercept,
            "u_york_slope": line.u_slope,
            "york_chi_square": line.chi_square,
            "york_df": line.df,
        }
    return numbers


# Estimates on all leaves.
# ----------------------------------------------------------------------


def _estimate_rows(
    calibrated: CalibratedSeries, values: Mapping[str, Mapping[Leaf, LeafValue]], level: float
) -> Iterator[dict[str, Any]]:
    """Yield an estimate for every leaf with the index; empty outside the range, and said so."""
    if calibrated.choice is None:
        return
    calibration, leaf_values_of_index = (
        calibrated.choice.calibration,
        values[calibrated.choice.index],
    )
    x = np.array([value.value for value in leaf_values_of_index.values()])
    middle, low, high = calibration.interval(x, level)
    inside = calibration.within(x)
    for i, (leaf, value) in enumerate(leaf_values_of_index.items()):
        yield {
            "unit": leaf[0],
            "session": leaf[1],
            "leaf": leaf[2],
            "quantity": calibrated.series[0],
            "unit_of_value": calibrated.series[1],
            "index": calibrated.choice.index,
            "index_value": value.value,
            "estimate": middle[i],
            "estimate_low": low[i],
            "estimate_high": high[i],
            "interval_level": level,
            "in_range": bool(inside[i]),
            "assayed": leaf in calibrated.assayed,
            "reason": ""
            if inside[i]
            else "outside the range of the assayed leaves: no estimate is made there",
        }


# Chromatograms.
# ----------------------------------------------------------------------


def _spots_of(job: Job, leaves: Sequence[Leaf]) -> list[list[SpotFindings]]:
    if "chromatograms" not in job.inputs:
        return []
    path = job.inputs["chromatograms"]
    return list(strips(read_chromatograms(path, job.shown(path), leaves)))


def _profiles_of(job: Job, spots: Sequence[Sequence[SpotFindings]]) -> list[dict[str, Any]]:
    """Return the kept profiles of the strips that stand in the sheet."""
    profiles = {
        path.stem: read_profile(path, job.shown(path))
        for path in job.by_session("strip_profiles").values()
    }
    return profile_rows(
        profiles, {strip_spots[0].spot.strip: strip_spots[0].spot.front_mm for strip_spots in spots}
    )


def _spot_rows(strip: Sequence[SpotFindings]) -> Iterator[dict[str, Any]]:
    for finding in strip:
        yield {
            "strip": finding.spot.strip,
            "order_from_front": finding.order_from_front,
            "unit": finding.spot.unit,
            "session": finding.spot.session,
            "system": finding.spot.system,
            "colour": finding.spot.colour,
            "spot_mm": finding.spot.spot_mm,
            "front_mm": finding.spot.front_mm,
            "rf": finding.rf,
            "u_rf": finding.u_rf,
            "candidates": ", ".join(pigment.pigment for pigment in finding.candidates),
            "table_rf": ", ".join(f"{pigment.rf:g}" for pigment in finding.candidates),
            "ambiguous": finding.is_ambiguous,
            "source": "; ".join(
                f"{source} ({how})" for source, how in sources_of([finding]).items()
            ),
            "reason": finding.reason,
        }  # fmt: skip


# What is said of it all.
# ----------------------------------------------------------------------


def _summary(
    rows: Sequence[Mapping[str, Any]],
    calibrated: Sequence[CalibratedSeries],
    estimates: Sequence[Mapping[str, Any]],
    spots: Sequence[Sequence[SpotFindings]],
    word: str,
    level: float,
) -> dict[str, Any]:
    from leafledger.pigments.extracts import equations

    named = {row["equation"] for row in rows}
    used = [equation for equation in equations() if equation.name in named]
    return {
        "sentences": [
            calibration_sentence(equation, estimates, word, level) for equation in calibrated
        ],
        "strips": [strip_sentence(strip) for strip in spots],
        "equations": [_equation_row(equation) for equation in used],
        "cautions": list(CAUTIONS),
    }


def _equation_row(equation: Equation) -> dict[str, Any]:
    a, b = equation.a, equation.b
    red, short = f"A{equation.red_nm:g}", f"A{equation.short_nm:g}"
    text = f"Ca = {a[0]:g} {red} - {-a[1]:g} {short}; Cb = {b[1]:g} {short} - {-b[0]:g} {red}"
    if equation.carotenoid is not None:
        factor, of_a, of_b, divisor = equation.carotenoid
        text += f"; Cx+c = ({factor:g} A{equation.carotenoid_nm:g} - {of_a:g} Ca - {of_b:g} Cb)"
        text += f" / {divisor:g}"
    return {
        "equation": equation.name,
        "solvent": equation.solvent,
        "formula": text,
        "band_nm": list(equation.band_nm),
        "comparison_only": equation.comparison_only,
        "source": equation.source,
        "verification": equation.verification,
    }


def quantity_words(quantity: str) -> str:
    """Return a quantity in words.

    Examples
    --------
    >>> quantity_words("chlorophyll_a"), quantity_words("chlorophyll_a_to_b")
    ('chlorophyll a', 'the ratio of chlorophyll a to b')
    """
    words = {
        CHLOROPHYLL: "total chlorophyll",
        CHLOROPHYLL_A: "chlorophyll a",
        CHLOROPHYLL_B: "chlorophyll b",
        RATIO: "the ratio of chlorophyll a to b",
    }
    return words.get(quantity, quantity.replace("_", " "))


def calibration_sentence(
    calibrated: CalibratedSeries, estimates: Sequence[Mapping[str, Any]], word: str, level: float
) -> dict[str, Any]:
    """Return the sentence on one quantity, with the names of quantity, unit and index."""
    quantity, unit = calibrated.series
    suffix = "" if unit == "1" else f" {unit}"
    words = quantity_words(quantity)
    is_or_are = "are" if quantity == CAROTENOIDS else "is"
    first = f"{words[0].upper()}{words[1:]}"
    head: dict[str, Any] = {"quantity": quantity, "unit_of_value": unit, "index": ""}
    if calibrated.choice is None:
        unit_words = f" in {unit}" if suffix else ""
        whole = f"{first}{unit_words} {is_or_are} not calibrated: "
        return {**head, "sentence": f"{whole}{calibrated.reason}."}
    choice, calibration = calibrated.choice, calibrated.choice.calibration
    pairs = calibration.pairs
    series_estimates = [
        row for row in estimates if (row["quantity"], row["unit_of_value"]) == calibrated.series
    ]
    outside = sum(not row["in_range"] for row in series_estimates)
    text = (
        f"{first} {is_or_are} estimated from {choice.index}, a {calibration.form} form: "
        f"{formula_text(calibration.fit, quantity, choice.index)}{suffix}, from "
        f"{counted(pairs.n_leaves, 'leaf')} of {counted(len(pairs.units), word)}. The error of "
        f"{plural(word)} left out is {calibration.rmse_cv:.3g}{suffix}"
    )
    if math.isfinite(choice.rmse_nested):
        what = "index and form are" if choice.n_tried > 1 else "the form is"
        text += f", or {choice.rmse_nested:.3g} when {what} chosen anew without each of them"
        if choice.n_outside:
            lay = "leaf lay" if choice.n_outside == 1 else "leaves lay"
            text += f" ({choice.n_outside} {lay} outside the range of the others)"
    text += (
        f". It holds for {choice.index} from {calibration.low:.3g} to {calibration.high:.3g}; "
        f"{outside} of {counted(len(series_estimates), 'leaf')} with the index lie outside and "
        "get no estimate."
        f" Intervals hold {100 * level:g} % of new leaves of new {plural(word)}, as the assay "
        "would find them."
    )
    return {**head, "index": choice.index, "sentence": text}


def _warnings(
    rows: Sequence[Mapping[str, Any]], calibrated: Sequence[CalibratedSeries]
) -> list[str]:
    warnings: dict[str, None] = {}
    for row in rows:
        assay_words = f"assay in row {row['row']} ({row['unit']}, {row['session']}, {row['leaf']})"
        if row["reason"]:
            warnings[f"{assay_words} is not used: {row['reason']}"] = None
        if row["remark"]:
            warnings[f"{assay_words}: {row['remark']}"] = None
    without: dict[str, list[str]] = {}
    for series in calibrated:
        if series.choice is None:
            words = quantity_words(series.series[0])
            name = words if series.series[1] == "1" else f"{words} in {series.series[1]}"
            without.setdefault(series.reason, []).append(name)
    for why, quantities in without.items():
        names = listed(quantities)
        is_or_are = "is" if len(quantities) == 1 and CAROTENOIDS not in names else "are"
        warnings[f"{names[0].upper()}{names[1:]} {is_or_are} not calibrated: {why}"] = None
    return list(warnings)


def _metrics(
    rows: Sequence[Mapping[str, Any]],
    calibrated: Sequence[CalibratedSeries],
    spots: Sequence[Sequence[SpotFindings]],
) -> list[Metric]:
    used = {(r["unit"], r["session"], r["leaf"]) for r in rows if r["used"]}
    faulty = {r["row"] for r in rows if not r["used"]}
    metrics = [
        Metric("n_leaves_assayed", len(used)),
        Metric("n_units_assayed", len({leaf[0] for leaf in used})),
        Metric("n_assays_not_used", len(faulty)),
        Metric("n_calibrated", sum(series.choice is not None for series in calibrated)),
        Metric("n_strips", len(spots)),
    ]
    first = next((series for series in calibrated if series.choice is not None), None)
    if first is not None and first.choice is not None:
        quantity, unit = first.series
        metrics.append(Metric(f"rmse_cv_{quantity}", first.choice.calibration.rmse_cv, unit))
    return metrics
