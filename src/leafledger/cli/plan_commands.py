"""Commands on the plan of a study: ``plan record``, ``plan history``."""

from __future__ import annotations

from pathlib import Path

import click

from leafledger.cli.options import json_option, study_argument
from leafledger.cli.words import bullet_list, say, say_indented, say_json
from leafledger.errors import InputFault

_NAME_ONE = (
    "No primary contrast is named, so every effect of this plan is exploratory. To name one, write "
    "it in study.yaml (effects: primary: with index and question) and record the plan again."
)
_SEND = "Send the text or its digest to a colleague, or lodge it in a registry, before you measure."


@click.group(short_help="Record what is planned, before the data.")
def plan() -> None:
    """Record what is planned, so that it can be shown later that it came before the data.

    \b
    Example:
      leafledger plan record my-study
    """


@plan.command()
@study_argument
@json_option
def record(study: Path, as_json: bool) -> None:
    """Enter the plan in the book of runs and print its text with its SHA-256.

    The plan is the primary contrast, how effects are judged, the design and the treatment and block
    of every unit. Only study.yaml and units.csv need be right: it works before any scan exists.
    Later runs are held against it, and the report says whether the primary contrast was fixed
    before the data. A changed plan may be recorded as well; each stays on record.

    \b
    Example:
      leafledger plan record my-study
    """
    from leafledger.ledger.plans import text_file
    from leafledger.runner.plans import record_plan

    try:
        found = record_plan(study)
    except InputFault as fault:
        if not as_json:
            raise
        say_json({"problems": [p.as_dict() for p in fault.problems]})
        raise SystemExit(2) from None
    entry = found.lodged.entry
    if as_json:
        say_json(
            {
                "problems": [],
                "plan": entry["plan"],
                "file": text_file(entry["plan"]),
                "recorded": entry["recorded"],
                "sha256": entry["sha256"],
                "is_new": found.lodged.is_new,
                "first": found.first.facts(),
                "primary": found.has_primary,
                "after_sessions_read": list(found.read),
                "said": list(found.said),
                "text": found.lodged.text,
            }
        )
        return
    say(found.lodged.text)
    say(f"SHA-256 of this text: {entry['sha256']}")
    if found.lodged.is_new:
        say(f"Recorded as plan {entry['plan']}: {text_file(entry['plan'])}")
    else:
        day = entry["recorded"][:10]
        say(f"This plan stands already since {day} (plan {entry['plan']}): nothing was entered.")
    notes = list(found.said)
    if found.read:
        read = ", ".join(found.read)
        notes.append(f"When it was recorded, after-sessions had been read already: {read}.")
    else:
        notes.append(_SEND)
    if not found.has_primary:
        notes.append(_NAME_ONE)
    bullet_list("Notes:", notes)


@plan.command()
@study_argument
@json_option
def history(study: Path, as_json: bool) -> None:
    """List the plans on record, what changed from one to the next, and when.

    \b
    Example:
      leafledger plan history my-study
    """
    from leafledger.ledger.plans import on_record
    from leafledger.ledger.view import BookView
    from leafledger.study.plan_history import course_lines

    records = on_record(BookView(study.resolve()))
    if as_json:
        known = [one for one in records if one.plan is not None]
        say_json([one.facts() | {"plan": one.plan} for one in known])
        return
    lines = course_lines(records)
    if not lines:
        say("No plan is on record: `leafledger plan record` enters one, and so does every run.")
    for line in lines:
        say_indented(line, "")
