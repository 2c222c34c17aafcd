# Made by `make workflow` from src/leafledger/study/rules.py; do not edit.
# A rule runs again if what it reads has changed, or key_json: the values of the settings that it
# sees, digests of its code and of what a person wrote. `mark` is renewed if the files in place are
# not what their record says.


# Turns counts, dark and white into reflectance with its uncertainty.
# Digests of the table of the panel that it reads stand in key_json: their dates say nothing.
rule reflectance:
    input:
        scans="results/scans/{session}.parquet",
        mark="ledger/cache/marks/reflectance.{session}",
    output:
        reflectance="results/reflectance/{session}.parquet",
        record="records/reflectance.{session}.json",
    log:
        "logs/reflectance.{session}.log",
    group:
        workflow_of_study.group("reflectance")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("reflectance"),
        runtime=workflow_of_study.runtime("reflectance"),
    params:
        settings=["instrument", "reflectance"],
        key_json=workflow_of_study.key_json("reflectance"),
    shell:
        "step reflectance {wildcards.session:q} > {log:q} 2>&1"
