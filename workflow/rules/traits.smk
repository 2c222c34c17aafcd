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
    threads: 1
    params:
        settings=["traits.leaf_model"],
        key_json=workflow_of_study.key_json("leaf_model"),
    shell:
        "step leaf_model > {log:q} 2>&1"
