"""What is published under config/ must be what the models say."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
from pydantic import BaseModel

from leafledger.study.definition import schema_text
from leafledger.study.definition_file import definition_of, read_definition
from leafledger.study.yaml_text import read_yaml

CONFIG = Path(__file__).parents[2] / "config"


def test_the_published_schema_is_current() -> None:
    published = (CONFIG / "study.schema.json").read_text(encoding="utf-8")
    assert published == schema_text(), "renew it: make schema"


def test_the_schema_is_a_schema() -> None:
    # JSON Schema draft 2020-12, by the package jsonschema.
    jsonschema.Draft202012Validator.check_schema(json.loads(schema_text()))


def test_the_example_is_a_definition_with_every_section(tmp_path: Path) -> None:
    text = (CONFIG / "study.example.yaml").read_text(encoding="utf-8")
    (tmp_path / "study.yaml").write_text(text, encoding="utf-8")
    definition, _ = read_definition(tmp_path)
    given = read_yaml(tmp_path / "study.yaml", "study.yaml").value
    assert set(given) == set(type(definition).model_fields)
    for name, section in given.items():
        model = getattr(definition, name)
        if isinstance(model, BaseModel) and name != "intake":
            assert set(section) == set(type(model).model_fields), name
    assert all(set(one) for one in given["variants"].values())
    for variant in given["variants"]:
        definition_of(tmp_path, variant)
