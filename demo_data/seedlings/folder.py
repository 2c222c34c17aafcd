"""The files of the study that a person would write: definition, sheets, decisions."""

from __future__ import annotations

import csv
import io

from seedlings.faults import Plan
from seedlings.scenario import Array, Session, Unit
from seedlings.sheet import Scan

SHEET = (
    "scan",
    "file",
    "item",
    "role",
    "session",
    "unit",
    "leaf",
    "replicate",
    "time",
    "integration_ms",
    "averages",
    "note",
)
_FORMS = {
    "text": "form: text, quantity: counts, wavelength_column: 1, value_column: 2, decimal: point",
    "wide_table": "form: wide_table, quantity: counts, scan_column: label",
    "jcamp_dx": "form: jcamp_dx, quantity: counts",
    "parquet": "form: parquet, quantity: counts, scan_column: label",
}
_FEWEST_FOR_CLASSES = 12
_HEAD = """\
# A whole study, ready to run. The data are invented: see planted.json for what is true.
version: 1
title: "Iron chelate on chlorotic soybean seedlings"
question: "Does one foliar iron-chelate spray raise chlorophyll within 12 days?"
design:
  unit: plant                     # the word for what was treated; its ids are in units.csv
  treatment: treatment            # column of units.csv
  control: water                  # the level that the others are compared with
  block: block                    # the two benches
  factors: [cultivar]             # further columns of units.csv that are used below
  sessions:                       # in order; phase is before or after the spray
"""
_MIDDLE = """\
instrument:
  full_scale_counts: 65535        # 16 bit
  gain_electrons_per_count: estimate   # from the repeated whites and darks
  read_noise_counts: estimate
  linearity: none                 # the detector is linear
  panel: {reflectance: 0.985, u_relative: 0.005}   # from the panel's certificate
reflectance:
  grid: {start_nm: 400, stop_nm: 1000, step_nm: 1}
  references: bracket             # the whites before and after each leaf, weighted by time
  dark: per_integration_time      # 12 ms for whites, 18 ms for leaves
  smoothing: none
quality:
  checks:
    saturated_share: 0.0          # no pixel at full scale
    low_signal_to_noise: 20
    replicate_distance: 4.5       # robust distance from the other leaves of the plant
    lamp_lines: true              # look for room light
    reference_drift: 0.03         # relative change of the white within a day
  range: {signal_to_noise: 200, margin_nm: 5}    # found from the whites of the worst session
  apply: faults                   # faults leave the analysis; outliers are shown and stay
  severity: {scans: error, reflectance: error, indices: warning}
indices:
  use: [NDVI, PRI, CI_rededge, ND705, MTCI, REP_linear, CI_green, ARI1, CRI1, PSRI, SIPI, WI]
  band_read: interpolate
  formulas:
    - index: RE_contrast
      formula: "(R(750) - R(705)) / (R(750) + R(705))"
      unit: "1"
      source: "ours"
effects:
"""
_EFFECTS = """\
  alpha: 0.05
  interval: 0.95
  methods: [paired_t, signed_rank, linear_model, linear_model_equal, welch_t, summary_mean,
    mixed_model_unstructured]
  margin: {CI_rededge: 0.05, WI: 0.006}   # changes smaller than this do not matter here
  n_draws: 9999
  seed: 20260504
"""
_CLASSES = """\
classes:
  target: cultivar                # can the spectra tell the cultivars apart?
  sessions: after
  split: unit                     # all scans of a plant stay on one side of a split
  n_permutations: 199
  seed: 20260505
"""
_TRAITS = """\
traits:                           # what the 20 assays say, estimated from the whole spectrum
  targets: [chlorophyll]
  n_permutations: 199
  seed: 20260506
"""
_REPORT = "report: {language: en, figures: [svg, png]}\n"
_VARIANTS = """\
variants:                         # leafledger run --variants: the same study under other settings
  smoothed: {reflectance: {smoothing: {window_nm: 15, order: 2}}}
  nearest_white: {reflectance: {references: nearest}}
  outliers_out: {quality: {apply: faults_and_outliers}}
"""


