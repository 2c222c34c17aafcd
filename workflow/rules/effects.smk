# Means of the experimental units, then what the treatment changed.
rule unit_means:
    input:
        indices=expand("results/indices/{session}.parquet", session=SESSIONS),
        accepted="results/accepted.csv",
        passed="results/validation/passed.json",
    output:
        unit_indices="results/unit_indices.csv",
        record="records/unit_means.json",
    log:
        "logs/unit_means.log",
    params:
        key_json=workflow_of_study.key_json("unit_means"),
    shell:
        "step unit_means > {log:q} 2>&1"


rule effects:
    input:
        unit_indices="results/unit_indices.csv",
        catalogue="results/indices/catalogue.json",
        reflectance=expand("results/reflectance/{session}.parquet", session=SESSIONS),
        accepted="results/accepted.csv",
        range="results/range.json",
        indices=expand("results/indices/{session}.parquet", session=SESSIONS),
    output:
        effects="results/effects.csv",
        effects_summary="results/effects.json",
        group_means="results/group_means.csv",
        spectrum_effects="results/spectrum_effects.csv",
        sensitivity="results/sensitivity.csv",
        variance_components="results/variance_components.csv",
        power="results/power.csv",
        record="records/effects.json",
    log:
        "logs/effects.log",
    params:
        key_json=workflow_of_study.key_json("effects"),
    shell:
        "step effects > {log:q} 2>&1"
