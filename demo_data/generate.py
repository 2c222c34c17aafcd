"""Make the demo study, or one like it with another seed, effect or list of faults.

``python demo_data/generate.py OUT`` gives the committed study, byte for byte. See README.md.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

from seedlings import assays, faults, folder, forms, leaves, planted, scenario, sheet
from seedlings.faults import Plan, Setting
from seedlings.instrument import Spectrometer
from seedlings.measuring import measure

DEFAULT_SEED = 40
OURS = (
    "study.yaml", "units.csv", "scans.csv", "decisions.csv", "assays.csv", "chromatograms.csv",
    "planted.json", "raw",
)  # fmt: skip


def parser() -> argparse.ArgumentParser:
    """Return the command line."""
    out = argparse.ArgumentParser(
        prog="generate.py",
        description="Make an invented leaf study: a spray on seedlings, with known truth.",
        epilog="Faults: none; all (the five of the demo); or a comma list of "
        + ", ".join(faults.KNOWN)
        + ". A bare name is planted in one or two places; name:LEVEL in every scan (or session) "
        "it can touch, LEVEL being: "
        + "; ".join(f"{name}: {text}" for name, text in faults.LEVEL_MEANS.items())
        + ".",
    )
    out.add_argument("out", type=Path, metavar="OUT", help="folder of the study to write")
    out.add_argument("--seed", type=int, default=DEFAULT_SEED)
    out.add_argument("--effect", type=float, default=1.0, help="multiplies the spray's gain")
    out.add_argument("--faults", default="all", metavar="LIST")
    out.add_argument("--plants", type=int, default=24)
    out.add_argument("--leaves", type=int, default=3, help="leaves of a plant")
    out.add_argument("--sessions", type=int, default=4, choices=[1, 2, 3, 4])
    out.add_argument("--pixels", type=int, default=1024)
    out.add_argument(
        "--assays", type=int, default=assays.MOST_ASSAYS,
        help="leaves that were extracted, at most one of a plant; 0: no assays, no chromatogram",
    )  # fmt: skip
    return out


def complaints(options: argparse.Namespace) -> list[str]:
    """Return what is wrong with the options, in words."""
    wrong = []
    if not 0 <= options.seed < 2**63:
        wrong.append("--seed must be a whole number from 0 on")
    if not abs(options.effect) <= 100:
        wrong.append("--effect must be a number between -100 and 100")
    if not 2 <= options.plants <= 100_000:
        wrong.append("--plants must be 2 to 100000")
    if not 1 <= options.leaves <= 99:
        wrong.append("--leaves must be 1 to 99")
    if not 64 <= options.pixels <= 4096:
        wrong.append("--pixels must be 64 to 4096")
    if not 0 <= options.assays <= 100_000:
        wrong.append("--assays must be 0 to 100000")
    if options.out.exists() and not options.out.is_dir():
        wrong.append(f"{options.out} is a file; name a folder")
    elif _of_somebody_else(options.out):
        wrong.append(
            f"{options.out} holds files that this generator did not write (there is no "
            "planted.json); name an empty or a new folder"
        )
    return wrong


def _of_somebody_else(out: Path) -> bool:
    return out.is_dir() and not (out / "planted.json").exists() and any(out.iterdir())


def generate(
    out: Path,
    *,
    seed: int = DEFAULT_SEED,
    effect: float = 1.0,
    fault_list: str = "all",
    n_plants: int = 24,
    n_leaves: int = 3,
    n_sessions: int = 4,
    n_pixels: int = 1024,
    n_assays: int = 0,
) -> Plan:
    """Write a study into ``out`` and return the faults that were planted.

    Files that an earlier call wrote there are replaced; ``results`` and the like stay.
    """
    wanted = faults.parse(fault_list)
    sessions = scenario.chosen_sessions(n_sessions)
    units = scenario.units_of(n_plants)
    true_leaves = scenario.leaf_parameters(seed, effect, units, sessions, n_leaves)
    days = [sheet.session_scans(seed, session, units, n_leaves) for session in sessions]
    scans = [scan for day in days for scan in day]
    plan = faults.plan(wanted, Setting(scans, units, true_leaves))
    options = {
        "seed": seed,
        "effect": effect,
        "faults": fault_list,
        "plants": n_plants,
        "leaves": n_leaves,
        "sessions": n_sessions,
        "pixels": n_pixels,
    }
    spectrometer = Spectrometer(seed, n_pixels)
    told = planted.planted(options, units, sessions, true_leaves, plan)
    told["instrument"] = planted.instrument_truth(spectrometer)
    told["clean_scans"] = {}
    sheet_of_assays, told_assays = "", list[dict[str, Any]]()
    if n_assays:
        sheet_of_assays, told_assays = assays.assays_csv(
            seed, n_assays, units, sessions, true_leaves
        )
        told["assays"] = told_assays
        told["chromatogram"] = [pigment for pigment, _, _ in assays.SPOTS]
    _clear(out)
    for k, day in enumerate(days):
        measured = measure(spectrometer, day, units, true_leaves[:, k], plan)
        forms.write_session(out, day, spectrometer.wavelength_nm, measured.counts)
        told["clean_scans"].update(planted.clean_scans(day, plan, measured))
    _write(out / "study.yaml", folder.study_yaml(sessions, n_plants, n_assays))
    _write(out / "units.csv", folder.units_csv(units))
    _write(out / "scans.csv", folder.scans_csv(scans))
    _write(out / "decisions.csv", folder.decisions_csv(plan, scans, units, true_leaves))
    if n_assays:
        _write(out / "assays.csv", sheet_of_assays)
        _write(
            out / "chromatograms.csv", assays.chromatograms_csv(seed, units, sessions)
        )  # fmt: skip
    _write(out / "planted.json", _json(told))
    return plan


def _clear(out: Path) -> None:
    out.mkdir(parents=True, exist_ok=True)
    for name in OURS:
        path = out / name
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)


def _write(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8"))


def _json(value: Any) -> str:
    """Return JSON with an entry a line, but a list of numbers in one line."""
    lists: list[str] = []

    def shelve(node: Any) -> Any:
        if isinstance(node, dict):
            return {key: shelve(child) for key, child in node.items()}
        if isinstance(node, list) and len(node) > 50 and isinstance(node[0], float):
            lists.append(json.dumps(node, separators=(",", ":")))
            return f"@list{len(lists) - 1}@"
        return [shelve(child) for child in node] if isinstance(node, list) else node

    text = json.dumps(shelve(value), indent=1, sort_keys=True, allow_nan=False)
    for i, numbers in enumerate(lists):
        text = text.replace(f'"@list{i}@"', numbers)
    return text + "\n"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return 0, or 2 if something is asked that cannot be."""
    options = parser().parse_args(arguments)
    wrong = complaints(options)
    for sentence in wrong:
        print(f"generate.py: {sentence}", file=sys.stderr)
    if wrong:
        return 2
    try:
        plan = generate(
            options.out,
            seed=options.seed,
            effect=options.effect,
            fault_list=options.faults,
            n_plants=options.plants,
            n_leaves=options.leaves,
            n_sessions=options.sessions,
            n_pixels=options.pixels,
            n_assays=options.assays,
        )
    except (faults.UnknownFault, leaves.ModelMissing) as error:
        print(f"generate.py: {error}", file=sys.stderr)
        return 2
    print(f"{options.out}: invented study written, {len(plan.listed)} faults planted")
    return 0


if __name__ == "__main__":
    sys.exit(main())