_RESPONSES = "  responses: [chlorophyll]        # also as estimated from the whole spectrum\n"


def study_yaml(sessions: tuple[Session, ...], n_units: int, n_assays: int = 0) -> str:
    """Return ``study.yaml``.

    A study with assays asks for their chlorophyll from the whole spectrum.

    A study with no session after the spray has no primary effect; one with few plants (under 12)
    asks for no classes, because a class needs plants for training and for testing.
    """
    lines = [_HEAD]
    for s in sessions:
        ident = f"{s.session},".ljust(6)
        lines.append(f"    - {{session: {ident} date: {s.date}, phase: {s.phase}}}\n")
    lines.append("intake:\n  sheet: scans.csv\n  forms:                          # per session\n")
    for s in sessions:
        name = f"{s.session}:".ljust(7)
        lines.append(f"    {name}{{{_FORMS[s.form]}}}\n")
    lines.append(_MIDDLE)
    if sessions[-1].phase == "after":
        primary = "{index: CI_rededge, question: difference_in_change, session: "
        lines.append(f"  primary: {primary}{sessions[-1].session}}}\n")
    lines.append(_EFFECTS + (_RESPONSES if n_assays else ""))
    has_after = sessions[-1].phase == "after"
    lines.append(_CLASSES if n_units >= _FEWEST_FOR_CLASSES and has_after else "classes: none\n")
    return "".join([*lines, _TRAITS if n_assays else "", _REPORT, _VARIANTS])


def units_csv(units: list[Unit]) -> str:
    """Return ``units.csv``."""
    rows = [(u.unit, u.treatment, u.block, u.cultivar.name) for u in units]
    return _csv([("unit", "treatment", "block", "cultivar"), *rows])


def scans_csv(scans: list[Scan]) -> str:
    """Return ``scans.csv``, in the order the scans were taken."""
    rows = [
        (
            s.scan,
            s.file,
            s.item,
            s.role,
            s.session.session,
            s.unit,
            s.leaf,
            s.replicate,
            s.time.isoformat(),
            f"{s.integration_ms:g}",
            str(s.averages),
            s.note,
        )
        for s in scans
    ]
    return _csv([SHEET, *rows])


def decisions_csv(plan: Plan, scans: list[Scan], units: list[Unit], leaves: Array) -> str:
    """Return ``decisions.csv``: what a grower noted on the day, if a clip was planted open.

    The first open clip was seen and excluded; the palest leaf of that day was looked at again on
    the plant and kept. Without that fault there is the heading only. A fault planted in every
    scan is no slip of the hand, so nobody noted it.
    """
    rows: list[tuple[str, ...]] = [("scan", "action", "reason", "by", "when")]
    slips = [f for f in plan.listed if f.fault == "open_clip" and len(f.scans) == 1]
    if slips:
        day = [s for s in scans if s.session.session == slips[0].session]
        evening = f"{day[0].session.date}T17:40:00"
        why = "room light on: clip open"
        rows.append((slips[0].scans[0], "exclude", why, "A. Grower", evening))
        pale = _palest(day, plan.touched(), scans, units, leaves)
        if pale:
            why = "pale but healthy leaf; checked on the plant"
            rows.append((pale, "keep", why, "A. Grower", f"{day[0].session.date}T17:45:00"))
    return _csv(rows)


def _palest(
    day: list[Scan], touched: set[str], scans: list[Scan], units: list[Unit], leaves: Array
) -> str:
    where = list(dict.fromkeys(s.session.session for s in scans)).index(day[0].session.session)
    row = {unit.unit: i for i, unit in enumerate(units)}
    clean = [s for s in day if s.role == "sample" and s.scan not in touched and s.replicate == "1"]
    green = {s.scan: float(leaves[row[s.unit], where, int(s.leaf) - 1, 1]) for s in clean}
    return min(green, key=lambda scan: (green[scan], scan), default="")


def _csv(rows: list[tuple[str, ...]]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()
