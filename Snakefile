# The way of the data: each include is a stage, in the order in which the study passes through them.
from pathlib import Path

from snakemake.utils import min_version

from leafledger.runner.workflow import StudyWorkflow

min_version("9.27")

workflow_of_study = StudyWorkflow(Path.cwd(), config)
SESSIONS = workflow_of_study.sessions

# Every rule calls `step RULE [SESSION]`, which this defines: one task, one thread, one process.
shell.prefix(workflow_of_study.step)


wildcard_constraints:
    session=workflow_of_study.session_pattern,


rule all:
    input:
        workflow_of_study.targets(),


include: "workflow/rules/intake.smk"
include: "workflow/rules/reflectance.smk"
include: "workflow/rules/quality.smk"
include: "workflow/rules/indices.smk"
include: "workflow/rules/validation.smk"
include: "workflow/rules/effects.smk"


if workflow_of_study.has_classes:

    include: "workflow/rules/classes.smk"


include: "workflow/rules/report.smk"
