"""Which methods and sources stand behind the results: in words to paste, and as references?

The methods text is made of the settings that a run really used. Each sentence carries marks of the
works it rests on; plain text shows them as ``(Welch 1947)`` with a list of sources, LaTeX as
``\\cite{welch1947}`` with the same keys in a BibTeX file. Every work stands once: those of methods
and software in :data:`WORKS`, those of indices in the catalogue of indices.

Works were written down without the papers at hand; each entry of the BibTeX file says so.
"""

from __future__ import annotations

import functools
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence, Sized
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Protocol

from leafledger.indices.catalogue import catalogue
from leafledger.words import counted, listed

if TYPE_CHECKING:
    import pandas as pd

# The works: one entry each, and how it is written in text, in a list and in BibTeX.
# ----------------------------------------------------------------------


@dataclass(frozen=True)
class Work:
    """A published work.

    Attributes
    ----------
    key
        Citation key: first author and year.
    authors
        ``Family, G. H.`` or the family name alone; ``others`` last where more are not recorded.
    year, title
        The title is empty where it is not recorded.
    where
        Journal, or publisher of a book, or proceedings or report.
    volume, pages
        Empty for a book.
    kind
        Entry type of BibTeX.
    """

    key: str
    authors: tuple[str, ...]
    year: str
    title: str
    where: str
    volume: str = ""
    pages: str = ""
    kind: str = "article"

    @property
    def families(self) -> list[str]:
        """Family names of the authors."""
        return [author.partition(",")[0] for author in self.authors]

    @property
    def short(self) -> str:
        """Authors and year as they stand in a sentence, ``Barker and Rayens 2003``."""
        names = self.families
        if len(names) > 2 or names[-1] == "others":
            return f"{names[0]} et al. {self.year}"
        return f"{' and '.join(names)} {self.year}"

    @property
    def listed(self) -> str:
        """The work as it stands in a list of sources."""
        names = self.families
        who = listed(names) if len(names) < 4 else f"{names[0]} et al."
        where = " ".join(part for part in (self.where, self.volume) if part)
        title = f" {self.title.rstrip('.')}." if self.title else ""
        return f"{who} ({self.year}).{title} {where}{f', {self.pages}' if self.pages else ''}"

    @property
    def _note(self) -> str:
        if not self.year:
            return "as the study states it"
        return _FROM_MEMORY if self.title else f"{_FROM_MEMORY}; its title is not recorded"

    def bibtex(self) -> str:
        """Return the entry for BibTeX."""
        place = {"article": "journal", "book": "publisher", "misc": "howpublished"}
        fields = {
            "author": " and ".join(
                f"{{{name}}}" if " " in name and "," not in name else name for name in self.authors
            ),
            "year": self.year,
            "title": f"{{{tex(self.title)}}}" if self.title else "",
            place.get(self.kind, "booktitle"): tex(self.where),
            "volume": self.volume,
            "pages": self.pages.replace("-", "--"),
            "note": self._note,
        }
        lines = [f"  {name} = {{{value}}}," for name, value in fields.items() if value]
        return "\n".join([f"@{self.kind}{{{self.key},", *lines, "}\n"])


_FROM_MEMORY = "written down from memory: check before you submit"


def _works(*rows: tuple[str, ...]) -> dict[str, Work]:
    works = [Work(key, tuple(who.split("; ")), *rest) for key, who, *rest in rows]
    return {work.key: work for work in works}


