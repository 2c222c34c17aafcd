"""Which published works stand behind methods, indices and libraries, and how are they cited?

A sentence carries marks of the works it rests on; plain text shows them as ``(Welch 1947)``, LaTeX
as ``\\cite{welch1947}`` with the same keys in a BibTeX file. Every work stands once: those of
methods, extinction equations and software in :data:`WORKS`, those of indices in the catalogue of
indices.

Works were written down without the papers at hand; each entry of the BibTeX file says so.
"""

from __future__ import annotations

import functools
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from leafledger.indices.catalogue import published_rows, source_of
from leafledger.words import listed

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
        container = {"article": "journal", "book": "publisher", "misc": "howpublished"}
        fields = {
            "author": " and ".join(
                f"{{{name}}}" if " " in name and "," not in name else name for name in self.authors
            ),
            "year": self.year,
            "title": f"{{{tex(self.title)}}}" if self.title else "",
            container.get(self.kind, "booktitle"): tex(self.where),
            "volume": self.volume,
            "pages": self.pages.replace("-", "--"),
            "annote": self._note,
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
    ("lichtenthaler1987", "Lichtenthaler, H. K.", "1987",
     "Chlorophylls and carotenoids: pigments of photosynthetic biomembranes",
     "Methods in Enzymology", "148", "350-382"),
    ("lichtenthaler2001", "Lichtenthaler, H. K.; Buschmann, C.", "2001",
     "Chlorophylls and carotenoids: measurement and characterization by UV-VIS spectroscopy",
     "Current Protocols in Food Analytical Chemistry", "", "F4.3"),
    ("porra1989", "Porra, R. J.; Thompson, W. A.; Kriedemann, P. E.", "1989",
     "Determination of accurate extinction coefficients and simultaneous equations for assaying "
     "chlorophylls a and b extracted with four different solvents: verification of the "
     "concentration of chlorophyll standards by atomic absorption spectroscopy",
     "Biochimica et Biophysica Acta", "975", "384-394"),
    ("arnon1949", "Arnon, D. I.", "1949",
     "Copper enzymes in isolated chloroplasts. Polyphenoloxidase in Beta vulgaris",
     "Plant Physiology", "24", "1-15"),
    ("wellburn1994", "Wellburn, A. R.", "1994",
     "The spectral determination of chlorophylls a and b, as well as total carotenoids, using "
     "various solvents with spectrophotometers of different resolution",
     "Journal of Plant Physiology", "144", "307-313"),
    ("wold1983", "Wold, S.; Martens, H.; Wold, H.", "1983",
     "The multivariate calibration problem in chemistry solved by the PLS method",
     "Lecture Notes in Mathematics", "973", "286-293"),
    ("burnett2021", "Burnett, A. C.; others", "2021",
     "A best-practice guide to predicting plant traits from leaf-level hyperspectral data using "
     "partial least squares regression", "Journal of Experimental Botany", "72", "6175-6189"),
    ("barber2021", "Barber, R. F.; Candès, E. J.; Ramdas, A.; Tibshirani, R. J.", "2021",
     "Predictive inference with the jackknife+", "The Annals of Statistics", "49", "486-507"),
    ("dunn2023", "Dunn, R.; Wasserman, L.; Ramdas, A.", "2023",
     "Distribution-free prediction sets for two-layer hierarchical models",
     "Journal of the American Statistical Association", "118", "2491-2502"),
    ("efron1981", "Efron, B.; Stein, C.", "1981", "The jackknife estimate of variance",
     "The Annals of Statistics", "9", "586-596"),
    ("feret2017", "Féret, J.-B.; Gitelson, A. A.; Noble, S. D.; Jacquemoud, S.", "2017",
     "PROSPECT-D: towards modeling leaf optical properties through a complete lifecycle",
     "Remote Sensing of Environment", "193", "204-215"),
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

# The works of the indices, read from their catalogue.
# ----------------------------------------------------------------------

_YEAR = re.compile(r"(?P<who>[^();]*?) \((?P<year>\d{4})\)")
_LEAD = re.compile(r"^.*(?:\bas in|\bform of|\bform in|\bin this form|\binverse in|\bused by) ")
_PLACE = re.compile(r"(?:(?P<where>.+) )?(?P<volume>\d+):(?P<pages>[A-Z]?\d+(?:-\d+)?)$")
_NEXT = re.compile(r"; (?![^()]*\))| and (?=\d+:)")


_TITLES = {
    "1969 50:663": "Derivation of leaf-area index from quality of light on the forest floor",
    "1974 rouse": (
        "Monitoring the vernal advancement and retrogradation (green wave effect) of natural "
        "vegetation"
    ),
    "1988 guyot": (
        "Utilisation de la haute résolution spectrale pour suivre l'état des couverts végétaux"
    ),
    "1992 41:35": (
        "A narrow-waveband spectral index that tracks diurnal changes in photosynthetic efficiency"
    ),
    "1992 32:85": (
        "A reappraisal of the use of DMSO for the extraction and determination of "
        "chlorophylls a and b in lichens and higher plants"
    ),
    "1993 14:1563": "Red edge spectral measurements from sugar maple leaves",
    "1993 14:1887": (
        "The reflectance at the 950-970 nm region as an indicator of plant water status"
    ),
    "1994 143:286": (
        "Spectral reflectance changes associated with autumn senescence of Aesculus "
        "hippocastanum L. and Acer platanoides L. leaves. Spectral features and relation to "
        "chlorophyll estimation"
    ),
    "1994 48:135": (
        "Reflectance indices associated with physiological changes in nitrogen- and "
        "water-limited sunflower leaves"
    ),
    "1994 15:697": "Ratios of leaf reflectances in narrow wavebands as indicators of plant stress",
    "1995 31:221": (
        "Semi-empirical indices to assess carotenoids/chlorophyll a ratio from leaf spectral "
        "reflectance"
    ),
    "1995 46:113": (
        "Forecasting wheat yield in a Mediterranean-type environment from the NOAA satellite"
    ),
    "1996 148:494": (
        "Signature analysis of leaf reflectance spectra: algorithm development for remote "
        "sensing of chlorophyll"
    ),
    "1996 58:289": "Use of a green channel in remote sensing of global vegetation from EOS-MODIS",
    "1996 55:95": "Optimization of soil-adjusted vegetation indices",
    "1996 26:402": (
        "Spectral reflectance characteristics and digital imagery of a pine needle blight in "
        "the southeastern United States"
    ),
    "1996 148:483": (
        "Non-destructive determination of chlorophyll content of leaves of a green and an "
        "aurea mutant of tobacco by reflectance measurements"
    ),
    "1996 148:599": (
        "Detection of vegetation stress via a new high resolution fluorescence imaging system"
    ),
    "1997 112:492": (
        "The photochemical reflectance index: an optical indicator of photosynthetic "
        "radiation use efficiency across species, functional types, and nutrient levels"
    ),
    "1997 18:2869": (
        "Estimation of plant water concentration by the reflectance water index WI (R900/R970)"
    ),
    "1998 19:657": (
        "Spectral indices for estimating photosynthetic pigment concentrations: a test using "
        "senescent tree leaves"
    ),
    "1998 merton": (
        "Monitoring community hysteresis using spectral shift analysis and the red-edge "
        "vegetation stress index"
    ),
    "1999 106:135": (
        "Non-destructive optical detection of pigment changes during leaf senescence and "
        "fruit ripening"
    ),
    "1999 154:30": (
        "A new reflectance index for remote sensing of chlorophyll content in higher plants: "
        "tests using Eucalyptus leaves"
    ),
    "1999 20:2741": (
        "Visible/near infrared reflectance and chlorophyll content in Eucalyptus leaves"
    ),
    "1999 143:105": "Assessing leaf pigment content and activity with a reflectometer",
    "2000 74:229": (
        "Estimating corn leaf chlorophyll concentration from leaf and canopy reflectance"
    ),
    "2000 barnes": (
        "Coincident detection of crop water stress, nitrogen status and canopy density using "
        "ground based multispectral data"
    ),
    "2001 39:1491": (
        "Scaling-up and model inversion methods with narrowband optical indices for "
        "chlorophyll content estimation in closed forest canopies with hyperspectral data"
    ),
    "2001 74:38": (
        "Optical properties and nondestructive estimation of anthocyanin content in plant leaves"
    ),
    "2001 76:156": (
        "Comparing prediction power and stability of broadband and hyperspectral vegetation "
        "indices for estimation of green leaf area index and canopy chlorophyll density"
    ),
    "2002 81:337": (
        "Relationships between leaf pigment content and spectral reflectance across a wide "
        "range of species, leaf structures and developmental stages"
    ),
    "2002 75:272": "Assessing carotenoid content in plant leaves with reflectance spectroscopy",
    "2002 81:416": (
        "Integrated narrow-band vegetation indices for prediction of crop chlorophyll content "
        "for application to precision agriculture"
    ),
    "2002 83:195": (
        "Overview of the radiometric and biophysical performance of the MODIS vegetation indices"
    ),
    "2003 160:271": (
        "Relationships between leaf chlorophyll content and spectral reflectance and "
        "algorithms for non-destructive chlorophyll assessment in higher plant leaves"
    ),
    "2004 25:5403": "The MERIS terrestrial chlorophyll index",
    "2004 89:1": (
        "Towards universal broad leaf chlorophyll indices using PROSPECT simulated database "
        "and hyperspectral reflectance measurements"
    ),
    "2005 99:271": (
        "Assessing vineyard condition with hyperspectral indices: leaf and canopy reflectance "
        "simulation in a row-structured discontinuous canopy"
    ),
    "2006 33:L11402": (
        "Three-band model for noninvasive estimation of chlorophyll, carotenoids, and "
        "anthocyanin contents in higher plant leaves"
    ),
}
"""Year with volume and first page, or with the first author of a report -> title of the work."""


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
    for (who, when), reference in zip(named, places, strict=True):
        match = _PLACE.fullmatch(reference)
        where = (match["where"] if match else reference) or where
        names = tuple(part for part in re.split(r", | and ", who) if part)
        first = f"{match['volume']}:{match['pages'].partition('-')[0]}" if match else ""
        works.append(
            Work(
                _slug(names[0]) + when,
                names,
                when,
                _TITLES.get(f"{when} {first or _slug(names[0])}", ""),
                where,
                match["volume"] if match else "",
                match["pages"] if match else "",
                "article" if match else "misc",
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
        row["index"]: works_in(row["authors"], row["year"], row["journal"])
        for row in published_rows()
    }
    # One work may be named with all its authors in one row and with "others" in the next.
    whole: dict[tuple[str, str, str], Work] = {}
    for work in (work for works in rows.values() for work in works):
        source = (work.where, work.volume, work.pages)
        if source not in whole or len(work.authors) > len(whole[source].authors):
            whole[source] = work
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
        needs_letter = work.key in WORKS or len(of_key) > 1
        letter = chr(ord("a") + of_key.index(work)) if needs_letter else ""
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
    if any(row["index"] == index and source_of(row) == source for row in published_rows()):
        return _works_of_catalogue()[index]
    if not source:
        return ()
    letters = "".join(c if c.isascii() and c.isalnum() else f"{ord(c):x}" for c in index)
    title = f"{index}, an index as this study states it"
    return (Work(f"index{letters}", (), "", title, source, kind="misc"),)


def works_of_equation(source: str) -> tuple[Work, ...]:
    """Return the works that a set of extinction equations rests on.

    Parameters
    ----------
    source
        As the registry of equations has it: ``A 1987, Journal 1:2-3; A and B 2001, Journal``.

    Examples
    --------
    >>> [w.key for w in works_of_equation("Wellburn 1994, Journal of Plant Physiology 144:307-313")]
    ['wellburn1994']
    """
    parts = source.split("; ")
    return tuple(
        work
        for part in parts
        for work in WORKS.values()
        if part.startswith(f"{listed(work.families)} {work.year}, ")
    )


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


_CODE = re.compile("`([^`\n]+)`")
"""Words to type, as sentences of the terminal and of Markdown mark them."""


def without_code_marks(text: str) -> str:
    """Return text in which words to type stand plainly.

    Examples
    --------
    >>> without_code_marks("`leafledger verify` says so")
    'leafledger verify says so'
    """
    return _CODE.sub(r"\1", text)


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

    Words between backticks are words to type, and stand in the type of code.

    Examples
    --------
    >>> tex("CI_rededge fell by 5 %" + cite("a1990", "b1991"))
    'CI\\\\_rededge fell by 5 \\\\%~\\\\cite{a1990,b1991}'
    """
    text = "".join(_TEX.get(sign, sign) for sign in text)
    text = _CODE.sub(r"\\texttt{\1}", text)
    return _MARK.sub(lambda mark: rf"~\cite{{{mark.group(1)}}}".replace(r"\_", "_"), text)
