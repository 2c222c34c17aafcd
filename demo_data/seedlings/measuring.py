"""A day of measuring: from true leaves to the counts the instrument writes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from seedlings import scenario
from seedlings.faults import Plan
from seedlings.instrument import FINE_NM, Day, Spectrometer
from seedlings.leaves import reflectance
from seedlings.scenario import Array, Unit
from seedlings.sheet import Scan


@dataclass(frozen=True)
class Measured:
    """Counts of one session, and the true reflectance behind the leaf scans.

    Attributes
    ----------
    counts
        Shape ``(n_scans, n_pixels)``, in the order of the scans.
    leaf
        Scan -> reflectance of the spot that was really under the clip, on ``FINE_NM``.
    placement
        Scan -> gain and offset with which that spot was seen (day and clip together).
    """

    counts: Array
    leaf: dict[str, Array]
    placement: dict[str, tuple[float, float]]


def measure(
    instrument: Spectrometer, scans: list[Scan], units: list[Unit], leaves: Array, plan: Plan
) -> Measured:
    """Return the counts of all scans of one session.

    Parameters
    ----------
    instrument
        The spectrometer.
    scans
        The session's scans in the order taken.
    units
        The plants.
    leaves
        True leaves of this session, shape ``(units, leaves, parameters)``.
    plan
        The planted faults.
    """
    session = scans[0].session.session
    day = instrument.day(session, plan.drift.get(session, 0.0))
    row = {unit.unit: i for i, unit in enumerate(units)}
    samples = [scan for scan in scans if scan.role == "sample"]
    by_id = {scan.scan: scan for scan in samples}
    under_clip = [by_id[plan.taken_from.get(scan.scan, scan.scan)] for scan in samples]
    spots = np.stack(
        [
            scenario.spot_parameters(instrument.seed, s.scan, leaves[row[s.unit], int(s.leaf) - 1])
            for s in under_clip
        ]
    )
    seen = reflectance(spots, FINE_NM)
    placement = {scan.scan: _placement(instrument, day, scan.scan) for scan in samples}
    rates = dict(zip(by_id, instrument.leaf_rate(seen), strict=True))
    started, ended = scans[0].time, scans[-1].time
    counts = np.empty((len(scans), len(instrument.wavelength_nm)))
    for i, scan in enumerate(scans):
        share = (scan.time - started) / (ended - started)
        lamp = day.lamp * (1.0 + day.drift * share)
        light = lamp * _lamp_light(instrument, scan, rates, placement, plan)
        for name, level in plan.leak.get(scan.scan, []):
            light = light + instrument.leak_rate(name, level)
        integration_ms = scan.integration_ms * plan.longer.get(scan.scan, 1.0)
        counts[i] = instrument.read_out(scan.scan, light, integration_ms, scan.averages)
    return Measured(counts, dict(zip(by_id, seen, strict=True)), placement)


def _placement(instrument: Spectrometer, day: Day, scan: str) -> tuple[float, float]:
    gain, offset = instrument.placement(scan)
    return day.gain * gain, day.offset + offset


def _lamp_light(
    instrument: Spectrometer,
    scan: Scan,
    rates: dict[str, Array],
    placement: dict[str, tuple[float, float]],
    plan: Plan,
) -> Array:
    """Return counts per ms of lamp light, the lamp being at its normal strength."""
    if scan.role == "white":
        return instrument.white_rate(scan.scan)
    if scan.role == "dark":
        return np.asarray(instrument.full_light * plan.lit_dark.get(scan.scan, 0.0))
    gain, offset = placement[scan.scan]
    return np.asarray(gain * rates[scan.scan] + offset * instrument.full_light)
