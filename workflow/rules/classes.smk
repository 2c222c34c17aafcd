# The discriminant classifier with its honest validation, simple rivals in the same splits, and the
# same procedure asked for session, block and the treatment before it was given.
rule classes:
    input:
        reflectance=expand(
            "results/reflectance/{session}.parquet",
            session=workflow_of_study.sessions_read("classes", "reflectance"),
        ),
        accepted="results/accepted.csv",
        range="results/range.json",
        passed="results/validation/passed.json",
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
    params:
        key_json=workflow_of_study.key_json("classes"),
    shell:
        "step classes > {log:q} 2>&1"


rule rivals:
    input:
        reflectance=expand(
            "results/reflectance/{session}.parquet",
            session=workflow_of_study.sessions_read("rivals", "reflectance"),
        ),
        accepted="results/accepted.csv",
        range="results/range.json",
        passed="results/validation/passed.json",
        indices=expand(
            "results/indices/{session}.parquet",
            session=workflow_of_study.sessions_read("rivals", "indices"),
        ),
    output:
        rivals="results/classes/rivals.csv",
        comparison="results/classes/comparison.csv",
        record="records/rivals.json",
    log:
        "logs/rivals.log",
    params:
        key_json=workflow_of_study.key_json("rivals"),
    shell:
        "step rivals > {log:q} 2>&1"


rule negative_controls:
    input:
        reflectance=expand(
            "results/reflectance/{session}.parquet",
            session=workflow_of_study.sessions_read(
                "negative_controls", "reflectance"
            ),
        ),
        accepted="results/accepted.csv",
        range="results/range.json",
        passed="results/validation/passed.json",
    output:
        questions="results/classes/questions.csv",
        record="records/negative_controls.json",
    log:
        "logs/negative_controls.log",
    params:
        key_json=workflow_of_study.key_json("negative_controls"),
    shell:
        "step negative_controls > {log:q} 2>&1"
