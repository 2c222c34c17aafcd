# Scans of one session -> reflectance with its uncertainty.
rule reflectance:
    input:
        scans="results/scans/{session}.parquet",
    output:
        reflectance="results/reflectance/{session}.parquet",
        record="records/reflectance.{session}.json",
    log:
        "logs/reflectance.{session}.log",
    params:
        key_json=workflow_of_study.key_json("reflectance"),
    shell:
        "step reflectance {wildcards.session:q} > {log:q} 2>&1"
