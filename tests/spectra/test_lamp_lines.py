"""Mercury-argon lamps of known shift and stretch: lines found to a fraction of a pixel.

Expected wavelengths: Sansonetti, Salit & Reader 1996, Appl. Opt. 35:74-77 (mercury above 400 nm);
Sansonetti & Martin 2005, J. Phys. Chem. Ref. Data 34:1559 (argon; from memory). The lamps are
simulated here: lines of random strength, each integrated over the pixels, shot and read noise.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.special import ndtr

from leafledger.quality.fluorescent_lines import MERCURY
from leafledger.reflectance.wavelength_correction import (
    Correction,
    FoundLine,
    LampReading,
    fit_correction,
    read_lamp,
)
from leafledger.spectra.lamp_lines import MERCURY_ARGON, LampRefusal, features, locate, noise_of

# Typed from the published tables, apart from the package.
HG = {
    312.567: 0.15, 313.170: 0.26, 334.148: 0.04, 365.016: 0.4, 365.484: 0.06, 366.289: 0.02,
    366.328: 0.04, 404.6565: 0.5, 407.7837: 0.03, 435.8335: 1.0, 546.0750: 0.9, 576.9610: 0.15,
    579.0670: 0.15, 1013.976: 0.05,
}  # fmt: skip
AR = {
    696.5431: 0.35, 706.7218: 0.12, 727.2936: 0.08, 738.3980: 0.25, 750.3869: 0.35, 751.4652: 0.2,
    763.5106: 0.6, 772.3761: 0.2, 772.4207: 0.1, 794.8176: 0.15, 800.6157: 0.12, 801.4786: 0.15,
    810.3693: 0.2, 811.5311: 0.4, 826.4522: 0.15, 840.8210: 0.12, 842.4648: 0.25, 852.1442: 0.08,
    866.7944: 0.02, 912.2967: 0.2, 922.4499: 0.05, 965.7786: 0.07,
}  # fmt: skip
# Neon lines (nm in air; Sansonetti & Martin 2005, from memory), about equally strong.
NEON = (
    585.249, 588.190, 594.483, 597.553, 603.000, 607.434, 609.616, 614.306, 616.359, 621.728,
    626.650, 630.479, 633.443, 638.299, 640.225, 650.653, 659.895, 667.828, 671.704, 692.947,
    703.241, 717.394, 724.517, 743.890,
)  # fmt: skip


def shown(
    as_read: np.ndarray,
    lines: dict[float, float],
    fwhm: float,
    rng: np.random.Generator,
    shift: float = 0.0,
    stretch: float = 0.0,
    spread: float = 1.5,
    top: float = 40_000.0,
    slit: float = 0.0,
) -> np.ndarray:
    """Return counts above dark; as read = true + shift + stretch (true - 600).

    ``slit`` is the share of a rectangular slit in the width: a flat-topped line, no Gaussian.
    """
    true = (as_read - shift + 600 * stretch) / (1 + stretch)
    middle = (true[1:] + true[:-1]) / 2
    edges = np.r_[2 * true[0] - middle[0], middle, 2 * true[-1] - middle[-1]]
    sigma = fwhm / np.sqrt(8 * np.log(2))
    offsets = np.linspace(-0.5, 0.5, 21) * slit * fwhm if slit else np.zeros(1)
    counts = np.zeros(len(as_read))
    for at, strength in lines.items():
        area = strength * fwhm * spread ** rng.uniform(-1, 1)
        for offset in offsets:
            share = np.diff(ndtr((edges - at - offset) / sigma)) / np.diff(edges)
            counts += area * share / len(offsets)
    counts *= top / counts.max()
    return counts + rng.normal(size=len(counts)) * np.sqrt(100 + counts / 4)


def read(axis: np.ndarray, counts: np.ndarray, **kwargs: int) -> LampReading:
    result = read_lamp(axis, counts, np.zeros(len(axis), dtype=bool), **kwargs)
    assert isinstance(result, LampReading), result
    return result


def test_the_lines_are_the_published_ones_and_those_of_the_room_lamps() -> None:
    ours = {round(line.air_nm, 4): line.element for line in MERCURY_ARGON}
    for nm in (404.6565, 407.7837, 435.8335, 546.0750, 576.9610, 579.0670):
        assert ours[nm] == "Hg"
    for nm in (696.5431, 763.5106, 811.5311, 842.4648):
        assert ours[nm] == "Ar"
    assert all(a.air_nm < b.air_nm for a, b in pairwise(MERCURY_ARGON))
    # Ambient light is judged by the same mercury lines.
    room = {line.wavelength_nm for group in MERCURY.groups for line in group}
    assert room <= set(ours)


def test_argon_lines_agree_with_their_vacuum_wavelengths() -> None:
    # Vacuum wavelengths (same sources) through the refractive index of air: Edlen 1966,
    # Metrologia 2:71-80, standard air.
    for air, vacuum in ((546.0750, 546.2268), (696.5431, 696.7352), (763.5106, 763.7208)):
        squared = (1e3 / vacuum) ** 2
        n = 1 + 1e-8 * (8342.13 + 2406030 / (130 - squared) + 15997 / (38.9 - squared))
        assert vacuum / n == pytest.approx(air, abs=4e-4)
        assert min(abs(line.air_nm - air) for line in MERCURY_ARGON) < 1e-6


@pytest.mark.parametrize(
    ("fwhm", "step"),
    [
        *((1.0, 0.3), (1.0, 0.6), (1.5, 0.8), (2.0, 1.0), (3.0, 0.5)),
        *((4.0, 2.0), (5.0, 1.0), (6.0, 3.0), (8.0, 1.0), (10.0, 3.0)),
    ],
)
@pytest.mark.parametrize("argon", [True, False])
def test_lines_and_shift_are_found_to_a_fraction_of_a_pixel(
    fwhm: float, step: float, argon: bool
) -> None:
    axis = np.arange(345.0, 1050.0, step)
    misses, widths = [], []
    for seed in range(3):
        rng = np.random.default_rng([seed, int(10 * fwhm)])
        shift, stretch = rng.uniform(-3, 3), rng.uniform(-0.003, 0.003)
        lines = HG | AR if argon else HG
        reading = read(axis, shown(axis, lines, fwhm, rng, shift, stretch))
        for line in reading.lines:
            true = line.published_nm + shift + stretch * (line.published_nm - 600)
            misses.append((line.found_nm - true) / max(2 * line.u_nm, 0.05 * step))
        correction = fit_correction(reading.lines, axis)
        assert correction is not None
        middle = np.mean([line.found_nm for line in correction.used])
        truth = middle - (middle - shift + 600 * stretch) / (1 + stretch)
        value, u = correction.mean_shift()
        assert abs(value - truth) < max(3 * u, 0.05 * step)
        widths.append(reading.resolution_nm)
    # Within 0.05 pixel or two standard uncertainties: 95 % of lines, none far beyond.
    assert np.mean(np.abs(misses) <= 1) >= 0.93
    assert np.max(np.abs(misses)) < 2.5
    assert np.median(widths) == pytest.approx(np.hypot(fwhm, 0.68 * step), rel=0.08)


@pytest.mark.parametrize("slit", [0.5, 1.0])
def test_lines_that_are_no_gaussians_are_placed_as_well(slit: float) -> None:
    axis = np.arange(345.0, 1050.0, 0.5)
    rng = np.random.default_rng(3)
    reading = read(axis, shown(axis, HG | AR, 2.5, rng, 0.7, slit=slit))
    single = [line for line in reading.lines if line.single]
    off = [abs(line.found_nm - line.published_nm - 0.7) for line in single]
    assert len(single) >= 5
    assert np.median(off) < 0.05 * 0.5


def test_correction_brings_the_axis_back() -> None:
    axis = np.arange(345.0, 1050.0, 0.7)
    rng = np.random.default_rng(8)
    reading = read(axis, shown(axis, HG | AR, 2.0, rng, 1.3, 0.002))
    correction = fit_correction(reading.lines, axis)
    assert correction is not None
    true = (axis - 1.3 + 600 * 0.002) / 1.002
    corrected = correction.corrected(axis)
    inside = (axis > 400) & (axis < 960)
    assert np.abs(corrected - true)[inside].max() < 0.05 * 0.7
    assert np.all(np.diff(corrected) > 0)
    # A second look at the corrected axis finds nothing left.
    again = fit_correction(read(corrected, shown(axis, HG | AR, 2.0, rng, 1.3, 0.002)).lines, axis)
    assert again is not None
    assert abs(again.mean_shift()[0]) < 0.02


def test_lines_of_a_curved_axis_ask_for_a_curve_and_noise_does_not() -> None:
    rng = np.random.default_rng(1)
    axis = np.arange(380.0, 1000.0)
    places = np.array([404.7, 435.8, 546.1, 578.0, 696.5, 738.4, 763.5, 811.5, 842.5, 912.3, 965.8])

    def lines(off: np.ndarray) -> list[FoundLine]:
        return [FoundLine(nm, nm + d, 0.02, 2.0, True) for nm, d in zip(places, off, strict=True)]

    bent = 0.5 + 1.2 * ((places - 700) / 300) ** 2 + rng.normal(0, 0.02, len(places))
    curve = fit_correction(lines(bent), axis)
    assert curve is not None
    assert curve.order == 2
    orders, z = [], []
    for _ in range(200):
        flat = fit_correction(lines(0.5 + rng.normal(0, 0.02, len(places))), axis)
        assert flat is not None
        orders.append(flat.order)
        value, u = flat.mean_shift()
        z.append((value - 0.5) / u)
    assert np.mean(np.array(orders) == 0) > 0.8
    assert np.mean(np.abs(z) < 2) > 0.9


def test_order_is_bounded_by_the_number_and_the_span_of_lines() -> None:
    axis = np.arange(380.0, 1000.0)

    def of(places: list[float]) -> Correction | None:
        rng = np.random.default_rng(2)
        lines = [FoundLine(nm, nm + rng.normal(0, 1), 1e-3, 2.0, True) for nm in places]
        return fit_correction(lines, axis)

    assert of([404.7, 435.8]) is None
    few = of([404.7, 435.8, 546.1])
    assert few is not None
    assert few.order <= 1
    narrow = of([404.7, 407.8, 435.8, 546.1, 577.0, 579.1])
    assert narrow is not None
    assert narrow.order <= 1


def test_a_false_line_is_left_out() -> None:
    places = [404.7, 435.8, 546.1, 578.0, 696.5, 763.5, 811.5]
    off = [0.50, 0.51, 0.49, 0.50, 0.51, 2.00, 0.50]
    lines = [FoundLine(nm, nm + d, 0.01, 2.0, True) for nm, d in zip(places, off, strict=True)]
    correction = fit_correction(lines, np.arange(380.0, 1000.0))
    assert correction is not None
    assert [line.published_nm for line in correction.used] == [p for p in places if p != 763.5]
    assert correction.mean_shift()[0] == pytest.approx(0.5, abs=0.01)


def test_uncertainty_grows_beyond_the_lines() -> None:
    axis = np.arange(345.0, 1050.0)
    rng = np.random.default_rng(4)
    correction = fit_correction(read(axis, shown(axis, HG, 2.5, rng, 1.0, 0.003)).lines, axis)
    assert correction is not None
    assert correction.order == 1
    _, u = correction.at(np.array([500.0, 800.0, 1050.0]))
    assert u[0] < u[1] < u[2]


@pytest.mark.parametrize("fwhm", [1.5, 4.0])
def test_another_lamp_is_refused(fwhm: float) -> None:
    axis = np.arange(345.0, 1050.0, 0.6)
    rng = np.random.default_rng(5)
    none = np.zeros(len(axis), dtype=bool)
    neon = shown(axis, dict.fromkeys(NEON, 1.0), fwhm, rng)
    # A compact fluorescent lamp: mercury with terbium and europium (common practice, no source).
    compact = {404.66: 0.1, 435.83: 0.3, 487.7: 0.2, 542.4: 0.55, 546.07: 0.45, 587.6: 0.2}
    compact |= {611.6: 0.75, 631.0: 0.15, 708.0: 0.1}
    for counts in (neon, shown(axis, compact, fwhm, rng, spread=1.1)):
        result = read_lamp(axis, counts, none)
        assert isinstance(result, LampRefusal)
        assert result.expected == "the spectrum of a mercury-argon lamp"
    led = 30_000 * (
        np.exp(-0.5 * ((axis - 450) / 9) ** 2) + np.exp(-0.5 * ((axis - 560) / 55) ** 2)
    )
    result = read_lamp(axis, led + rng.normal(0, 20, len(axis)), none)
    assert isinstance(result, LampRefusal)


def test_dark_lamp_bright_lamp_and_weak_lamp_are_refused_by_name() -> None:
    axis = np.arange(345.0, 1050.0, 0.6)
    rng = np.random.default_rng(6)
    none = np.zeros(len(axis), dtype=bool)
    nothing = read_lamp(axis, rng.normal(0, 10, len(axis)), none)
    assert isinstance(nothing, LampRefusal)
    dark = read_lamp(axis, np.full(len(axis), -3.0), none)
    assert isinstance(dark, LampRefusal)
    assert dark.found == "no light above dark"
    counts = np.minimum(shown(axis, HG | AR, 2.0, rng, top=4e7), 60_000)
    flooded = read_lamp(axis, counts, counts >= 60_000)
    assert isinstance(flooded, LampRefusal)
    assert "full" in flooded.found
    narrow = read_lamp(
        np.arange(345.0, 1050, 3), shown(np.arange(345.0, 1050, 3), HG, 1, rng), none[:235]
    )
    assert isinstance(narrow, LampRefusal)
    assert "wide on wavelengths 3 nm apart" in narrow.found


def test_saturated_lines_are_left_out_and_the_others_used() -> None:
    axis = np.arange(345.0, 1050.0, 0.5)
    rng = np.random.default_rng(7)
    counts = shown(axis, HG | AR, 1.5, rng, 0.8, top=150_000)
    full = counts >= 60_000
    reading = read_lamp(axis, np.minimum(counts, 60_000), full)
    assert isinstance(reading, LampReading)
    assert reading.n_saturated >= 2
    for line in reading.lines:
        assert not full[np.abs(axis - line.found_nm) < 0.7].any()
        assert line.found_nm - line.published_nm == pytest.approx(0.8, abs=max(0.03, 3 * line.u_nm))


def test_lines_that_cannot_be_parted_are_one_feature_with_its_own_uncertainty() -> None:
    (near,) = features(MERCURY_ARGON, 0.5, 772, 773)
    assert near.u_nm == pytest.approx(0.25 * 0.0446)
    assert near.element == "Ar"
    assert [f.u_nm for f in features(MERCURY_ARGON, 0.5, 540, 550)] == [0.0]


def test_noise_is_seen_between_the_lines() -> None:
    axis = np.arange(345.0, 1050.0, 0.5)
    rng = np.random.default_rng(9)
    assert noise_of(rng.normal(0, 10, len(axis))) == pytest.approx(10, rel=0.1)
    assert noise_of(shown(axis, HG | AR, 1.5, rng)) == pytest.approx(10, rel=0.35)


@pytest.mark.parametrize("step", [0.7, 0.35])
def test_the_uncertainty_of_a_line_is_how_far_it_scatters(step: float) -> None:
    """Monte Carlo: one line in noise, 300 draws, with few pixels to spare and with many.

    ``noise`` is told as zero, so that the residuals alone must say it.
    """
    rng = np.random.default_rng(8)
    axis = np.arange(530.0, 562.0, step)
    shape = np.exp(-0.5 * ((axis - 546.25) / (1.5 / 2.3548)) ** 2)
    usable = np.ones(len(axis), dtype=bool)
    found = [
        locate(axis, 5000 * shape + rng.normal(0, 60.0, len(axis)), usable, [546.1], 1.5, 0.0)
        for _ in range(300)
    ]
    kept = [line for line in found if line is not None]
    assert len(kept) > 290
    scatter = float(np.std([line.shift_nm for line in kept], ddof=1))
    told = float(np.sqrt(np.median([line.u_nm**2 for line in kept])))
    # By few pixels Student's t widens what is told: spare / (spare - 2) in variance.
    assert 0.85 < told / scatter < (1.8 if step > 0.5 else 1.4)
    assert np.mean([line.shift_nm for line in kept]) == pytest.approx(0.15, abs=4 * scatter / 17)


@pytest.mark.parametrize("shift", [0.0, 0.4, -0.4, 2.5])
def test_no_line_is_taken_for_its_neighbour_whatever_the_shift(shift: float) -> None:
    axis = np.arange(390.0, 960.0, 0.3)
    rng = np.random.default_rng(4)
    counts = shown(axis, {**HG, **AR}, 1.4, rng, shift)
    result = read_lamp(axis, counts, np.zeros(len(axis), dtype=bool))
    assert isinstance(result, LampReading)
    off = [line.found_nm - line.published_nm for line in result.lines]
    assert np.median(off) == pytest.approx(shift, abs=0.02)
    assert np.abs(np.array(off) - shift).max() < 0.1


def test_the_modes_of_a_correction_are_its_uncertainty() -> None:
    """The sum of their squares is u^2, and their products the covariance of two places."""
    covariance = np.array([[4e-4, -1e-4], [-1e-4, 9e-4]])
    correction = Correction(600.0, 200.0, np.array([0.1, 0.02]), covariance, 0.01, ())
    at = np.array([420.0, 600.0, 790.0, 900.0])
    modes = correction.modes(at)
    assert np.square(modes).sum(axis=0) == pytest.approx(correction.at(at)[1] ** 2, rel=1e-12)
    # By hand: places 600 and 800 nm are x = 0 and 1, so cov = c00 + c01.
    two = correction.modes(np.array([600.0, 800.0]))
    assert float(two[:, 0] @ two[:, 1]) == pytest.approx(4e-4 - 1e-4, rel=1e-12)
