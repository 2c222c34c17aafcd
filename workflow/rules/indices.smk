# The indices asked for, from the settings alone; then their values for every scan of a session.
rule catalogue:
    output:
        catalogue="results/indices/catalogue.json",
        visible_indices="results/indices/visible.json",
        record="records/catalogue.json",
    log:
        "logs/catalogue.log",
    params:
        key_json=workflow_of_study.key_json("catalogue"),
    shell:
        "step catalogue > {log:q} 2>&1"


rule indices:
    input:
        reflectance="results/reflectance/{session}.parquet",
        range="results/range.json",
    output:
        indices="results/indices/{session}.parquet",
        record="records/indices.{session}.json",
    log:
        "logs/indices.{session}.log",
    params:
        key_json=workflow_of_study.key_json("indices"),
    shell:
        "step indices {wildcards.session:q} > {log:q} 2>&1"