WORKS = _works(
    ("student1908", "Student", "1908", "The probable error of a mean", "Biometrika", "6", "1-25"),
    ("wilcoxon1945", "Wilcoxon, F.", "1945", "Individual comparisons by ranking methods",
     "Biometrics Bulletin", "1", "80-83"),
    ("fisher1935", "Fisher, R. A.", "1935", "The Design of Experiments, section 21",
     "Oliver and Boyd, Edinburgh", "", "", "book"),
    ("mackinnon1985", "MacKinnon, J. G.; White, H.", "1985",
     "Some heteroskedasticity-consistent covariance matrix estimators with improved finite sample "
     "properties", "Journal of Econometrics", "29", "305-325"),
    ("bell2002", "Bell, R. M.; McCaffrey, D. F.", "2002",
     "Bias reduction in standard errors for linear regression with multi-stage samples",
     "Survey Methodology", "28", "169-181"),
    ("welch1947", "Welch, B. L.", "1947",
     "The generalization of Student's problem when several different population variances are "
     "involved", "Biometrika", "34", "28-35"),
    ("janssen1997", "Janssen, A.", "1997",
     "Studentized permutation tests for non-i.i.d. hypotheses and the generalized Behrens-Fisher "
     "problem", "Statistics & Probability Letters", "36", "9-21"),
    ("senn2006", "Senn, S.", "2006", "Change from baseline and analysis of covariance revisited",
     "Statistics in Medicine", "25", "4334-4344"),
    ("matthews1990", "Matthews, J. N. S.; Altman, D. G.; Campbell, M. J.; Royston, P.", "1990",
     "Analysis of serial measurements in medical research", "BMJ", "300", "230-235"),
    ("kenward1997", "Kenward, M. G.; Roger, J. H.", "1997",
     "Small sample inference for fixed effects from restricted maximum likelihood", "Biometrics",
     "53", "983-997"),
    ("holm1979", "Holm, S.", "1979", "A simple sequentially rejective multiple test procedure",
     "Scandinavian Journal of Statistics", "6", "65-70"),
    ("schuirmann1987", "Schuirmann, D. J.", "1987",
     "A comparison of the two one-sided tests procedure and the power approach for assessing the "
     "equivalence of average bioavailability",
     "Journal of Pharmacokinetics and Biopharmaceutics", "15", "657-680"),
    ("barker2003", "Barker, M.; Rayens, W.", "2003", "Partial least squares for discrimination",
     "Journal of Chemometrics", "17", "166-173"),
    ("dayal1997", "Dayal, B. S.; MacGregor, J. F.", "1997", "Improved PLS algorithms",
     "Journal of Chemometrics", "11", "73-85"),
    ("wilson1927", "Wilson, E. B.", "1927",
     "Probable inference, the law of succession, and statistical inference",
     "Journal of the American Statistical Association", "22", "209-212"),
    ("savitzky1964", "Savitzky, A.; Golay, M. J. E.", "1964",
     "Smoothing and differentiation of data by simplified least squares procedures",
     "Analytical Chemistry", "36", "1627-1639"),
    ("molder2021", "Mölder, F.; others", "2021", "Sustainable data analysis with Snakemake",
     "F1000Research", "10", "33"),
    ("harris2020", "Harris, C. R.; others", "2020", "Array programming with NumPy", "Nature",
     "585", "357-362"),
    ("virtanen2020", "Virtanen, P.; others", "2020",
     "SciPy 1.0: fundamental algorithms for scientific computing in Python", "Nature Methods",
     "17", "261-272"),
    ("mckinney2010", "McKinney, W.", "2010",
     "Data structures for statistical computing in Python",
     "Proceedings of the 9th Python in Science Conference", "", "56-61", "inproceedings"),
    ("pedregosa2011", "Pedregosa, F.; others", "2011",
     "Scikit-learn: machine learning in Python", "Journal of Machine Learning Research", "12",
     "2825-2830"),
    ("seabold2010", "Seabold, S.; Perktold, J.", "2010",
     "Statsmodels: econometric and statistical modeling with Python",
     "Proceedings of the 9th Python in Science Conference", "", "92-96", "inproceedings"),
    ("hunter2007", "Hunter, J. D.", "2007", "Matplotlib: a 2D graphics environment",
     "Computing in Science & Engineering", "9", "90-95"),
    ("papoutsoglou2020", "Papoutsoglou, E. A.; others", "2020",
     "Enabling reusability of plant phenomic datasets with MIAPPE 1.1", "New Phytologist", "227",
     "260-273"),
    ("soilandreyes2022", "Soiland-Reyes, S.; others", "2022",
     "Packaging research artefacts with RO-Crate", "Data Science", "5", "97-138"),
)  # fmt: skip
"""Key -> work, of every method and library that a methods text names."""

