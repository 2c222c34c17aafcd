"""The catalogue: every entry against values computed elsewhere from its published definition."""

import csv
from pathlib import Path

import numpy as np
import pytest

from leafledger.indices.catalogue import averaged, catalogue, document
from leafledger.spectra.formula import evaluate, parse, written
from leafledger.spectra.grid import band_weights
from leafledger.study.definition import DEFAULT_INDICES, ID_PATTERN

REFERENCE = Path(__file__).parents[1] / "reference" / "indices" / "prospect_d_values.csv"
# N, chlorophyll, carotenoid, brown pigment, water, dry matter, anthocyanin.
LEAVES = {
    "A_green": (1.5, 40.0, 8.0, 0.0, 0.01, 0.009, 0.0),
    "B_stressed": (1.7, 15.0, 5.0, 0.1, 0.008, 0.01, 2.0),
    "C_dark_thick": (2.1, 70.0, 14.0, 0.0, 0.018, 0.012, 1.0),
    "D_model_default": (1.2, 30.0, 10.0, 0.0, 0.015, 0.009, 1.0),
}


def leaf(n, cab, car, brown, water, dry, ant):
    prosail = pytest.importorskip("prosail")
    wavelength, reflectance, _ = prosail.run_prospect(
        n, cab, car, brown, water, dry, ant=ant, prospect_version="D"
    )
    return np.asarray(wavelength, dtype=float), np.asarray(reflectance, dtype=float)


@pytest.fixture(scope="module")
def leaves():
    found = [leaf(*parameters) for parameters in LEAVES.values()]
    return found[0][0], np.stack([reflectance for _, reflectance in found])


def value(entry, leaves):
    axis, spectra = leaves
    bands = {band: spectra @ band_weights(axis, band) for band in entry.bands}
    return evaluate(entry.tree, bands).value


def reference():
    with REFERENCE.open(encoding="utf-8", newline="") as lines:
        return {row.pop("index"): [float(row[x]) for x in LEAVES] for row in csv.DictReader(lines)}


def test_the_leaves_are_the_ones_the_values_were_computed_on(leaves) -> None:
    # Reflectance of leaf A in the tables of the check, package prosail 2.0.5.
    axis, spectra = leaves
    got = spectra[0, np.searchsorted(axis, [445, 550, 670, 800])]
    expected = [0.0412731458448394, 0.15116726533202093, 0.036352075282125536, 0.44254253418675826]
    assert got == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("index", sorted(reference()))
def test_published_definition(index, leaves) -> None:
    """Source of each definition: the entry itself and tests/reference/indices/README.md."""
    got = value(catalogue()[index], leaves)
    assert got == pytest.approx(reference()[index], rel=2e-9, abs=1e-11)


def test_every_entry_is_checked_and_the_default_ones_are_there() -> None:
    assert set(reference()) == set(catalogue())
    assert len(catalogue()) >= 40
    assert set(DEFAULT_INDICES) <= set(catalogue())


def test_water_index_over_10_nm_stays_near_the_published_one(leaves) -> None:
    entry = catalogue()["WI"]
    assert [name for name, e in catalogue().items() if e.band_width_nm] == ["WI"]
    wide = averaged(entry, entry.band_width_nm)
    assert written(wide.tree) == "R(895, 905) / R(965, 975)"
    difference = value(wide, leaves) - value(entry, leaves)
    assert np.all(np.abs(difference) < 5e-4)
    assert np.all(difference != 0)
    # By hand: the mean of eleven whole wavelengths around each band.
    axis, spectra = leaves
    near = [spectra[:, np.abs(axis - centre) <= 5].mean(axis=1) for centre in (900, 970)]
    assert value(wide, leaves) == pytest.approx(near[0] / near[1], rel=1e-12)


def test_identities_between_indices(leaves) -> None:
    """Algebra of the published definitions; holds for any spectrum."""
    got = {name: value(entry, leaves) for name, entry in catalogue().items()}
    assert got["SR"] == pytest.approx((1 + got["NDVI"]) / (1 - got["NDVI"]))
    assert got["mSR705"] == pytest.approx((1 + got["mND705"]) / (1 - got["mND705"]))
    assert got["SRPI"] == pytest.approx((1 - got["NPCI"]) / (1 + got["NPCI"]))
    assert got["LIC1"] == pytest.approx(got["PSNDa"])
    assert got["TCARI_OSAVI"] == pytest.approx(got["TCARI"] / got["OSAVI"])


SCALED = {"ARI1": -1, "CRI1": -1, "CRI2": -1, "MCARI": 1, "TCARI": 1, "TVI": 1, "RVSI": 1, "DD": 1}
NEITHER = {"OSAVI", "TCARI_OSAVI", "EVI"}


@pytest.mark.parametrize("index", sorted(set(catalogue()) - NEITHER))
def test_what_a_common_scale_does(index, leaves) -> None:
    axis, spectra = leaves
    entry = catalogue()[index]
    power = SCALED.get(index, 0)
    got = value(entry, (axis, 1.07 * spectra))
    assert got == pytest.approx(1.07**power * value(entry, leaves), rel=1e-11)


def test_facts_of_leaf_optics() -> None:
    """PROSPECT-D absorbs with chlorophyll only below 781 nm and anthocyanin only below 690 nm."""
    base = (1.5, 40.0, 8.0, 0.0, 0.01, 0.009, 0.0)
    plain = leaf(*base)
    greener, redder = leaf(1.5, 60.0, *base[2:]), leaf(*base[:6], 5.0)

    def change(index, other):
        both = (plain[0], np.stack([plain[1], other[1]]))
        first, second = value(catalogue()[index], both)
        return second - first

    assert change("CI_rededge", greener) > 0.1
    assert change("WI", greener) == pytest.approx(0, abs=1e-12)
    assert change("ND705", redder) == pytest.approx(0, abs=1e-12)
    assert change("ARI1", redder) > 1
    assert abs(change("ARI1", greener)) > 0.1  # the confusion the catalogue names


def test_every_entry_is_described() -> None:
    import re

    for entry in catalogue().values():
        assert re.match(ID_PATTERN, entry.index)
        assert entry.domain in {"leaf", "canopy"}
        assert entry.unit in {"1", "nm"}
        for text in (entry.name, entry.responds_to, entry.confusions, entry.source):
            assert len(text) > 5
        assert re.search(r"\((18|19|20)\d\d\)", entry.source)
        assert parse(written(entry.tree)) == entry.tree
        assert parse(entry.formula) == entry.tree


def test_the_page_is_current() -> None:
    page = Path(__file__).parents[2] / "docs" / "indices.md"
    renew = (
        'python -c "import pathlib, leafledger.indices.catalogue as d; '
        "pathlib.Path('docs/indices.md').write_text(d.document(), encoding='utf-8')\""
    )
    assert page.read_text(encoding="utf-8") == document(), f"renew it with: {renew}"


def test_sources_say_that_nobody_looked_them_up() -> None:
    """Names, years and papers as two readers of the table remember them."""
    entries = catalogue()
    assert all("(from memory" in entry.source for entry in entries.values())
    assert sum("Hallik" in entry.source for entry in entries.values()) == 7
    for name in ("PSSRa", "PSSRb", "PSSRc", "PSNDa"):
        assert "International Journal of Remote Sensing 19:657-675" in entries[name].source
        assert "Remote Sensing of Environment" not in entries[name].source
    osavi = entries["OSAVI"]
    assert "Haboudane" in osavi.source
    assert "have no factor 1.16" in osavi.confusions
    assert "near 10 ug/cm2" in entries["NDVI"].responds_to
