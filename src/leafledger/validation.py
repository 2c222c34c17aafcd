"""Do the tables of a study hold what must hold of them? The rule `validation`.

The expectations are suites for Great Expectations, held against small tables of one row per scan or
session: in memory, silent, without network. One that breaks names the scans, and says in words
what to do.
"""

from __future__ import annotations

import hashlib
import logging
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.errors import InputFault, Problem, StageFailure
from leafledger.records.record import Job, Metric, Outcome
from leafledger.study.table_files import (
    read_json,
    read_parquet,
    spectra_by_group,
    spectra_metadata,
    write_json,
)

if TYPE_CHECKING:
    import pandas as pd

# Expectations
# ----------------------------------------------------------------------

ROLES = ("sample", "white", "dark", "lamp", "ambient", "check")
STATUSES = ("ok", "outside_range", "undefined")
NORMALISED_DIFFERENCES = ("NDVI", "PRI", "ND705", "NDRE", "GNDVI", "NDVI_green")
"""Indices of the form (a - b) / (a + b); of two positive reflectances they lie within -1 to 1."""
LOWEST_REFLECTANCE, HIGHEST_REFLECTANCE = -1.0, 5.0
LOWEST_MEAN, HIGHEST_MEAN = -0.1, 1.5
"""Loose on purpose: a scan at fault must not stop a study, percent taken for a fraction must."""


@dataclass(frozen=True)
class Expected:
    """One expectation on one table.

    Attributes
    ----------
    name
        Our name of it, unique in its suite.
    table
        Which table of the suite it is held against.
    kind
        Class name in ``great_expectations.expectations``.
    column
        Column, or columns joined by ``+``, in messages.
    arguments
        Arguments of the class.
    words
        What is expected, in words.
    mend
        What to do when it fails.
    """

    name: str
    table: str
    kind: str
    column: str
    words: str
    mend: str
    arguments: Mapping[str, Any] = field(default_factory=dict)


def _one(
    name: str, table: str, kind: str, column: str, expectation: str, mend: str, **arguments: Any
) -> Expected:
    return Expected(name, table, kind, column, expectation, mend, {"column": column, **arguments})


_AGAIN = "Remove results/ and run again; if it happens again, it is a bug of leafledger."


def scans_suite(ids: Sequence[str]) -> list[Expected]:
    """Return what must hold of the raw scans; ``ids`` are those of the scan sheet."""
    between = "ExpectColumnValuesToBeBetween"
    return [
        _one("scan_unique", "scans", "ExpectColumnValuesToBeUnique", "scan",
             "every scan once", "Give every scan of the sheet its own id."),
        _one("scans_as_in_sheet", "scans", "ExpectColumnDistinctValuesToEqualSet", "scan",
             "exactly the scans of the sheet", _AGAIN, value_set=list(ids)),
        _one("role_known", "scans", "ExpectColumnValuesToBeInSet", "role",
             "one of " + ", ".join(ROLES), "Correct the role in the scan sheet.",
             value_set=list(ROLES)),
        _one("integration_time_positive", "scans", between, "integration_ms",
             "an integration time above 0 ms, or none",
             "Correct integration_ms in the scan sheet.", min_value=0, strict_min=True),
        _one("values_finite", "scans", between, "n_not_finite", "only finite values",
             "Look into the raw file: it holds something that is not a number.", max_value=0),
        _one("values_not_negative", "scans", between, "above_lowest",
             "no counts below 0 (no reflectance below -1)",
             "Check the columns read. If the acquisition program has subtracted the dark already, "
             "set quality.severity.scans to warning.", min_value=0),
    ]  # fmt: skip


