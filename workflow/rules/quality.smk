# Made by `make workflow` from src/leafledger/study/rules.py; do not edit.
# A rule runs again if what it reads has changed, or key_json: the values of the settings that it
# sees, digests of its code and of what a person wrote. `mark` is renewed if the files in place are
# not what their record says.


# Checks every scan and reference of a session.
rule quality:
    input:
        scans="results/scans/{session}.parquet",
        reflectance="results/reflectance/{session}.parquet",
        visible_indices="results/indices/visible.json",
        mark="ledger/cache/marks/quality.{session}",
    output:
        quality="results/quality/{session}.parquet",
        signal="results/quality/{session}.signal.parquet",
        levels="results/quality/{session}.levels.parquet",
        record="records/quality.{session}.json",
    log:
        "logs/quality.{session}.log",
    group:
        workflow_of_study.group("quality")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("quality"),
        runtime=workflow_of_study.runtime("quality"),
    params:
        settings=["quality.checks", "scans.csv: unit, leaf, replicate"],
        key_json=workflow_of_study.key_json("quality"),
    shell:
        "step quality {wildcards.session:q} > {log:q} 2>&1"


# Decides which scans take part, from the checks and the decisions of persons, and how far wavelengths can be trusted.
# Digests of the decisions that it reads stand in key_json: their dates say nothing.
rule acceptance:
    input:
        quality=expand("results/quality/{session}.parquet", session=SESSIONS),
        signal=expand("results/quality/{session}.signal.parquet", session=SESSIONS),
        levels=expand("results/quality/{session}.levels.parquet", session=SESSIONS),
        reflectance=expand("results/reflectance/{session}.parquet", session=SESSIONS),
        mark="ledger/cache/marks/acceptance",
    output:
        accepted="results/accepted.csv",
        exclusions="results/exclusions.csv",
        range="results/range.json",
        session_effects="results/session_effects.csv",
        order_effects="results/order_effects.csv",
        record="records/acceptance.json",
    log:
        "logs/acceptance.log",
    group:
        workflow_of_study.group("acceptance")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("acceptance"),
        runtime=workflow_of_study.runtime("acceptance"),
    params:
        settings=[
            "quality.apply",
            "quality.range",
            "design: unit, control, sessions",
            "units.csv: treatment",
            "scans.csv: session, unit, leaf, replicate",
            "scans.csv: omitted or planned, with a decision",
        ],
        key_json=workflow_of_study.key_json("acceptance"),
    shell:
        "step acceptance > {log:q} 2>&1"
