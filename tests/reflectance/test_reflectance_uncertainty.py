"""The law of propagation against worked values, the `uncertainties` package and simulation.

The five cases are worked from JCGM 100:2008 (GUM), equations 10 and 13, for
R = R_panel (S - D) / (W - D) (t_w / t_s); they agree with uncertainties 3.2.3 to 1e-15 and with
2,000,000 Monte Carlo draws (JCGM 101:2008).
"""

from __future__ import annotations

import numpy as np
import pytest
from uncertainties import correlated_values, ufloat

from leafledger.reflectance.count_corrections import Linearity
from leafledger.reflectance.detector import Noise, level_spread
from leafledger.reflectance.measurement_equation import (
    DarkPart,
    Part,
    WhitePart,
    interpolate,
    reflect,
)

NO_SHOT = 1e300
CASES = {
    "same time": (
        {
            "S": 30000,
            "D": 1500,
            "W": 52000,
            "P": 0.985,
            "tw": 10,
            "ts": 10,
            "uS": 90,
            "uD": 6,
            "uW": 110,
        },
        0.5558910891089109,
        (0.0017554455445544556, 0.0012108518772669346, 5.098323693755514e-05),
        (0.005, 0.003537344382489963),
    ),
    "integration scaled": (
        {
            "S": 21000,
            "D": 1500,
            "W": 52000,
            "P": 0.985,
            "tw": 10,
            "ts": 40,
            "uS": 75,
            "uD": 6,
            "uW": 110,
        },
        0.09508663366336634,
        (0.0003657178217821782, 0.00020711940005881777, 1.7960003921184196e-05),
        None,
    ),
    "low signal": (
        {
            "S": 1900,
            "D": 1500,
            "W": 9000,
            "P": 0.98,
            "tw": 20,
            "ts": 20,
            "uS": 15,
            "uD": 6,
            "uW": 40,
        },
        0.05226666666666667,
        (0.0019600000000000004, 0.00027875555555555555, 0.0007421866666666667),
        (0.006, 0.00213835116571878),
    ),
}


def measured(case: dict[str, float], *, own_dark: tuple[float, float] | None = None) -> Part:
    """Reflect one pixel; ``own_dark`` is the leaf's dark and its uncertainty if it has its own."""
    signal = case["W"] - case["D"]
    variances = [case["uD"] ** 2] + ([own_dark[1] ** 2] if own_dark else [])
    leaf = np.array([0.0, 1.0]) if own_dark else np.array([1.0])
    white_slope = np.array([1.0, 0.0])[: len(variances)] / case["tw"]
    return reflect(
        counts=np.array([[case["S"]]], dtype=float),
        integration_ms=case["ts"],
        averages=np.ones(1),
        dark=DarkPart(
            np.array([own_dark[0] if own_dark else case["D"]], dtype=float),
            leaf,
            np.array(variances, dtype=float),
            np.zeros(len(variances)),
        ),
        white=WhitePart(
            rate=np.array([[signal / case["tw"]]]),
            variance=np.array([[(case["uW"] / case["tw"]) ** 2]]),
            drift=np.zeros((1, 1)),
            dark_slope=white_slope[:, None, None],
        ),
        panel=case["P"],
        linearity=Linearity(),
        noise=Noise(NO_SHOT, case["uS"]),
    )


@pytest.mark.parametrize("name", CASES)
def test_worked_values(name: str) -> None:
    case, value, (by_scan, by_white, by_dark), panel = CASES[name]
    part = measured(case)
    assert part.reflectance[0, 0] == pytest.approx(value, rel=1e-12)
    assert np.sqrt(part.scan[0, 0]) == pytest.approx(by_scan, rel=1e-9)
    assert np.sqrt(part.reference[0, 0]) == pytest.approx(np.hypot(by_white, by_dark), rel=1e-9)
    if panel is not None:
        relative = panel[0] / case["P"]
        whole = part.scan + part.reference + (relative * part.reflectance) ** 2
        assert np.sqrt(whole[0, 0]) == pytest.approx(panel[1], rel=1e-9)


def test_worked_values_with_separate_darks() -> None:
    case = {
        "S": 21000,
        "D": 1500,
        "W": 52000,
        "P": 0.985,
        "tw": 10,
        "ts": 40,
        "uS": 75,
        "uD": 6,
        "uW": 110,
    }
    part = measured(case, own_dark=(2400, 8))
    assert part.reflectance[0, 0] == pytest.approx(0.0906980198019802, rel=1e-12)
    assert np.sqrt(part.scan[0, 0]) == pytest.approx(0.0003657178217821782, rel=1e-9)
    shared = np.sqrt(
        0.00019756004313302615**2 + 3.900990099009901e-05**2 + 1.0776002352710518e-05**2
    )
    assert np.sqrt(part.reference[0, 0]) == pytest.approx(shared, rel=1e-9)


