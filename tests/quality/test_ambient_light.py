"""The lamp-line filter: calls on clean leaves, open clips, LED lamps and hot pixels."""

from __future__ import annotations

import numpy as np
import pytest
from simulated import MERCURY, TRI_BAND, any_leaves, lamp

from leafledger.quality.fluorescent_lines import (
    LAMPS,
    THRESHOLD,
    assessable,
    find_leak,
    leaf_covariance,
)
from leafledger.quality.fluorescent_lines import MERCURY as MERCURY_LAMP
from leafledger.quality.room_light import ambient_light, smallest_leak

AXIS = np.arange(400.0, 1000.5, 1.0)


def noisy(clean: np.ndarray, noise: float, rng: np.random.Generator) -> np.ndarray:
    return clean + rng.normal(size=clean.shape) * noise


def leak_of_one_percent(axis: np.ndarray, lines: dict[float, float], *, read: bool) -> np.ndarray:
    """Return a leak of 1 % at its strongest line: as the highest pixel reads it, or before it."""
    light = 0.01 * lamp(axis, lines, 1.5)
    return 0.01 * light / light[axis >= 500].max() if read else light


def test_a_lamp_gives_the_same_light_to_pixels_of_any_size() -> None:
    def total(step: float) -> float:
        axis = np.arange(500.0, 700.0 + step / 2, step)
        return float(lamp(axis, {546.075: 1.0, 611.6: 0.6}, 1.5).sum() * step)

    gaussian = 1.6 * 1.5 * np.sqrt(np.pi / np.log(2)) / 2  # area of a Gaussian: common knowledge
    assert [total(step) for step in (0.2, 1.0, 2.5)] == pytest.approx([gaussian] * 3, rel=1e-4)
    fine = lamp(np.arange(540.0, 550.0, 0.01), {546.075: 1.0}, 1.5)
    assert fine.max() == pytest.approx(1.0, abs=1e-4)


def test_lines_stand_where_they_were_measured() -> None:
    # Sansonetti, Salit & Reader 1996, Appl. Opt. 35:74-77, air wavelengths.
    published = {404.6565, 435.8335, 546.0750, 576.9610, 579.0670}
    assert {x.wavelength_nm for group in MERCURY_LAMP.groups for x in group} == published


@pytest.mark.parametrize("known", [True, False])
def test_clean_leaves_are_rarely_called(known: bool) -> None:
    rng = np.random.default_rng(41)
    clean = np.repeat(any_leaves(AXIS, 400, rng), 5, axis=0)
    u = np.full(clean.shape, 0.003)
    called = find_leak(AXIS, noisy(clean, 0.003, rng), u if known else None).called
    assert called.sum() <= 6  # 2 expected at 1 in 1,000; more than 6 would be 1 in 200


@pytest.mark.slow
@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("noise", [0.0002, 0.003, 0.005])
def test_fewer_than_one_clean_leaf_in_a_thousand(noise: float, known: bool) -> None:
    rng = np.random.default_rng(42)
    clean = any_leaves(AXIS, 2000, rng)
    n_called = 0
    for _ in range(5):
        u = np.full(clean.shape, noise) if known else None
        n_called += int(find_leak(AXIS, noisy(clean, noise, rng), u).called.sum())
    assert n_called <= 10, f"{n_called} of 10,000"


@pytest.mark.parametrize("lines", [MERCURY, TRI_BAND], ids=["mercury", "tri-band"])
@pytest.mark.parametrize(("step", "noise"), [(1.0, 0.003), (0.4, 0.005)])
def test_one_percent_leak_is_seen_nine_times_in_ten(
    lines: dict[float, float], step: float, noise: float
) -> None:
    rng = np.random.default_rng(43)
    axis = np.arange(400.0, 1000.0 + step / 2, step)
    clean = any_leaves(axis, 600, rng)
    light = lamp(axis, lines, 1.5)
    light /= light[np.argmin(np.abs(axis - 546.075))]
    leak = find_leak(axis, noisy(clean + 0.01 * light, noise, rng), np.full(clean.shape, noise))
    assert leak.called.mean() >= 0.9


@pytest.mark.parametrize("everywhere", [True, False], ids=["every leaf", "one in four"])
def test_mercury_is_seen_nine_times_in_ten_in_half_a_percent_of_noise(everywhere: bool) -> None:
    rng = np.random.default_rng(54)
    clean = np.repeat(any_leaves(AXIS, 400, rng), 10, axis=0)
    leaking = np.arange(len(clean)) % (1 if everywhere else 4) == 0
    leaks = noisy(clean, 0.005, rng)
    leaks[leaking] += leak_of_one_percent(AXIS, MERCURY, read=True)
    called = find_leak(AXIS, leaks, np.full(clean.shape, 0.005)).called
    assert called[leaking].mean() >= 0.9