def reflectance_suite(ids: Sequence[str]) -> list[Expected]:
    """Return what must hold of the reflectance; ``ids`` are the sample scans of the sheet."""
    between = "ExpectColumnValuesToBeBetween"
    percent = "Check intake.forms quantity (percent or fraction), the panel and the white scans."
    return [
        _one("scan_unique", "reflectance", "ExpectColumnValuesToBeUnique", "scan",
             "every scan once", "Give every scan of the sheet its own id."),
        _one("scans_as_in_sheet", "reflectance", "ExpectColumnDistinctValuesToEqualSet", "scan",
             "exactly the sample scans of the sheet", _AGAIN, value_set=list(ids)),
        _one("values_finite", "reflectance", between, "n_not_finite", "only finite values", _AGAIN,
             max_value=0),
        _one("lowest_plausible", "reflectance", between, "minimum",
             f"reflectance not below {LOWEST_REFLECTANCE:g} in the trusted range", percent,
             min_value=LOWEST_REFLECTANCE),
        _one("highest_plausible", "reflectance", between, "maximum",
             f"reflectance not above {HIGHEST_REFLECTANCE:g} in the trusted range", percent,
             max_value=HIGHEST_REFLECTANCE),
        _one("mean_plausible", "reflectance", between, "mean",
             f"a mean reflectance of {LOWEST_MEAN:g} to {HIGHEST_MEAN:g} in the trusted range",
             percent, min_value=LOWEST_MEAN, max_value=HIGHEST_MEAN),
        _one("one_axis", "axes", "ExpectColumnUniqueValueCountToBeBetween", "axis",
             "one wavelength axis for all sessions", "State reflectance.grid.", max_value=1),
        _one("range_starts_inside", "axes", between, "range_above_first_nm",
             "a trusted range that starts inside the axis", "Correct quality.range.", min_value=0),
        _one("range_stops_inside", "axes", between, "range_below_last_nm",
             "a trusted range that stops inside the axis", "Correct quality.range.", min_value=0),
    ]  # fmt: skip


def indices_suite(ids: Sequence[str], names: Sequence[str]) -> list[Expected]:
    """Return what must hold of the index values of the sample scans."""
    bounded = [name for name in names if name in NORMALISED_DIFFERENCES]
    return [
        Expected("scan_index_unique", "indices", "ExpectCompoundColumnsToBeUnique", "scan+index",
                 "every index of a scan once", _AGAIN, {"column_list": ["scan", "index"]}),
        _one("scans_as_in_sheet", "indices", "ExpectColumnDistinctValuesToEqualSet", "scan",
             "exactly the sample scans of the sheet", _AGAIN, value_set=list(ids)),
        _one("index_known", "indices", "ExpectColumnValuesToBeInSet", "index",
             "the indices of study.yaml and no other", _AGAIN, value_set=list(names)),
        _one("every_index", "indices_per_scan", "ExpectColumnValuesToBeBetween", "n_indices",
             f"all {len(names)} indices", _AGAIN, min_value=len(names)),
        _one("status_known", "indices", "ExpectColumnValuesToBeInSet", "status",
             "one of " + ", ".join(STATUSES), _AGAIN, value_set=list(STATUSES)),
        _one("value_where_ok", "indices_ok", "ExpectColumnValuesToNotBeNull", "value",
             "a value where the status is ok", _AGAIN),
        _one("no_value_elsewhere", "indices_not_ok", "ExpectColumnValuesToBeNull", "value",
             "no value where the status is not ok", _AGAIN),
        _one("values_finite", "indices_ok", "ExpectColumnValuesToBeBetween", "value",
             "finite values", "Look at the formula: it divides by something near zero.",
             min_value=-1e9, max_value=1e9),
        *(
            _one(f"bounds_{name}", f"indices_ok/{name}", "ExpectColumnValuesToBeBetween", "value",
                 "-1 to 1, as reflectance above 0 gives",
                 "Look at the reflectance of the scan: part of it is below 0.",
                 min_value=-1, max_value=1)
            for name in bounded
        ),
    ]  # fmt: skip


# Holding tables against them
# ----------------------------------------------------------------------

SHOWN = 20


def check_tables(
    suite: str, severity: str, tables: Mapping[str, pd.DataFrame], expected: Sequence[Expected]
) -> dict[str, Any]:
    """Hold tables against a suite.

    Parameters
    ----------
    suite
        Its name.
    severity
        ``error`` or ``warning``; written to every expectation.
    tables
        Name -> table.
    expected
        The expectations, each naming its table.

    Returns
    -------
    dict
        ``suite``, ``success``, ``n_expectations`` and ``expectations``, in the order given; each
        with ``name``, ``expectation``, ``column``, ``success``, ``severity``, ``expected`` (words),
        ``mend``, ``observed``, ``n_unexpected`` and the first 20 of ``unexpected``. No times, no
        run ids.

    Raises
    ------
    StageFailure
        If an expectation could not be evaluated at all.
    """
    outcomes: dict[str, dict[str, Any]] = {}
    for name in dict.fromkeys(item.table for item in expected):
        of_table = [item for item in expected if item.table == name]
        outcomes |= _check_table(f"{suite}/{name}", tables[name], of_table)
    results = [
        {
            "name": item.name,
            "expectation": _snake(item.kind),
            "column": item.column,
            "severity": severity,
            "expected": item.words,
            "mend": item.mend,
            **outcomes[item.name],
        }
        for item in expected
    ]
    return {
        "suite": suite,
        "success": all(bool(result["success"]) for result in results),
        "n_expectations": len(results),
        "expectations": results,
    }


