"""leafledger: a leaf reflectance study, from raw spectrometer files to an auditable result.

Examples
--------
>>> import leafledger
>>> study = leafledger.Study.open("my-study")          # doctest: +SKIP
>>> study.table("effects.csv").query("primary")        # doctest: +SKIP
>>> study.spectra().frame()                            # doctest: +SKIP
>>> study.figures()                                    # doctest: +SKIP
>>> study.run()                                        # doctest: +SKIP
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from leafledger.opened import Study

__all__ = ["Study"]


def __getattr__(name: str) -> Any:
    """Load :class:`Study` only when it is asked for; the command line starts quicker so."""
    if name == "Study":
        from leafledger.opened import Study

        return Study
    raise AttributeError(f"module 'leafledger' has no attribute {name!r}")
