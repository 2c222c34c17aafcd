"""Arguments and options that several commands share."""

from __future__ import annotations

import os
from pathlib import Path

import click

study_argument = click.argument(
    "study", type=click.Path(path_type=Path), default=".", required=False
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON value instead.")
cores_option = click.option(
    "--cores",
    type=click.IntRange(1, 1024),
    default=min(2, os.cpu_count() or 1),
    show_default=True,
    help="How many tasks may run side by side.",
)
