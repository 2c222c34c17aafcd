"""How is a study run, and its models asked of new leaves?

The commands demo, run, status and clean; identify and estimate.
"""

from __future__ import annotations

import math
import shlex
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

import click

from leafledger.cli.terminal_text import (
    bullet_list,
    cores_option,
    json_option,
    problems_as_json,
    say,
    say_json,
    say_problems,
    study_argument,
    to_run_words,
)
from leafledger.errors import InputFault, Problem, input_fault
from leafledger.ledger.compare import tasks_ran
from leafledger.runner.outdated import marked, said_of_results
from leafledger.runner.run import RunResult
from leafledger.runner.study_check import NOTHING_YET
from leafledger.runner.workflow import demo_study
from leafledger.study.study import UNALLOCATED
from leafledger.study.table_files import read_json

# The closing summary of a run: what was found, what to heed, where it lies
# ----------------------------------------------------------------------


UP_TO_DATE = "Up to date: nothing to run."
"""What ``status`` and ``run`` say of a study that needs no task."""


def findings(folder: Path) -> list[dict[str, Any]]:
    """Return the findings of the newest results, the classifier's last."""
    entries: list[dict[str, Any]] = _json(folder / "results/effects.json").get("findings", [])
    classes = _json(folder / "results/classes/summary.json")
    return entries + ([{"id": "classes", "sentence": classes["sentence"]}] if classes else [])


def answers(folder: Path) -> list[str]:
    """Return the answers of the report, each with what supports it; none without effects."""
    rows = _json(folder / "results/answer.json").get("answers", [])
    return [f"{row['answer']} {row['support']}".rstrip() for row in rows]


def onset_sentences(folder: Path) -> list[str]:
    """Return since when each primary difference is shown, in the newest results."""
    onsets = _json(folder / "results/effects.json").get("onset", [])
    return [str(row["sentence"]) for row in onsets]


def waiting(folder: Path) -> list[str]:
    """Return what waits for sessions to come, and what the plan can detect, in newest results."""
    unfinished: dict[str, Any] = _json(folder / "results/effects.json").get("unfinished", {})
    return [*unfinished.get("said", []), *unfinished.get("detectable_said", [])]


def _json(path: Path) -> dict[str, Any]:
    return read_json(path) if path.is_file() else {}


def warnings(folder: Path) -> list[str]:
    """Return the warnings that the records hold, each once with the sessions that it holds for."""
    sessions_of: dict[tuple[str, str], list[str]] = {}
    for path in sorted((folder / "records").glob("*.json")):
        record = read_json(path)
        for text in record["warnings"]:
            sessions_of.setdefault((record["rule"], text), []).append(record["session"] or "")
    return [
        f"{rule} {', '.join(dict.fromkeys(sessions))}".rstrip() + f": {text}"
        for (rule, text), sessions in sessions_of.items()
    ]


def say_closing(folder: Path, result: RunResult) -> None:
    """Print the summary of a run that ended well."""
    if NOTHING_YET in result.notes:
        say(f"{NOTHING_YET[0].upper()}{NOTHING_YET[1:]}.")
        bullet_list("Notes:", [note for note in result.notes if note != NOTHING_YET])
        say("`leafledger check` names the sessions to come; measure the first one, then run again.")
        return
    stated = "As stated: " if result.variants else ""
    for variant in result.variants:
        words = "holds as it was run before" if variant.outcome == "idle" else _ran(variant)
        say(f"Variant {variant.variant}: {'failed' if variant.exit_code else words}.")
    idle = result.outcome == "idle" and not result.tasks and not result.variants
    say(UP_TO_DATE if idle else f"{stated}{_ran(result)}.")
    facts, of_plan = said_of_results(folder)
    sentences = [
        str(finding["sentence"])
        + (f" The verdict is {finding['mark']}." if finding.get("mark") else "")
        for finding in marked(findings(folder), facts)
    ]
    since = (f"Since when. {sentence}" for sentence in onset_sentences(folder))
    bullet_list("Found:", [*answers(folder), *of_plan, *sentences, *since])
    not_yet = waiting(folder)
    bullet_list("Not yet:", not_yet[:6])
    if len(not_yet) > 6:
        say(f"  - and {len(not_yet) - 6} more in the report")
    heeded = warnings(folder)
    bullet_list("To heed:", heeded[:12])
    if len(heeded) > 12:
        say(f"  - and {len(heeded) - 12} more in the report")
    bullet_list("Notes:", result.notes)
    here = folder.relative_to(Path.cwd()) if folder.is_relative_to(Path.cwd()) else folder
    name = shlex.quote(here.as_posix())
    if any(UNALLOCATED in sentence for sentence in not_yet):
        say(f"Next:    leafledger plan allocate {name}   (draws lots before the treatment)")
    say(f"Report:  {here.as_posix()}/results/report.html")
    say(f"Ledger:  leafledger ui {name}   (opens the tracking store on this machine only)")


