"""Commands that run a study or say what a run would do: demo, run, status, clean."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from leafledger.cli.options import cores_option, json_option, study_argument
from leafledger.cli.words import bullet_list, say, say_json, say_problems
from leafledger.errors import InputFault


@click.command()
@click.argument("folder", type=click.Path(path_type=Path), default="leafledger-demo")
@cores_option
def demo(folder: Path, cores: int) -> None:
    """Run the demo study.

    Copies it to FOLDER (the first time) and runs it: an iron-chelate spray on chlorotic soybean
    seedlings against water, invented data.

    \b
    Example:
      leafledger demo
    """
    from leafledger.cli.demo import copy_demo

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
def run(study: Path, cores: int, as_json: bool, quiet: bool, variants: bool) -> None:
    """Bring all results of a study up to date.

    With --variants the study also runs under each of its alternative settings; what they have in
    common is computed once, and the report shows how the primary effects move. A variant that fails
    does not stop the others; the exit code is 1 then.

    \b
    Example:
      leafledger run my-study --cores 4
      leafledger run my-study --variants
    """
    _run(study, cores, as_json, quiet, variants)


def _run(folder: Path, cores: int, as_json: bool, quiet: bool, variants: bool) -> None:
    from leafledger.cli.progress import RunProgress
    from leafledger.runner.run import run_study
    from leafledger.runner.run_variants import run_variants

    folder = folder.resolve()
    work = run_variants if variants else run_study
    try:
        with RunProgress(quiet or as_json, folder) as progress:
            result = work(folder, cores, progress)
    except InputFault as fault:
        if as_json:
            say_json(
                {
                    "outcome": "input_fault",
                    "tasks": [],
                    "problems": [p.as_dict() for p in fault.problems],
                }
            )
            raise SystemExit(2) from None
        raise
    _tell(folder, result, as_json, quiet)
    if result.exit_code:
        raise SystemExit(result.exit_code)


def _tell(folder: Path, result: Any, as_json: bool, quiet: bool) -> None:
    from leafledger.cli.closing import findings, say_closing, warnings
    from leafledger.runner.plans import marked, said_of_results

    well = result.outcome in {"done", "idle"}
    if as_json:
        facts, said = said_of_results(folder) if well else (None, [])
        say_json(
            {
                "run": result.run,
                "outcome": result.outcome,
                "message": result.message,
                "tasks": _tasks_json(result),
                "problems": [p.as_dict() for p in result.problems],
                "notes": result.notes,
                "findings": marked(findings(folder), facts) if well else [],
                "plan": {"facts": facts, "said": said},
                "warnings": warnings(folder) if well else [],
                "variants": [_variant_json(one) for one in result.variants],
            }
        )
        return
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
    elif not quiet:
        say_closing(folder, result)
    for one in result.failed_variants:
        say(f"Variant {one.variant} failed: {one.message}", error=True)
        if one.problems:
            say_problems(one.problems, folder)


def _variant_json(result: Any) -> dict[str, Any]:
    return {
        "variant": result.variant,
        "run": result.run,
        "outcome": result.outcome,
        "message": result.message,
        "tasks": _tasks_json(result),
        "problems": [p.as_dict() for p in result.problems],
        "notes": result.notes,
    }


def _tasks_json(result: Any) -> list[dict[str, Any]]:
    return [
        {name: e[name] for name in ("rule", "session", "outcome", "seconds")} for e in result.tasks
    ]


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
    from leafledger.runner.check import checked_study
    from leafledger.runner.lock import is_held
    from leafledger.runner.plan import would_run
    from leafledger.runner.variants_due import table_status

    try:
        found = checked_study(study)
    except InputFault as fault:
        if not as_json:
            raise
        say_json({"problems": [p.as_dict() for p in fault.problems], "would_run": []})
        raise SystemExit(2) from None
    digests = FileDigests(found.folder)
    planned = would_run(found, digests)
    table = table_status(found, digests, planned)
    at_work = is_held(found.folder)
    if as_json:
        say_json(
            {
                "problems": [],
                "at_work": at_work,
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
    if not planned:
        say("Up to date: nothing would run.")
    for p in planned:
        say(f"{'runs' if p.certain else 'may run':<8} {p.task.name:<22} {p.why}")
    if table.made and not table.why:
        say("results/variants.csv is up to date.")
    bullet_list("results/variants.csv is out of date; `run --variants` mends it:", table.why)


@click.command(short_help="Free the space of results kept for going back.")
@study_argument
@click.option("--store", is_flag=True, help="Also forget results kept for going back.")
def clean(study: Path, store: bool) -> None:
    """Free the space of kept results; results and the book of runs stay.

    \b
    Example:
      leafledger clean my-study --store
    """
    from leafledger.records.store import ContentStore
    from leafledger.runner.leftovers import sweep_temporaries
    from leafledger.runner.lock import study_lock
    from leafledger.study.reading import read_study

    found = read_study(study)
    with study_lock(found.folder):
        sweep_temporaries(found.folder)
        most = 0 if store else int(found.definition.tracking.store_gb * 1e9)
        left = ContentStore(found.folder).trim(most)
    say(
        f"{left['removed']} results removed; {left['entries']} kept ({left['bytes'] / 1e6:.1f} MB)."
    )
