"""The page on every key of ``study.yaml``, made from the models of the study definition."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from markdown_words import cell, code, table

from leafledger.study.definition import (
    ID_PATTERN,
    ID_WORDS,
    LABEL_PATTERN,
    LABEL_WORDS,
    NOTE_PATTERN,
    NOTE_WORDS,
    TABLE_PATTERN,
    TRACKING_PATTERN,
    TRACKING_WORDS,
    Definition,
)

Schema = Mapping[str, Any]

_HEAD = """# Every key of study.yaml

<!-- Made by `make reference` from the models in src/leafledger/study; do not edit. -->

A key that is left out takes its default. A key that leafledger does not know is an error, with a
suggestion. Values are read as the text that is typed: `no` is a word here, and `none` stands for
nothing. [config/study.example.yaml](../../config/study.example.yaml) of the checkout holds every
key once, with its default and a comment.
"""
_PATTERNS = {
    ID_PATTERN: f"an id: {ID_WORDS}",
    LABEL_PATTERN: LABEL_WORDS,
    NOTE_PATTERN: NOTE_WORDS,
    TABLE_PATTERN: "a CSV file of the study folder",
    TRACKING_PATTERN: TRACKING_WORDS,
}


@dataclass(frozen=True)
class _Part:
    """A section as the page shows it: its path in the file and its schema."""

    path: str
    schema: Schema


def page() -> str:
    """Return ``docs/reference/study_file.md`` as text."""
    whole = Definition.model_json_schema()
    parts = list(_parts("", whole, whole.get("$defs", {}), set()))
    anchors = {id(part.schema): part.path for part in parts}
    shown = [_section(part, whole.get("$defs", {}), anchors) for part in parts]
    return _HEAD + "".join(shown)


def _parts(path: str, schema: Schema, known: Schema, seen: set[str]) -> Iterator[_Part]:
    """Yield every section once, at the first place where it stands, in the order of the file."""
    yield _Part(path, schema)
    for name, field in schema.get("properties", {}).items():
        for step, target in _targets(field):
            if target not in seen:
                seen.add(target)
                yield from _parts(f"{path}.{name}{step}".lstrip("."), known[target], known, seen)


def _targets(field: Schema) -> Iterator[tuple[str, str]]:
    """Yield each section that a field may hold, with the step that leads to it."""
    if "$ref" in field:
        yield "", field["$ref"].rpartition("/")[2]
    for one in (*field.get("anyOf", ()), *field.get("allOf", ())):
        yield from _targets(one)
    inside = {"[]": field.get("items"), ".NAME": _values(field)}
    for step, one in inside.items():
        if one is not None:
            yield from ((step + inner, name) for inner, name in _targets(one))


def _section(part: _Part, known: Schema, anchors: Mapping[int, str]) -> str:
    level = "##" if part.path.count(".") == 0 and "[" not in part.path else "###"
    title = code(part.path) if part.path else "At the top"
    needed = set(part.schema.get("required", ()))
    rows = [
        [
            code(name),
            _words(field, known, anchors),
            _default(field, name in needed),
            _told(field) or _told(known[next(_targets(field))[1]]),
        ]
        for name, field in part.schema.get("properties", {}).items()
    ]
    words = _told(part.schema)
    return f"\n{level} {title}\n\n{words}\n\n" + table(
        ["key", "what may stand there", "if left out", "meaning"], rows
    )


def _told(schema: Schema) -> str:
    return cell(" ".join(str(schema.get("description", "")).replace("``", "`").split()))


def _default(field: Schema, needed: bool) -> str:
    if needed:
        return "**needed**"
    if isinstance(field.get("default"), Mapping) and any(True for _ in _targets(field)):
        return "the defaults of that section" if field["default"] else code("{}")
    return code(_yaml(field["default"]))


def _yaml(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{k}: {_yaml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_yaml(v) for v in value) + "]"
    if isinstance(value, str):
        return value or '""'
    return json.dumps(value)


def _words(field: Schema, known: Schema, anchors: Mapping[int, str]) -> str:
    """Return in words which values a field takes."""
    if "$ref" in field:
        path = anchors[id(known[field["$ref"].rpartition("/")[2]])]
        return f"a section, see [{path}](#{slug(path)})"
    if "anyOf" in field:
        return " or ".join(dict.fromkeys(_words(one, known, anchors) for one in field["anyOf"]))
    for key in ("enum", "const"):
        if key in field:
            values = field[key] if key == "enum" else [field[key]]
            return ", ".join(code(str(value)) for value in values)
    return _of_type(field, known, anchors)


def _of_type(field: Schema, known: Schema, anchors: Mapping[int, str]) -> str:
    kind = field.get("type")
    if kind == "array":
        return f"a list{_counted(field)}; each: {_words(field['items'], known, anchors)}"
    if kind == "object":
        values = _values(field)
        if values is None:
            return "keys of the section of this name"
        return f"names of your own, each with {_words(values, known, anchors)}"
    if kind in {"number", "integer"}:
        return ("a number" if kind == "number" else "a whole number") + _bounds(field)
    return {
        "null": code("none"),
        "boolean": f"{code('true')} or {code('false')}",
        "string": _text(field),
    }[str(kind)]


def _values(field: Schema) -> Schema | None:
    """Return what the values of a mapping are; nothing where the schema leaves them open."""
    (values,) = field.get("patternProperties", {"": field.get("additionalProperties")}).values()
    return values if isinstance(values, Mapping) else None


def _counted(field: Schema) -> str:
    low, high = field.get("minItems"), field.get("maxItems")
    if low is not None and low == high:
        return f" of {low}"
    bounds = [f"at least {low}"] * (low is not None) + [f"at most {high}"] * (high is not None)
    return f" of {' and '.join(bounds)}" if bounds else ""


def _bounds(field: Schema) -> str:
    words = {
        "exclusiveMinimum": "above",
        "minimum": "from",
        "exclusiveMaximum": "below",
        "maximum": "up to",
    }
    told = [f"{word} {field[key]:,g}" for key, word in words.items() if key in field]
    return f" {', '.join(told)}" if told else ""


def _text(field: Schema) -> str:
    if field.get("format") == "date":
        return "a date"
    if "pattern" in field:
        return _PATTERNS[field["pattern"]]
    longest = field.get("maxLength")
    return f"text of at most {longest:,} characters" if longest else "text"


def slug(heading: str) -> str:
    """Return the anchor of a heading, as the site and repository browsers make it."""
    kept = [c for c in heading.lower() if c.isalnum() or c in "-_ "]
    return "".join(kept).replace(" ", "-")
