# Made by `make workflow` from src/leafledger/study/rules.py; do not edit.
# A rule runs again if what it reads has changed, or key_json: the values of the settings that it
# sees, digests of its code and of what a person wrote. `mark` is renewed if the files in place are
# not what their record says.


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
    threads: 1
    params:
        settings=[
            "traits",
            "design: unit",
            "units.csv and scans.csv: targets of the traits",
        ],
        key_json=workflow_of_study.key_json("traits"),
    shell:
        "step traits > {log:q} 2>&1"
