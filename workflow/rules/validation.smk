# Expectations that the tables must meet before anything is concluded from them.
rule validation:
    input:
        scans=expand("results/scans/{session}.parquet", session=SESSIONS),
        reflectance=expand("results/reflectance/{session}.parquet", session=SESSIONS),
        indices=expand("results/indices/{session}.parquet", session=SESSIONS),
        range="results/range.json",
        catalogue="results/indices/catalogue.json",
    output:
        scans="results/validation/scans.json",
        reflectance="results/validation/reflectance.json",
        indices="results/validation/indices.json",
        passed="results/validation/passed.json",
        record="records/validation.json",
    log:
        "logs/validation.log",
    params:
        key_json=workflow_of_study.key_json("validation"),
    shell:
        "step validation > {log:q} 2>&1"
