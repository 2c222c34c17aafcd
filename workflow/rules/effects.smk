# Made by `make workflow` from src/leafledger/study/rules.py; do not edit.
# A rule runs again if what it reads has changed, or key_json: the values of the settings that it
# sees, digests of its code and of what a person wrote. `mark` is renewed if the files in place are
# not what their record says.


# Averages scans within leaf and leaves within unit.
rule unit_means:
    input:
        indices=expand("results/indices/{session}.parquet", session=SESSIONS),
        accepted="results/accepted.csv",
        passed="results/validation/passed.json",
        mark="ledger/cache/marks/unit_means",
    output:
        unit_indices="results/unit_indices.csv",
        record="records/unit_means.json",
    log:
        "logs/unit_means.log",
    group:
        workflow_of_study.group("unit_means")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("unit_means"),
        runtime=workflow_of_study.runtime("unit_means"),
    params:
        settings=["scans.csv: session, unit, leaf"],
        key_json=workflow_of_study.key_json("unit_means"),
    shell:
        "step unit_means > {log:q} 2>&1"


# Tests what the treatment changed.
rule effects:
    input:
        unit_indices="results/unit_indices.csv",
        catalogue="results/indices/catalogue.json",
        reflectance=expand("results/reflectance/{session}.parquet", session=SESSIONS),
        accepted="results/accepted.csv",
        range="results/range.json",
        indices=expand("results/indices/{session}.parquet", session=SESSIONS),
        mark="ledger/cache/marks/effects",
    output:
        effects="results/effects.csv",
        effects_summary="results/effects.json",
        group_means="results/group_means.csv",
        unit_changes="results/unit_changes.csv",
        spectrum_effects="results/spectrum_effects.csv",
        sensitivity="results/sensitivity.csv",
        variance_components="results/variance_components.csv",
        power="results/power.csv",
        record="records/effects.json",
    log:
        "logs/effects.log",
    group:
        workflow_of_study.group("effects")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("effects"),
        runtime=workflow_of_study.runtime("effects"),
    params:
        settings=[
            "design",
            "design: whole_plot",
            "design: sessions to come or skipped",
            "effects",
            "units.csv",
            "scans.csv: session, unit, instrument",
        ],
        key_json=workflow_of_study.key_json("effects"),
    shell:
        "step effects > {log:q} 2>&1"


# Tests what the treatment changed of estimated traits.
rule trait_effects:
    input:
        trait_unit_means="results/traits/unit_means.csv",
        traits_summary="results/traits/traits.json",
        mark="ledger/cache/marks/trait_effects",
    output:
        trait_effects="results/traits/effects.csv",
        record="records/trait_effects.json",
    log:
        "logs/trait_effects.log",
    group:
        workflow_of_study.group("trait_effects")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("trait_effects"),
        runtime=workflow_of_study.runtime("trait_effects"),
    params:
        settings=[
            "design",
            "design: whole_plot",
            "design: sessions to come or skipped",
            "effects",
            "effects: responses",
            "units.csv",
            "scans.csv: session, unit, instrument",
        ],
        key_json=workflow_of_study.key_json("trait_effects"),
    shell:
        "step trait_effects > {log:q} 2>&1"
