"""Holds tables against expectations with Great Expectations: in memory, silent, no network."""

from __future__ import annotations

import logging
import os
from collections.abc import Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

from leafledger.errors import StageFailure
from leafledger.validation.expectations import Expected

if TYPE_CHECKING:
    import pandas as pd

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
    found: dict[str, dict[str, Any]] = {}
    for name in dict.fromkeys(item.table for item in expected):
        own = [item for item in expected if item.table == name]
        found |= _check_table(f"{suite}/{name}", tables[name], own)
    results = [
        {
            "name": item.name,
            "expectation": _snake(item.kind),
            "column": item.column,
            "severity": severity,
            "expected": item.words,
            "mend": item.mend,
            **found[item.name],
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
        made = getattr(gx.expectations, item.kind)
        suite.add_expectation(made(**item.arguments, meta={"name": item.name}))
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
        known = result.to_json_dict()
        item_name = known["expectation_config"]["meta"]["name"]
        _refuse_unevaluated(name, item_name, known["exception_info"])
        out[item_name] = _plain(known)
    return out


def _refuse_unevaluated(table: str, name: str, info: Mapping[str, Any]) -> None:
    entries = [info] if "raised_exception" in info else list(info.values())
    for entry in entries:
        if entry["raised_exception"]:
            raise StageFailure(f"{table}: {name} not evaluated: {entry['exception_message']}")


def _of_empty(item: Expected) -> dict[str, Any]:
    """Return the result for a table without rows: nothing breaks, but wanted ids are missing."""
    wanted = item.arguments.get("value_set", ()) if "EqualSet" in item.kind else ()
    missing = [str(value) for value in wanted]
    return {
        "success": not missing,
        "observed": f"no rows; {len(missing)} missing" if missing else "no rows",
        "n_unexpected": len(missing),
        "unexpected": missing[:SHOWN],
    }


def _plain(known: Mapping[str, Any]) -> dict[str, Any]:
    """Return what an outsider needs of a result: success, what was seen, and where."""
    result = known["result"]
    where = result.get("unexpected_index_list")
    extra = [str(v) for v in result.get("partial_unexpected_list") or []]
    missing = [str(v) for v in result.get("partial_missing_list") or []]
    count = int(result.get("unexpected_count") or 0) + int(result.get("missing_count") or 0)
    if where is not None:
        places = [_place(entry, known["expectation_config"]["kwargs"]) for entry in where]
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
        "success": bool(known["success"]),
        "observed": observed,
        "n_unexpected": count,
        "unexpected": places[:SHOWN],
    }


def _place(entry: Mapping[str, Any], arguments: Mapping[str, Any]) -> str:
    column = arguments.get("column")
    keys = [str(entry[key]) for key in ("scan", "index") if key in entry and key != column]
    keys = keys or [str(entry.get("session", ""))] if column not in ("scan", "index") else keys
    own = {"scan": f"{entry.get('scan')}", "index": f"{entry.get('index')}"}.get(str(column))
    if own is not None:
        return " ".join([*keys, own]) if column == "index" else own
    value = entry.get(str(column))
    return f"{' '.join(keys)} ({value})" if column else " ".join(keys)
