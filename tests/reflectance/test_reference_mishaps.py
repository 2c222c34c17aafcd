"""Each reference deleted, swapped or halved: refused, or flagged, never a changed number unseen.

A change counts if reflectance at one of five wavelengths moves by more than two of its standard
uncertainties (panel left out: it does not change) or by more than 1 %. Then the scan that was
tampered with bears a fault, or every leaf that moved bears a flag.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from generated import generator, shrink
from leafledger.errors import InputFault
from leafledger.indices import catalogue
from leafledger.intake import stage as intake
from leafledger.quality import stage as quality
from leafledger.records.record import Job
from leafledger.reflectance import stage as reflectance
from leafledger.runner.step import job_of
from leafledger.study.reading import read_study
from leafledger.study.study import Task
from leafledger.study.table_files import SpectraTable, read_parquet, read_spectra, write_spectra

READ_NM = (450, 550, 680, 720, 800)
DAY = "day0"


@dataclass
class Session:
    """A session that can be tampered with, and what came of it untouched."""

    path: Path
    rows: pa.Table
    base: SpectraTable
    jobs: tuple[Job, Job]

    @property
    def ids(self) -> list[str]:
        return [str(s) for s in self.base.rows["scan"]]

    @property
    def roles(self) -> list[str]:
        return [str(r) for r in self.base.rows["role"]]

    def of(self, *roles: str) -> list[int]:
        return [i for i, role in enumerate(self.roles) if role in roles]

    def blocks(self) -> list[list[int]]:
        out: list[list[int]] = []
        for i in self.of("white"):
            if out and i == out[-1][-1] + 1:
                out[-1].append(i)
            else:
                out.append([i])
        return out

    def solve(
        self, counts: np.ndarray, without: Sequence[int] = ()
    ) -> tuple[SpectraTable, Any, list[str]]:
        """Return reflectance, quality flags and warnings of a session with other counts."""
        keep = np.ones(len(self.ids), dtype=bool)
        keep[list(without)] = False
        table = self.rows.filter(pa.array(keep))
        write_spectra(
            self.path,
            table,
            self.base.wavelength_nm,
            {"counts": counts[keep]},
            self.base.metadata,
            keys=("scan", "role"),
        )
        said = reflectance.run(self.jobs[0]).warnings + quality.run(self.jobs[1]).warnings
        return (
            read_spectra(self.jobs[0].outputs["reflectance"]),
            read_parquet(self.jobs[1].outputs["quality"]),
            said,
        )

    def unseen(self, counts: np.ndarray, touched: Sequence[int], *, gone: bool = False) -> str:
        """Return what moved without being refused or flagged; empty if nothing did."""
        try:
            found, flags, said = self.solve(counts, touched if gone else ())
        except InputFault:
            return ""
        before = self.untouched.spectra
        after = found.spectra
        at = np.searchsorted(found.wavelength_nm, READ_NM)
        off = np.abs(after["reflectance"] - before["reflectance"])[:, at]
        u = np.hypot(before["u_scan"], before["u_reference"])[:, at]
        moved = (off > 2 * u) | (off > 0.01 * np.abs(before["reflectance"][:, at]))
        faults = set(flags.loc[flags["severity"] == "fault", "scan"])
        if faults & {self.ids[i] for i in touched}:
            return ""
        names = [str(s) for s in found.rows["scan"][moved.any(axis=1)]]
        flagged = set(flags["scan"]) - self.flagged
        told = set(re.findall(r"[\w-]+", " ".join(said)))
        return " ".join(n for n in names if n not in flagged and n not in told)

    untouched: SpectraTable = None  # type: ignore[assignment]
    flagged: frozenset[str] = frozenset()


@pytest.fixture(scope="module", params=["none", "lamp_drift"])
def session(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Session:
    folder = tmp_path_factory.mktemp("mishaps") / "study"
    generator().generate(
        folder,
        seed=7,
        n_plants=16,
        n_leaves=4,
        n_sessions=1,
        n_pixels=256,
        fault_list=request.param,
    )
    shrink(folder)
    study = read_study(folder)
    intake.run(job_of(study, Task("intake", DAY)))
    catalogue.run(job_of(study, Task("catalogue")))
    path = folder / f"results/scans/{DAY}.parquet"
    rows = pq.read_table(path).drop(["counts"]).replace_schema_metadata(None)
    jobs = (job_of(study, Task("reflectance", DAY)), job_of(study, Task("quality", DAY)))
    out = Session(path, rows, read_spectra(path), jobs)
    out.untouched, flags, _ = out.solve(out.base.spectra["counts"])
    out.flagged = frozenset(flags["scan"])
    assert not set(flags.loc[flags["severity"] == "fault", "scan"])
    return out


def dark_of(session: Session) -> np.ndarray:
    return np.median(session.base.spectra["counts"][session.of("dark")], axis=0)


def test_each_reference_deleted(session: Session) -> None:
    counts = session.base.spectra["counts"]
    unseen = {session.ids[i]: session.unseen(counts, [i], gone=True) for i in every(session)}
    assert not any(unseen.values()), unseen


def test_each_block_of_whites_deleted(session: Session) -> None:
    counts = session.base.spectra["counts"]
    unseen = [session.unseen(counts, block, gone=True) for block in session.blocks()]
    assert not any(unseen), unseen


def test_each_reference_halved(session: Session) -> None:
    """The counts halved, dark level and all; and, of a white, the light alone."""
    unseen = {}
    for i in every(session):
        counts = session.base.spectra["counts"].copy()
        counts[i] /= 2
        unseen[session.ids[i]] = session.unseen(counts, [i])
        if session.roles[i] == "white":
            dark = dark_of(session)
            counts[i] = dark + (session.base.spectra["counts"][i] - dark) / 2
            unseen[session.ids[i] + " light"] = session.unseen(counts, [i])
    assert not any(unseen.values()), unseen


def test_each_block_of_whites_halved(session: Session) -> None:
    unseen = []
    for block in session.blocks():
        counts = session.base.spectra["counts"].copy()
        counts[block] = (counts[block] + dark_of(session)) / 2
        unseen.append(session.unseen(counts, block))
    assert not any(unseen), unseen


@pytest.mark.parametrize("other", ["sample", "reference"])
def test_each_reference_swapped(session: Session, other: str) -> None:
    """A reference changes places with the nearest leaf, or dark with white."""
    unseen = {}
    for i in every(session):
        roles = ["sample"] if other == "sample" else ["dark", "white"]
        partners = [k for k in session.of(*roles) if session.roles[k] != session.roles[i]]
        k = min(partners, key=lambda k: abs(k - i))
        counts = session.base.spectra["counts"].copy()
        counts[[i, k]] = counts[[k, i]]
        unseen[f"{session.ids[i]} {session.ids[k]}"] = session.unseen(counts, [i, k])
    assert not any(unseen.values()), unseen


def every(session: Session) -> list[int]:
    """Return every third dark and every white: darks of one integration time are alike."""
    return [*session.of("dark")[::3], *session.of("white")]


def test_the_test_would_notice(session: Session) -> None:
    """A leaf that moves though no reference was touched is what ``unseen`` is for."""
    counts = session.base.spectra["counts"].copy()
    leaf = session.of("sample")[0]
    counts[leaf] += 0.05 * (counts[leaf] - dark_of(session))
    assert session.unseen(counts, []) == session.ids[leaf]
