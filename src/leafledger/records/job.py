"""What a stage is given and what it gives back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Job:
    """One rule on one session (or on the whole study).

    Attributes
    ----------
    rule
        Name of the rule, such as ``reflectance``.
    session
        Session id, or ``None`` for a rule of the whole study.
    settings
        The settings this rule may see, as plain JSON values.
    inputs
        Role -> absolute path of every file the rule may read. Roles of files that exist once per
        session end in ``/<session>``, such as ``reflectance/day4``; raw files have the role
        ``raw/<path in the study>``.
    outputs
        Role -> absolute path of every file the rule must write.
    folder
        The study folder, for paths in messages.
    digests
        Role -> SHA-256 of inputs whose content the task's key holds; a stage that reads such a
        file refuses any other content. Empty where there is no key.
    """

    rule: str
    session: str | None
    settings: Mapping[str, Any]
    inputs: Mapping[str, Path]
    outputs: Mapping[str, Path]
    folder: Path
    digests: Mapping[str, str] = field(default_factory=dict)

    def by_session(self, kind: str) -> dict[str, Path]:
        """Return session -> path of the inputs with role ``<kind>/<session>``, in study order."""
        prefix = f"{kind}/"
        return {
            role.removeprefix(prefix): path
            for role, path in self.inputs.items()
            if role.startswith(prefix)
        }

    def shown(self, path: Path) -> str:
        """Return ``path`` relative to the study folder, in POSIX form."""
        return path.relative_to(self.folder).as_posix()


@dataclass(frozen=True)
class Metric:
    """One number worth following from run to run, with its unit (``"1"`` for a plain number)."""

    name: str
    value: float
    unit: str = "1"


@dataclass
class Outcome:
    """What a stage says of its work, besides its tables."""

    metrics: list[Metric] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    seeds: dict[str, int] = field(default_factory=dict)


Stage = Callable[[Job], Outcome]
