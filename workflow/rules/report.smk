# One page, its figures and a spreadsheet, from every table and every record.
rule report:
    input:
        workflow_of_study.report_inputs(),
    output:
        report="results/report.html",
        figures=directory("results/figures"),
        tables="results/tables.xlsx",
        record="records/report.json",
    log:
        "logs/report.log",
    params:
        key_json=workflow_of_study.key_json("report"),
    shell:
        "step report > {log:q} 2>&1"