def _ran(result: RunResult) -> str:
    return tasks_ran(task["outcome"] for task in result.tasks)


# The demo study, copied to where the user can look at it and change it
# ----------------------------------------------------------------------


def copy_demo(folder: Path) -> None:
    """Copy the demo study to ``folder``, unless it is there already.

    Raises
    ------
    InputFault
        If the folder holds something else.
    """
    if (folder / "study.yaml").is_file():
        return
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise input_fault(
            file=folder.name,
            found="a folder that holds something else" if folder.is_dir() else "a file",
            expected="an empty or new folder for the demo study",
            mend="Name another folder: leafledger demo FOLDER",
        )
    shutil.copytree(demo_study(), folder, dirs_exist_ok=True)


# demo, run, status, clean
# ----------------------------------------------------------------------


@click.command()
@click.argument("folder", type=click.Path(path_type=Path), required=False)
@click.option(
    "--forward",
    is_flag=True,
    help="Play it day by day: plan, watch the first day, run each evening (two to three minutes).",
)
@cores_option
def demo(folder: Path | None, forward: bool, cores: int) -> None:
    """Run the demo study.

    Copies it to FOLDER (the first time; leafledger-demo if left out) and runs it: an iron-chelate
    spray on chlorotic soybean seedlings against water, invented data. With --forward it is played
    as a study is lived, in leafledger-forward-demo: each step is printed with the command that a
    person would type, what came of it, and where to look.

    \b
    Example:
      leafledger demo
      leafledger demo --forward
    """
    if forward:
        from leafledger.cli.forward_demo import play

        play(folder or Path("leafledger-forward-demo"), cores)
        return
    folder = folder or Path("leafledger-demo")
    copy_demo(folder)
    _run(folder, cores, as_json=False, quiet=False, variants=False)


@click.command()
@study_argument
@cores_option
@json_option
@click.option("--quiet", is_flag=True, help="Say nothing but problems.")
@click.option(
    "--variants",
    is_flag=True,
    help="Run every variant of study.yaml first, then the study as stated.",
)
@click.option(
    "--profile",
    metavar="NAME",
    help="Run on a cluster: `slurm`, or the folder of a Snakemake profile of your own.",
)
def run(
    study: Path, cores: int, as_json: bool, quiet: bool, variants: bool, profile: str | None
) -> None:
    """Bring all results of a study up to date.

    With --variants the study also runs under each of its alternative settings; what they have in
    common is computed once, and the report shows how the primary effects move. A variant that fails
    does not stop the others; the exit code is 1 then.

    With --profile the tasks are jobs of a cluster, such as SLURM; the results are the same.

    \b
    Example:
      leafledger run my-study --cores 4
      leafledger run my-study --variants
      leafledger run my-study --profile slurm
    """
    _run(study, cores, as_json, quiet, variants, profile)


def _run(
    folder: Path,
    cores: int,
    as_json: bool,
    quiet: bool,
    variants: bool,
    profile: str | None = None,
) -> None:
    from leafledger.cli.terminal_text import RunProgress
    from leafledger.runner.run import run_study, run_variants

    folder = folder.resolve()
    work = run_variants if variants else run_study
    with (
        problems_as_json(as_json, outcome="input_fault", tasks=[]),
        RunProgress(quiet or as_json, folder) as progress,
    ):
        result = work(folder, cores, progress, profile=profile)
    _report(folder, result, as_json, quiet)
    if result.exit_code:
        raise SystemExit(result.exit_code)