OF_LIBRARY = {
    "numpy": "harris2020",
    "scipy": "virtanen2020",
    "pandas": "mckinney2010",
    "sklearn": "pedregosa2011",
    "statsmodels": "seabold2010",
    "matplotlib": "hunter2007",
    "snakemake": "molder2021",
}
"""Library, as records name it -> key of the work that its authors ask to cite."""

_METHODS = {
    "paired_t": ("paired t tests", "student1908"),
    "signed_rank": ("exact signed-rank tests", "wilcoxon1945"),
    "sign_flip": ("sign-flip tests", "fisher1935"),
    "linear_model": (
        "a linear model of the value after on treatment, value before and block, with HC2 errors "
        "and working variances by treatment",
        "mackinnon1985",
    ),
    "linear_model_equal": (
        "the same model with Bell and McCaffrey's degrees of freedom",
        "bell2002",
    ),
    "welch_t": ("Welch t tests on the change of each unit", "welch1947"),
    "label_permutation": (
        "permutation of the labels among units, studentised within blocks",
        "janssen1997",
    ),
    "ancova": ("analysis of covariance of the change on the value before", "senn2006"),
    "summary_mean": ("the mean of each unit's course", "matthews1990"),
    "summary_slope": ("the slope of each unit's course", "matthews1990"),
    "summary_area": ("the area under each unit's course", "matthews1990"),
    "mixed_model": ("a mixed model with a random intercept", "kenward1997"),
    "mixed_model_slope": ("a mixed model with random slopes", "kenward1997"),
    "mixed_model_unstructured": ("a mixed model with unstructured covariance", "kenward1997"),
}

_REFERENCES = {
    "bracket": "the white references before and after each leaf, weighted by time",
    "nearest": "the white reference nearest in time",
    "mean": "the mean of the session's white references",
}
_QUESTIONS = {
    "change": "change",
    "difference_in_change": "difference in change",
    "difference": "difference after",
    "equivalence": "equivalence",
}

# The works of the indices, read from their catalogue.
# ----------------------------------------------------------------------

_YEAR = re.compile(r"(?P<who>[^();]*?) \((?P<year>\d{4})\)")
_LEAD = re.compile(r"^.*(?:\bas in|\bform of|\bform in|\bin this form|\binverse in|\bused by) ")
_PLACE = re.compile(r"(?:(?P<where>.+) )?(?P<volume>\d+):(?P<pages>[A-Z]?\d+(?:-\d+)?)$")
_NEXT = re.compile(r"; (?![^()]*\))| and (?=\d+:)")


def works_in(authors: str, year: str, journal: str) -> list[Work]:
    """Return the works that a row of the catalogue of indices names; their keys have no suffix yet.

    Parameters
    ----------
    authors, year, journal
        As the catalogue has them: several works are named ``A and B (1992); as in C (1997)``,
        their places in the same order; a place without a journal is in that of the one before.

    Examples
    --------
    >>> [(w.short, w.where, w.pages) for w in works_in("A, B and C (1992); sign as in D (1997)",
    ...  "1992", "Ecology 41:35-44 and 42:1-9")]
    [('A et al. 1992', 'Ecology', '35-44'), ('D 1997', 'Ecology', '1-9')]
    """
    named = [(_LEAD.sub("", m["who"].lstrip(" ,;")), m["year"]) for m in _YEAR.finditer(authors)]
    named = named or [(authors, year)]
    places = _NEXT.split(journal)
    if len(named) == 1:
        named *= len(places)
    works = []
    where = ""
    for (who, when), place in zip(named, places, strict=True):
        found = _PLACE.fullmatch(place)
        where = (found["where"] if found else place) or where
        names = tuple(part for part in re.split(r", | and ", who) if part)
        works.append(
            Work(
                _slug(names[0]) + when,
                names,
                when,
                "",
                where,
                found["volume"] if found else "",
                found["pages"] if found else "",
                "article" if found else "misc",
            )
        )
    return works


