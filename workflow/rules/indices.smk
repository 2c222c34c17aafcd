# Made by `make workflow` from src/leafledger/study/rules.py; do not edit.
# A rule runs again if what it reads has changed, or key_json: the values of the settings that it
# sees, digests of its code and of what a person wrote. `mark` is renewed if the files in place are
# not what their record says.


# Lists the indices of the study with formula and source.
rule catalogue:
    input:
        mark="ledger/cache/marks/catalogue",
    output:
        catalogue="results/indices/catalogue.json",
        formulas="results/indices/formulas.json",
        visible_indices="results/indices/visible.json",
        record="records/catalogue.json",
    log:
        "logs/catalogue.log",
    group:
        workflow_of_study.group("catalogue")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("catalogue"),
        runtime=workflow_of_study.runtime("catalogue"),
    params:
        settings=["indices"],
        key_json=workflow_of_study.key_json("catalogue"),
    shell:
        "step catalogue > {log:q} 2>&1"


# Computes every index on every leaf scan of a session.
rule indices:
    input:
        reflectance="results/reflectance/{session}.parquet",
        range="results/range.json",
        formulas="results/indices/formulas.json",
        mark="ledger/cache/marks/indices.{session}",
    output:
        indices="results/indices/{session}.parquet",
        record="records/indices.{session}.json",
    log:
        "logs/indices.{session}.log",
    group:
        workflow_of_study.group("indices")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("indices"),
        runtime=workflow_of_study.runtime("indices"),
    params:
        key_json=workflow_of_study.key_json("indices"),
    shell:
        "step indices {wildcards.session:q} > {log:q} 2>&1"