def _report(folder: Path, result: RunResult, as_json: bool, quiet: bool) -> None:
    well = result.outcome in {"done", "idle"}
    if as_json:
        facts, sentences = said_of_results(folder) if well else (None, [])
        say_json(
            {
                **_run_json(result),
                "findings": marked(findings(folder), facts) if well else [],
                "plan": {"facts": facts, "said": sentences},
                "waiting": waiting(folder) if well else [],
                "warnings": warnings(folder) if well else [],
                "variants": [_run_json(r) | {"variant": r.variant} for r in result.variants],
            }
        )
        return
    if not well:
        report_failure(folder, result)
    elif not quiet:
        say_closing(folder, result)
    for variant in result.failed_variants:
        say(f"Variant {variant.variant} failed: {variant.message}", error=True)
        if variant.problems:
            say_problems(variant.problems, folder)


def report_failure(folder: Path, result: RunResult) -> None:
    """Print why a run did not end well."""
    if result.outcome == "input_fault":
        say_problems(result.problems, folder)
    elif result.outcome == "failed":
        say(f"The run failed: {result.message}", error=True)
        for note in result.notes:
            say(f"  {note}", error=True)
        say(
            "What was finished is kept. The log says more; mend the cause and run again.",
            error=True,
        )


def _run_json(result: RunResult) -> dict[str, Any]:
    columns = ("rule", "session", "outcome", "seconds")
    return {
        "run": result.run,
        "outcome": result.outcome,
        "message": result.message,
        "tasks": [{name: event[name] for name in columns} for event in result.tasks],
        "problems": [problem.as_dict() for problem in result.problems],
        "notes": result.notes,
    }


@click.command()
@study_argument
@json_option
def status(study: Path, as_json: bool) -> None:
    """Say what a run would do now, and why.

    Of a study with variants it also says whether their table still holds.

    \b
    Example:
      leafledger status my-study
    """
    from leafledger.records.digests import FileDigests
    from leafledger.runner.outdated import would_run
    from leafledger.runner.run import table_status
    from leafledger.runner.study_check import checked_study
    from leafledger.runner.study_folder import is_held

    with problems_as_json(as_json, would_run=[]):
        opened = checked_study(study)
    digests = FileDigests(opened.folder)
    planned = would_run(opened, digests)
    table = table_status(opened, digests, planned)
    at_work = is_held(opened.folder)
    if as_json:
        say_json(
            {
                "problems": [],
                "at_work": at_work,
                "to_come": list(opened.to_come),
                "would_run": [
                    {
                        "rule": p.task.rule,
                        "session": p.task.session,
                        "why": p.why,
                        "certain": p.certain,
                    }
                    for p in planned
                ],
                "variants_table": {"made": table.made, "out_of_date": list(table.why)},
            }
        )
        return
    if at_work:
        say("A run is at work on this study now; this is how it stands at this moment:")
    if not opened.session_ids:
        say(f"{NOTHING_YET[0].upper()}{NOTHING_YET[1:]}.")
    elif not planned:
        say(UP_TO_DATE)
    else:
        say(f"{to_run_words(len(planned))}:")
    for p in planned:
        say(f"{'runs' if p.certain else 'may run':<8} {p.task.name:<22} {p.why}")
    if table.made and not table.why:
        say("results/variants.csv is up to date.")
    bullet_list("results/variants.csv is out of date; `run --variants` mends it:", table.why)


@click.command(short_help="Free the space of results kept for going back.")
@study_argument
@click.option("--store", is_flag=True, help="Also forget results and drawings kept for going back.")
def clean(study: Path, store: bool) -> None:
    """Free the space of kept results and drawings; results and the book of runs stay.

    \b
    Example:
      leafledger clean my-study --store
    """
    from leafledger.records.store import MOST_PARTS_BYTES, ContentStore, trim_parts
    from leafledger.runner.study_folder import study_lock, sweep_temporaries
    from leafledger.study.reading import read_study

    opened = read_study(study)
    with study_lock(opened.folder):
        sweep_temporaries(opened.folder)
        most = 0 if store else int(opened.definition.tracking.store_gb * 1e9)
        trimmed = ContentStore(opened.folder).trim(most)
        drawings = trim_parts(opened.folder, 0 if store else MOST_PARTS_BYTES)
    say(
        f"{trimmed['removed']} results removed; {trimmed['entries']} kept "
        f"({trimmed['bytes'] / 1e6:.1f} MB), and drawings ({drawings / 1e6:.1f} MB)."
    )


# identify, estimate: what a saved model says of new leaf scans
# ----------------------------------------------------------------------

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