def test_two_leaves_share_what_is_in_u_reference_and_panel() -> None:
    common = {"D": 1500, "W": 52000, "P": 0.985, "tw": 1, "ts": 1, "uD": 6, "uW": 110}
    one = measured({**common, "S": 30000, "uS": 90})
    two = measured({**common, "S": 33000, "uS": 95})
    panel = (0.005 / 0.985) ** 2 * one.reflectance * two.reflectance
    covariance = np.sqrt(one.reference * two.reference) + panel
    # the references of the two leaves are not quite fully correlated: the dark's sensitivities
    # have another ratio than the white's. 1e-4 relative here.
    assert covariance[0, 0] == pytest.approx(1.0423347764370042e-05, rel=2e-4)
    own = one.scan + two.scan
    assert np.sqrt(own[0, 0]) < 0.002572859989434773 < np.sqrt(own[0, 0]) * 1.02


def test_bracketed_whites_scaled_darks_and_linearity_as_the_uncertainties_package() -> None:
    c0, c1, c2 = 1.0, 3e-6, 1e-11
    d1, d2 = ufloat(1400, 5), ufloat(1800, 7)
    s, w1, w2 = ufloat(26000, 60), ufloat(51000, 80), ufloat(52500, 85)
    late, ts, tw = 0.3, 24.0, 12.0

    def linear(x):  # type: ignore[no-untyped-def]
        return x * (c0 + c1 * x + c2 * x * x)

    def dark(t):  # type: ignore[no-untyped-def]
        return d1 + (d2 - d1) * ((t - 10.0) / 20.0)

    rates = [linear(w - dark(tw)) / tw for w in (w1, w2)]
    expected = 0.98 * linear(s - dark(ts)) / ts / ((1 - late) * rates[0] + late * rates[1])
    parts = expected.error_components()

    line = Linearity((c0, c1, c2))
    weights = {t: np.array([1 - (t - 10) / 20, (t - 10) / 20]) for t in (tw, ts)}
    level = {t: np.array([w @ [1400.0, 1800.0]]) for t, w in weights.items()}
    slopes = [line.slope(np.array([w]) - level[tw]) / tw for w in (51000.0, 52500.0)]
    before, after = (
        WhitePart(
            line.value(np.array([[w]]) - level[tw]) / tw,
            (slope[None] * u) ** 2,
            np.zeros((1, 1)),
            np.outer(weights[tw], slope)[:, None, :],
        )
        for w, slope, u in zip((51000.0, 52500.0), slopes, (80, 85), strict=True)
    )
    white = interpolate(before, after, np.array([late]))
    part = reflect(
        np.array([[26000.0]]),
        ts,
        np.ones(1),
        DarkPart(level[ts], weights[ts], np.array([25.0, 49.0]), np.zeros(2)),
        white,
        0.98,
        line,
        Noise(NO_SHOT, 60.0),
    )
    assert part.reflectance[0, 0] == pytest.approx(expected.nominal_value, rel=1e-12)
    assert np.sqrt(part.scan[0, 0]) == pytest.approx(parts[s], rel=1e-9)
    shared = np.sqrt(sum(parts[x] ** 2 for x in (d1, d2, w1, w2)))
    assert np.sqrt(part.reference[0, 0]) == pytest.approx(shared, rel=1e-9)
    change = abs(rates[1].nominal_value - rates[0].nominal_value)
    rate = (0.7 * rates[0] + 0.3 * rates[1]).nominal_value
    assert part.drift[0, 0] == pytest.approx(
        expected.nominal_value / rate * change / np.sqrt(12), rel=1e-9
    )


def test_ndvi_of_two_bands_with_a_common_panel() -> None:
    """The parts carried apart give the uncertainty of an index that the whole sum would miss."""
    bands = {
        670: measured(
            {
                "S": 3500,
                "D": 1500,
                "W": 40000,
                "P": 0.985,
                "tw": 1,
                "ts": 1,
                "uS": 20,
                "uD": 6,
                "uW": 100,
            }
        ),
        800: measured(
            {
                "S": 24500,
                "D": 1500,
                "W": 50000,
                "P": 0.985,
                "tw": 1,
                "ts": 1,
                "uS": 80,
                "uD": 6,
                "uW": 100,
            }
        ),
    }
    panel = 0.01 / 0.985
    value = {nm: part.reflectance[0, 0] for nm, part in bands.items()}
    own = [bands[nm].scan[0, 0] + bands[nm].reference[0, 0] for nm in (670, 800)]
    common = panel**2 * np.outer(list(value.values()), list(value.values()))
    red, infrared = correlated_values(list(value.values()), np.diag(own) + common)
    index = (infrared - red) / (infrared + red)
    # worked value 0.002038444 with one dark common to both bands; with darks independent over
    # pixels, as here, the dark's share differs: equal to 1 %.
    assert index.nominal_value == pytest.approx(0.8025445292620866, rel=1e-12)
    assert index.std_dev == pytest.approx(0.002038444313308436, rel=0.01)