def _slug(name: str) -> str:
    """Return a family name in small Latin letters.

    Examples
    --------
    >>> _slug("Peñuelas"), _slug("le Maire")
    ('penuelas', 'lemaire')
    """
    folded = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    return re.sub("[^a-z]", "", folded.lower())


@functools.cache
def _works_of_catalogue() -> dict[str, tuple[Work, ...]]:
    """Return index -> its works; two works of one key get the letters a, b and so on."""
    rows = {
        name: works_in(entry.authors, entry.year, entry.journal)
        for name, entry in catalogue().items()
    }
    # One work may be named with all its authors in one row and with "others" in the next.
    whole: dict[tuple[str, str, str], Work] = {}
    for work in (work for works in rows.values() for work in works):
        place = (work.where, work.volume, work.pages)
        if place not in whole or len(work.authors) > len(whole[place].authors):
            whole[place] = work
    rows = {
        name: [whole[work.where, work.volume, work.pages] for work in works]
        for name, works in rows.items()
    }
    same: dict[str, list[Work]] = {}
    for work in (work for works in rows.values() for work in works):
        of_key = same.setdefault(work.key, [])
        if work not in of_key:
            of_key.append(work)

    def named(work: Work) -> Work:
        of_key = same[work.key]
        taken = work.key in WORKS or len(of_key) > 1
        letter = chr(ord("a") + of_key.index(work)) if taken else ""
        return replace(work, key=f"{work.key}{letter}")

    return {name: tuple(map(named, works)) for name, works in rows.items()}


def works_of_index(entry: Mapping[str, Any]) -> tuple[Work, ...]:
    """Return the works of an index of a study; of one of the user's own, the source it states.

    Parameters
    ----------
    entry
        The index in ``indices/catalogue.json``.
    """
    index, source = str(entry["index"]), str(entry.get("source") or "")
    published = catalogue().get(index)
    if published is not None and published.source == source:
        return _works_of_catalogue()[index]
    if not source:
        return ()
    letters = "".join(c if c.isascii() and c.isalnum() else f"{ord(c):x}" for c in index)
    return (Work(f"index{letters}", (), "", "", source, kind="misc"),)


# Marks of works in a text, and the text without them, with short citations, or as LaTeX.
# ----------------------------------------------------------------------

_OPEN, _CLOSE = "\ue000", "\ue001"
_MARK = re.compile(f"{_OPEN}([^{_CLOSE}]*){_CLOSE}")


def cite(*keys: str) -> str:
    """Return the mark of some works, to stand behind the words that rest on them."""
    return f"{_OPEN}{','.join(keys)}{_CLOSE}" if keys else ""


def keys_in(text: str) -> list[str]:
    """Return the keys of a marked text, in the order of their first mark."""
    return list(dict.fromkeys(key for keys in _MARK.findall(text) for key in keys.split(",")))


def with_short_citations(text: str, works: Mapping[str, Work]) -> str:
    """Return a marked text with authors and years in parentheses."""

    def shown(mark: re.Match[str]) -> str:
        named = [works[key] for key in mark.group(1).split(",") if key in works]
        words = [work.short for work in named if work.year]
        return f" ({'; '.join(words)})" if words else ""

    return _MARK.sub(shown, text)


_TEX = {
    "\\": r"\textbackslash{}", "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_",
    "{": r"\{", "}": r"\}", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}",
    "\N{MINUS SIGN}": r"\ensuremath{-}", "\N{MULTIPLICATION SIGN}": r"\ensuremath{\times}",
    "<": r"\textless{}", ">": r"\textgreater{}", "\N{NO-BREAK SPACE}": "~",
    "\N{THIN SPACE}": r"\,", "\N{SUPERSCRIPT TWO}": r"\textsuperscript{2}",
    "\N{EN DASH}": "--",
}  # fmt: skip


def tex(text: str) -> str:
    """Return text for LaTeX: signs that mean something there are written out, marks are cited.

    Examples
    --------
    >>> tex("CI_rededge fell by 5 %" + cite("a1990", "b1991"))
    'CI\\\\_rededge fell by 5 \\\\%~\\\\cite{a1990,b1991}'
    """
    text = "".join(_TEX.get(sign, sign) for sign in text)
    return _MARK.sub(lambda mark: rf"~\cite{{{mark.group(1)}}}".replace(r"\_", "_"), text)


