"""The rule `quality`: checks every scan of a session and measures the white's signal-to-noise."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from leafledger.quality.ambient_light import (
    COARSEST_NM,
    OPERATING_LEAK,
    ambient_light,
    assessable,
    smallest_leak,
)
from leafledger.quality.darks import bad_dark, dark_for
from leafledger.quality.flags import Flag, flag_table
from leafledger.quality.full_scale import proposed_full_scale, saturated
from leafledger.quality.leaf_signal import impossible_reflectance, low_signal, no_leaf
from leafledger.quality.replicates import log_bands, replicate
from leafledger.quality.sheet_order import duplicate, time_order
from leafledger.quality.white_signal import USABLE_SIGNAL_TO_NOISE, white_signal_to_noise
from leafledger.quality.whites import white_drift
from leafledger.records.job import Job, Metric, Outcome
from leafledger.study.columns import SIGNAL
from leafledger.study.tables import read_spectra, write_parquet

if TYPE_CHECKING:
    import pandas as pd

    from leafledger.study.tables import SpectraTable

Floats = NDArray[np.float64]
_SIDES = ("before", "after")


@dataclass(frozen=True)
class Session:
    """The raw scans of a session and the reflectance of its leaves."""

    scans: SpectraTable
    leaves: SpectraTable

    @property
    def ids(self) -> list[str]:
        """Scan ids in sheet order."""
        return [str(s) for s in self.scans.rows["scan"]]

    @property
    def roles(self) -> list[str]:
        """Roles in sheet order."""
        return [str(r) for r in self.scans.rows["role"]]

    @property
    def raw(self) -> Floats:
        """Raw values, shape ``(n_scans, n_pixels)``."""
        spectra = self.scans.spectra
        return spectra["counts"] if "counts" in spectra else spectra["reflectance"]

    @property
    def counts(self) -> bool:
        """Whether the raw values are counts."""
        return "counts" in self.scans.spectra

    @cached_property
    def integration_ms(self) -> Floats:
        """Integration time per scan, ms; NaN if unknown."""
        return np.asarray(self.scans.rows["integration_ms"], dtype=np.float64)

    @cached_property
    def seconds(self) -> Floats:
        """Time of each scan in s; NaN if unknown."""
        stamps = np.asarray(self.scans.rows["time"], dtype="datetime64[ms]")
        out = stamps.astype(np.int64) / 1000.0
        out[np.isnat(stamps)] = np.nan
        return out

    def of_role(self, role: str) -> NDArray[np.intp]:
        """Places of the scans of a role, in the order of measuring."""
        at = np.flatnonzero(np.array(self.roles) == role)
        if not np.isnan(self.seconds[at]).any():
            at = at[np.argsort(self.seconds[at], kind="stable")]
        return at

    @cached_property
    def white_minus_dark(self) -> Floats:
        """White minus dark, shape ``(n_whites, n_pixels)``, in the order of measuring."""
        whites, darks = self.of_role("white"), self.of_role("dark")
        dark, times = self.raw[darks], self.integration_ms[darks]
        n_pixels = self.raw.shape[1]
        rows = [
            self.raw[i] - dark_for(self.integration_ms[i], dark, times, n_pixels) for i in whites
        ]
        return np.array(rows).reshape(len(whites), n_pixels)


def run(job: Job) -> Outcome:
    """Check every scan of one session."""
    checks: Mapping[str, Any] = job.settings["checks"]
    session = Session(read_spectra(job.inputs["scans"]), read_spectra(job.inputs["reflectance"]))
    outcome = Outcome()
    axis = session.leaves.wavelength_nm
    signal, n_references = white_signal(session)
    on_axis = None if signal is None else np.interp(axis, session.scans.wavelength_nm, signal)
    flags = _reference_flags(session, checks, signal, outcome) if session.counts else []
    flags += _sheet_flags(session, job.settings["scans"], outcome)
    flags += _leaf_flags(session, checks, on_axis, outcome)
    flags += _depends_on(session, flags)
    faulty = {flag.scan for flag in flags if flag.severity == "fault"}
    flags += _replicate_flags(session, job.settings["scans"], faulty, on_axis, checks)
    write_parquet(job.outputs["quality"], flag_table(flags), {}, ("scan", "check"))
    _write_signal(job, axis, on_axis, n_references)
    _count(outcome, flags, len(session.leaves.rows))
    return outcome


def white_signal(session: Session) -> tuple[Floats | None, int]:
    """Return the white's signal-to-noise per pixel and the number of whites it is from.

    Whites at the integration time that most of them have (the longest of equals) are used.
    """
    whites = session.of_role("white")
    if len(whites) == 0 or not session.counts:
        return None, 0
    times = np.nan_to_num(session.integration_ms[whites], nan=-1.0)
    kinds, counts = np.unique(times, return_counts=True)
    chosen = times == kinds[counts == counts.max()][-1]
    return white_signal_to_noise(session.white_minus_dark[chosen]), int(chosen.sum())


def _reference_flags(
    session: Session, checks: Mapping[str, Any], signal: Floats | None, outcome: Outcome
) -> list[Flag]:
    ids, axis = session.ids, session.scans.wavelength_nm
    flags: list[Flag] = []
    stated = session.leaves.metadata.get("full_scale_counts")
    stated = stated if stated is not None else session.scans.metadata.get("full_scale_counts")
    full = float(stated) if stated is not None else proposed_full_scale(session.raw)
    if stated is None and full is not None:
        outcome.warnings.append(
            f"full scale was not stated; {full:g} counts is proposed from spectra cut flat at "
            "this count: state instrument.full_scale_counts"
        )
    if full is not None:
        share = float(checks["saturated_share"])
        flags += saturated(ids, axis, session.raw, full, share, stated=stated is not None)
    whites, darks = session.of_role("white"), session.of_role("dark")
    usable = np.ones(len(axis), bool) if signal is None else signal >= USABLE_SIGNAL_TO_NOISE
    lit = np.flatnonzero(np.isin(session.roles, ["white", "sample"]))
    if len(darks):
        strong = session.white_minus_dark[:, usable] if len(whites) and usable.any() else None
        flags += bad_dark(
            [ids[i] for i in darks],
            session.raw[darks],
            session.integration_ms[darks],
            None if strong is None else float(np.median(strong)),
            session.raw[lit],
            session.integration_ms[lit],
        )
    if len(whites):
        times = np.nan_to_num(session.integration_ms[whites], nan=1.0)
        per_ms = session.white_minus_dark / times[:, None]
        limit = float(checks["reference_drift"])
        flags += white_drift([ids[i] for i in whites], axis, per_ms, usable, limit)
    return flags


def _sheet_flags(
    session: Session, places: Mapping[str, Mapping[str, Any]], outcome: Outcome
) -> list[Flag]:
    ids, roles = session.ids, session.roles
    leaves = {scan: (str(p["unit"]), str(p["leaf"])) for scan, p in places.items()}
    flags = duplicate(ids, roles, leaves, session.raw)
    for group in (["sample"], ["white", "dark"]):
        at = np.flatnonzero(np.isin(roles, group))
        found, n_odd = time_order([ids[i] for i in at], session.seconds[at])
        flags += found
        if n_odd and not found:
            outcome.warnings.append(
                f"the sheet is not in the order of measuring ({n_odd} of {len(at)} "
                f"{'/'.join(group)} scans): single wrong times cannot be found"
            )
    return flags


def _u_parts(leaves: SpectraTable) -> tuple[Floats | None, Floats | None]:
    """Return u_scan, and the combined uncertainty, of the leaves; None where unknown."""
    if leaves.metadata.get("u") != "known" or "u_scan" not in leaves.spectra:
        return None, None
    u_scan = leaves.spectra["u_scan"]
    panel = np.asarray(leaves.metadata.get("panel_u_relative") or 0.0, dtype=np.float64)
    reference = leaves.spectra.get("u_reference", np.zeros_like(u_scan))
    own = np.abs(leaves.spectra["reflectance"]) * panel
    return u_scan, np.sqrt(u_scan**2 + reference**2 + own**2)


def _leaf_flags(
    session: Session, checks: Mapping[str, Any], on_axis: Floats | None, outcome: Outcome
) -> list[Flag]:
    axis, values = session.leaves.wavelength_nm, session.leaves.spectra["reflectance"]
    ids = [str(s) for s in session.leaves.rows["scan"]]
    if not ids:
        return []
    u_scan, u = _u_parts(session.leaves)
    usable = np.ones(len(axis), bool) if on_axis is None else on_axis >= USABLE_SIGNAL_TO_NOISE
    flags = no_leaf(ids, axis, values)
    if u_scan is not None:
        flags += low_signal(ids, axis, values, u_scan, float(checks["low_signal_to_noise"]))
    else:
        outcome.warnings.append("signal of the leaves not judged: their uncertainty is unknown")
    flags += impossible_reflectance(ids, axis, values, u, usable)
    if not checks["lamp_lines"]:
        return flags
    at = np.flatnonzero(usable)
    inside = slice(int(at[0]), int(at[-1]) + 1) if len(at) else slice(0, 0)
    if len(at) < 2 or not assessable(axis[inside]):
        outcome.warnings.append(
            "room light not assessable: the usable wavelengths hold too few lamp lines or are "
            f"more than {COARSEST_NM:g} nm apart"
        )
        return flags
    noise = None if u_scan is None else u_scan[:, inside]
    flags += ambient_light(ids, axis[inside], values[:, inside], noise)
    least = smallest_leak(axis[inside], values[:, inside], noise)
    blind = int((least > OPERATING_LEAK).sum())
    outcome.metrics.append(Metric("smallest_room_light_seen", float(np.median(least)), "1"))
    if blind:
        outcome.warnings.append(
            f"in {blind} of {len(ids)} scans the noise hides room light of 1 % reflectance; the "
            f"smallest that could be seen is {100 * float(least.max()):.2g} %"
        )
    return flags


def _depends_on(session: Session, flags: Sequence[Flag]) -> list[Flag]:
    """Return a notice on every leaf scan that rests on a reference at fault."""
    roles = dict(zip(session.ids, session.roles, strict=True))
    faulty = {f.scan: f.check for f in flags if f.severity == "fault" and roles[f.scan] != "sample"}
    blocks = _white_blocks(session)
    rows: pd.DataFrame = session.leaves.rows
    out = []
    for row in rows.to_dict("records"):
        used = [row.get(f"{kind}_{side}") for kind in ("white", "dark") for side in _SIDES]
        whole = {member for name in used for member in blocks.get(str(name), (str(name),))}
        bad = sorted(whole & set(faulty))
        if bad:
            told = ", ".join(f"{name} ({faulty[name]})" for name in bad)
            out.append(
                Flag(
                    str(row["scan"]),
                    "reference_at_fault",
                    "notice",
                    float(len(bad)),
                    0.0,
                    "scan",
                    f"Its reflectance rests on a reference at fault: {told}.",
                )
            )
    return out


def _white_blocks(session: Session) -> dict[str, tuple[str, ...]]:
    """Return white -> all whites measured with it, no leaf between; references come in blocks."""
    when = session.seconds
    if np.isnan(when).any():
        when = np.arange(len(when), dtype=np.float64)
    blocks: list[list[str]] = []
    open_block = False
    for i in np.argsort(when, kind="stable"):
        role = session.roles[i]
        if role == "white":
            if not open_block:
                blocks.append([])
            blocks[-1].append(session.ids[i])
        if role in ("white", "sample"):
            open_block = role == "white"
    return {name: tuple(block) for block in blocks for name in block}


def _replicate_flags(
    session: Session,
    places: Mapping[str, Mapping[str, Any]],
    faulty: set[str],
    on_axis: Floats | None,
    checks: Mapping[str, Any],
) -> list[Flag]:
    ids = [str(s) for s in session.leaves.rows["scan"]]
    keep = [i for i, scan in enumerate(ids) if scan not in faulty and scan in places]
    axis = session.leaves.wavelength_nm
    usable = np.ones(len(axis), bool) if on_axis is None else on_axis >= USABLE_SIGNAL_TO_NOISE
    if not keep or not usable.any():
        return []
    bands = log_bands(axis, session.leaves.spectra["reflectance"][keep], usable)
    where = {ids[i]: (str(places[ids[i]]["unit"]), str(places[ids[i]]["leaf"])) for i in keep}
    return replicate([ids[i] for i in keep], where, bands, float(checks["replicate_distance"]))


def _write_signal(job: Job, axis: Floats, on_axis: Floats | None, n_references: int) -> None:
    import pyarrow as pa

    n = 0 if on_axis is None else len(axis)
    columns = (
        pa.array(axis[:n], type=pa.float64()),
        pa.array([] if on_axis is None else on_axis, type=pa.float64()),
        pa.array([n_references] * n, type=pa.int32()),
    )
    write_parquet(job.outputs["signal"], pa.table(columns, names=list(SIGNAL)), {}, SIGNAL[:1])


def _count(outcome: Outcome, flags: Sequence[Flag], n_scans: int) -> None:
    outcome.metrics.append(Metric("n_scans_checked", float(n_scans)))
    for severity in ("fault", "outlier", "notice"):
        scans = {flag.scan for flag in flags if flag.severity == severity}
        outcome.metrics.append(Metric(f"n_scans_{severity}", float(len(scans))))
