"""The registry of rules: what each rule reads, writes and sees, declared once.

All that lists rules elsewhere is derived from it: the order in which they run, the inputs and
outputs of each task (:mod:`leafledger.study.study`), its settings
(:mod:`leafledger.study.settings`), the Snakemake rules under ``workflow/rules`` (``make workflow``
writes them), the words for a step in the report and its typical duration.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from graphlib import TopologicalSorter

from leafledger.study.columns import Result
from leafledger.study.tables import written_by

RESULTS = "results"
RECORDS = "records"
LOGS = "logs"

EVERYTHING = "*"
"""Stands in ``reads`` for every file that another rule writes, and every record."""
IF_THERE = "if there"
"""Stands after the name of a result in ``reads``: read only in a study whose rules write it."""


MEMORY_MARGIN = 2.0
"""What a job asks for stands so many times over what was measured."""
TIME_MARGIN = 6.0
"""The same for its time: nodes are slower than the machine measured on, and files are far away."""
_PYTHON_MB = 600
"""Megabytes that every job asks for besides: the Snakemake that starts it, twice, and Python."""
_START_S = 300.0
"""Seconds that every job asks for besides: to begin, and to wait for a file system."""


@dataclass(frozen=True)
class Needs:
    """What a task needs, as measured: a part that is always there and one that grows.

    It grows with the values that the task reads, scans times wavelengths: those of its session, or
    of the whole study for a rule of the whole study. Measured on studies of 420, 2,000 and 20,000
    scans of 500 values, as `tests/runner/test_cluster.py` lists; what is not in that list is asked
    for by what the demo took. `classes` and `rivals` of many scans work on sums and on samples of
    units: between 2,000 and 20,000 scans their time does not grow.

    Attributes
    ----------
    mb, mb_per_million
        Peak memory in megabytes beyond that of an idle Python: always, and for a million values.
    seconds, seconds_per_million
        Time, in the same way.
    """

    mb: float = 100.0
    mb_per_million: float = 150.0
    seconds: float = 2.0
    seconds_per_million: float = 4.0

    def memory_mb(self, values: int, attempt: int = 1) -> int:
        """Return the megabytes that a job asks for; at each further attempt so many times as much.

        Examples
        --------
        >>> [Needs(100, 150).memory_mb(1_000_000, attempt) for attempt in (1, 2)]
        [1100, 2200]
        """
        measured = self.mb + self.mb_per_million * values / 1e6
        return math.ceil((_PYTHON_MB + MEMORY_MARGIN * measured) * attempt)

    def runtime_minutes(self, values: int, attempt: int = 1) -> int:
        """Return the minutes that a job asks for; at each further attempt so many times as much.

        Examples
        --------
        >>> needs = Needs(seconds=30, seconds_per_million=10)
        >>> [needs.runtime_minutes(9_000_000, attempt) for attempt in (1, 2)]
        [17, 34]
        """
        seconds = _START_S + TIME_MARGIN * self.expected_seconds(values)
        return math.ceil(seconds / 60) * attempt

    def expected_seconds(self, values: int) -> float:
        """Return how long a task takes, without a margin."""
        return self.seconds + self.seconds_per_million * values / 1e6


@dataclass(frozen=True)
class Rule:
    """A rule of the pipeline.

    Attributes
    ----------
    name
        As in its record, its log and the workflow.
    title, does
        What it is called in the report, and what it does, in one sentence.
    module
        The module whose function ``run`` does its work.
    writes
        What it writes, as :mod:`leafledger.study.tables` declares it.
    reads
        What it reads of other rules, by `Result.report_role`. A rule of the whole study that reads
        a file of each session adds the sessions: ``scans/*`` all of them, ``scans/classes`` those
        that ``classes.sessions`` asks for, ``scans/classes+before`` besides these, where the target
        is the treatment, those before it. ``pigment_contents/if there`` is read in a study that has
        its rule, and in no other.
    given
        What it reads of a person's files: ``raw`` files of the session, the table of the white
        ``panel``, the ``decisions``, the sheets of ``assays`` and ``chromatograms``, the
        ``strip_profiles``, the table of the ``leaf_coefficients``.
    sees
        The settings that it sees, each the name of a section in :mod:`leafledger.study.settings`.
        No other setting can make it run again.
    per_session
        Whether it runs once for each session, or once for the study.
    only_with_classes
        Whether it is left out of a study without the section ``classes``.
    only_with_assays
        Whether it is left out of a study without a sheet of assays or chromatograms.
    only_with_leaf_model
        Whether it is left out of a study without ``traits.leaf_model``.
    only_with_traits
        Whether it is left out of a study without the section ``traits``.
    only_with_responses
        Whether it is left out of a study without traits in ``effects.responses``.
    seconds
        How long it took in a run of the demo study, to forecast the time left; only proportions
        count.
    needs
        Memory and time that it needs, by which a job on a cluster asks for them.
    chain
        Rules of one chain follow each other within a session: where they are short, a job of a
        cluster does all of them. Empty for a rule that is a job by itself.
    """

    name: str
    title: str
    does: str
    module: str
    writes: tuple[Result, ...]
    reads: tuple[str, ...] = ()
    given: tuple[str, ...] = ()
    sees: tuple[str, ...] = ()
    per_session: bool = False
    only_with_classes: bool = False
    only_with_assays: bool = False
    only_with_leaf_model: bool = False
    only_with_traits: bool = False
    only_with_responses: bool = False
    seconds: float = 4.0
    needs: Needs = Needs()
    chain: str = ""


RULES: tuple[Rule, ...] = (
    Rule(
        "intake",
        title="Intake",
        does="Reads the raw files of a session into one table of scans.",
        module="leafledger.intake.stage",
        per_session=True,
        given=("raw",),
        sees=(
            "intake.forms",
            "scans.csv: file, item, role, time, integration_ms, averages",
        ),
        writes=written_by("intake"),
        needs=Needs(mb=30, mb_per_million=75, seconds=1.5, seconds_per_million=3),
        chain="measuring",
    ),
    Rule(
        "reflectance",
        title="Reflectance",
        does="Turns counts, dark and white into reflectance with its uncertainty.",
        module="leafledger.reflectance.stage",
        per_session=True,
        reads=("scans",),
        given=("panel",),
        sees=("instrument", "reflectance"),
        writes=written_by("reflectance"),
        needs=Needs(mb=60, mb_per_million=90, seconds=1.0, seconds_per_million=3),
        chain="measuring",
    ),
    Rule(
        "quality",
        title="Quality",
        does="Checks every scan and reference of a session.",
        module="leafledger.quality.stage",
        per_session=True,
        reads=("scans", "reflectance", "visible_indices"),
        sees=("quality.checks", "scans.csv: unit, leaf, replicate"),
        writes=written_by("quality"),
        seconds=6.0,
        needs=Needs(mb=90, mb_per_million=90, seconds=1.5, seconds_per_million=4),
        chain="measuring",
    ),
    Rule(
        "acceptance",
        title="Acceptance",
        does=(
            "Decides which scans take part, from the checks and the decisions of persons, and how "
            "far wavelengths can be trusted."
        ),
        module="leafledger.quality.acceptance",
        reads=("quality/*", "signal/*", "levels/*", "reflectance/*"),
        given=("decisions",),
        sees=(
            "quality.apply",
            "quality.range",
            "design: unit, control, sessions",
            "units.csv: treatment",
            "scans.csv: session, unit, leaf, replicate",
            "scans.csv: omitted or planned, with a decision",
        ),
        writes=written_by("acceptance"),
        needs=Needs(mb=60, mb_per_million=15, seconds=2.0, seconds_per_million=0.3),
    ),
    Rule(
        "catalogue",
        title="Catalogue",
        does="Lists the indices of the study with formula and source.",
        module="leafledger.indices.catalogue",
        sees=("indices",),
        writes=written_by("catalogue"),
        needs=Needs(mb=50, mb_per_million=0, seconds=1.0, seconds_per_million=0),
    ),
    Rule(
        "indices",
        title="Indices",
        does="Computes every index on every leaf scan of a session.",
        module="leafledger.indices.stage",
        per_session=True,
        reads=("reflectance", "range", "formulas"),
        writes=written_by("indices"),
        needs=Needs(mb=50, mb_per_million=150, seconds=1.5, seconds_per_million=2),
        chain="indices",
    ),
    Rule(
        "validation",
        title="Validation",
        does="Holds the tables against what is expected of them.",
        module="leafledger.validation",
        reads=("scans/*", "reflectance/*", "indices/*", "range", "catalogue"),
        sees=("quality.severity", "scans.csv: session, role"),
        writes=written_by("validation"),
        seconds=13.0,
        needs=Needs(mb=220, mb_per_million=15, seconds=8.0, seconds_per_million=1.5),
    ),
    Rule(
        "unit_means",
        title="Unit means",
        does="Averages scans within leaf and leaves within unit.",
        module="leafledger.effects.unit_means",
        reads=("indices/*", "accepted", "passed"),
        sees=("scans.csv: session, unit, leaf",),
        writes=written_by("unit_means"),
        seconds=3.0,
        needs=Needs(mb=60, mb_per_million=15, seconds=1.5, seconds_per_million=1.5),
    ),
    Rule(
        "classes",
        title="Classes",
        does="Trains the classifier and tests it on scans left out.",
        module="leafledger.classes.stage",
        only_with_classes=True,
        reads=("reflectance/classes", "accepted", "range", "passed"),
        sees=(
            "design: unit, treatment, block, sessions of the classifier",
            "classes",
            "units.csv: target, block and split of the classes",
            "scans.csv: target of the classes",
        ),
        writes=written_by("classes"),
        seconds=40.0,
        needs=Needs(mb=400, mb_per_million=10, seconds=45.0, seconds_per_million=4),
    ),
    Rule(
        "effects",
        title="Effects",
        does="Tests what the treatment changed.",
        module="leafledger.effects.stage",
        reads=("unit_indices", "catalogue", "reflectance/*", "accepted", "range", "indices/*"),
        sees=(
            "design",
            "design: whole_plot",
            "design: sessions to come or skipped",
            "effects",
            "units.csv",
            "scans.csv: session, unit, instrument",
        ),
        writes=written_by("effects"),
        seconds=20.0,
        needs=Needs(mb=130, mb_per_million=30, seconds=12.0, seconds_per_million=4),
    ),
    Rule(
        "pigments",
        title="Pigments",
        does="Computes pigment contents from assays, calibrates indices and reads chromatograms.",
        module="leafledger.pigments.stage",
        only_with_assays=True,
        reads=("indices/*", "accepted", "passed"),
        given=("assays", "chromatograms", "strip_profiles"),
        sees=("pigments", "design: unit", "scans.csv: session, unit, leaf"),
        writes=written_by("pigments"),
        seconds=6.0,
        needs=Needs(mb=60, mb_per_million=15, seconds=4.0, seconds_per_million=1),
    ),
    Rule(
        "leaf_model",
        title="Leaf model",
        does="Estimates the contents of leaves by inversion of a model of light in leaves.",
        module="leafledger.traits.leaf_estimates",
        only_with_leaf_model=True,
        reads=("reflectance/*", "accepted", "range", "passed"),
        given=("leaf_coefficients",),
        sees=("traits.leaf_model",),
        writes=written_by("leaf_model"),
        seconds=8.0,
        needs=Needs(mb=150, mb_per_million=60, seconds=10.0, seconds_per_million=30),
    ),
    Rule(
        "traits",
        title="Traits",
        does="Trains models that estimate traits from spectra, and tests them on units left out.",
        module="leafledger.traits.stage",
        only_with_traits=True,
        reads=(
            "reflectance/*",
            "accepted",
            "range",
            "passed",
            "indices/*",
            "pigment_contents/if there",
        ),
        sees=("traits", "design: unit", "units.csv and scans.csv: targets of the traits"),
        writes=written_by("traits"),
        seconds=12.0,
        needs=Needs(mb=250, mb_per_million=45, seconds=10.0, seconds_per_million=1.5),
    ),
    Rule(
        "trait_effects",
        title="Effects on traits",
        does="Tests what the treatment changed of estimated traits.",
        module="leafledger.effects.stage",
        only_with_traits=True,
        only_with_responses=True,
        reads=("trait_unit_means", "traits_summary"),
        sees=(
            "design",
            "design: whole_plot",
            "design: sessions to come or skipped",
            "effects",
            "effects: responses",
            "units.csv",
            "scans.csv: session, unit, instrument",
        ),
        writes=written_by("trait_effects"),
        seconds=6.0,
        needs=Needs(mb=100, mb_per_million=10, seconds=6.0, seconds_per_million=1),
    ),
    Rule(
        "rivals",
        title="Rivals",
        does="Holds the classifier against simpler procedures in the same splits.",
        module="leafledger.classes.baselines",
        only_with_classes=True,
        reads=("reflectance/classes", "accepted", "range", "passed", "indices/classes"),
        sees=(
            "design: unit, treatment, block, sessions of the classifier",
            "classes, but for n_permutations",
            "units.csv: target, block and split of the classes",
            "scans.csv: target of the classes",
        ),
        writes=written_by("rivals"),
        seconds=45.0,
        needs=Needs(mb=400, mb_per_million=20, seconds=55.0, seconds_per_million=4),
    ),
    Rule(
        "negative_controls",
        title="Negative controls",
        does="Asks the same procedure for session, block and the treatment before it was given.",
        module="leafledger.classes.negative_controls",
        only_with_classes=True,
        reads=("reflectance/classes+before", "accepted", "range", "passed"),
        sees=(
            "design: unit, treatment, block, these sessions and those before",
            "classes, but for margin",
            "units.csv: target, block and split of the classes",
            "scans.csv: target of the classes",
        ),
        writes=written_by("negative_controls"),
        seconds=25.0,
        needs=Needs(mb=160, mb_per_million=80, seconds=25.0, seconds_per_million=40),
    ),
    Rule(
        "report",
        title="Report",
        does="Draws the figures and writes the page and the workbook.",
        module="leafledger.report.stage",
        reads=(EVERYTHING,),
        sees=(
            "title",
            "question",
            "design",
            "units.csv",
            "report",
            "field notes",
            "scans.csv: omitted",
        ),
        writes=written_by("report"),
        seconds=60.0,
        needs=Needs(mb=250, mb_per_million=45, seconds=30.0, seconds_per_million=7),
    ),
)
"""In the order of the data."""

OF_CLASSES = frozenset(rule.name for rule in RULES if rule.only_with_classes)
"""Rules of the section ``classes``; a study without it has none of them."""

OF_PIGMENTS = frozenset(rule.name for rule in RULES if rule.only_with_assays)
"""Rules of assays and chromatograms; a study without either sheet has none of them."""

OF_LEAF_MODEL = frozenset(rule.name for rule in RULES if rule.only_with_leaf_model)
"""Rules of ``traits.leaf_model``; a study without it has none of them."""

OF_TRAITS = frozenset(rule.name for rule in RULES if rule.only_with_traits)
"""Rules of the section ``traits``; a study without it has none of them."""

VARIANTS = Rule(
    "variants",
    title="Variants",
    does="Lists the results of finished runs under other settings.",
    module="leafledger.effects.robustness",
    writes=written_by("variants"),
)
"""The ledger makes this table of the book of runs, no Snakemake rule does."""

PLAN_HISTORY = Rule(
    "plan_history",
    title="Plan history",
    does="States when the plan was recorded.",
    module="leafledger.study.written_plan",
    writes=written_by("plan_history"),
)
"""The runner makes this file of the book of runs, no Snakemake rule does."""

OF_THE_BOOK = (VARIANTS, PLAN_HISTORY)
"""Rules whose results are made of the book of runs, before the report reads them."""

BY_NAME: Mapping[str, Rule] = {rule.name: rule for rule in (*RULES[:-1], *OF_THE_BOOK, RULES[-1])}
"""Every rule by its name, in the order of the data."""

VARIANTS_TABLE = f"{RESULTS}/{VARIANTS.writes[0].path}"
PLAN_HISTORY_FILE = f"{RESULTS}/{PLAN_HISTORY.writes[0].path}"


def writers(rules: Sequence[Rule] = RULES) -> dict[str, tuple[Rule, Result]]:
    """Return the name under which an output is read -> the rule that writes it, and the output.

    Raises
    ------
    ValueError
        If two rules write a file of the same name, or to the same path.
    """
    writer_of: dict[str, tuple[Rule, Result]] = {}
    paths: dict[str, str] = {}
    for rule in rules:
        for output in rule.writes:
            name = output.report_role
            if name in writer_of:
                raise ValueError(f"{rule.name} and {writer_of[name][0].name}: {name}")
            if output.path in paths:
                raise ValueError(f"{rule.name} and {paths[output.path]} write {output.path}")
            writer_of[name] = (rule, output)
            paths[output.path] = rule.name
    return writer_of


WRITERS: Mapping[str, tuple[Rule, Result]] = writers()


def name_read(read: str) -> tuple[str, str]:
    """Return what an entry of ``reads`` names, and which sessions: empty for none or its own.

    Examples
    --------
    >>> name_read("range"), name_read("indices/classes")
    (('range', ''), ('indices', 'classes'))
    """
    name, _, sessions = read.partition("/")
    return name, sessions


def rests_directly_on(rule: Rule, rules: Sequence[Rule] = RULES) -> frozenset[str]:
    """Return the names of the rules whose outputs a rule reads."""
    if EVERYTHING in rule.reads:
        return frozenset(other.name for other in rules) - {rule.name}
    writer_of = WRITERS if rules is RULES else writers(rules)
    return frozenset(writer_of[name_read(read)[0]][0].name for read in rule.reads)


def rests_on(name: str) -> frozenset[str]:
    """Return the names of all rules before a rule, whose outputs it reads directly or not.

    Examples
    --------
    >>> sorted(rests_on("quality"))
    ['catalogue', 'intake', 'reflectance']
    """
    direct = rests_directly_on(BY_NAME[name])
    return direct.union(*(rests_on(other) for other in direct))


def derive_levels(rules: Sequence[Rule]) -> tuple[tuple[str, ...], ...]:
    """Return the names of the rules in levels: those of one level do not read each other.

    A rule stands as late as what reads it allows, so that few levels hold much work side by side.

    Raises
    ------
    graphlib.CycleError
        If rules read each other in a circle.
    """
    reads = {rule.name: rests_directly_on(rule, rules) for rule in rules}
    readers = {name: {other for other in reads if name in reads[other]} for name in reads}
    sorter = TopologicalSorter(readers)
    sorter.prepare()
    levels: list[tuple[str, ...]] = []
    while sorter.is_active():
        ready = frozenset(sorter.get_ready())
        levels.insert(0, tuple(name for name in reads if name in ready))
        sorter.done(*ready)
    return tuple(levels)


LEVELS: tuple[tuple[str, ...], ...] = derive_levels(RULES)
"""Rules that may run side by side; a level begins when the one before it has ended."""
