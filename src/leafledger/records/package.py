"""The version of this package."""

from __future__ import annotations

import importlib.metadata
from functools import cache


@cache
def version() -> str:
    """Return the installed version of leafledger."""
    return importlib.metadata.version("leafledger")
