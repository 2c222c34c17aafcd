# Made by `make workflow` from src/leafledger/study/rules.py; do not edit.
# A rule runs again if what it reads has changed, or key_json: the values of the settings that it
# sees, digests of its code and of what a person wrote. `mark` is renewed if the files in place are
# not what their record says.


# Estimates the contents of leaves by inversion of a model of light in leaves.
# Digests of the coefficients of the leaf model that it reads stand in key_json: their dates say nothing.
rule leaf_model:
    input:
        reflectance=expand("results/reflectance/{session}.parquet", session=SESSIONS),
        accepted="results/accepted.csv",
        range="results/range.json",
        passed="results/validation/passed.json",
        mark="ledger/cache/marks/leaf_model",
    output:
        leaf_model_scans="results/leaf_model/scans.csv",
        leaf_model_units="results/leaf_model/units.csv",
        leaf_model_residuals="results/leaf_model/residuals.parquet",
        leaf_model_summary="results/leaf_model/leaf_model.json",
        record="records/leaf_model.json",
    log:
        "logs/leaf_model.log",
    group:
        workflow_of_study.group("leaf_model")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("leaf_model"),
        runtime=workflow_of_study.runtime("leaf_model"),
    params:
        settings=["traits.leaf_model"],
        key_json=workflow_of_study.key_json("leaf_model"),
    shell:
        "step leaf_model > {log:q} 2>&1"


# Trains models that estimate traits from spectra, and tests them on units left out.
rule traits:
    input:
        reflectance=expand("results/reflectance/{session}.parquet", session=SESSIONS),
        accepted="results/accepted.csv",
        range="results/range.json",
        passed="results/validation/passed.json",
        indices=expand("results/indices/{session}.parquet", session=SESSIONS),
        pigment_contents=workflow_of_study.if_there("traits", "pigment_contents"),
        mark="ledger/cache/marks/traits",
    output:
        trait_predictions="results/traits/predictions.csv",
        trait_path="results/traits/path.csv",
        trait_measures="results/traits/measures.csv",
        trait_rivals="results/traits/rivals.csv",
        trait_permutation="results/traits/permutation.csv",
        trait_terms="results/traits/terms.parquet",
        trait_estimates="results/traits/estimates.csv",
        trait_unit_means="results/traits/unit_means.csv",
        traits_summary="results/traits/traits.json",
        trait_models=directory("results/traits/models"),
        record="records/traits.json",
    log:
        "logs/traits.log",
    group:
        workflow_of_study.group("traits")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("traits"),
        runtime=workflow_of_study.runtime("traits"),
    params:
        settings=[
            "traits",
            "design: unit",
            "units.csv and scans.csv: targets of the traits",
        ],
        key_json=workflow_of_study.key_json("traits"),
    shell:
        "step traits > {log:q} 2>&1"
