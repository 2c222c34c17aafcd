# Flags for every scan of a session; then, for the whole study, which scans are accepted and over
# which wavelengths they can be trusted.
rule quality:
    input:
        scans="results/scans/{session}.parquet",
        reflectance="results/reflectance/{session}.parquet",
        visible_indices="results/indices/visible.json",
    output:
        quality="results/quality/{session}.parquet",
        signal="results/quality/{session}.signal.parquet",
        levels="results/quality/{session}.levels.parquet",
        record="records/quality.{session}.json",
    log:
        "logs/quality.{session}.log",
    params:
        key_json=workflow_of_study.key_json("quality"),
    shell:
        "step quality {wildcards.session:q} > {log:q} 2>&1"


rule acceptance:
    input:
        quality=expand("results/quality/{session}.parquet", session=SESSIONS),
        signal=expand("results/quality/{session}.signal.parquet", session=SESSIONS),
        levels=expand("results/quality/{session}.levels.parquet", session=SESSIONS),
        reflectance=expand("results/reflectance/{session}.parquet", session=SESSIONS),
    output:
        accepted="results/accepted.csv",
        exclusions="results/exclusions.csv",
        range="results/range.json",
        session_effects="results/session_effects.csv",
        order_effects="results/order_effects.csv",
        record="records/acceptance.json",
    log:
        "logs/acceptance.log",
    params:
        key_json=workflow_of_study.key_json("acceptance"),
    shell:
        "step acceptance > {log:q} 2>&1"
