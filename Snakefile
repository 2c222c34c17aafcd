# The way of the data: each include is a stage, in the order in which the study passes through them.
from pathlib import Path

from snakemake.utils import min_version

from leafledger.runner.workflow import StudyWorkflow

min_version("9.27")

workflow_of_study = StudyWorkflow(Path.cwd(), config, workflow)
SESSIONS = workflow_of_study.sessions

# What `leafledger status` names is made again, whatever Snakemake thinks of the dates of files.
workflow_of_study.renew_marks()

# Every rule calls `step RULE [SESSION]`, which this defines: one task, one thread, one process.
shell.prefix(workflow_of_study.step)


wildcard_constraints:
    session=workflow_of_study.session_pattern,


rule all:
    input:
        workflow_of_study.targets(),


for stage in workflow_of_study.stages:

    include: f"workflow/rules/{stage}.smk"
