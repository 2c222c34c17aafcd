"""How are numbers, units and words written on the page?

Numbers have significant figures, a true minus sign and their unit; text loses hidden characters.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from leafledger.words import p_text

if TYPE_CHECKING:
    import pandas as pd

# Words: a true minus, no break within a number, no hidden characters.
# ----------------------------------------------------------------------

MINUS = "\N{MINUS SIGN}"
NO_BREAK = "\N{NO-BREAK SPACE}"
MICRO, SQUARE = "\N{MICRO SIGN}", "\N{SUPERSCRIPT TWO}"


def plain(text: Any) -> str:
    """Return text without control or invisible formatting characters.

    Examples
    --------
    >>> plain("red" + chr(27) + "[31m")
    'red�[31m'
    """
    written = str(text)
    if written.isprintable():  # nearly all are, and there are very many
        return written
    hidden = "\N{REPLACEMENT CHARACTER}"
    return "".join(c if c.isprintable() or c == "\n" else hidden for c in written)


_NEGATIVE = re.compile(r"(?<![\w.,@)\]%/-])-(?=\d+(?:\.\d+)?(?:e[-+]?\d+)?(?![\w-]|\.\w))")


def with_true_minus(text: str, names: Collection[str] = ()) -> str:
    """Return text with the minus sign before negative numbers; ids and names stay as they are.

    Parameters
    ----------
    text
        A sentence.
    names
        Names of the study that may hold something like a negative number.

    Examples
    --------
    >>> with_true_minus("the change day8-day0 is -0.12 (95 %: -0.2 to 0.0), -5 to 550-750 nm")
    'the change day8-day0 is −0.12 (95 %: −0.2 to 0.0), −5 to 550-750 nm'
    >>> with_true_minus("frost -5 against water: -5.0", ["frost -5"])
    'frost -5 against water: −5.0'
    """
    kept = sorted((n for n in names if _NEGATIVE.search(n)), key=lambda n: (-len(n), n))
    if not kept:
        return _NEGATIVE.sub(MINUS, text)
    parts = re.split("(" + "|".join(re.escape(name) for name in kept) + ")", text)
    return "".join(part if i % 2 else _NEGATIVE.sub(MINUS, part) for i, part in enumerate(parts))


_BOUND = re.compile(
    r"(?<=\S) (?=[=<>≤≥±] [−+-]?\d)|(?<=[=<>≤≥±]) (?=[−+-]?\d)|(?<=\d) (?=(?:%|nm|ms)(?!\w)|× 10)"
)


def unbroken(text: str) -> str:
    """Return text with no-break spaces where a line must not end: in ``p < 0.001`` and ``95 %``.

    Examples
    --------
    >>> unbroken("n = 24 plants, 95 % interval; p < 0.001 at 550 nm").split(" ")[:2]
    ['n\\xa0=\\xa024', 'plants,']
    >>> unbroken("day 4 = first").count(NO_BREAK), unbroken("at 550 nm").count(NO_BREAK)
    (0, 1)
    """
    return _BOUND.sub(NO_BREAK, text)


def first_sentence(text: str) -> str:
    """Return the text up to its first full stop; a stop in a number or a name ends nothing.

    Examples
    --------
    >>> first_sentence("Moves with R(546.1). It needs light.")
    'Moves with R(546.1).'
    """
    return re.split(r"(?<=[.!?])\s+(?=[A-Z])", text, maxsplit=1)[0]


def short(text: str, limit: int = 28) -> str:
    """Cut a label so that it fits a figure; the tables show it whole."""
    clean = plain(text)
    return clean if len(clean) <= limit else clean[: limit - 1] + "…"


# Numbers: significant figures, a true minus, the unit.
# ----------------------------------------------------------------------

MISSING = "\N{EN DASH}"
_SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_METHODS = {
    "linear_model": "linear model, variances by treatment",
    "linear_model_equal": "linear model, one working variance",
    "welch_t": "Welch t",
    "ancova": "analysis of covariance",
    "tost": "two one-sided tests",
    "summary_mean": "mean of the course",
    "summary_slope": "slope of the course",
    "summary_area": "area under the course",
    "mixed_model": "mixed model, random intercept",
    "mixed_model_slope": "mixed model, random slope",
    "mixed_model_unstructured": "mixed model, free covariance",
    "mixed_model_f": "mixed model, random intercept: joint F",
    "mixed_model_slope_f": "mixed model, random slope: joint F",
    "mixed_model_unstructured_f": "mixed model, free covariance: joint F",
    "linear_trend": "linear trend",
    "interaction_f": "interaction, F",
    "interaction_robust_f": "interaction, robust F",
    "factorial_f": "crossed factors, F",
    "factorial_robust_f": "crossed factors, robust F",
}


_SIZES = {
    "hedges_g_paired": "Hedges g, paired",
    "hedges_g_independent": "Hedges g",
    "hedges_g_adjusted": "Hedges g, adjusted",
}


def is_number(value: Any) -> bool:
    """Return whether ``value`` is a finite number."""
    if value is None or isinstance(value, str | bool):
        return False
    return math.isfinite(float(value))


def format_number(value: Any, digits: int = 3) -> str:
    """Write a number with so many significant figures.

    Examples
    --------
    >>> format_number(0.13612), format_number(-12345.6), format_number(0), format_number(None)
    ('0.136', '−12346', '0', '–')
    >>> format_number(2.5e-7), format_number(1.0)
    ('2.50 × 10⁻⁷', '1.00')
    """
    if not is_number(value):
        return MISSING
    x = float(value)
    if x == 0:
        return "0"
    exponent = math.floor(math.log10(abs(float(f"{x:.{digits - 1}e}"))))
    if -5 < exponent < 6:
        return format_fixed(x, max(0, digits - 1 - exponent))
    mantissa = format_fixed(x / 10.0**exponent, digits - 1)
    return f"{mantissa} × 10{str(exponent).translate(_SUPERSCRIPTS)}"


def format_fixed(value: float, decimals: int) -> str:
    """Write a number with so many decimals and a true minus sign.

    Examples
    --------
    >>> format_fixed(-0.0004, 2), format_fixed(-1.255, 1)
    ('0.00', '−1.3')
    """
    text = f"{value:.{decimals}f}"
    if text.startswith("-"):
        text = text[1:] if float(text) == 0 else MINUS + text[1:]
    return text


def format_alike(values: Sequence[Any]) -> list[str]:
    """Write numbers with the decimals of three figures of the first; what is none stays empty.

    Examples
    --------
    >>> format_alike([2.1234, 0.05, None]), format_alike([1512.3, 3.27])
    (['2.12', '0.05', ''], ['1512', '3'])
    """
    first = float(values[0])
    decimals = max(0, 2 - math.floor(math.log10(abs(first)))) if first else 2
    return [format_fixed(float(v), decimals) if is_number(v) else "" for v in values]


def format_interval(value: Any, low: Any, high: Any) -> tuple[str, str, str]:
    """Write an estimate and its interval with the same decimals.

    The half width of the interval gets two significant figures, as is usual for a stated
    uncertainty (JCGM 100:2008, 7.2.6); an estimate without an interval gets three.

    Examples
    --------
    >>> format_interval(0.13612, 0.1034, 0.1689)
    ('0.136', '0.103', '0.169')
    >>> format_interval(0.13612, None, None)
    ('0.136', '–', '–')
    """
    if not (is_number(value) and is_number(low) and is_number(high)) or not float(high) > float(
        low
    ):
        return format_number(value), format_number(low), format_number(high)
    half = (float(high) - float(low)) / 2
    decimals = 1 - math.floor(math.log10(half))
    if not 0 <= decimals <= 6:
        return format_number(value), format_number(low), format_number(high)
    return (
        format_fixed(float(value), decimals),
        format_fixed(float(low), decimals),
        format_fixed(float(high), decimals),
    )


def format_p(value: Any) -> str:
    """Write a p-value, as the sentences of the findings do (:func:`leafledger.words.p_text`).

    Examples
    --------
    >>> format_p(0.0341), format_p(0.04996), format_p(1e-9), format_p(float("nan"))
    ('0.0341', '0.04996', '< 0.0001', '–')
    """
    return p_text(float(value)) if is_number(value) else MISSING


def format_p_relation(p: float) -> str:
    """Write p as it stands after its letter in a sentence.

    Examples
    --------
    >>> format_p_relation(0.0341), format_p_relation(1.4e-8)
    ('= 0.0341', '< 0.0001')
    """
    text = p_text(p)
    return text if text.startswith("<") else f"= {text}"


def format_percent(value: Any) -> str:
    """Write a fraction as a percentage.

    Examples
    --------
    >>> format_percent(0.5871), format_percent(None)
    ('58.7 %', '–')
    """
    return f"{format_fixed(100 * float(value), 1)} %" if is_number(value) else MISSING


def format_count(value: Any, decimals: int = 0) -> str:
    """Write a count, with thin spaces between thousands; a mean of counts with decimals.

    Examples
    --------
    >>> format_count(12345.0), format_count(25.33, 1), format_count(None)
    ('12\\u2009345', '25.3', '–')
    """
    if not is_number(value):
        return MISSING
    if decimals:
        return format_fixed(float(value), decimals)
    return f"{round(float(value)):,}".replace(",", "\N{THIN SPACE}")


def format_df(value: Any) -> str:
    """Write degrees of freedom: whole ones without decimals.

    Examples
    --------
    >>> format_df(66.00000000000001), format_df(21.876), format_df(None)
    ('66', '21.9', '–')
    """
    if is_number(value) and abs(float(value) - round(float(value))) < 1e-6:
        return format_count(value)
    return format_number(value)


def unit_suffix(unit: str) -> str:
    """Return the unit with the space before it; nothing for a plain number.

    Examples
    --------
    >>> unit_suffix("nm"), unit_suffix("1"), unit_suffix("1/day"), unit_suffix("ug/cm2")
    (' nm', '', ' per day', ' \xb5g/cm\xb2')
    """
    if unit in {"", "1"}:
        return ""
    numerator, _, per = unit.partition("/")
    if per.isalpha() and "/" not in per:
        return f"{unit_suffix(numerator)} per {per}"
    return f" {with_set_units(unit)}"


_PER_AREA = re.compile(r"(?<![\w.])(u|m|n|)(g|mol)/([cd]?m)2(?![\w.])")
_SQUARED = re.compile(r"(?<=[A-Za-z])\^2(?![\d.])")
_SHARE_EXPLAINED = re.compile(r"(?<![\w-])R2(?= [\d\u2212-])")


def with_set_units(text: str, names: Collection[str] = ()) -> str:
    """Return text with contents per area, squares and R2 as they are set in print.

    Examples
    --------
    >>> with_set_units("6 + 2 NDVI^2 ug/cm2; R2 0.95") == "6 + 2 NDVI\xb2 \xb5g/cm\xb2; R\xb2 0.95"
    True
    >>> with_set_units("leaves at R2 0.3 more", ["R2"])
    'leaves at R2 0.3 more'
    """
    text = _PER_AREA.sub(
        lambda found: f"{found[1].replace('u', MICRO)}{found[2]}/{found[3]}{SQUARE}", text
    )
    text = _SQUARED.sub(SQUARE, text)
    return text if "R2" in names else _SHARE_EXPLAINED.sub(f"R{SQUARE}", text)


def format_nm(value: Any) -> str:
    """Write a wavelength to a tenth of a nanometre at most.

    Examples
    --------
    >>> format_nm(428.0), format_nm(546.07), format_nm(None)
    ('428', '546.1', '–')
    """
    return f"{round(float(value), 1):g}" if is_number(value) else MISSING


def method_words(method: str) -> str:
    """Return a method as it is written in prose.

    Examples
    --------
    >>> method_words("welch_t"), method_words("sign_flip")
    ('Welch t', 'sign flip')
    """
    return _METHODS.get(method, method.replace("_", " "))


def size_words(name: str) -> str:
    """Return the name of an effect size as it is written in prose.

    Examples
    --------
    >>> size_words("hedges_g_paired")
    'Hedges g, paired'
    """
    return _SIZES.get(name, name.replace("_", " "))


def verdict_words(verdict: str) -> str:
    """Return the verdict as it is read aloud."""
    return verdict.replace("_", " ")


def estimate_view(row: Mapping[str, Any]) -> dict[str, str]:
    """Return what a row of a table of results shows of its estimate, interval and unit.

    Parameters
    ----------
    row
        Columns ``estimate``, ``ci_low``, ``ci_high`` and ``unit``.

    Examples
    --------
    >>> estimate_view({"estimate": 0.136, "ci_low": 0.103, "ci_high": 0.169, "unit": "nm"})
    {'estimate_text': '0.136', 'interval': '0.103 to 0.169', 'suffix': ' nm'}
    """
    estimate, low, high = format_interval(row["estimate"], row["ci_low"], row["ci_high"])
    has_interval = is_number(row["ci_low"]) and is_number(row["ci_high"])
    return {
        "estimate_text": estimate,
        "interval": f"{low} to {high}" if has_interval else "",
        "suffix": unit_suffix(str(row.get("unit") or "1")),
    }


def table_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table, column name -> value."""
    return [{str(name): value for name, value in row.items()} for row in frame.to_dict("records")]


