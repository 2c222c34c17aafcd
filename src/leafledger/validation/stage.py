"""The rule `validation`: expectation suites over the tables of the whole study."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from leafledger.errors import InputFault, Problem
from leafledger.records.record import Job, Metric, Outcome
from leafledger.study.table_files import read_json, write_json
from leafledger.validation.checking import (
    Expected,
    check_tables,
    index_tables,
    indices_suite,
    reflectance_suite,
    reflectance_summary,
    scan_summary,
    scans_suite,
)

if TYPE_CHECKING:
    import pandas as pd

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
        found = [_problem(name, item) for item in failed]
        if severity[name] == "error":
            problems += found
        else:
            outcome.warnings += [problem.sentence() for problem in found]
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
    places = [str(place) for place in item["unexpected"]]
    shown = ", ".join(places[:_IN_MESSAGE])
    more = int(item["n_unexpected"]) - _IN_MESSAGE
    observed = f"{item['observed']}" + (f": {shown}" if shown else "")
    return Problem(
        f"results/{suite}",
        observed + (f" and {more} more" if more > 0 and shown else ""),
        f"{item['expected']} ({item['name']})",
        str(item["mend"]),
        column=str(item["column"]),
    )
