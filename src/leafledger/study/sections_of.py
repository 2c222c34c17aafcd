"""Which sections may stand in a place of ``study.yaml``, read from the models."""

from __future__ import annotations

import types
import typing
from typing import Any

from pydantic import BaseModel

_AROUND = (typing.Union, types.UnionType, list, dict, typing.Annotated)


def sections_in(annotation: Any) -> list[type[BaseModel]]:
    """Return every section that a field's annotation names, one for each form it may take."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    if typing.get_origin(annotation) in _AROUND:
        return [model for part in typing.get_args(annotation) for model in sections_in(part)]
    return []
