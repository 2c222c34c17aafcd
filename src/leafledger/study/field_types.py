"""Types of the values in ``study.yaml``, and what all its sections share."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

ID_PATTERN = r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$"
ID_WORDS = "letters, digits, _ and -, beginning with a letter or digit, at most 64"
LABEL_PATTERN = r"^[^\x00-\x1f\x7f-\x9f]{1,64}$"
LABEL_WORDS = "printable text, at most 64 characters"
Id = Annotated[str, StringConstraints(pattern=ID_PATTERN)]
Label = Annotated[str, StringConstraints(pattern=LABEL_PATTERN)]
ColumnName = Annotated[str, StringConstraints(pattern=LABEL_PATTERN)]
Text = Annotated[str, StringConstraints(max_length=2000)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Fraction = Annotated[float, Field(gt=0, lt=1, allow_inf_nan=False)]


NOTHING_WORDS = frozenset({"none", "null", "~"})
"""What may be typed for nothing at all; quoted or not, the text is the same."""


def nothing(value: Any) -> Any:
    """Read an empty value and the words for nothing as no value."""
    empty = isinstance(value, str) and value.strip() in {"", *NOTHING_WORDS}
    return None if empty else value


def blank(value: Any) -> Any:
    """Keep words such as `none`: they may be the label of a treatment."""
    return None if isinstance(value, str) and not value.strip() else value


def one_or_many(value: Any) -> Any:
    """Let a list of one be written without brackets."""
    return [value] if isinstance(value, str | dict) else value


class Section(BaseModel):
    """A part of ``study.yaml``; a key that it does not know is an error."""

    model_config = ConfigDict(extra="forbid", frozen=True)
