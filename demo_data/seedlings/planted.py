"""``planted.json``: what was put into the study, for the tests and for the curious."""

from __future__ import annotations

from typing import Any

import numpy as np

from seedlings import instrument as device
from seedlings import scenario, truth
from seedlings.faults import Plan
from seedlings.instrument import Spectrometer
from seedlings.measuring import Measured
from seedlings.scenario import Array, Session, Unit
from seedlings.sheet import Scan

_CLEAN_PER_SESSION = 2


def planted(
    options: dict[str, Any],
    units: list[Unit],
    sessions: tuple[Session, ...],
    leaves: Array,
    plan: Plan,
) -> dict[str, Any]:
    """Return all of ``planted.json`` but the spectra of clean scans."""
    sample = truth.arm_means(truth.unit_indices(leaves), units)
    population = truth.population_means(sessions, options["effect"])
    true = truth.changes(population, sample, sessions)
    return {
        "about": "Invented data. Everything here is known because it was planted.",
        "options": options,
        "seed": options["seed"],
        "effect": options["effect"],
        "definitions": truth.DEFINITIONS,
        "indices": {
            name: {"unit": unit, "formula": formula}
            for name, (unit, formula, _) in truth.INDICES.items()
        },
        "contrast": "(after - before) in chelate less (after - before) in water",
        **true,
        "findings": _findings(sessions),
        "faults": [fault.as_dict() for fault in plan.listed],
        "cultivars": _cultivars(units),
        "chlorophyll_ug_cm2": _chlorophyll(units, sessions, leaves),
        "spray_gain_ug_cm2": {
            s.session: truth.plain(scenario.spray(s, "chelate", options["effect"]))
            for s in sessions
        },
    }


def _findings(sessions: tuple[Session, ...]) -> dict[str, Any]:
    """Return the three findings of the demo, each with the place of its true value."""
    after = [s.session for s in sessions if s.phase == "after"]
    if not after:
        return {}
    last = after[-1]
    out = {
        "clear": {"index": "CI_rededge", "session": last},
        "none": {"index": "WI", "session": last},
    }
    if after[0] != last:
        out["borderline"] = {"index": "CI_rededge", "session": after[0]}
    return {name: {**what, "question": "difference_in_change"} for name, what in out.items()}


def _cultivars(units: list[Unit]) -> dict[str, Any]:
    return {
        c.name: {
            "units": [u.unit for u in units if u.cultivar.name == c.name],
            "chlorophyll_offset_ug_cm2": c.chlorophyll,
            "structure_offset": c.structure,
            "water_offset_cm": c.water,
        }
        for c in scenario.CULTIVARS
    }


def _chlorophyll(units: list[Unit], sessions: tuple[Session, ...], leaves: Array) -> dict[str, Any]:
    means = leaves[..., 1].mean(axis=2)
    return {
        unit.unit: {s.session: round(float(means[i, k]), 4) for k, s in enumerate(sessions)}
        for i, unit in enumerate(units)
    }


def instrument_truth(spectrometer: Spectrometer) -> dict[str, Any]:
    """Return what is true of the instrument."""
    return {
        "panel_reflectance": truth.plain(spectrometer.panel),
        "electrons_per_count": device.ELECTRONS_PER_COUNT,
        "read_noise_counts": device.READ_NOISE_COUNTS,
        "noise": (
            "variance of a written count = (signal / electrons_per_count + read_noise_counts^2) / "
            "averages, signal being the counts above dark"
        ),
        "response_fwhm_nm": device.RESPONSE_FWHM_NM,
        "full_scale_counts": device.FULL_SCALE,
        "integration_ms": {"white": device.WHITE_MS, "sample": device.LEAF_MS},
    }


def clean_scans(scans: list[Scan], plan: Plan, measured: Measured) -> dict[str, Any]:
    """Return the true reflectance of the first scans of a session without a fault.

    ``leaf`` is the spot itself; ``in_clip`` is what a perfect reading would give, with the gain
    and the offset of that day and of how the clip sat. Both at the instrument's resolution.
    """
    touched = plan.touched()
    samples = [s for s in scans if s.role == "sample" and s.scan not in touched]
    to_grid = device.response(truth.GRID_NM).T
    out = {}
    for scan in samples[:_CLEAN_PER_SESSION]:
        leaf = measured.leaf[scan.scan] @ to_grid
        gain, offset = measured.placement[scan.scan]
        out[scan.scan] = {
            "session": scan.session.session,
            "first_nm": float(truth.GRID_NM[0]),
            "step_nm": 1.0,
            "gain": truth.plain(gain),
            "offset": truth.plain(offset),
            "leaf": np.round(leaf, 7).tolist(),
            "in_clip": np.round(gain * leaf + offset, 7).tolist(),
        }
    return out