def test_analytic_variance_is_that_of_simulated_counts() -> None:
    """GUM Supplement 1: 200,000 seeded draws of every input."""
    rng = np.random.default_rng(11)
    n, gain, read, averages = 200_000, 3.0, 8.0, 4
    line = Linearity((1.0, 2e-6))
    dark_level, leaf, whites, late = 1500.0, 14000.0, (46000.0, 45000.0), 0.6

    def analytic(signal: float) -> float:
        x = np.array(signal)
        return float(noise.variance(line.value(x), line.slope(x), averages))

    noise = Noise(gain, read)

    def noisy(signal: float, size: int) -> np.ndarray:
        # shot noise belongs to linear counts; the record is taken before the polynomial
        sd = np.sqrt(analytic(signal)) / float(line.slope(np.array(signal)))
        return dark_level + signal + rng.normal(0, sd, size)

    dark = dark_level + rng.normal(0, read / np.sqrt(averages), n)
    before, after = (line.value(noisy(w, n) - dark) / 10 for w in whites)
    drawn = 0.99 * line.value(noisy(leaf, n) - dark) / 20 / ((1 - late) * before + late * after)
    slopes = [line.slope(np.array([w])) / 10 for w in whites]
    ends = [
        WhitePart(
            line.value(np.array([[w]])) / 10,
            np.array([[analytic(w) / 100]]),
            np.zeros((1, 1)),
            slope[None, None],
        )
        for w, slope in zip(whites, slopes, strict=True)
    ]
    white = interpolate(ends[0], ends[1], np.array([late]))
    part = reflect(
        np.array([[dark_level + leaf]]),
        20.0,
        np.array([float(averages)]),
        DarkPart(np.array([dark_level]), np.ones(1), np.array([read**2 / averages]), np.zeros(1)),
        white,
        0.99,
        line,
        noise,
    )
    assert drawn.mean() == pytest.approx(part.reflectance[0, 0], rel=1e-4)
    assert drawn.std() == pytest.approx(np.sqrt(part.scan + part.reference)[0, 0], rel=0.01)


def test_end_gauge_of_the_gum() -> None:
    """GUM H.1 (from memory): a gauge block of 50 mm, published combined uncertainty 32 nm.

    What applies here: the reference library of these tests gives the published value, and our rule
    for a quantity known only to lie between two ends (darks, the lamp between two whites) gives
    the example's uncertainties of the rectangular terms.
    """
    standard, difference = ufloat(50.000623e6, 25.0), ufloat(215.0, 9.7)
    expansion = ufloat(11.5e-6, level_spread([-2e-6, 2e-6]))
    expansion_difference = ufloat(0.0, level_spread([-1e-6, 1e-6]))
    temperature_difference = ufloat(0.0, level_spread([-0.05, 0.05]))
    temperature = ufloat(-0.1, 0.41)
    length = standard + difference
    length -= standard * (expansion_difference * temperature + expansion * temperature_difference)
    assert expansion.std_dev == pytest.approx(1.2e-6, rel=0.04)
    assert expansion_difference.std_dev == pytest.approx(0.58e-6, rel=0.01)
    assert temperature_difference.std_dev == pytest.approx(0.029, rel=0.01)
    assert length.nominal_value == pytest.approx(50.000838e6, abs=0.5)
    assert round(length.std_dev) == 32
    # The same by Monte Carlo (Supplement 1) with the second-order term the GUM adds: 34 nm.
    rng, n = np.random.default_rng(1), 400_000
    flat = rng.uniform(-1, 1, (3, n))
    theta = -0.1 + 0.41 * rng.normal(size=n)
    drawn = 25.0 * rng.normal(size=n) + 9.7 * rng.normal(size=n)
    drawn -= 50.000623e6 * (1e-6 * flat[0] * theta + (11.5e-6 + 2e-6 * flat[1]) * 0.05 * flat[2])
    assert drawn.std() == pytest.approx(34, abs=0.7)
