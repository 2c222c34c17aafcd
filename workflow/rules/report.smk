# Made by `make workflow` from src/leafledger/study/rules.py; do not edit.
# A rule runs again if what it reads has changed, or key_json: the values of the settings that it
# sees, digests of its code and of what a person wrote. `mark` is renewed if the files in place are
# not what their record says.


# Draws the figures and writes the page and the workbook.
rule report:
    input:
        workflow_of_study.results_before("report"),
        mark="ledger/cache/marks/report",
    output:
        report="results/report.html",
        figures=directory("results/figures"),
        tables="results/tables.xlsx",
        answer="results/answer.json",
        record="records/report.json",
    log:
        "logs/report.log",
    group:
        workflow_of_study.group("report")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("report"),
        runtime=workflow_of_study.runtime("report"),
    params:
        settings=[
            "title",
            "question",
            "design",
            "units.csv",
            "report",
            "field notes",
            "scans.csv: omitted",
        ],
        key_json=workflow_of_study.key_json("report"),
    shell:
        "step report > {log:q} 2>&1"
