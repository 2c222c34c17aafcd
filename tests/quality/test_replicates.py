"""Groups of three and pairs: false calls on clean groups, finds in planted ones."""

from __future__ import annotations

import numpy as np
import pytest

from leafledger.quality.replicates import replicate
from leafledger.resampling.intervals import MAD_TO_SD

LIMIT = 4.5


def groups(
    rng: np.random.Generator, n_units: int = 24
) -> tuple[list[str], dict[str, tuple[str, str]], np.ndarray]:
    """Return log reflectance: units, leaves (two ways to differ in shape), level, noise."""
    shapes = np.sin(np.outer([1, 2], np.linspace(0, 3, 25)))
    names, places, rows = [], {}, []
    for unit in range(n_units):
        own = rng.normal(size=2) @ shapes * 0.1 + rng.normal() * 0.03
        for place in range(3):
            name = f"u{unit:02d}-{place}"
            names.append(name)
            places[name] = (f"u{unit:02d}", str(place))
            shift = rng.normal(size=2) * [0.08, 0.03] @ shapes + rng.normal() * 0.02
            rows.append(own + shift + 0.1 * place * shapes[0] + rng.normal(size=25) * 0.002)
    return names, places, np.array(rows)


def test_median_absolute_deviation_constant() -> None:
    # 1 / qnorm(0.75); median and scaled MAD of the uranium data of Tietjen & Moore 1972, as in
    # the NIST/SEMATECH handbook section on Grubbs' test.
    x = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    assert round(1.482602218505602, 4) == MAD_TO_SD
    assert np.median(x) == pytest.approx(201.37)
    assert 1.4826 * np.median(np.abs(x - np.median(x))) == pytest.approx(1.475187)


def test_clean_groups_are_rarely_called() -> None:
    rng = np.random.default_rng(51)
    n_outliers = n_notices = n_scans = 0
    for _ in range(60):
        flags = replicate(*groups(rng), LIMIT)
        n_outliers += sum(f.severity == "outlier" for f in flags)
        n_notices += sum(f.severity == "notice" for f in flags)
        n_scans += 72
    assert n_outliers <= n_scans / 1000
    assert n_notices <= n_scans / 300


def test_one_scan_apart_is_named_when_the_others_agree() -> None:
    rng = np.random.default_rng(52)
    right = wrong = 0
    for _ in range(60):
        names, places, bands = groups(rng)
        bands[34] += 0.6
        outliers = {
            f.scan for f in replicate(names, places, bands, LIMIT) if f.severity == "outlier"
        }
        right += names[34] in outliers
        wrong += len(outliers - {names[34]})
    assert right >= 57
    assert wrong <= 2


def test_position_effect_is_not_a_disagreement() -> None:
    rng = np.random.default_rng(53)
    names, places, bands = groups(rng)
    third = [k for k, name in enumerate(names) if places[name][1] == "2"]
    bands[third] += 1.0
    assert replicate(names, places, bands, LIMIT) == []


def test_group_that_scatters_gives_notices_only() -> None:
    rng = np.random.default_rng(54)
    names, places, bands = groups(rng)
    bands[30] += 0.9
    bands[31] -= 0.9
    flags = replicate(names, places, bands, LIMIT)
    assert {(f.scan, f.severity) for f in flags} == {(names[k], "notice") for k in (30, 31, 32)}
    assert {f.check for f in flags} == {"group_disagrees"}
    assert all("Group disagrees" in f.sentence for f in flags)


def test_pair_of_replicates_cannot_tell_which_but_the_other_leaves_can() -> None:
    rng = np.random.default_rng(55)
    names, places, bands = groups(rng)
    doubles = []
    for unit in range(0, 24, 3):
        name = f"u{unit:02d}-0b"
        places[name] = (f"u{unit:02d}", "0")
        names.append(name)
        doubles.append(bands[unit * 3] + rng.normal() * 0.01 + rng.normal(size=25) * 0.002)
    bands = np.vstack([bands, doubles])
    assert replicate(names, places, bands, LIMIT) == []
    bands[-1] += 0.12
    flags = replicate(names, places, bands, LIMIT)
    assert {(f.scan, f.severity) for f in flags} == {(n, "notice") for n in ("u21-0", "u21-0b")}