# The methods text of a run.
# ----------------------------------------------------------------------


class RunFacts(Protocol):
    """What the methods text reads of a run: its records, settings and some results."""

    @property
    def decisions(self) -> Sized:
        """The decisions of persons."""

    @property
    def records(self) -> Mapping[str, Mapping[str, Any]]:
        """Task -> its record."""

    def settings(self, rule: str) -> Mapping[str, Any]:
        """Return the settings of a rule; of one that runs per session, those of the first."""

    def json(self, path: str) -> Any:
        """Return a JSON result."""

    def table(self, path: str) -> pd.DataFrame:
        """Return a CSV result."""


@dataclass(frozen=True)
class FromTheBook:
    """Sentences that only the book of runs can give; the report page has the plan alone."""

    randomised: Sequence[str] = ()
    plan: Sequence[str] = ()
    variants: Sequence[str] = ()
    software: Sequence[str] = ()


@dataclass(frozen=True)
class MethodsText:
    """The methods of a run.

    Attributes
    ----------
    marked
        The sentences, with marks of works.
    works
        Key -> every work that they mark.
    formulas
        A line for each index: name, formula, source.
    """

    marked: str
    works: Mapping[str, Work]
    formulas: Sequence[str] = field(default_factory=tuple)

    @property
    def sources(self) -> list[str]:
        """The lines of the list of sources."""
        own = [WORKS[key] for key in keys_in(self.marked) if key in WORKS]
        return [*self.formulas, *(work.listed for work in own)]

    def as_text(self) -> str:
        """Return text to paste, with the list of sources."""
        lines = "\n".join(f"- {source}" for source in self.sources)
        return f"{self.sentences}\n\nSources\n{lines}\n"

    @property
    def sentences(self) -> str:
        """The sentences alone, works in parentheses."""
        return with_short_citations(self.marked, self.works)


def methods_text(run: RunFacts, book: FromTheBook) -> MethodsText:
    """Return the methods of a run by the settings that it really used."""
    parts: list[Iterable[str]] = [
        _design(run),
        book.randomised,
        _reflectance(run),
        _quality(run),
        _indices(run),
        _effects(run, book.plan),
        _classes(run),
        book.variants,
        book.software,
    ]
    marked = " ".join(sentence for part in parts for sentence in part)
    entries = run.json("results/indices/catalogue.json")["indices"]
    works = {work.key: work for entry in entries for work in works_of_index(entry)}
    return MethodsText(
        marked,
        {key: work for key, work in (WORKS | works).items() if key in keys_in(marked)},
        [f"{e['index']} = {e['formula']}: {e['source']}" for e in entries],
    )


def _design(run: RunFacts) -> Iterator[str]:
    settings = run.settings("effects")
    design, units = settings["design"], settings["units"]
    word = design["unit"]
    sessions = [s for s in design["sessions"] if not (s.get("to_come") or s.get("skipped"))]
    counts: dict[str, int] = {}
    for labels in units.values():
        label = labels.get(design["treatment"], "")
        counts[label] = counts.get(label, 0) + 1
    groups = ", ".join(f"{n} {label}" for label, n in sorted(counts.items()) if label)
    dates = [s["date"] for s in sessions if s["date"]]
    when = ""
    if dates:
        when = f" ({dates[0]})" if len(set(dates)) == 1 else f" ({dates[0]} to {dates[-1]})"
    if design["unit"] is None:
        n_spectra = "1 leaf spectrum" if len(units) == 1 else f"{len(units)} leaf spectra"
        yield (
            f"{n_spectra} were analysed; which of them "
            f"share an experimental unit is not known{' (' + groups + ')' if groups else ''}."
        )
        return
    yield (
        f"Reflectance of leaves was measured in {counted(len(sessions), 'session')}{when} on "
        f"{counted(len(units), 'experimental unit')} ({word}{': ' + groups if groups else ''})."
    )
    if design["block"]:
        yield f"Units stood in blocks ({design['block']})."
    if design.get("unallocated"):
        treatments = listed([str(level) for level in design["unallocated"]])
        yield f"The treatments ({treatments}) had not been allocated when this was computed."
    yield from _sessions_without_scans(design["sessions"])
    yield from _noted(run)