# Terms: each is explained where the page uses it first.
# ----------------------------------------------------------------------

TERMS = {
    "reflectance": (
        r"[Rr]eflectance",
        "Share of the light that a leaf sends back, at each wavelength: 0 for none, 1 for all.",
    ),
    "index": (
        r"[Ii]ndices|index",
        "A number made of the reflectance at a few wavelengths. It follows a pigment or water, and "
        "is not a content of it.",
    ),
    "interval": (
        r"\d+\s%\s(?:prediction )?interval",
        "Range that holds the true value in so many of 100 studies like this one. A narrow one is "
        "more certain.",
    ),
    "significant": (
        r"significant",
        "Chance alone would rarely give so large a difference: p lies below the level that was set "
        "beforehand. It does not say that the difference is large.",
    ),
    "equivalent": (
        r"equivalent|equivalence",
        "The difference is smaller than the margin: too small to matter, as stated beforehand.",
    ),
    "margin": (r"margin", "The smallest difference that matters, stated by the study."),
    "p": (
        r"p(?=\s[=<])",
        "How often chance alone would give a difference at least so large, if there were none.",
    ),
    "primary": (
        r"[Pp]rimary contrast",
        "The one comparison that the study names as its question. All others are beside it.",
    ),
    "contrast": (
        r"contrasts?",
        "A comparison: one group minus another, or after minus before.",
    ),
    "df": (
        r"df|degrees of freedom",
        "Degrees of freedom: how many independent values stand behind an estimate of spread.",
    ),
    "holm": (
        r"Holm",
        "Holm's method raises p where several comparisons are tested together, so that chance "
        "finds stay rare among all of them.",
    ),
    "welch": (r"Welch", "A t test in which each group may have its own spread."),
    "linear_model": (
        r"[Ll]inear model",
        "The value after is explained by the treatment, the value before and the blocks together.",
    ),
    "covariance": (
        r"analysis of covariance",
        "Comparison of groups after taking off what the value before explains.",
    ),
    "mixed_model": (
        r"[Mm]ixed model",
        "A model of all sessions together, in which each plant or plot has a level of its own.",
    ),
    "permutation": (
        r"[Pp]ermutation",
        "The labels are shuffled many times; p is the share of shuffles that do at least as well.",
    ),
    "standard_deviation": (
        r"standard deviations?|SD",
        "SD, the spread of single values around their mean.",
    ),
    "standard_error": (r"standard error", "How far an estimate would vary from study to study."),
    "uncertainty": (
        r"standard uncertaint(?:y|ies)",
        "What is not known of a measured value, given as a standard deviation.",
    ),
    "hedges_g": (r"Hedges g", "A difference in units of the standard deviation between units."),
    "power": (r"[Pp]ower", "How often a study of this size would find a true difference."),
    "white": (
        r"white references?|whites?",
        "A scan of a white panel of known reflectance, against which the leaf is measured.",
    ),
    "dark": (
        r"dark references?|[Dd]arks?",
        "A scan without light: what the detector counts by itself.",
    ),
    "signal_to_noise": (
        r"[Ss]ignal-to-noise ratio",
        "Signal over its random variation. Below the asked ratio a wavelength is left out.",
    ),
    "trusted_range": (
        r"[Tt]rusted range",
        "Wavelengths at which the signal is strong enough in every session.",
    ),
    "replicates": (r"[Rr]eplicates?", "Repeated scans of one plant or plot in one session."),
    "held_out": (r"held-out", "Not used to train the model: kept back to test it."),
    "balanced_accuracy": (
        r"[Bb]alanced accuracy",
        "Mean over the classes of the share named rightly, so that a large class does not hide a "
        "small one.",
    ),
    "latent": (
        r"[Ll]atent variables?",
        "A weighted sum of all wavelengths, chosen because it tells the classes apart or follows "
        "the known values.",
    ),
    "loading": (r"[Ll]oadings?", "What each wavelength weighs in a latent variable."),
    "partial_least_squares": (
        r"[Pp]artial least squares",
        "A regression on a few latent variables instead of on all wavelengths.",
    ),
    "jackknife": (
        r"jackknife\+?",
        "Each unit is left out in turn; the errors of those left out give the interval.",
    ),
    "rmsep": (
        r"RMSEP|[Rr]oot mean square error",
        "Typical error of an estimate, in its own unit, on units that the model has not seen.",
    ),
    "r2": (r"R(?:\u00b2|2)", "Share of the variation that the estimate explains: 1 is all of it."),
    "rpd": (r"RPD", "Spread of the known values over the error; near 1 it is no use."),
    "cross_validation": (
        r"[Cc]ross-validat\w+",
        "Each part of the data is left out in turn and estimated from the rest.",
    ),
    "residual": (r"[Rr]esiduals?", "What a model leaves unexplained of a value."),
    "digest": (
        r"digests?|SHA-256",
        "A fingerprint of a file: one changed letter gives another.",
    ),
}  # fmt: skip
"""Name -> how the page writes a term, and what it means; in words that need no other term.

A name of a file or key that holds the word is none: ``results/reflectance/day4.parquet``.
"""

