"""The rule ``leaf_model``: contents of every leaf by inversion of a leaf model, without an assay.

The model itself is in :mod:`leafledger.traits.leaf_model`. Its coefficients are read from a table
that the study names, and checked here: a table in other units gives contents that look reasonable
and are wrong.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, bounded, quoted
from leafledger.records.record import Job, Metric, Outcome
from leafledger.study.sheets import Row, Sheet, read_sheet
from leafledger.study.table_files import (
    SHARED_SOURCES,
    read_csv,
    read_json,
    read_spectra,
    write_csv,
    write_json,
    write_spectra,
)
from leafledger.study.tables import names_of
from leafledger.traits.leaf_model import (
    BY_NAME,
    BY_PRIOR,
    CONSTITUENTS,
    GLOSS,
    LARGEST_MISFIT,
    PARAMETERS,
    STRUCTURE,
    Coefficients,
    Inversion,
    invert,
    misfit_reasons,
)
from leafledger.words import counted, listed, plural

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

# The table of coefficients.
# ----------------------------------------------------------------------

WAVELENGTH: Final = "wavelength_nm"
REFRACTIVE_INDEX: Final = "refractive_index"
WHERE_PUBLISHED: Final = (
    "The coefficients of PROSPECT-D are published in the supplement of Feret et al. (2017), Remote "
    "Sensing of Environment 193: 204-215"
)
_NEEDED: Final = (WAVELENGTH, REFRACTIVE_INDEX, "chlorophyll")
COLUMNS: Final = (WAVELENGTH, REFRACTIVE_INDEX, *CONSTITUENTS)
"""Columns of the table; all but the first three may be left out."""
_COARSEST_NM: Final = 5.0
_COVERED_NM: Final = (500.0, 750.0)
"""Without these wavelengths chlorophyll and structure cannot be told apart."""


@dataclass(frozen=True)
class _Column:
    """What a column of the table may hold.

    Attributes
    ----------
    unit
        Its unit.
    low, high
        Within which its largest value must lie, between two wavelengths.
    window
        These wavelengths, nm.
    """

    unit: str
    low: float
    high: float
    window: tuple[float, float]


_PLAUSIBLE: Final[Mapping[str, _Column]] = {
    "chlorophyll": _Column("cm2/ug", 0.02, 0.3, (400, 700)),
    "carotenoids": _Column("cm2/ug", 0.05, 0.6, (400, 520)),
    "anthocyanins": _Column("cm2/ug", 0.02, 0.3, (500, 580)),
    "brown_pigments": _Column("a plain number", 0.05, 5.0, (400, 700)),
    "water": _Column("cm-1", 0.3, 0.8, (950, 1000)),
    "dry_matter": _Column("cm2/g", 0.3, 30.0, (750, 1000)),
}
"""Wide limits about published figures: they find units that are wrong by a factor of ten."""
_RED_NM: Final = (640.0, 690.0)
_LEAST_RED: Final = 0.01
"""Chlorophyll alone absorbs red light: its column reaches this, cm2/ug, in these wavelengths."""
_ENDS_NM: Final[Mapping[str, float]] = {
    "chlorophyll": 781.0,
    "carotenoids": 561.0,
    "anthocyanins": 690.0,
}
"""Wavelength from which the published absorption is zero: columns that are exchanged differ."""
_NEAR_ZERO: Final = 0.01
"""Share of its largest value that a column may hold beyond its end."""


def read_coefficients(path: Path, file: str) -> Coefficients:
    """Read and check the table of coefficients.

    Parameters
    ----------
    path, shown
        The table, a CSV or a workbook, and its name in messages.

    Returns
    -------
    Coefficients
        On the wavelengths of the table.

    Raises
    ------
    InputFault
        With every problem: no such file, a missing or misspelt column, cells that are no numbers,
        wavelengths that do not rise, are more than 5 nm apart or do not cover 500 to 750 nm,
        values that belong to another unit, and pigments that absorb where they do not.
    """
    if not path.is_file():
        raise InputFault(
            Problem(
                file=file,
                found="no such file",
                expected="the table of coefficients of the leaf model, which leafledger does not "
                "bring along",
                mend=f"{WHERE_PUBLISHED}. Save them in the study folder with the columns "
                f"{', '.join(COLUMNS)}.",
            )
        )
    sheet = read_sheet(path, file, required=_NEEDED, known=COLUMNS, called="coefficients")
    problems: list[Problem] = []
    present = [name for name in COLUMNS if name in sheet.columns]
    values = {name: _numbers(sheet, name, problems) for name in present}
    if len(sheet.rows) < 2:
        problems.append(_problem(file, WAVELENGTH, f"{len(sheet.rows)} rows", "a row for each nm"))
    if problems:
        raise InputFault(bounded(problems))
    problems += _axis_problems(file, sheet.rows, values[WAVELENGTH])
    units = _unit_problems(file, values)
    odd = {problem.column for problem in units}
    problems += units
    problems += [problem for problem in _shape_problems(file, values) if problem.column not in odd]
    if problems:
        raise InputFault(bounded(problems))
    return Coefficients(
        values[WAVELENGTH],
        values[REFRACTIVE_INDEX],
        {name: values[name] for name in present if name in CONSTITUENTS},
    )


def _problem(file: str, column: str, found: str, expected: str, mend: str = "") -> Problem:
    mend = mend or f"{WHERE_PUBLISHED}: hold the table against them."
    return Problem(file=file, column=column, found=found, expected=expected, mend=mend)


def _numbers(sheet: Sheet, name: str, problems: list[Problem]) -> Array:
    """Return a column as numbers; a cell that is none becomes a problem."""
    numbers = []
    for row in sheet.rows:
        text = row.get(name)
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value) or value < 0:
            problems.append(
                Problem(
                    file=sheet.name, row=row.line, column=name, found=quoted(text),
                    expected="a number, 0 or more, with a decimal point",
                    mend="Correct the cell; a constituent without values is left out as a column.",
                )
            )  # fmt: skip
        numbers.append(value)
    return np.array(numbers, dtype=np.float64)


def _axis_problems(file: str, rows: Sequence[Row], wavelength: Array) -> list[Problem]:
    if wavelength.max() < 30:
        return [
            _problem(
                file, WAVELENGTH, f"{wavelength.min():g} to {wavelength.max():g}",
                "wavelengths in nm", "These look like micrometres: multiply them by 1000.",
            )
        ]  # fmt: skip
    steps = np.diff(wavelength)
    if (steps <= 0).any():
        row = int(np.argmax(steps <= 0)) + 1
        return [
            Problem(
                file=file, row=rows[row].line, column=WAVELENGTH,
                found=f"{wavelength[row]:g} after {wavelength[row - 1]:g}",
                expected="wavelengths that rise from row to row",
                mend="Sort the rows by wavelength, each wavelength once.",
            )
        ]  # fmt: skip
    problems = []
    if steps.max() > _COARSEST_NM:
        row = int(steps.argmax())
        problems.append(
            _problem(
                file, WAVELENGTH, f"{wavelength[row]:g} and then {wavelength[row + 1]:g}",
                f"steps of at most {_COARSEST_NM:g} nm; published are steps of 1 nm",
            )
        )  # fmt: skip
    if wavelength[0] > _COVERED_NM[0] or wavelength[-1] < _COVERED_NM[1]:
        problems.append(
            _problem(
                file, WAVELENGTH, f"{wavelength[0]:g} to {wavelength[-1]:g} nm",
                f"at least {_COVERED_NM[0]:g} to {_COVERED_NM[1]:g} nm",
            )
        )  # fmt: skip
    return problems


def _unit_problems(file: str, values: Mapping[str, Array]) -> list[Problem]:
    wavelength, index = values[WAVELENGTH], values[REFRACTIVE_INDEX]
    problems = []
    if index.min() < 1.1 or index.max() > 1.8:
        problems.append(
            _problem(
                file, REFRACTIVE_INDEX, f"{index.min():g} to {index.max():g}",
                "the refractive index of leaf material, between 1.1 and 1.8",
            )
        )  # fmt: skip
    for name, column in _PLAUSIBLE.items():
        inside = (wavelength >= column.window[0]) & (wavelength <= column.window[1])
        if name not in values or not inside.any():
            continue
        largest = float(values[name][inside].max())
        if not column.low <= largest <= column.high:
            low, high = column.window
            problems.append(
                _problem(
                    file, name, f"a largest value of {largest:g} between {low:g} and {high:g} nm",
                    f"{column.low:g} to {column.high:g}: specific absorption in {column.unit}",
                    f"Convert the column to {column.unit}, or take it out: then "
                    f"{BY_NAME[name].words} is not fitted.",
                )
            )  # fmt: skip
    return problems


def _shape_problems(file: str, values: Mapping[str, Array]) -> list[Problem]:
    """Return pigments that absorb where they do not, or not where they do: headings exchanged."""
    wavelength = values[WAVELENGTH]
    mend = (
        f"Are the headings of two pigments exchanged? {WHERE_PUBLISHED}: hold the table against "
        "them."
    )
    problems = []
    red = (wavelength >= _RED_NM[0]) & (wavelength <= _RED_NM[1])
    if red.any() and (largest := float(values["chlorophyll"][red].max())) < _LEAST_RED:
        problems.append(
            _problem(
                file, "chlorophyll",
                f"a largest value of {largest:g} between {_RED_NM[0]:g} and {_RED_NM[1]:g} nm",
                f"{_LEAST_RED:g} cm2/ug or more there: chlorophyll absorbs red light", mend,
            )
        )  # fmt: skip
    for name, end in _ENDS_NM.items():
        beyond = wavelength >= end
        if name not in values or not beyond.any():
            continue
        row = int(np.flatnonzero(beyond)[values[name][beyond].argmax()])
        if values[name][row] > _NEAR_ZERO * values[name].max():
            problems.append(
                _problem(
                    file, name, f"{values[name][row]:g} at {wavelength[row]:g} nm",
                    f"0 from {end:g} nm on, as published", mend,
                )
            )  # fmt: skip
    return problems


# The spectra and their uncertainty.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class MeasuredLeaves:
    """Accepted spectra of the study, on one axis.

    Attributes
    ----------
    rows
        Scan, session, unit and leaf.
    wavelength_nm
        Shape (n,).
    reflectance
        Shape (scans, n).
    u
        Standard uncertainty that is independent from wavelength to wavelength; ``None`` if it is
        not known.
    shared
        Sources that wavelengths share, shape (sources, scans, n).
    """

    rows: pd.DataFrame
    wavelength_nm: Array
    reflectance: Array
    u: Array | None
    shared: Array


def measured_leaves(job: Job, coefficients: Coefficients, file: str) -> MeasuredLeaves:
    """Read the accepted scans of all sessions, where the trusted range and the table overlap.

    Raises
    ------
    InputFault
        If sessions do not share one axis, or too little of it lies within the table.
    """
    import pandas as pd

    keep = read_csv(job.inputs["accepted"])
    keep = keep[keep["accepted"].astype(bool)].set_index("scan")
    limits = read_json(job.inputs["range"])
    low = max(float(limits["start_nm"]), float(coefficients.wavelength_nm[0]))
    high = min(float(limits["stop_nm"]), float(coefficients.wavelength_nm[-1]))
    frames, parts = [], []
    first: tuple[str, Array] | None = None
    for session, path in job.by_session("reflectance").items():
        head = read_spectra(path, ("reflectance", "u_scan", "u_noise"))
        axis = head.wavelength_nm
        first = first or (session, axis)
        if not np.array_equal(first[1], axis):
            raise InputFault(
                Problem(
                    file="study.yaml", column="reflectance.grid",
                    found=f"other wavelengths in session {session} than in {first[0]}",
                    expected="one grid for all sessions", mend="State a grid that all cover.",
                )
            )  # fmt: skip
        chosen = np.flatnonzero(head.rows["scan"].isin(keep.index).to_numpy())
        scans = head.rows["scan"].to_numpy(dtype=str)[chosen]
        chosen = chosen[np.argsort(scans, kind="stable")]
        inside = (axis >= low) & (axis <= high)
        pick = np.ix_(chosen, np.flatnonzero(inside))
        frames.append(keep.loc[np.sort(scans)].reset_index())
        parts.append(_with_uncertainty(path, head.spectra, head.metadata, pick))
    if first is None or not any(len(frame) for frame in frames):
        raise InputFault(
            Problem(
                file="results/accepted.csv", found="no accepted scan",
                expected="at least one that the leaf model can describe",
                mend="Look at the exclusions: leafledger review.",
            )
        )  # fmt: skip
    used = first[1][(first[1] >= low) & (first[1] <= high)]
    if not len(used) or used[0] > _COVERED_NM[0] or used[-1] < _COVERED_NM[1]:
        raise InputFault(
            Problem(
                file=file, column=WAVELENGTH,
                found=f"{low:g} to {high:g} nm in common with the trusted range of the spectra",
                expected=f"at least {_COVERED_NM[0]:g} to {_COVERED_NM[1]:g} nm: without them "
                "chlorophyll and structure cannot be told apart",
                mend="Complete the table, or take `traits.leaf_model` out of study.yaml: this "
                "instrument does not measure what the model needs.",
            )
        )  # fmt: skip
    rows = pd.concat(frames, ignore_index=True)
    u_known = all(u is not None for _, u, _ in parts)
    n_sources = max(len(sources) for _, _, sources in parts)
    shared = [_padded(sources, n_sources) for _, _, sources in parts]
    return MeasuredLeaves(
        rows,
        used,
        np.concatenate([reflectance for reflectance, _, _ in parts]),
        np.concatenate([u for _, u, _ in parts if u is not None]) if u_known else None,
        np.concatenate(shared, axis=1),
    )


_LEAST_U: Final = 1e-5


def _with_uncertainty(
    path: Path, spectra: Mapping[str, Array], metadata: Mapping[str, Any], pick: tuple[Any, ...]
) -> tuple[Array, Array | None, Array]:
    """Return reflectance, its independent uncertainty, and what wavelengths share."""
    value = spectra["reflectance"][pick]
    sources = []
    u = None
    if metadata.get("u") != "unknown" and "u_scan" in spectra:
        variance = spectra["u_scan"][pick] ** 2
        if "u_noise" in spectra:
            variance = variance + spectra["u_noise"][pick] ** 2
        u = np.maximum(np.sqrt(variance), _LEAST_U)
        for name in metadata.get(SHARED_SOURCES, ()):
            sources.append(read_spectra(path, (name,)).spectra[name][pick])
    relative = np.asarray(metadata.get("panel_u_relative") or 0.0, dtype=np.float64)
    if relative.any():
        n = spectra["reflectance"].shape[1]
        sources.append(value * np.broadcast_to(relative, (n,))[pick[1][0]])
    return value, u, np.array(sources).reshape(len(sources), *value.shape)


def _padded(sources: Array, n: int) -> Array:
    """Return the sources, with sources of 0 so that there are n."""
    return np.concatenate([sources, np.zeros((n - len(sources), *sources.shape[1:]))])


# Rows of the tables.
# ----------------------------------------------------------------------


def scan_rows(
    rows: pd.DataFrame, inversion: Inversion, reasons: Sequence[Sequence[str]], level: float
) -> list[dict[str, Any]]:
    """Return one row for each scan and parameter."""
    low, high = inversion.interval(level)
    u, share = inversion.u, inversion.prior_share
    records = []
    scan_labels = zip(
        *(rows[name].tolist() for name in ("scan", "unit", "session", "leaf")), strict=True
    )
    for i, (scan, unit, session, leaf) in enumerate(scan_labels):
        for j, name in enumerate(inversion.names):
            records.append(
                {
                    "scan": scan,
                    "unit": unit,
                    "session": session,
                    "leaf": leaf,
                    "quantity": name,
                    "value": float(inversion.estimate[i, j]),
                    "u": float(u[i, j]),
                    "interval_low": float(low[i, j]),
                    "interval_high": float(high[i, j]),
                    "interval_level": level,
                    "unit_of_value": BY_NAME[name].unit,
                    "prior_share": float(share[i, j]),
                    "misfit": float(inversion.misfit[i]),
                    "fits": not reasons[i],
                    "reason": "; ".join(reasons[i]),
                }
            )
    return records


def unit_rows(
    rows: Iterable[Mapping[str, Any]], level: float, names: Sequence[str]
) -> list[dict[str, Any]]:
    """Return the mean of each unit in each session, over scans that the model fits.

    Notes
    -----
    Scans are averaged within leaf and leaves within unit. The uncertainty of the mean is the mean
    uncertainty: what a model gets wrong it gets wrong in all leaves alike, so that it does not
    shrink with their number. The spread of the leaves stands beside it.
    """
    from scipy.stats import norm

    grouped: dict[tuple[str, str, str], dict[str, list[Mapping[str, Any]]]] = defaultdict(
        lambda: defaultdict(list)
    )
    sessions: dict[str, None] = {}
    for row in rows:
        sessions.setdefault(row["session"])
        grouped[row["unit"], row["session"], row["quantity"]][row["leaf"]].append(row)
    z = float(norm.ppf(0.5 + level / 2))
    order = {name: position for position, name in enumerate(names)}
    days = {name: position for position, name in enumerate(sessions)}
    records = []
    for (unit, session, quantity), leaves in sorted(
        grouped.items(), key=lambda item: (days[item[0][1]], item[0][0], order[item[0][2]])
    ):
        fitting = {
            leaf: good
            for leaf, scans in sorted(leaves.items())
            if (good := [r for r in scans if r["fits"]])
        }
        n_scans = sum(len(scans) for scans in leaves.values())
        row = {
            "unit": unit, "session": session, "quantity": quantity,
            "unit_of_value": BY_NAME[quantity].unit, "value": math.nan, "u": math.nan,
            "interval_low": math.nan, "interval_high": math.nan, "interval_level": level,
            "sd_leaves": math.nan, "prior_share": math.nan, "n_leaves": len(fitting),
            "n_scans": sum(len(scans) for scans in fitting.values()),
            "n_unfit": n_scans - sum(len(scans) for scans in fitting.values()),
            "reason": "" if fitting else "the model fits none of its scans",
        }  # fmt: skip
        if fitting:
            means = [_mean(scans, "value") for scans in fitting.values()]
            value = math.fsum(means) / len(means)
            u = math.fsum(_mean(scans, "u") for scans in fitting.values()) / len(means)
            parameter = BY_NAME[quantity]
            row |= {
                "value": value,
                "u": u,
                "interval_low": max(value - z * u, parameter.low),
                "interval_high": min(value + z * u, parameter.high),
                "prior_share": math.fsum(_mean(scans, "prior_share") for scans in fitting.values())
                / len(means),
            }
            if len(means) > 1:
                row["sd_leaves"] = float(np.std(means, ddof=1))
        records.append(row)
    return records


def _mean(rows: Sequence[Mapping[str, Any]], name: str) -> float:
    return math.fsum(row[name] for row in rows) / len(rows)


# What is said of the whole study.
# ----------------------------------------------------------------------


def prior_rows(names: Sequence[str]) -> list[dict[str, Any]]:
    """Return the priors and bounds of what was fitted."""
    return [
        {"quantity": parameter.name, "unit": parameter.unit, "mean": parameter.mean,
         "sd": parameter.sd, "low": parameter.low, "high": parameter.high}
        for parameter in PARAMETERS
        if parameter.name in names
    ]  # fmt: skip


def by_prior(inversion: Inversion) -> list[str]:
    """Return the parameters that the priors determine in half of the leaves or more."""
    typical = np.median(inversion.prior_share, axis=0)
    return [
        name
        for name, share in zip(inversion.names, typical.tolist(), strict=True)
        if share > BY_PRIOR and name not in {STRUCTURE, GLOSS}
    ]


def sentences(
    leaves: MeasuredLeaves,
    inversion: Inversion,
    reasons: Sequence[Sequence[str]],
    table: Coefficients,
) -> list[str]:
    """Return what the inversion found, for the report."""
    n, axis = len(reasons), leaves.wavelength_nm
    fits = np.array([not scan_reasons for scan_reasons in reasons])
    n_fit = int(fits.sum())
    texts = [
        f"The leaf model PROSPECT-D (Feret et al. 2017) was fitted to {counted(n, 'accepted scan')}"
        f" from {axis[0]:g} to {axis[-1]:g} nm, without any assay. It describes {n_fit} of them; "
        f"the median misfit is {np.median(inversion.misfit):.4f} (reflectance)."
    ]
    if n_fit:
        texts += [_spread_sentence(name, inversion, fits) for name in inversion.names
                 if name in CONSTITUENTS and name not in by_prior(inversion)]  # fmt: skip
        gloss = inversion.estimate[fits, inversion.names.index(GLOSS)]
        texts.append(
            f"A constant reflectance was fitted with the contents, for the gloss that the clip "
            f"lets in: median {np.median(gloss):+.4f}, {gloss.min():+.4f} to {gloss.max():+.4f}."
        )
    weak = [BY_NAME[name].words for name in by_prior(inversion)]
    if weak:
        texts.append(
            f"From {axis[0]:g} to {axis[-1]:g} nm these spectra hardly determine {listed(weak)}: "
            f"the estimate rests on the prior. Do not read it as measured."
        )
    absent = [BY_NAME[name].words for name in CONSTITUENTS if name not in inversion.names]
    if absent:
        texts.append(
            f"Not fitted, and taken as absent: {listed(absent)}. Leaves that have them are "
            "described by the other contents, wrongly."
        )
    step = float(np.median(np.diff(table.wavelength_nm)))
    texts.append(
        f"The coefficients, a table in steps of {step:g} nm, were interpolated linearly to the "
        "wavelengths of the spectra; the band width of the instrument is not taken into account."
    )
    if n_fit < n:
        are, take = ("is", "takes") if n - n_fit == 1 else ("are", "take")
        texts.append(
            f"{counted(n - n_fit, 'scan')} {are} not described by the model and {take} no part in "
            "means."
        )
    if leaves.u is None:
        texts.append(
            "The uncertainty of the reflectance is not stated. It was taken from the residuals."
        )
    return texts


def _spread_sentence(name: str, inversion: Inversion, fits: NDArray[np.bool_]) -> str:
    parameter, column = BY_NAME[name], inversion.names.index(name)
    value, u = inversion.estimate[fits, column], inversion.u[fits, column]
    unit = "" if parameter.unit == "1" else f" {parameter.unit}"
    return (
        f"Estimated {parameter.words}: {value.min():.3g} to {value.max():.3g}{unit}, median "
        f"{np.median(value):.3g}; median standard uncertainty {np.median(u):.2g}{unit}."
    )


# The stage.
# ----------------------------------------------------------------------


def run(job: Job) -> Outcome:
    """Write the estimates by scan and by unit, the residual spectra and ``leaf_model.json``."""
    import pandas as pd

    settings = job.settings["leaf_model"]
    level = float(settings["interval"])
    path = job.inputs["leaf_coefficients"]
    table = read_coefficients(path, job.shown(path))
    leaves = measured_leaves(job, table, job.shown(path))
    rows = leaves.rows
    inversion = invert(
        table.at(leaves.wavelength_nm),
        leaves.reflectance,
        leaves.u,
        shared=leaves.shared,
        brown=bool(settings["brown_pigments"]),
    )
    reasons = misfit_reasons(leaves.wavelength_nm, inversion)
    of_scans = scan_rows(rows, inversion, reasons, level)
    of_units = unit_rows(of_scans, level, inversion.names)
    for name, records in (("leaf_model_scans", of_scans), ("leaf_model_units", of_units)):
        columns = names_of(name)
        write_csv(job.outputs[name], pd.DataFrame(records, columns=list(columns)), columns)
    _write_residuals(job.outputs["leaf_model_residuals"], rows, leaves, inversion)
    texts = sentences(leaves, inversion, reasons, table)
    weak = by_prior(inversion)
    write_json(
        job.outputs["leaf_model_summary"],
        {
            "sentences": texts,
            "model": "PROSPECT-D",
            "reference": "Feret et al. 2017, Remote Sensing of Environment 193: 204-215",
            "coefficients": job.shown(path),
            "wavelength_nm": [float(leaves.wavelength_nm[0]), float(leaves.wavelength_nm[-1])],
            "priors": prior_rows(inversion.names),
            "determined_by_prior": weak,
            "largest_misfit": LARGEST_MISFIT,
            "n_scans": len(reasons),
            "n_unfit": sum(bool(scan_reasons) for scan_reasons in reasons),
        },
    )
    return Outcome(metrics=_metrics(inversion, reasons), warnings=_warnings(reasons, weak))


def _write_residuals(
    path: Path, rows: pd.DataFrame, leaves: MeasuredLeaves, inversion: Inversion
) -> None:
    import pyarrow as pa

    named = pa.table({n: pa.array(rows[n].tolist(), pa.string()) for n in ("scan", "session")})
    spectra = {
        "fitted": leaves.reflectance - inversion.residual,
        "residual": inversion.residual,
    }
    write_spectra(path, named, leaves.wavelength_nm, spectra, {})


def _metrics(inversion: Inversion, reasons: Sequence[Sequence[str]]) -> list[Metric]:
    fits = np.array([not scan_reasons for scan_reasons in reasons])
    metrics = [
        Metric("leaf_model_scans", len(reasons)),
        Metric("leaf_model_unfit", int((~fits).sum())),
        Metric("leaf_model_misfit", float(np.median(inversion.misfit))),
    ]
    if fits.any():
        for name in inversion.names:
            median = float(np.median(inversion.estimate[fits, inversion.names.index(name)]))
            metrics.append(Metric(f"leaf_model_{name}", median, BY_NAME[name].unit))
    return metrics


def _warnings(reasons: Sequence[Sequence[str]], weak: Sequence[str]) -> list[str]:
    n = sum(bool(scan_reasons) for scan_reasons in reasons)
    warnings = []
    if n:
        all_scans = counted(len(reasons), "accepted scan")
        warnings.append(
            f"the leaf model does not fit {n} of {all_scans}: results/leaf_model/scans.csv says why"
        )
    if weak:
        words = [BY_NAME[name].words for name in weak]
        warnings.append(
            f"these spectra hardly determine {listed(words)}: the {plural('estimate')} by the leaf "
            "model rest on the priors"
        )
    return warnings