def _sessions_without_scans(sessions: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Say which sessions were skipped, with their reasons, and which are still to come."""
    for session in sessions:
        if reason := session.get("skipped"):
            yield f"Session {session['session']} was planned and not measured: {reason}."
    coming = [str(session["session"]) for session in sessions if session.get("to_come")]
    if coming:
        still = "was still to be measured" if len(coming) == 1 else "were still to be measured"
        yield f"When this was computed, {listed(coming)} {still}."


def _noted(run: RunFacts) -> Iterator[str]:
    """Say what persons noted in the field, and which scans the sheet leaves out, by reason."""
    settings = run.settings("report")
    notes = settings.get("field_notes") or {}
    for session, noted in (notes.get("sessions") or {}).items():
        words = [f"{name} {text}" for name in ("weather", "light") if (text := noted.get(name))]
        yield f"Noted at {session}: {'; '.join(words)}."
    scans = notes.get("scans") or {}
    n_notes = sum("note" in noted for noted in scans.values())
    n_photos = sum("photo" in noted for noted in scans.values())
    kinds = [counted(n_notes, "scan") + " with a note"] * bool(n_notes)
    kinds += [counted(n_photos, "scan") + " with a photograph"] * bool(n_photos)
    if kinds:
        yield f"The scan sheet has {listed(kinds)}."
    omitted = settings.get("omitted") or []
    if omitted:
        reasons = Counter(str(row["reason"]) for row in omitted)
        noted = "; ".join(f"{reason} ({n})" for reason, n in reasons.items())
        n = f"{counted(len(omitted), 'scan')} of the sheet"
        yield f"{n} {'was' if len(omitted) == 1 else 'were'} omitted for a stated reason: {noted}."


def _reflectance(run: RunFacts) -> Iterator[str]:
    settings = run.settings("reflectance")
    instrument, how = settings["instrument"], settings["reflectance"]
    forms = [r["settings"]["form"] for r in run.records.values() if r["rule"] == "intake"]
    if any(form["quantity"] == "counts" for form in forms):
        yield (
            "Counts were turned into reflectance with the dark signal subtracted "
            f"({how['dark'].replace('_', ' ')}) and divided by {_REFERENCES[how['references']]}"
            f"; the panel's reflectance was taken as {instrument['panel']['reflectance']} "
            f"(relative standard uncertainty {instrument['panel']['u_relative']:g})."
        )
        yield from _corrections(instrument, how)
    if any(form["quantity"] != "counts" for form in forms):
        yield "Spectra that came as reflectance were taken as they were."
    grid = how["grid"]
    if isinstance(grid, Mapping):
        yield (
            f"Spectra were read at {grid['start_nm']:g} to {grid['stop_nm']:g} nm in steps of "
            f"{grid['step_nm']:g} nm."
        )
    smoothing = how["smoothing"]
    if smoothing:
        yield (
            f"They were smoothed by local polynomials of order {smoothing['order']} over "
            f"{smoothing['window_nm']:g} nm."
        )
    else:
        yield "They were not smoothed."


def _corrections(instrument: Mapping[str, Any], how: Mapping[str, Any]) -> Iterator[str]:
    if instrument["linearity"]:
        estimated = (
            ", estimated from the references" if instrument["linearity"] == "estimate" else ""
        )
        yield f"The detector's departure from linearity was corrected{estimated}."
    if how["stray_light"]:
        yield "Stray light was subtracted."
    if how["wavelengths"] == "from_lamp":
        yield "Wavelengths were corrected by the lines of a lamp."


def _quality(run: RunFacts) -> Iterator[str]:
    trusted = run.json("results/range.json")
    yield (
        f"Wavelengths from {trusted['start_nm']:g} to {trusted['stop_nm']:g} nm were used: "
        f"{trusted['why']}."
    )
    table = run.table("results/accepted.csv")
    out = int((~table["accepted"]).sum())
    apply = {
        "none": "no check excluded a scan",
        "faults": "scans with a fault were excluded",
        "faults_and_outliers": "scans with a fault and outliers were excluded",
    }[run.settings("acceptance")["apply"]]
    yield (
        f"By rules fixed in the settings {apply}, and {counted(len(run.decisions), 'decision')} "
        f"of a person {'was' if len(run.decisions) == 1 else 'were'} recorded with a reason; "
        f"{out} of {counted(len(table), 'leaf scan')} "
        f"{'was' if out == 1 else 'were'} left out."
    )


def _indices(run: RunFacts) -> Iterator[str]:
    entries = run.json("results/indices/catalogue.json")["indices"]
    names = [
        entry["index"] + cite(*(work.key for work in works_of_index(entry))) for entry in entries
    ]
    read = run.settings("catalogue")["indices"]["band_read"]
    how = (
        "interpolated at the wavelengths of each formula"
        if read == "interpolate"
        else f"averaged over {read['mean_over_nm']:g} nm"
    )
    yield f"The indices {listed(names)} were computed from reflectance {how}."
    yield "Scans were averaged within leaves and leaves within units; n counts units throughout."


def _effects(run: RunFacts, plan: Sequence[str]) -> Iterator[str]:
    settings = run.settings("effects")["effects"]
    if run.settings("effects")["design"]["unit"] is None:
        yield "Units were not known, so that effects were described and not tested."
        return
    primary = settings["primary"]
    if primary:
        question = _QUESTIONS[primary["question"]]
        session = f" at {primary['session']}" if primary["session"] else ""
        yield (
            f"The primary outcome was the {question} of {primary['index']}{session}, judged at "
            f"{settings['alpha']:g}."
        )
    yield from plan
    named = [_METHODS[m] for m in settings["methods"]]
    yield f"Effects were estimated by {listed([words + cite(key) for words, key in named])}."
    yield (
        "Other tests were adjusted within families of one question and one method by Holm's "
        f"procedure{cite('holm1979')}; intervals are at {100 * settings['interval']:g} %."
    )
    if settings["margin"]:
        margins = [f"{name} {value:g}" for name, value in settings["margin"].items()]
        yield (
            f"Equivalence was tested by two one-sided tests{cite('schuirmann1987')} (margins "
            f"{listed(margins)})."
        )
    yield (
        f"Tests by resampling drew {settings['n_draws']} times where full enumeration was out of "
        f"reach (seed {settings['seed']})."
    )


def _classes(run: RunFacts) -> Iterator[str]:
    settings = run.settings("classes").get("classes")
    if not settings:
        return
    folds = settings["folds"]
    split = settings["split"]
    split = split if isinstance(split, str) else f"as column {split['column']} says"
    prepared = [p.replace("_", " ") for p in settings["preprocessing"] if p not in ("none", "auto")]
    if "auto" in settings["preprocessing"]:
        prepared.append("preprocessing and decision rule chosen in inner folds")
    most, outer = settings["max_components"], folds["outer"]
    most = "more while the error fell" if most == "auto" else f"at most {most}"
    outer = "as many outer folds as the median class has units" if outer == "auto" else outer
    outer = f"{outer} outer folds" if isinstance(outer, int) else outer
    times = folds["repeats"]
    times = "3 to 10 times" if times == "auto" else f"{times} times"
    yield (
        f"A discriminant classifier of {settings['target']} by partial least squares"
        f"{cite('barker2003', 'dayal1997')} was trained "
        f"on the spectra ({listed(prepared) if prepared else 'without preprocessing'}), with the "
        f"number of latent variables ({most}) chosen in inner folds "
        f"and its accuracy estimated in {outer}, {times}; "
        f"whole groups were held out together ({split.replace('_', ' ')})."
    )
    yield (
        f"Its accuracy was compared with {settings['n_permutations']} permutations of the labels "
        f"(seed {settings['seed']}); intervals of accuracy"
        f"{cite('wilson1927')} count units."
    )