_MARKUP = re.compile(r"(<svg\b.*?</svg>|<script\b.*?</script>|<!--.*?-->|<[^>]+>)", re.DOTALL)
_TAG = re.compile(r"<(/?)([a-z][a-z0-9]*)")
_CLOSING = re.compile(r"[).,:;!?]*")
_UNMARKED = {
    "a", "button", "summary", "label", "select", "option", "code", "pre", "h1", "h2", "h3", "h4",
    "nav", "title", "style", "textarea",
}  # fmt: skip
"""Elements that are pressed or named themselves: a term in them is explained at its next use."""


def explain_terms(page: str, names: Collection[str] = ()) -> str:
    """Return a page in which each term is a button at its first use, and what it means besides.

    The first use in open text is marked, and one in a folded part that stands before it. The
    meanings stand at the place of the mark ``<!-- meanings -->``, in the order of first use: they
    open beside the term, and stand as a list in print.

    Parameters
    ----------
    page
        HTML.
    names
        Names of the study: a treatment called *dark* is no term.

    Examples
    --------
    >>> page = explain_terms("<main><p>A margin, a margin.</p></main><!-- meanings -->")
    >>> page.count("<button"), page.partition("</p>")[0].endswith("</button>,</span> a margin.")
    (1, True)
    >>> page.partition("</main>")[2][:64]
    '<p popover class="meaning" id="term-margin"><b>margin</b> The sm'
    """
    head, opening, rest = page.partition("<main")
    body, closing, tail = rest.partition("</main>")
    marked = _TermMarks(names)
    parts = "".join(marked.token(part) for part in _MARKUP.split(opening + body))
    meanings = "\n".join(
        f'<p popover class="meaning" id="term-{name}"><b>{word}</b> {TERMS[name][1]}</p>'
        for name, word in marked.words.items()
    )
    return head + parts + closing + tail.replace("<!-- meanings -->", meanings)