def test_order_of_scans_does_not_matter() -> None:
    rng = np.random.default_rng(56)
    names, places, bands = groups(rng)
    bands[34] += 0.5
    order = rng.permutation(len(names))
    again = replicate([names[k] for k in order], places, bands[order], LIMIT)
    assert {(f.scan, round(f.value, 9)) for f in again} == {
        (f.scan, round(f.value, 9)) for f in replicate(names, places, bands, LIMIT)
    }


def test_few_groups_give_no_scale() -> None:
    rng = np.random.default_rng(57)
    names, places, bands = groups(rng, n_units=3)
    bands[0] += 5
    assert replicate(names, places, bands, LIMIT) == []


def session_of_leaves(
    n_leaves: int, seed: int, *, swapped: bool
) -> tuple[list[str], dict[str, tuple[str, str]], np.ndarray, set[str]]:
    """Return 14 units from pale to dark; a leaf of the palest and one of the darkest exchanged."""
    rng = np.random.default_rng(seed)
    level, shape = np.ones(25), np.sin(np.linspace(0, 3, 25))
    names, places, rows = [], {}, []
    for unit, colour in enumerate(rng.permutation(np.linspace(-1, 1, 14))):
        for leaf in range(n_leaves):
            name = f"u{unit:02d}-{leaf}"
            names.append(name)
            places[name] = (f"u{unit:02d}", str(leaf))
            own = colour + rng.normal(0, 0.05)
            rows.append(own * shape + rng.normal(0, 0.02) * level + rng.normal(0, 0.004, 25))
    bands = np.array(rows)
    middle = bands.mean(axis=1).reshape(14, n_leaves).mean(axis=1)
    low, high = int(np.argmin(middle)) * n_leaves, int(np.argmax(middle)) * n_leaves + 1
    if swapped:
        bands[[low, high]] = bands[[high, low]]
    return names, places, bands, {names[low], names[high]}


@pytest.mark.parametrize("n_leaves", [2, 3])
def test_two_swapped_leaves_are_asked_about(n_leaves: int) -> None:
    """Of two leaves a unit nothing tells which two were exchanged: all four are asked about."""
    n_asked = 0
    for seed in range(12):
        names, places, bands, moved = session_of_leaves(n_leaves, seed, swapped=True)
        flags = replicate(names, places, bands, LIMIT)
        asked = {flag.scan for flag in flags if "were the two labels swapped?" in flag.sentence}
        if not asked:
            continue
        n_asked += 1
        assert moved <= asked
        assert len(asked) == (4 if n_leaves == 2 else 2)
        first, second = sorted(moved)
        unit, leaf = places[second]
        (said,) = {f.sentence for f in flags if f.scan == first}
        assert f"With leaf {leaf} of {unit} in its place the leaves of both units agree" in said
        assert ("nothing tells which of the two were" in said) == (n_leaves == 2)
        assert {f.severity for f in flags if f.scan in moved} == {
            "notice" if n_leaves == 2 else "outlier"
        }
    assert n_asked >= 10


@pytest.mark.parametrize("n_leaves", [2, 3])
def test_no_swap_is_asked_about_where_none_was(n_leaves: int) -> None:
    for seed in range(100):
        names, places, bands, moved = session_of_leaves(n_leaves, seed, swapped=False)
        flags = replicate(names, places, bands, LIMIT)
        assert not [flag for flag in flags if "swapped" in flag.sentence]
        # One leaf that is odd by itself is no exchange.
        bands[names.index(min(moved))] += 0.7
        flags = replicate(names, places, bands, LIMIT)
        assert flags
        assert not [flag for flag in flags if "swapped" in flag.sentence]
