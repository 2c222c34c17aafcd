"""What a reader is told and what it gives back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class FileForm:
    """How the raw files of a session are written (``intake.forms`` of study.yaml)."""

    form: str = "text"
    quantity: str = "counts"
    wavelength_column: str = "1"
    value_column: str = "2"
    decimal: str = "auto"
    delimiter: str = "auto"
    encoding: str = "auto"
    scan_column: str | None = None
    scans_in: str = "sheets"
    sheet: str | None = None
    pixel_coefficients: Sequence[float] | None = None

    @classmethod
    def of(cls, settings: Mapping[str, Any]) -> Self:
        """Make a form from the settings of the job."""
        return cls(**settings)


@dataclass(frozen=True)
class RawScans:
    """The scans of one file, as read.

    Attributes
    ----------
    wavelength_nm
        Shape ``(n_wavelengths,)``, nm, strictly rising.
    values
        Shape ``(n_scans, n_wavelengths)``, finite, in the unit of the file.
    items
        Name of each scan in the file; ``("",)`` for a file of one unnamed scan.
    aliases
        Second name of each scan (block numbers), used where ``items`` does not have the name.
    notes
        What the reader decided and the user should know.
    """

    wavelength_nm: NDArray[np.float64]
    values: NDArray[np.float64]
    items: tuple[str, ...]
    aliases: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