class _TermMarks:
    """Marks terms token by token, in the order of the page.

    Attributes
    ----------
    words
        Term -> the word of its first use.
    """

    def __init__(self, names: Collection[str]) -> None:
        self.words: dict[str, str] = {}
        self._names = {name.lower() for name in names}
        self._unmarked = self._folded = 0
        self._open = set(TERMS)
        self._patterns: dict[frozenset[str], re.Pattern[str]] = {}

    def token(self, token: str) -> str:
        """Return a tag as it is, text with its terms marked."""
        if not token.startswith("<"):
            return self._text(token) if token.strip() and not self._unmarked else token
        if match := _TAG.match(token):
            step = -1 if match[1] else 1
            if match[2] in _UNMARKED:
                self._unmarked += step
            elif match[2] == "details":
                self._folded += step
        return token

    def _text(self, text: str) -> str:
        # In a folded part a term is explained unless it was, there or in open text.
        unexplained = frozenset(self._open - set(self.words) if self._folded else self._open)
        done, rest = "", text
        while unexplained and (match := self._pattern(unexplained).search(rest)):
            name, word = str(match.lastgroup), match[0]
            done += rest[: match.start()]
            if word.lower() in self._names:
                done += word
            else:
                # A line may break beside a button: what must not stand alone is held with it.
                before = "(" if done.endswith("(") else ""
                after = _CLOSING.match(rest, match.end())[0]  # type: ignore[index]
                button = (
                    f'<button type="button" class="term" popovertarget="term-{name}" '
                    f'aria-describedby="term-{name}">{word}</button>'
                )
                held = before or after
                whole = f'<span class="held">{before}{button}{after}</span>' if held else button
                done = done.removesuffix(before) + whole
                rest = rest[: match.end()] + rest[match.end() + len(after) :]
                self.words.setdefault(name, word)
                if not self._folded:
                    self._open.discard(name)
                unexplained -= {name}
            rest = rest[match.end() :]
        return done + rest

    def _pattern(self, names: frozenset[str]) -> re.Pattern[str]:
        if names not in self._patterns:
            self._patterns[names] = re.compile(
                "|".join(
                    rf"(?<![\w./-])(?P<{name}>{TERMS[name][0]})(?![\w/-]|\.\w)"
                    for name in TERMS
                    if name in names
                )
            )
        return self._patterns[names]
