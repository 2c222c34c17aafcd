# Made by `make workflow` from src/leafledger/study/rules.py; do not edit.
# A rule runs again if what it reads has changed, or key_json: the values of the settings that it
# sees, digests of its code and of what a person wrote. `mark` is renewed if the files in place are
# not what their record says.


# Trains the classifier and tests it on scans left out.
rule classes:
    input:
        reflectance=expand(
            "results/reflectance/{session}.parquet",
            session=workflow_of_study.sessions_read("classes"),
        ),
        accepted="results/accepted.csv",
        range="results/range.json",
        passed="results/validation/passed.json",
        mark="ledger/cache/marks/classes",
    output:
        path="results/classes/path.csv",
        predictions="results/classes/predictions.csv",
        confusion="results/classes/confusion.csv",
        terms="results/classes/spectra_terms.parquet",
        permutation="results/classes/permutation.csv",
        reliability="results/classes/reliability.csv",
        per_class="results/classes/per_class.csv",
        confused_pairs="results/classes/confused_pairs.csv",
        summary="results/classes/summary.json",
        model="results/classes/model.skops",
        model_card="results/classes/model.json",
        record="records/classes.json",
    log:
        "logs/classes.log",
    group:
        workflow_of_study.group("classes")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("classes"),
        runtime=workflow_of_study.runtime("classes"),
    params:
        settings=[
            "design: unit, treatment, block, sessions of the classifier",
            "classes",
            "units.csv: target, block and split of the classes",
            "scans.csv: target of the classes",
        ],
        key_json=workflow_of_study.key_json("classes"),
    shell:
        "step classes > {log:q} 2>&1"


# Holds the classifier against simpler procedures in the same splits.
rule rivals:
    input:
        reflectance=expand(
            "results/reflectance/{session}.parquet",
            session=workflow_of_study.sessions_read("classes"),
        ),
        accepted="results/accepted.csv",
        range="results/range.json",
        passed="results/validation/passed.json",
        indices=expand(
            "results/indices/{session}.parquet",
            session=workflow_of_study.sessions_read("classes"),
        ),
        mark="ledger/cache/marks/rivals",
    output:
        rivals="results/classes/rivals.csv",
        comparison="results/classes/comparison.csv",
        record="records/rivals.json",
    log:
        "logs/rivals.log",
    group:
        workflow_of_study.group("rivals")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("rivals"),
        runtime=workflow_of_study.runtime("rivals"),
    params:
        settings=[
            "design: unit, treatment, block, sessions of the classifier",
            "classes, but for n_permutations",
            "units.csv: target, block and split of the classes",
            "scans.csv: target of the classes",
        ],
        key_json=workflow_of_study.key_json("rivals"),
    shell:
        "step rivals > {log:q} 2>&1"


# Asks the same procedure for session, block and the treatment before it was given.
rule negative_controls:
    input:
        reflectance=expand(
            "results/reflectance/{session}.parquet",
            session=workflow_of_study.sessions_read("classes+before"),
        ),
        accepted="results/accepted.csv",
        range="results/range.json",
        passed="results/validation/passed.json",
        mark="ledger/cache/marks/negative_controls",
    output:
        questions="results/classes/questions.csv",
        record="records/negative_controls.json",
    log:
        "logs/negative_controls.log",
    group:
        workflow_of_study.group("negative_controls")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("negative_controls"),
        runtime=workflow_of_study.runtime("negative_controls"),
    params:
        settings=[
            "design: unit, treatment, block, these sessions and those before",
            "classes, but for margin",
            "units.csv: target, block and split of the classes",
            "scans.csv: target of the classes",
        ],
        key_json=workflow_of_study.key_json("negative_controls"),
    shell:
        "step negative_controls > {log:q} 2>&1"