def _snake(kind: str) -> str:
    return "".join(f"_{c.lower()}" if c.isupper() else c for c in kind).lstrip("_")


@cache
def _quiet_context() -> Any:
    """Return an in-memory context that reports to nobody and shows no progress bars."""
    os.environ["GX_ANALYTICS_ENABLED"] = "False"
    os.environ["POSTHOG_DISABLED"] = "1"
    import great_expectations as gx
    from great_expectations.data_context.types.base import ProgressBarsConfig

    logging.getLogger("great_expectations").setLevel(logging.ERROR)
    context = gx.get_context(mode="ephemeral")
    context.enable_analytics(enable=False)
    context.variables.progress_bars = ProgressBarsConfig(globally=False)
    return context


def _check_table(
    name: str, table: pd.DataFrame, expected: Sequence[Expected]
) -> dict[str, dict[str, Any]]:
    if len(table) == 0:
        return {item.name: _of_empty(item) for item in expected}
    context = _quiet_context()
    import great_expectations as gx

    suite = gx.ExpectationSuite(name=name)
    for item in expected:
        expectation = getattr(gx.expectations, item.kind)
        suite.add_expectation(expectation(**item.arguments, meta={"name": item.name}))
    batch = (
        context.data_sources.add_or_update_pandas("tables")
        .add_dataframe_asset(name)
        .add_batch_definition_whole_dataframe("whole")
        .get_batch({"dataframe": table})
    )
    keys = [key for key in ("scan", "session", "index") if key in table.columns]
    form = {"result_format": "COMPLETE", "unexpected_index_column_names": keys}
    report = batch.validate(suite, result_format=form)
    out: dict[str, dict[str, Any]] = {}
    for result in report.results:
        evaluated = result.to_json_dict()
        item_name = evaluated["expectation_config"]["meta"]["name"]
        _refuse_unevaluated(name, item_name, evaluated["exception_info"])
        out[item_name] = _plain(evaluated)
    return out


def _refuse_unevaluated(table: str, name: str, info: Mapping[str, Any]) -> None:
    entries = [info] if "raised_exception" in info else list(info.values())
    for entry in entries:
        if entry["raised_exception"]:
            raise StageFailure(f"{table}: {name} not evaluated: {entry['exception_message']}")


def _of_empty(item: Expected) -> dict[str, Any]:
    """Return the result for a table without rows: nothing breaks, but wanted ids are missing."""
    required = item.arguments.get("value_set", ()) if "EqualSet" in item.kind else ()
    missing = [str(value) for value in required]
    return {
        "success": not missing,
        "observed": f"no rows; {len(missing)} missing" if missing else "no rows",
        "n_unexpected": len(missing),
        "unexpected": missing[:SHOWN],
    }


def _plain(evaluated: Mapping[str, Any]) -> dict[str, Any]:
    """Return what an outsider needs of a result: success, what was seen, and where."""
    result = evaluated["result"]
    where = result.get("unexpected_index_list")
    extra = [str(v) for v in result.get("partial_unexpected_list") or []]
    missing = [str(v) for v in result.get("partial_missing_list") or []]
    count = int(result.get("unexpected_count") or 0) + int(result.get("missing_count") or 0)
    if where is not None:
        places = [_place(entry, evaluated["expectation_config"]["kwargs"]) for entry in where]
        places = sorted(dict.fromkeys(places))
        count = int(result.get("unexpected_count") or 0)
        observed = f"{count} of {result.get('element_count')} rows"
    elif "partial_missing_list" in result:
        places = sorted(
            {*(f"{v} (not wanted)" for v in extra), *(f"{v} (missing)" for v in missing)}
        )
        observed = f"{count} ids too many or missing"
    else:
        places = extra
        observed = str(
            result.get("observed_value", f"{count} of {result.get('element_count')} rows")
        )
    return {
        "success": bool(evaluated["success"]),
        "observed": observed,
        "n_unexpected": count,
        "unexpected": places[:SHOWN],
    }


