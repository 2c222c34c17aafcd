"""The kernel of linear algebra that an event names."""

from __future__ import annotations

from typing import Any

import pytest

from leafledger.runner import step

THREADS: dict[str, Any] = {"user_api": "openmp", "internal_api": "openmp", "num_threads": 1}
ALGEBRA = {"user_api": "blas", "internal_api": "openblas", "architecture": "Haswell"}


@pytest.mark.parametrize(
    ("loaded", "kernel"),
    [([ALGEBRA], "Haswell"), ([THREADS, ALGEBRA], "Haswell"), ([THREADS], None), ([], None)],
)
def test_libraries_of_threads_have_no_kernel(
    loaded: list[dict[str, Any]], kernel: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("threadpoolctl.threadpool_info", lambda: loaded)
    assert step._blas_kernel() == kernel
