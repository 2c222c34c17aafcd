# Raw files of one session -> scans. The raw files are not named as input: thousands of them make
# Snakemake slow. Their digests stand in key_json instead.
rule intake:
    output:
        scans="results/scans/{session}.parquet",
        record="records/intake.{session}.json",
    log:
        "logs/intake.{session}.log",
    params:
        key_json=workflow_of_study.key_json("intake"),
    shell:
        "step intake {wildcards.session:q} > {log:q} 2>&1"
