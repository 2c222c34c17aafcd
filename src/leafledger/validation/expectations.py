"""What must hold of the tables of a study, as suites for Great Expectations.

An expectation that breaks names the scans, and says in words what to do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

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
