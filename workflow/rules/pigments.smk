# Made by `make workflow` from src/leafledger/study/rules.py; do not edit.
# A rule runs again if what it reads has changed, or key_json: the values of the settings that it
# sees, digests of its code and of what a person wrote. `mark` is renewed if the files in place are
# not what their record says.


# Computes pigment contents from assays, calibrates indices and reads chromatograms.
# Digests of the assays and chromatograms and profiles of strips that it reads stand in key_json: their dates say nothing.
rule pigments:
    input:
        indices=expand("results/indices/{session}.parquet", session=SESSIONS),
        accepted="results/accepted.csv",
        passed="results/validation/passed.json",
        mark="ledger/cache/marks/pigments",
    output:
        pigment_contents="results/pigments/contents.csv",
        pigment_calibrations="results/pigments/calibrations.csv",
        pigment_estimates="results/pigments/estimates.csv",
        chromatogram_spots="results/pigments/chromatograms.csv",
        strip_profiles="results/pigments/strip_profiles.csv",
        pigments_summary="results/pigments/pigments.json",
        record="records/pigments.json",
    log:
        "logs/pigments.log",
    group:
        workflow_of_study.group("pigments")
    threads: 1
    resources:
        mem_mb=workflow_of_study.memory_mb("pigments"),
        runtime=workflow_of_study.runtime("pigments"),
    params:
        settings=["pigments", "design: unit", "scans.csv: session, unit, leaf"],
        key_json=workflow_of_study.key_json("pigments"),
    shell:
        "step pigments > {log:q} 2>&1"
