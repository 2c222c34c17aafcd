# Made by `make workflow` from src/leafledger/study/rules.py; do not edit.
# A rule runs again if what it reads has changed, or key_json: the values of the settings that it
# sees, digests of its code and of what a person wrote. `mark` is renewed if the files in place are
# not what their record says.


# Reads the raw files of a session into one table of scans.
# Digests of the raw files that it reads stand in key_json: their dates say nothing.
rule intake:
    input:
        mark="ledger/cache/marks/intake.{session}",
    output:
        scans="results/scans/{session}.parquet",
        record="records/intake.{session}.json",
    log:
        "logs/intake.{session}.log",
    group:
        workflow_of_study.group("intake")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("intake"),
        runtime=workflow_of_study.runtime("intake"),
    params:
        settings=[
            "intake.forms",
            "scans.csv: file, item, role, time, integration_ms, averages",
        ],
        key_json=workflow_of_study.key_json("intake"),
    shell:
        "step intake {wildcards.session:q} > {log:q} 2>&1"