def test_a_leak_in_every_scan_does_not_pass_for_chance() -> None:
    # Beside a line the filter dips; without noise nothing else would stand there.
    rng = np.random.default_rng(55)
    clean = any_leaves(AXIS, 100, rng)
    u = np.full(clean.shape, 0.005)
    without = noisy(clean, 0.005, rng)
    leaking = without + 0.05 * lamp(AXIS, MERCURY, 1.5)
    one, other = (find_leak(AXIS, spectra, u).unit_leak for spectra in (without, leaking))
    assert np.median(other) == pytest.approx(np.median(one), rel=0.03)


def test_height_of_a_clear_leak_is_recovered() -> None:
    rng = np.random.default_rng(44)
    clean = any_leaves(AXIS, 50, rng)
    leak = find_leak(AXIS, noisy(clean + 0.05 * lamp(AXIS, MERCURY, 2.5), 0.002, rng), None)
    assert leak.called.all()
    assert np.median(leak.height) == pytest.approx(0.05, rel=0.15)
    assert {LAMPS[k].name for k in leak.lamp} == {"mercury lines"}


def _illuminant(name: str) -> np.ndarray:
    import colour

    table = colour.SDS_ILLUMINANTS[name]
    return np.interp(AXIS, table.wavelengths, table.values)


@pytest.mark.parametrize("name", ["LED-B1", "LED-B3", "LED-B5", "LED-V1", "A", "D65"])
@pytest.mark.parametrize("leak", [0.02, 0.2])
def test_lamps_without_lines_are_not_called(name: str, leak: float) -> None:
    # CIE 15:2018 illuminants as tabulated in the package colour-science. The table's 5 nm steps
    # are smoothed so that the kinks of linear interpolation are not taken for lines.
    import colour
    from scipy.interpolate import CubicSpline

    table = colour.SDS_ILLUMINANTS[name]
    smooth = CubicSpline(table.wavelengths, table.values)(np.minimum(AXIS, 780.0))
    rng = np.random.default_rng(45)
    clean = np.repeat(any_leaves(AXIS, 100, rng), 3, axis=0)
    light = leak * smooth / smooth.max()
    called = find_leak(AXIS, noisy(clean + light, 0.003, rng), np.full(clean.shape, 0.003)).called
    assert called.sum() <= 2


@pytest.mark.parametrize("name", ["FL2", "FL8", "FL3.1", "FL11", "FL12", "FL3.9"])
def test_fluorescent_illuminants_are_called(name: str) -> None:
    # CIE 15:2018 through colour-science: the 5 nm tables broaden every line, so the leak is larger.
    power = _illuminant(name)
    rng = np.random.default_rng(46)
    clean = any_leaves(AXIS, 60, rng)
    leak = noisy(clean + 0.08 * power / power.max(), 0.002, rng)
    assert find_leak(AXIS, leak, np.full(clean.shape, 0.002)).called.mean() >= 0.9


@pytest.mark.parametrize("height", [0.01, 0.03, 0.2])
def test_a_hot_pixel_at_546_alone_is_not_called(height: float) -> None:
    rng = np.random.default_rng(47)
    clean = np.repeat(any_leaves(AXIS, 100, rng), 3, axis=0)
    spiked = noisy(clean, 0.003, rng)
    spiked[:, np.argmin(np.abs(AXIS - 546))] += height
    assert find_leak(AXIS, spiked, np.full(clean.shape, 0.003)).called.mean() <= 0.10


def test_coarse_or_short_axes_are_not_assessed() -> None:
    assert assessable(AXIS)
    assert not assessable(np.arange(400.0, 1000.0, 10.0))
    assert not assessable(np.arange(700.0, 1000.0, 1.0))


def test_flag_says_where_and_how_much() -> None:
    rng = np.random.default_rng(48)
    clean = any_leaves(AXIS, 2, rng)
    clean[1] += 0.04 * lamp(AXIS, MERCURY, 1.5)
    leak = find_leak(AXIS, noisy(clean, 0.002, rng), None)
    (flag,) = ambient_light(["a", "b"], leak, THRESHOLD, 0.005, None)
    assert (flag.scan, flag.check, flag.severity) == ("b", "ambient_light", "fault")
    assert flag.value == pytest.approx(0.035, rel=0.2)
    assert flag.threshold == 0.005
    assert flag.wavelength_nm == pytest.approx(546.1, abs=0.6)
    assert "add about 4" in flag.sentence or "add about 3." in flag.sentence
    assert "% reflectance near 546 nm" in flag.sentence


