"""What do checks return: flags on scans, warnings, numbers; and the table of all flags?"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from leafledger.records.record import Metric
from leafledger.study.tables import QUALITY

if TYPE_CHECKING:
    import pyarrow as pa

Severity = Literal["fault", "outlier", "notice"]
RANK: dict[str, int] = {"fault": 0, "outlier": 1, "notice": 2}
"""Severities, the gravest first."""


@dataclass(frozen=True)
class Flag:
    """What one check found on one scan.

    Attributes
    ----------
    scan, check
        Which scan, which check.
    severity
        ``fault``: the measurement failed; ``outlier``: it disagrees with its group; ``notice``:
        worth knowing, suggests nothing.
    value, threshold, unit
        The number found, the number it was held against, and the unit of both.
    sentence
        The finding in words.
    wavelength_nm
        Where in the spectrum, if the finding has a place.
    """

    scan: str
    check: str
    severity: Severity
    value: float
    threshold: float
    unit: str
    sentence: str
    wavelength_nm: float | None = None


@dataclass
class Findings:
    """What checks return: flags on scans, and warnings and numbers for the record of the task."""

    flags: list[Flag] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    metrics: list[Metric] = field(default_factory=list)

    def __iadd__(self, other: Findings) -> Findings:
        """Take up what another check found, in the order of the checks."""
        self.flags += other.flags
        self.warnings += other.warnings
        self.metrics += other.metrics
        return self


def flag_table(flags: Iterable[Flag]) -> pa.Table:
    """Return the flags as the table of the contract, sorted by scan, check, wavelength."""
    import pyarrow as pa

    rows = sorted(flags, key=lambda f: (f.scan, f.check, f.wavelength_nm or 0.0, f.sentence))
    numbers = {"value", "threshold", "wavelength_nm"}
    return pa.table(
        {
            name: pa.array(
                [getattr(flag, name) for flag in rows],
                type=pa.float64() if name in numbers else pa.string(),
            )
            for name in QUALITY
        }
    )
