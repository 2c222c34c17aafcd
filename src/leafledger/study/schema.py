"""The published JSON schema of ``study.yaml``: ``python -m leafledger.study.schema FILE``."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from leafledger.study.definition import Definition
from leafledger.study.tables import write_text


def schema_text() -> str:
    """Return the schema as it is published under ``config/study.schema.json``."""
    schema = Definition.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    return json.dumps(schema, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    write_text(Path(sys.argv[1]).resolve(), schema_text())