def _place(entry: Mapping[str, Any], arguments: Mapping[str, Any]) -> str:
    column = arguments.get("column")
    keys = [str(entry[key]) for key in ("scan", "index") if key in entry and key != column]
    keys = keys or [str(entry.get("session", ""))] if column not in ("scan", "index") else keys
    id_text = {"scan": f"{entry.get('scan')}", "index": f"{entry.get('index')}"}.get(str(column))
    if id_text is not None:
        return " ".join([*keys, id_text]) if column == "index" else id_text
    value = entry.get(str(column))
    return f"{' '.join(keys)} ({value})" if column else " ".join(keys)


# The small tables
# ----------------------------------------------------------------------

Floats = NDArray[np.float64]


def _of_spectra(values: Floats) -> dict[str, Any]:
    """Return per-scan summaries; minimum, maximum and mean are over the finite values."""
    finite = np.isfinite(values)
    has_value = finite.any(axis=1) if values.shape[1] else np.zeros(len(values), dtype=bool)
    n = np.maximum(finite.sum(axis=1), 1)
    return {
        "n_not_finite": (~finite).sum(axis=1),
        "minimum": np.where(
            has_value, np.where(finite, values, np.inf).min(axis=1, initial=np.inf), 0
        ),
        "maximum": np.where(
            has_value, np.where(finite, values, -np.inf).max(axis=1, initial=-np.inf), 0
        ),
        "mean": np.where(has_value, np.where(finite, values, 0.0).sum(axis=1) / n, 0),
    }


def scan_summary(paths: Mapping[str, Path]) -> pd.DataFrame:
    """Return one row per raw scan of all sessions: scan, session, role, times and summaries.

    ``lowest_allowed`` is 0 for counts and -1 for data that arrived as reflectance.
    """
    import pandas as pd

    frames = []
    kept = ("scan", "role", "integration_ms")
    for session, path in paths.items():
        for table in spectra_by_group(path, ("counts", "reflectance"), kept):
            counts = "counts" in table.spectra
            values = table.spectra["counts" if counts else "reflectance"]
            frame = table.rows.copy()
            frame["role"] = frame["role"].astype(str)
            frame.insert(1, "session", session)
            for name, column in _of_spectra(values).items():
                frame[name] = column
            frame["above_lowest"] = frame["minimum"] - (0.0 if counts else -1.0)
            frames.append(frame)
    return pd.concat(frames, ignore_index=True)


