"""The catalogue as a page for people: ``docs/indices.md``."""

from __future__ import annotations

from leafledger.indices.catalogue import Entry, averaged, catalogue
from leafledger.spectra.formula import (
    FUNCTIONS,
    LARGEST_EXPONENT,
    LONGEST_NM,
    MOST_BANDS,
    MOST_CHARACTERS,
    MOST_DEPTH,
    SHORTEST_NM,
    written,
)

_HEAD = f"""# Indices

<!-- Made from src/leafledger/indices/catalogue.csv; do not edit. A test says how to renew it. -->

`indices.use` in study.yaml names indices of this page, or `all`. `indices.formulas` adds your own.
An index stands in for a pigment or for water only as far as leaves like yours were calibrated;
without extracted pigment say "index", not "pigment".

## How bands are read

`R(705)` is the reflectance (a fraction, not percent) at 705 nm by linear interpolation between the
neighbouring wavelengths. `R(750, 800)` is the mean of the interpolated reflectance at every whole
nanometre from 750 to 800 nm, both ends included. `indices.band_read: {{mean_over_nm: 5}}` reads
every single wavelength, also of your own formulas, as the mean over 5 nm around it. Without that
setting only WI is averaged (over 10 nm); write `R(900) / R(970)` as a formula of your own for the
published single bands.

An index with a band outside the trusted range is named in a warning and gets the status
`outside_range` and no value; nothing is extrapolated. A division by zero, or the root, logarithm
or fractional power of a negative number, gives the status `undefined` and no value.

## Uncertainty

`u_scan`, `u_reference` and `u_panel` are standard uncertainties (k = 1) by the law of propagation
(JCGM 100:2008, equations 10 and 13), with exact derivatives of the formula. Noise is taken as
independent from wavelength to wavelength, and a pixel that two bands share counts once for both.
What moves all wavelengths together (drift of the lamp, a dark that is off as a whole, stray light,
linearity, the axis, integration times; the panel) goes through the formula as one spectrum with
its signs, so that it cancels or adds up as it does in the index. Where the grid is finer than the
pixels of the instrument, the noise of neighbouring wavelengths is one: the uncertainty of an
average over a range is then too small, by up to the square root of the wavelengths per pixel.
Unknown uncertainty stays empty.

## Your own formulas

Numbers with a decimal point, `R(...)`, `+ - * / ^`, parentheses, and the functions
{", ".join(f"`{name}`" for name in FUNCTIONS)}. `-R(700)^2` is the negative of the square. At most
{MOST_CHARACTERS} characters, {MOST_DEPTH} levels and {MOST_BANDS} bands from {SHORTEST_NM:g} to
{LONGEST_NM:g} nm; exponents are plain numbers from -{LARGEST_EXPONENT:g} to
{LARGEST_EXPONENT:g}.

```yaml
indices:
  use: [NDVI, CI_rededge]
  formulas:
    - {{index: RE_contrast, formula: "(R(750) - R(705)) / (R(750) + R(705))", source: "ours"}}
```

## Catalogue
"""


def document() -> str:
    """Return ``docs/indices.md`` as text."""
    return _HEAD + "".join(_section(entry) for entry in catalogue().values())


def _section(entry: Entry) -> str:
    lines = ["", f"### {entry.index}: {entry.name}", "", f"`{entry.formula}`", ""]
    if entry.band_width_nm:
        computed = written(averaged(entry, entry.band_width_nm).tree)
        lines.append(f"- computed as: `{computed}`")
    lines += [
        f"- unit: {entry.unit}; bands: {', '.join(band.words() for band in entry.bands)}",
        f"- responds to: {entry.responds_to}",
        f"- beware: {entry.confusions}",
        f"- source: {entry.source}",
    ]
    if entry.domain == "canopy":
        lines.insert(4, "Made for a canopy; of doubtful meaning for a leaf in a clip.\n")
    return "\n".join(lines) + "\n"
