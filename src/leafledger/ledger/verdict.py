"""What holds of all that the book says, and what does not."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field


@dataclass(frozen=True, order=True)
class Broken:
    """A file that is not what the book says it is.

    Attributes
    ----------
    file
        Path in the study folder.
    what
        ``changed``, ``missing``, ``orphan`` or ``chain``.
    sentence
        What is wrong, in words.
    """

    file: str
    what: str
    sentence: str

    def as_dict(self) -> dict[str, str]:
        """Return the fields."""
        return asdict(self)


@dataclass
class Verdict:
    """What holds and what does not.

    Attributes
    ----------
    head
        Digest of the newest run's file: it stands for the whole chain.
    broken
        What does not hold, each file once, in the order of the paths.
    notes
        What is worth knowing and breaks nothing.
    n_files, n_bytes
        How much was hashed.
    n_runs
        Runs in the chain.
    n_plans
        Plans that were recorded by themselves.
    """

    head: str | None = None
    broken: list[Broken] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    n_files: int = 0
    n_bytes: int = 0
    n_runs: int = 0
    n_plans: int = 0

    @property
    def holds(self) -> bool:
        """Whether nothing is broken."""
        return not self.broken

    def note(self, text: str) -> None:
        """Say something worth knowing, once."""
        if text not in self.notes:
            self.notes.append(text)