def reflectance_summary(
    paths: Mapping[str, Path], limits: Mapping[str, Any]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return summaries of reflectance inside the trusted range, by scan, and axes, by session."""
    import pandas as pd

    frames, axes = [], []
    for session, path in paths.items():
        axis, _ = spectra_metadata(path)
        inside = (axis >= limits["start_nm"]) & (axis <= limits["stop_nm"])
        for table in spectra_by_group(path, ("reflectance",)):
            values = table.spectra["reflectance"]
            frame = pd.DataFrame({"scan": table.rows["scan"].astype(str), "session": session})
            for name, column in _of_spectra(values[:, inside]).items():
                frame[name] = column
            frame["n_not_finite"] = (~np.isfinite(values)).sum(axis=1)
            frames.append(frame)
        axes.append(_axis_row(session, axis, limits))
    return pd.concat(frames, ignore_index=True), pd.DataFrame(axes)


def _axis_row(session: str, axis: Floats, limits: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "session": session,
        "axis": hashlib.sha256(axis.tobytes()).hexdigest()[:16],
        "range_above_first_nm": float(limits["start_nm"]) - float(axis[0]),
        "range_below_last_nm": float(axis[-1]) - float(limits["stop_nm"]),
    }


_UNUSED = ("u", "u_scan", "u_reference", "u_panel")
"""Columns of the index tables of which nothing is expected."""


def index_tables(
    paths: Mapping[str, Path], names: Sequence[str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return all index values of all sessions, and per scan how many of ``names`` it has."""
    import pandas as pd

    long = pd.concat(
        [
            read_parquet(path, leave_out=_UNUSED).assign(session=session)
            for session, path in paths.items()
        ],
        ignore_index=True,
    )
    return long, per_scan(long, names)


def per_scan(long: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Return per scan the number of rows and of different indices out of ``names``."""
    catalogued = long[long["index"].isin(list(names))]
    table = long.groupby("scan", sort=True).size().rename("n_rows").to_frame()
    table["n_indices"] = catalogued.groupby("scan")["index"].nunique()
    table["n_indices"] = table["n_indices"].fillna(0).astype(int)
    return table.reset_index()


# The rule
# ----------------------------------------------------------------------

SUITES = ("scans", "reflectance", "indices")
_IN_MESSAGE = 5


def run(job: Job) -> Outcome:
    """Hold scans, reflectance and indices against what the study definition promises.

    Raises
    ------
    InputFault
        If an expectation of severity ``error`` fails; one problem for each.
    """
    names = [str(e["index"]) for e in read_json(job.inputs["catalogue"])["indices"]]
    tables = _tables(job, names)
    suites = build_suites(job.settings["scans"], names)
    severity: Mapping[str, str] = job.settings["severity"]
    results = {
        name: check_tables(name, str(severity[name]), tables, suites[name]) for name in SUITES
    }
    problems: list[Problem] = []
    outcome = Outcome()
    for name, result in results.items():
        write_json(job.outputs[name], result)
        failed = [item for item in result["expectations"] if not item["success"]]
        outcome.metrics.append(Metric(f"n_expectations_{name}", float(result["n_expectations"])))
        outcome.metrics.append(Metric(f"n_failed_{name}", float(len(failed))))
        failures = [_problem(name, item) for item in failed]
        if severity[name] == "error":
            problems += failures
        else:
            outcome.warnings += [problem.sentence() for problem in failures]
    if problems:
        raise InputFault(problems)
    # Nothing that changes with values: unit means and classes wait for these bytes.
    write_json(job.outputs["passed"], {"passed": True})
    return outcome


def build_suites(
    scans: Mapping[str, Sequence[Mapping[str, str]]], indices: Sequence[str]
) -> dict[str, list[Expected]]:
    """Return the suites for a study.

    Parameters
    ----------
    scans
        Session -> its scans, each with ``scan`` and ``role``.
    indices
        Names of the indices to expect.
    """
    rows = [row for session in scans.values() for row in session]
    every = [str(row["scan"]) for row in rows]
    samples = [str(row["scan"]) for row in rows if row["role"] == "sample"]
    return {
        "scans": scans_suite(every),
        "reflectance": reflectance_suite(samples),
        "indices": indices_suite(samples, list(indices)),
    }


def _tables(job: Job, names: Sequence[str]) -> dict[str, pd.DataFrame]:
    limits = read_json(job.inputs["range"])
    reflectance, axes = reflectance_summary(job.by_session("reflectance"), limits)
    long, by_scan = index_tables(job.by_session("indices"), list(names))
    tables = {"scans": scan_summary(job.by_session("scans")), "reflectance": reflectance}
    return {**tables, "axes": axes, **split_indices(long, names), "indices_per_scan": by_scan}


def split_indices(long: pd.DataFrame, names: Sequence[str]) -> dict[str, pd.DataFrame]:
    """Return the index table, its rows with and without status ok, and those of each name."""
    ok = long[long["status"] == "ok"]
    parts = {f"indices_ok/{name}": ok[ok["index"] == name] for name in names}
    return {
        "indices": long,
        "indices_ok": ok,
        "indices_not_ok": long[long["status"] != "ok"],
        **parts,
    }


def _problem(suite: str, item: Mapping[str, Any]) -> Problem:
    places = [str(entry) for entry in item["unexpected"]]
    listed = ", ".join(places[:_IN_MESSAGE])
    more = int(item["n_unexpected"]) - _IN_MESSAGE
    observed = f"{item['observed']}" + (f": {listed}" if listed else "")
    return Problem(
        f"results/{suite}",
        observed + (f" and {more} more" if more > 0 and listed else ""),
        f"{item['expected']} ({item['name']})",
        str(item["mend"]),
        column=str(item["column"]),
    )
