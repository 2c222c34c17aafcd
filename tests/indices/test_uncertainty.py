"""Derivatives and propagated uncertainty against finite differences, the package uncertainties,
a worked case of the law of propagation, and Monte Carlo."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leafledger.indices.catalogue import averaged, catalogue
from leafledger.indices.stage import (
    BandErrors,
    band_covariances,
    band_values,
    coarse_sentence,
    common_u,
    covariances,
    independent_u,
    index_values,
    outside_sentence,
    plan,
    shared_pairs,
)
from leafledger.spectra.formula import (
    Call,
    Negative,
    Number,
    Power,
    Product,
    Read,
    Sum,
    bands_of,
    evaluate,
    parse,
)
from leafledger.spectra.grid import Band, band_weights

from .trees import BANDS, nodes, plain

AXIS = np.arange(400.0, 1001.0, 3.3)


def leaf_like(n_scans: int, seed: int) -> np.ndarray:
    """Reflectance that rises at the red edge, with some scatter: (n_scans, n_wavelengths)."""
    random = np.random.default_rng(seed)
    edge = 0.05 + 0.42 / (1 + np.exp(-(AXIS - 715) / 12))
    green = 0.09 * np.exp(-(((AXIS - 550) / 30) ** 2))
    return (edge + green) * random.uniform(0.9, 1.1, (n_scans, 1)) + random.normal(
        0, 0.002, (n_scans, AXIS.size)
    )


def propagated(entries, reflectance, u_scan, u_reference, relative):
    made = plan(entries, AXIS, AXIS[0], AXIS[-1])
    read = reflectance[:, made.used]
    errors = BandErrors(
        covariances(made, u_scan[:, made.used]),
        covariances(made, u_reference[:, made.used]),
        band_values(made, read * np.broadcast_to(relative, AXIS.shape)[made.used]),
    )
    numbers, status = index_values(made, band_values(made, read), errors, len(reflectance))
    assert (status == "ok").all()
    return numbers


@settings(max_examples=300, deadline=None, derandomize=True)
@given(nodes, st.lists(st.floats(0.05, 0.95), min_size=4, max_size=4))
def test_slopes_are_the_derivative(tree, values) -> None:
    """Central differences of plain Python arithmetic, wherever the formula is smooth."""
    if not bands_of(tree):
        return
    at = dict(zip(BANDS, values, strict=True))
    rated = evaluate(tree, {band: np.array([x]) for band, x in at.items()})
    if math.isnan(rated.value[0]):
        return
    for band, slope in rated.slopes.items():
        steps = [1e-6, 2e-6]
        near = [
            (plain(tree, {**at, band: at[band] + h}) - plain(tree, {**at, band: at[band] - h}))
            / (2 * h)
            for h in steps
        ]
        smooth = abs(near[0] - near[1]) <= 1e-5 * (1 + abs(near[0]))
        sides = [plain(tree, {**at, band: at[band] + s * 1e-6}) - rated.value[0] for s in (1, -1)]
        smooth = smooth and abs(sum(sides)) <= 1e-3 * (abs(sides[0]) + abs(sides[1]) + 1e-9)
        if smooth and abs(rated.value[0]) < 1e3:
            assert slope[0] == pytest.approx(near[0], rel=1e-3, abs=1e-4 * (1 + abs(near[0])))


def with_package(node, at):
    """The same formula in the arithmetic of the package uncertainties."""
    from uncertainties import umath

    if isinstance(node, Number):
        return node.value
    if isinstance(node, Read):
        return at[node.band]
    if isinstance(node, Negative):
        return -with_package(node.inner, at)
    if isinstance(node, Power):
        return with_package(node.base, at) ** node.exponent
    if isinstance(node, Call):
        values = [with_package(value, at) for value in node.values]
        named = {"sqrt": umath.sqrt, "ln": umath.log, "log10": umath.log10}
        if node.name in named:
            return named[node.name](values[0])
        if node.name == "abs":
            return values[0] if values[0].n >= 0 else -values[0]
        return (min if node.name == "min" else max)(values, key=lambda value: value.n)
    assert isinstance(node, Sum | Product)
    found = with_package(node.parts[0][1], at)
    for sign, part in node.parts[1:]:
        other = with_package(part, at)
        if sign in "+-":
            found = found + other if sign == "+" else found - other
        else:
            found = found * other if sign == "*" else found / other
    return found


def test_all_indices_against_the_package_uncertainties() -> None:
    """Package uncertainties: first-order propagation with its own automatic derivatives."""
    package = pytest.importorskip("uncertainties")
    entries = [averaged(entry, entry.band_width_nm) for entry in catalogue().values()]
    mine = "sqrt(R(551)) * ln(R(552.2)) + log10(abs(R(552) - R(700))) ^ 2 - min(R(553), R(900))"
    reflectance = leaf_like(3, 1)
    u = 0.004 * (1 + np.abs(np.sin(AXIS / 60))) * np.ones((3, 1))
    u_reference, relative = 0.3 * u, 0.02 * (1 + AXIS / 2000)
    own = entries[0].__class__(**{**entries[0].__dict__, "index": "mine", "tree": parse(mine)})
    entries = [*entries, own]
    got = propagated(entries, reflectance, u, u_reference, relative)
    for row in range(3):
        pixels = {
            "u_scan": [package.ufloat(r, s) for r, s in zip(reflectance[row], u[row], strict=True)],
            "u_reference": [
                package.ufloat(r, s)
                for r, s in zip(reflectance[row], u_reference[row], strict=True)
            ],
        }
        panel = package.ufloat(0, 1)
        pixels["u_panel"] = [
            r * (1 + s * panel) for r, s in zip(reflectance[row], relative, strict=True)
        ]
        for column, entry in enumerate(entries):
            for name, spectrum in pixels.items():
                at = {band: interpolated(band, spectrum) for band in entry.bands}
                expected = with_package(entry.tree, at)
                assert got["value"][row, column] == pytest.approx(expected.n, rel=1e-10)
                assert got[name][row, column] == pytest.approx(expected.s, rel=1e-7, abs=1e-14), (
                    entry.index,
                    name,
                )


def interpolated(band, spectrum):
    """Mean of linear interpolations at equal steps of at most 1 nm, written out pixel by pixel."""
    steps = math.ceil(band.stop_nm - band.start_nm)
    total = 0.0
    for k in range(steps + 1):
        at = band.start_nm + (band.stop_nm - band.start_nm) * k / max(steps, 1)
        left = min(max(int(np.searchsorted(AXIS, at, "right")) - 1, 0), AXIS.size - 2)
        share = (at - AXIS[left]) / (AXIS[left + 1] - AXIS[left])
        total = total + (1 - share) * spectrum[left] + share * spectrum[left + 1]
    return total / (steps + 1)


def test_monte_carlo() -> None:
    """JCGM 101:2008 (GUM Supplement 1): draws of every pixel give the propagated spread."""
    names = ("NDVI", "CI_rededge", "REP_linear", "WI", "PRI", "MTCI")
    entries = [averaged(catalogue()[name], catalogue()[name].band_width_nm) for name in names]
    truth = leaf_like(1, 2)
    u = 0.002 * np.ones_like(truth)
    none = np.zeros_like(u)
    expected = propagated(entries, truth, u, none, 0.0)["u_scan"][0]
    draws = truth + np.random.default_rng(3).normal(0, 0.002, (40_000, AXIS.size))
    spread = propagated(entries, draws, np.zeros_like(draws), np.zeros_like(draws), 0.0)
    assert spread["value"].std(axis=0, ddof=1) == pytest.approx(expected, rel=0.03)


def test_a_worked_case_with_a_common_panel() -> None:
    """NDVI of two bands, JCGM 100:2008 equation 13, worked outside the project.

    Signals 3500 and 24500, darks 1500, whites 40000 and 50000, panel 0.985 with u 0.01; u of
    signals 20 and 80, of darks 6, of whites 100. The dark of a band enters sample and white
    alike, so all that is not the panel is one independent part per band.
    """
    reflectance = {Band(670, 670): 0.05116883116883117, Band(800, 800): 0.46711340206185564}
    u_total = {Band(670, 670): 0.0007553334090402124, Band(800, 800): 0.005104958306888688}
    relative = 0.01 / 0.985
    rated = evaluate(
        catalogue()["NDVI"].tree, {band: np.array([r]) for band, r in reflectance.items()}
    )
    own = {
        (band, band): np.array([u_total[band] ** 2 - (r * relative) ** 2])
        for band, r in reflectance.items()
    }
    u_own = independent_u(rated.slopes, own)
    u_panel = common_u(
        rated.slopes, {band: np.array([r * relative]) for band, r in reflectance.items()}
    )
    assert rated.value[0] == pytest.approx(0.8025445292620866, rel=1e-12)
    assert np.hypot(u_own, u_panel)[0] == pytest.approx(0.002038444313308436, rel=1e-9)
    assert u_panel[0] < 1e-15
    # Taking the bands as independent in everything would have said 0.0033.
    apart = {(band, band): np.array([u**2]) for band, u in u_total.items()}
    assert independent_u(rated.slopes, apart)[0] == pytest.approx(0.0032685887251475945, rel=1e-9)


def test_bands_that_share_a_pixel_are_not_independent() -> None:
    axis_place = 400.0 + 3.3 * 40
    text = f"R({axis_place + 1:.2f}) - R({axis_place + 2:.2f})"
    entry = catalogue()["NDVI"]
    entry = entry.__class__(**{**entry.__dict__, "tree": parse(text)})
    reflectance, u = leaf_like(1, 4), 0.01 * np.ones((1, AXIS.size))
    got = propagated([entry], reflectance, u, u, 0.0)
    # Both bands lie between the same two pixels; the difference is 1/3.3 of the pixels' difference.
    assert got["u_scan"][0, 0] == pytest.approx(0.01 * math.sqrt(2) / 3.3, rel=1e-6)


def test_the_panel_cancels_in_ratios_and_not_in_differences() -> None:
    entries = list(catalogue().values())
    reflectance = leaf_like(2, 5)
    zero = np.zeros_like(reflectance)
    got = propagated(entries, reflectance, zero, zero, 0.01)
    names = [entry.index for entry in entries]
    assert np.all(got["u_panel"][:, names.index("NDVI")] < 1e-15)
    assert np.all(got["u_panel"][:, names.index("REP_linear")] < 1e-11)
    value, u = got["value"][:, names.index("ARI1")], got["u_panel"][:, names.index("ARI1")]
    assert u == pytest.approx(0.01 * np.abs(value), rel=1e-9)
    assert np.all(got["u_scan"] == 0)


def test_an_undefined_step_never_comes_back_as_a_number() -> None:
    at = {Band(700, 700): np.array([0.0, 0.5]), Band(800, 800): np.array([0.5, 0.5])}
    for text in (
        "1 / (1 / R(700))",
        "min(R(800), 1 / R(700))",
        "(1 / R(700)) ^ 0",
        "0 * ln(R(700))",
    ):
        value = evaluate(parse(text), at).value
        assert math.isnan(value[0]), text
        assert not math.isnan(value[1]), text


def test_a_slope_without_a_value_leaves_the_uncertainty_open() -> None:
    rated = evaluate(parse("sqrt(R(700))"), {Band(700, 700): np.array([0.0, 0.25])})
    assert rated.value.tolist() == [0.0, 0.5]
    assert math.isnan(rated.slopes[Band(700, 700)][0])
    assert rated.slopes[Band(700, 700)][1] == pytest.approx(1.0)


def test_bands_are_paired_where_they_read_a_common_wavelength() -> None:
    """By hand, on 700, 701, ... 710 nm: 705 nm is a pixel of the range 703 to 706, 701 nm is not.

    ``var(a R705 + b R703-706) = (a^2 + b^2 / 4 + 2 a b / 4) u^2``: the range is a mean of four
    pixels, of which one is that of the single band (JCGM 100:2008, equation 13).
    """
    axis = np.arange(700.0, 711.0)
    single, mean, away = Band(705, 705), Band(703, 706), Band(701, 701)
    weights = {band: band_weights(axis, band) for band in (single, mean, away)}
    assert weights[single].max() == 1
    pairs = shared_pairs([[single, mean, away]], weights)
    assert pairs == sorted([(away, away), (mean, mean), (mean, single), (single, single)])
    found = band_covariances(pairs, weights, np.full((1, axis.size), 0.02))
    slopes = {single: np.array([2.0]), mean: np.array([3.0])}
    expected = 0.02 * math.sqrt(4 + 9 / 4 + 2 * 2 * 3 / 4)
    assert independent_u(slopes, found)[0] == pytest.approx(expected, rel=1e-12)


def test_the_ends_of_the_trusted_range_are_inside_it() -> None:
    axis = np.arange(660.0, 811.0)
    entry = catalogue()["NDVI"]
    reached = [
        plan([entry], axis, start, stop).available[0]
        for start, stop in ((670.0, 800.0), (671.0, 800.0), (670.0, 799.0))
    ]
    assert reached == [True, False, False]
    made = plan([entry], axis, 670.0, 800.0)
    assert axis[made.used].tolist() == [670.0, 800.0]


def test_sentences_name_the_ends_of_what_was_read_and_the_gap() -> None:
    entry, trusted = catalogue()["NDVI"], np.array([700.0, 790.0, 810.0])
    assert outside_sentence(entry, trusted, 690.0, 815.0) == (
        "NDVI is not computed: it needs 670 nm, outside the trusted range 690 to 815 nm "
        "(wavelengths read from 700 to 810 nm)."
    )
    wider = np.array([660.0, 680.0, 790.0, 810.0])
    assert coarse_sentence(entry, wider, 20.0) is None
    assert coarse_sentence(entry, wider, 19.9) == (
        "NDVI is read from far neighbours: 670 nm across 20 nm, 800 nm across 20 nm. "
        "Compare with care."
    )