def test_smallest_leak_grows_with_noise() -> None:
    rng = np.random.default_rng(49)
    clean = any_leaves(AXIS, 200, rng)
    leaks = [find_leak(AXIS, noisy(clean, n, rng), np.full(clean.shape, n)) for n in (0.003, 0.01)]
    seen = [float(np.median(smallest_leak(leak, THRESHOLD))) for leak in leaks]
    assert seen[1] == pytest.approx(seen[0] * 10 / 3, rel=0.15)
    assert 0.005 < seen[0] < 0.0125


@pytest.mark.parametrize("lines", [MERCURY, TRI_BAND], ids=["mercury", "tri-band"])
def test_the_smallest_leak_is_seen_nine_times_in_ten(lines: dict[float, float]) -> None:
    rng = np.random.default_rng(7)
    clean = np.repeat(any_leaves(AXIS, 250, rng), 4, axis=0)
    u = np.full(clean.shape, 0.005)
    least = smallest_leak(find_leak(AXIS, noisy(clean, 0.005, rng), u), THRESHOLD)
    as_read = 100 * leak_of_one_percent(AXIS, lines, read=True)
    with_leak = noisy(clean, 0.005, rng) + least[:, None] * as_read
    share = find_leak(AXIS, with_leak, u).called.mean()
    assert share > 0.9 - 0.015, "0.9 less what chance allows 1,000 leaks in one of twenty tests"
    assert np.median(least) == pytest.approx(0.0135, abs=0.0004), "and not more than is needed"


@pytest.mark.parametrize(
    ("lines", "read", "height", "best"),
    [
        (MERCURY, True, 4.93, 0.97),
        (TRI_BAND, True, 3.77, 0.75),
        (MERCURY, False, 4.44, 0.91),
        (TRI_BAND, False, 2.91, 0.43),
    ],
)
def test_no_filter_sees_more_than_the_table_says(
    lines: dict[float, float], read: bool, height: float, best: float
) -> None:
    # Neyman & Pearson: a known shape in normal noise of known covariance is seen with Phi(d - z).
    from scipy.stats import norm

    axis = AXIS[AXIS <= 675]
    light = leak_of_one_percent(axis, lines, read=read)
    noise = leaf_covariance(axis) + 0.005**2 * np.eye(len(axis))
    ideal = float(np.sqrt(light @ np.linalg.solve(noise, light)))
    assert ideal == pytest.approx(height, abs=0.02)
    assert norm.cdf(ideal - norm.isf(0.001)) == pytest.approx(best, abs=0.01)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("lines", "step", "noise", "as_read", "as_shone"),
    [
        (MERCURY, 1.0, 0.003, 0.995, 0.99),
        (TRI_BAND, 1.0, 0.003, 0.99, 0.84),
        (MERCURY, 1.0, 0.005, 0.91, 0.83),
        (TRI_BAND, 1.0, 0.005, 0.55, 0.24),
        (MERCURY, 0.7, 0.005, 0.97, 0.95),
        (TRI_BAND, 0.7, 0.005, 0.60, 0.46),
        (MERCURY, 0.35, 0.005, 0.995, 0.99),
        (TRI_BAND, 0.35, 0.005, 0.93, 0.90),
    ],
)
def test_as_many_leaks_are_seen_as_the_table_says(
    lines: dict[float, float], step: float, noise: float, as_read: float, as_shone: float
) -> None:
    axis = np.arange(400.0, 1000.0 + step / 2, step)
    for read, share in ((True, as_read), (False, as_shone)):
        rng = np.random.default_rng(50)
        clean = np.repeat(any_leaves(axis, 250, rng), 4, axis=0)
        light = leak_of_one_percent(axis, lines, read=read)
        leaks = noisy(clean + light, noise, rng)
        seen = find_leak(axis, leaks, np.full(clean.shape, noise)).called.mean()
        # Three standard deviations of a share of 1,000 and of the table's of 4,000.
        allowance = 3 * np.sqrt(1.25 * share * (1 - share) / 1000)
        assert seen == pytest.approx(share, abs=allowance + 0.005)
