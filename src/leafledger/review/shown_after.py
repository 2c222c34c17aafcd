"""The primary result with and without the exclusions: shown after saving, not before."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from leafledger.report.groups import contrast_in_words, contrast_words
from leafledger.report.numbers import method_words, p_value, size_words, verdict_words
from leafledger.review.evidence import exclusion_rows
from leafledger.study.columns import FLAGS, TEXT
from leafledger.study.study import Study
from leafledger.study.tables import read_csv
from leafledger.study.tasks import Task, outputs

AS_PLANNED = "as_planned"
EVERY_SCAN = "every_scan"
_KEY = ("question", "index", "contrast", "method")


def with_and_without(study: Study) -> dict[str, Any]:
    """Return what was left out and the primary contrasts with the exclusions and without them.

    Every row has its words besides: of the contrast, method, effect size and p, as the report
    writes them.

    Parameters
    ----------
    study
        A study whose results are up to date.

    Returns
    -------
    dict
        ``excluded``: rows of exclusions.csv that keep a scan out or were decided; ``contrasts``:
        each with its rows ``with`` and ``without`` of sensitivity.csv; ``primary``: the primary
        rows of effects.csv.
    """
    folder, paths = study.folder, outputs(Task("effects"))
    levels = sorted(
        {row.get(study.definition.design.treatment, "") for row in study.units.values()}
    )
    words = contrast_words(study.session_ids, levels, ["before", "mean_before"])
    rows = _rows(folder / paths["sensitivity"], words)
    planned = [row for row in rows if row["variant"] == AS_PLANNED]
    every = {_key(row): row for row in rows if row["variant"] == EVERY_SCAN}
    return {
        "excluded": [
            row
            for row in exclusion_rows(folder)
            if row["applied"] == "exclude" or row["rule"] == "decision"
        ],
        "contrasts": [{"with": row, "without": every.get(_key(row))} for row in planned],
        "primary": [row for row in _rows(folder / paths["effects"], words) if row["primary"]],
    }


def _key(row: dict[str, Any]) -> tuple[str, ...]:
    return tuple(str(row[name]) for name in _KEY)


def _rows(path: Path, words: Mapping[str, str]) -> list[dict[str, Any]]:
    table = read_csv(path, text=tuple(TEXT), flags=tuple(FLAGS))
    rows = (
        {str(name): _plain(value) for name, value in row.items()}
        for row in table.to_dict("records")
    )
    return [{**row, **_in_words(row, words)} for row in rows]


def _in_words(row: Mapping[str, Any], words: Mapping[str, str]) -> dict[str, str]:
    told = {
        "contrast_words": contrast_in_words(str(row["contrast"]), words),
        "method_words": method_words(str(row["method"])),
        "verdict_words": verdict_words(str(row["verdict"])),
        "p_words": p_value(row["p"]),
        "p_holm_words": p_value(row["p_holm"]),
    }
    if row.get("effect_size_name"):
        told["size_words"] = size_words(str(row["effect_size_name"]))
    return told


def _plain(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value
