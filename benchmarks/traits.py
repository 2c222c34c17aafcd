"""How long does a trait model of a study as large as the demo take?

Twenty assayed leaves of 24 plants, 288 leaves in four sessions, 551 wavelengths, three
preprocessings, 199 permutations, ridge and Gaussian process (half a minute). Bound: 15 s of
processor time with one thread.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
from bounds import at_most, finish, timed

from leafledger.records.record import Job
from leafledger.study.definition import Traits
from leafledger.study.table_files import write_csv, write_json, write_parquet, write_spectra
from leafledger.study.tables import ACCEPTED, names_of, written_by
from leafledger.traits import stage

DAYS = ("day0", "day4", "day8", "day12")
MOST_SECONDS = 15.0


def job_in(folder: Path) -> Job:
    """Write the tables that the stage reads."""
    rng = np.random.default_rng(1)
    axis = np.arange(430.0, 981.0)
    x = (axis - axis[0]) / (axis[-1] - axis[0])
    shapes = np.stack([np.sin((k + 1) * np.pi * x) for k in range(6)])
    units = [f"p{i + 1:02d}" for i in range(24)]
    inputs: dict[str, Path] = {}
    accepted, contents = [], []
    for day in DAYS:
        names = [(unit, leaf) for unit in units for leaf in "123"]
        scores = rng.normal(size=(len(names), 6))
        spectra = 0.4 + 0.02 * scores @ shapes + 0.001 * rng.normal(size=(len(names), len(axis)))
        scans = [f"{day}-{unit}-{leaf}" for unit, leaf in names]
        inputs[f"reflectance/{day}"] = folder / f"{day}.parquet"
        write_spectra(inputs[f"reflectance/{day}"], pa.table({"scan": scans}), axis,
                      {"reflectance": spectra}, {})  # fmt: skip
        inputs[f"indices/{day}"] = folder / f"{day}.indices.parquet"
        many = [f"I{i:02d}" for i in range(13)]
        table = pa.table(
            {
                "scan": scans * len(many),
                "index": np.repeat(many, len(scans)),
                "value": rng.normal(size=len(scans) * len(many)),
                "status": ["ok"] * len(scans) * len(many),
            }
        )
        write_parquet(inputs[f"indices/{day}"], table, {}, ("scan", "index"))
        accepted += [(scan, day, *name, "1", True) for scan, name in zip(scans, names, strict=True)]
        if day == DAYS[-1]:
            contents = [
                {"row": i, "unit": unit, "session": day, "leaf": leaf, "quantity": "chlorophyll",
                 "value": 25 + 5 * scores[i, 0] + rng.normal(), "u": 0.5, "used": True,
                 "unit_of_value": "ug/cm2"}
                for i, (unit, leaf) in enumerate(names) if leaf == "1"
            ][:20]  # fmt: skip
    inputs["accepted"], inputs["range"] = folder / "accepted.csv", folder / "range.json"
    write_csv(inputs["accepted"], pd.DataFrame(accepted, columns=list(ACCEPTED)), ACCEPTED)
    write_json(inputs["range"], {"start_nm": 430.0, "stop_nm": 980.0})
    columns = names_of("pigment_contents")
    inputs["pigment_contents"] = folder / "contents.csv"
    write_csv(inputs["pigment_contents"], pd.DataFrame(contents, columns=list(columns)), columns)
    traits = Traits.model_validate({"targets": ["chlorophyll"]}).model_dump(mode="json")
    settings = {
        "traits": traits,
        "design": {"unit": "plant"},
        "columns": {"units": {}, "scans": {}},
    }
    outputs = {one.role: folder / one.path for one in written_by("traits")}
    return Job("traits", None, settings, inputs, outputs, folder)


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        job = job_in(Path(name))
        at_most("traits, processor time", timed(lambda: stage.run(job)), MOST_SECONDS, "s")
    finish()


if __name__ == "__main__":
    main()
