"""The closing summary of a run: what was found, what to heed, where it lies."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

from leafledger.cli.words import bullet_list, say
from leafledger.runner.plans import marked, said_of_results
from leafledger.runner.run import RunResult
from leafledger.study.rules import PLAN_HISTORY
from leafledger.study.tables import read_json


def findings(folder: Path) -> list[dict[str, Any]]:
    """Return the findings of the newest results, the classifier's last."""
    found: list[dict[str, Any]] = []
    effects = folder / "results/effects.json"
    if effects.is_file():
        found += read_json(effects).get("findings", [])
    classes = folder / "results/classes/summary.json"
    if classes.is_file():
        found.append({"id": "classes", "sentence": read_json(classes)["sentence"]})
    return found


def onsets(folder: Path) -> list[str]:
    """Return since when each primary difference is shown, in the newest results."""
    effects = folder / "results/effects.json"
    if not effects.is_file():
        return []
    return [str(row["sentence"]) for row in read_json(effects).get("onset", [])]


def warnings(folder: Path) -> list[str]:
    """Return the warnings that the records hold, each once with the sessions that it holds for."""
    found: dict[tuple[str, str], list[str]] = {}
    for path in sorted((folder / "records").glob("*.json")):
        record = read_json(path)
        for text in record["warnings"]:
            found.setdefault((record["rule"], text), []).append(record["session"] or "")
    return [
        f"{rule} {', '.join(dict.fromkeys(sessions))}".rstrip() + f": {text}"
        for (rule, text), sessions in found.items()
    ]


def say_closing(folder: Path, result: RunResult) -> None:
    """Print the summary of a run that ended well."""
    for one in result.variants:
        said = "holds as it was run before" if one.outcome == "idle" else _counts(one.tasks)
        said = "failed" if one.exit_code else said
        say(f"Variant {one.variant}: {said}.")
    say(("As stated: " if result.variants else "") + f"{_counts(result.tasks)}.")
    facts, of_plan = said_of_results(folder)
    found = [_in_words(one) for one in marked(findings(folder), facts)]
    since = (f"Since when. {sentence}" for sentence in onsets(folder))
    bullet_list("Found:", [*of_plan, *found, *since])
    heeded = warnings(folder)
    bullet_list("To heed:", heeded[:12])
    if len(heeded) > 12:
        say(f"  - and {len(heeded) - 12} more in the report")
    bullet_list("Notes:", result.notes)
    shown = _shown(folder)
    say(f"Report:  {shown}/results/report.html")
    command = f"leafledger ui {shlex.quote(shown)}"
    say(f"Ledger:  {command}   (opens the tracking store on this machine only)")


def _in_words(finding: dict[str, Any]) -> str:
    mark = finding.get("mark")
    return str(finding["sentence"]) + (f" The verdict is {mark}." if mark else "")


def _counts(tasks: list[dict[str, Any]]) -> str:
    """Count the stages; what the book says of the plan is none."""
    stages = [e["outcome"] for e in tasks if e["rule"] != PLAN_HISTORY.name]
    done, restored = stages.count("done"), stages.count("restored")
    ran = "1 stage ran" if done == 1 else f"{done} stages ran"
    return f"{ran}, {restored} restored" if restored else ran


def _shown(folder: Path) -> str:
    try:
        return folder.relative_to(Path.cwd()).as_posix()
    except ValueError:
        return folder.as_posix()
