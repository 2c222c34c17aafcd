# Made by `make workflow` from src/leafledger/study/rules.py; do not edit.
# A rule runs again if what it reads has changed, or key_json: the values of the settings that it
# sees, digests of its code and of what a person wrote. `mark` is renewed if the files in place are
# not what their record says.


# Holds the tables against what is expected of them.
rule validation:
    input:
        scans=expand("results/scans/{session}.parquet", session=SESSIONS),
        reflectance=expand("results/reflectance/{session}.parquet", session=SESSIONS),
        indices=expand("results/indices/{session}.parquet", session=SESSIONS),
        range="results/range.json",
        catalogue="results/indices/catalogue.json",
        mark="ledger/cache/marks/validation",
    output:
        scans="results/validation/scans.json",
        reflectance="results/validation/reflectance.json",
        indices="results/validation/indices.json",
        passed="results/validation/passed.json",
        record="records/validation.json",
    log:
        "logs/validation.log",
    group:
        workflow_of_study.group("validation")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("validation"),
        runtime=workflow_of_study.runtime("validation"),
    params:
        settings=["quality.severity", "scans.csv: session, role"],
        key_json=workflow_of_study.key_json("validation"),
    shell:
        "step validation > {log:q} 2>&1"
