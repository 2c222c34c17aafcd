"""What does a saved model say of new leaf scans: the commands identify and estimate?"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

import click

from leafledger.cli.terminal_text import bullet_list, json_option, say, say_json
from leafledger.errors import InputFault, Problem

_FORMS = {".jdx": "jcamp_dx", ".dx": "jcamp_dx", ".parquet": "parquet", ".xlsx": "spreadsheet"}
_FILE = click.Path(path_type=Path, exists=True, dir_okay=False)
Quantity = Literal["reflectance", "percent", "counts"]


def _scans_options(command: Callable[..., None]) -> Callable[..., None]:
    """Add the arguments and options that say which scans a model is given."""
    options = (
        click.argument("model", type=_FILE),
        click.argument("files", nargs=-1, type=_FILE),
        click.option(
            "--sheet",
            type=_FILE,
            help="Instead of FILES: a sheet written as scans.csv, with the whites and darks of "
            "counts.",
        ),
        click.option(
            "--quantity",
            type=click.Choice(["reflectance", "percent", "counts"]),
            default="reflectance",
            show_default=True,
            help="What the files hold; counts need --sheet.",
        ),
        click.option(
            "--form",
            type=click.Choice(["text", "wide_table", "jcamp_dx", "parquet", "spreadsheet"]),
            help="How the files are written; left out, told by the ending of the first.",
        ),
        click.option(
            "--standards",
            type=_FILE,
            help="A sheet (standard, home_file, new_file) of standards scanned on the model's "
            "instrument and on the one of FILES: the scans are corrected by them first.",
        ),
        json_option,
    )
    for option in reversed(options):
        command = option(command)
    return command


@click.command()
@_scans_options
def identify(
    model: Path,
    files: tuple[Path, ...],
    sheet: Path | None,
    quantity: Quantity,
    form: str | None,
    standards: Path | None,
    as_json: bool,
) -> None:
    """Put the leaf scans in FILES into the classes of MODEL.

    Says the probability of the class and whether a scan lies inside what the model was trained
    on.

    \b
    Example:
      leafledger identify my-study/results/classes/model.skops leaf.txt
    """
    from leafledger.runner.new_scans import identify_scans

    table, warnings = identify_scans(model, _new_scans(files, sheet, quantity, form), standards)
    lines = [
        f"{row['scan']}: {row['class']} (probability {row['probability']:.2f}), {row['domain']}"
        for row in table.to_dict("records")
    ]
    _say(lines, table, warnings, as_json)


@click.command()
@_scans_options
def estimate(
    model: Path,
    files: tuple[Path, ...],
    sheet: Path | None,
    quantity: Quantity,
    form: str | None,
    standards: Path | None,
    as_json: bool,
) -> None:
    """Estimate the trait of MODEL for the leaf scans in FILES.

    Says value and interval of each scan, and whether it lies inside what the model was trained
    on.

    \b
    Example:
      leafledger estimate my-study/results/traits/models/chlorophyll.skops leaf.txt
    """
    from leafledger.runner.new_scans import estimate_scans

    table, warnings = estimate_scans(model, _new_scans(files, sheet, quantity, form), standards)
    lines = [_estimate_line(row) for row in table.to_dict("records")]
    _say(lines, table, warnings, as_json)


def _estimate_line(row: dict[Any, Any]) -> str:
    unit = "" if row["unit_of_value"] == "1" else f" {row['unit_of_value']}"
    return (
        f"{row['scan']}: {row['target']} {row['estimate']:.3g}{unit} "
        f"({100 * row['level']:.3g} % interval {row['low']:.3g} to {row['high']:.3g}), "
        f"{row['domain']}"
    )


def _new_scans(
    files: tuple[Path, ...], sheet: Path | None, quantity: Quantity, form: str | None
) -> Any:
    """Return the scans that files or a sheet hold."""
    from leafledger.runner.new_scans import scans_of_files, scans_of_sheet
    from leafledger.study.definition import Form

    if bool(files) == bool(sheet) or (quantity == "counts" and sheet is None):
        raise InputFault(_what_to_read(quantity, bool(files), sheet is not None))
    first = files[0] if files else None
    by_ending = _FORMS.get(first.suffix.lower(), "text") if first else "text"
    written = Form.model_validate({"form": form or by_ending, "quantity": quantity})
    return scans_of_sheet(sheet, written) if sheet else scans_of_files(files, written)


def _say(lines: list[str], table: Any, warnings: list[str], as_json: bool) -> None:
    if as_json:
        rows = [{k: _plain(v) for k, v in row.items()} for row in table.to_dict("records")]
        say_json({"scans": rows, "warnings": warnings})
        return
    for line in lines:
        say(line)
    bullet_list("To heed:", warnings)


def _plain(value: Any) -> Any:
    return None if isinstance(value, float) and math.isnan(value) else value


def _what_to_read(quantity: str, has_files: bool, has_sheet: bool) -> Problem:
    given = [*(["files"] if has_files else []), *(["--sheet"] if has_sheet else [])]
    return Problem(
        file="command line",
        found=f"--quantity {quantity} with {' and '.join(given) or 'nothing to read'}",
        expected="either files of reflectance, or --sheet; counts always by --sheet",
        mend="Counts need their whites, darks and integration times: list them with the leaves in "
        "a sheet such as scans.csv and name it with --sheet.",
    )
