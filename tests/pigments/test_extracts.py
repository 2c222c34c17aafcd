"""Pigment equations: worked arithmetic by hand in every solvent, each coefficient, and uncertainty.

Worked values: a stated reading (red 0.712, short 0.318, A470 or A480 0.935, A750 0.004) put into
the equations by hand; those in acetone stand in the project's own open check values too.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leafledger.pigments.extracts import (
    CAROTENOIDS,
    CHLOROPHYLL,
    CHLOROPHYLL_A,
    CHLOROPHYLL_B,
    PER_AREA,
    PER_MASS,
    RATIO,
    Equation,
    Extract,
    Measured,
    NoEquation,
    concentrations,
    contents,
    equation_of,
    equations,
    examine,
    solvent_named,
    solvents,
    swapped_readings,
)

BY_NAME = {one.name: one for one in equations()}

# 0.708 and 0.314 above A750, 0.931 for carotenoids. By hand, as in: 12.25 * 0.708 - 2.79 * 0.314.
WORKED = {
    "lichtenthaler1987_acetone80": (7.79694, 3.1402, 3.2819685111111103),
    "lichtenthaler1987_acetone100": (7.31736, 3.3543, 3.2958248317757013),
    "porra1989_acetone80": (7.8723, 2.90106, math.nan),
    # 8.81178 and 3.19310 nmol/ml by 893.5 and 907.5 g/mol.
    "porra1989_acetone80_nmol": (7.87332543, 2.89773825, math.nan),
    "arnon1949_acetone80": (8.14694, 3.87716, math.nan),
    # Such as 16.72*0.708 - 9.16*0.314, 34.09*0.314 - 15.28*0.708, and then
    # (931 - 1.63*8.96152 + 104.96*0.11398) / 221; decimal arithmetic by itself.
    "lichtenthaler_buschmann2001_methanol": (8.96152, -0.11398, 4.200706168325792),
    "lichtenthaler_buschmann2001_ethanol95": (7.82922, 2.86406, 3.036868821052632),
    "lichtenthaler_buschmann2001_diethyl_ether": (6.81082, 3.41660, 3.896132123902439),
    "wellburn1994_dmso_narrow": (7.69208, 3.26684, 3.3881207345454545),
    "wellburn1994_dmso_wide": (7.54722, 3.13830, 3.1575719145454544),
}


def extract(equation: Equation, **more: object) -> Extract:
    red, short = 0.712, 0.318
    read = {equation.red_nm: red, equation.short_nm: short, 750.0: 0.004}
    if equation.carotenoid_nm is not None:
        read[equation.carotenoid_nm] = 0.935
    known = {
        "volume_ml": Measured(10.0, 0.05),
        "area_cm2": Measured(8.0, 0.1),
        "mass_g": Measured(0.25, 0.002),
        "u_absorbance": 0.003,
    }
    return Extract(equation, read, **{**known, **more})  # type: ignore[arg-type]


def by_quantity(one: Extract) -> dict[tuple[str, str], tuple[float, float]]:
    return {(c.quantity, c.unit): (c.value, c.u) for c in contents(one)}


def test_every_set_of_equations_is_worked_here() -> None:
    assert set(WORKED) == set(BY_NAME)


@pytest.mark.parametrize("name", WORKED)
def test_worked_reading_in_every_solvent(name: str) -> None:
    c, _ = concentrations(extract(BY_NAME[name]))
    a, b, carotenoids = WORKED[name]
    assert c[:3].tolist() == pytest.approx([a, b, a + b], rel=1e-9)
    assert c[3] == pytest.approx(carotenoids, rel=1e-9, nan_ok=True)


PRINTED_TOTALS = {
    # The printed equation of the total, remembered apart: factors of the red and short reading.
    "lichtenthaler1987_acetone80": (7.15, 18.71),
    "lichtenthaler1987_acetone100": (7.05, 18.09),
    "porra1989_acetone80": (7.34, 17.76),
    "lichtenthaler_buschmann2001_methanol": (1.44, 24.93),
    "lichtenthaler_buschmann2001_ethanol95": (5.24, 22.24),
    "lichtenthaler_buschmann2001_diethyl_ether": (7.62, 15.39),
    "arnon1949_acetone80": (8.02, 20.21),  # printed 20.2
}


@pytest.mark.parametrize("name", PRINTED_TOTALS)
def test_printed_equation_of_the_total_is_the_sum(name: str) -> None:
    one = BY_NAME[name]
    sums = [p + q for p, q in zip(one.a, one.b, strict=True)]
    assert sums == pytest.approx(PRINTED_TOTALS[name], abs=1e-9)


def test_the_set_of_porra_in_nmol_is_that_in_ug_but_for_rounding_and_is_taken_by_name_only() -> (
    None
):
    """Printed totals 8.29 and 19.54 nmol/ml; the two sets differ by less than 0.1 %."""
    one, other = BY_NAME["porra1989_acetone80_nmol"], BY_NAME["porra1989_acetone80"]
    nmol = [a / 0.8935 + b / 0.9075 for a, b in zip(one.a, one.b, strict=True)]
    assert nmol == pytest.approx([8.29, 19.54], abs=1e-9)
    assert [*one.a, *one.b] == pytest.approx([*other.a, *other.b], rel=2e-3)
    assert equation_of("acetone 80 %", (663.6, 646.6)).name == other.name
    named = equation_of("acetone 80 %", (663.6, 646.6), named=one.name)
    assert named.name == one.name


TYPED = {
    # Every coefficient typed a second time: red, short, blue nm; a; b; carotenoids; band.
    "lichtenthaler1987_acetone80": (
        (663.2, 646.8, 470), (12.25, -2.79), (-5.1, 21.5), (1000, 1.82, 85.02, 198), (0.1, 0.5)),
    "lichtenthaler1987_acetone100": (
        (661.6, 644.8, 470), (11.24, -2.04), (-4.19, 20.13), (1000, 1.9, 63.14, 214), (0.1, 0.5)),
    "porra1989_acetone80": ((663.6, 646.6), (12.25, -2.55), (-4.91, 20.31), None, (0.1, 0.5)),
    "porra1989_acetone80_nmol": (
        (663.6, 646.6), (13.71 * 0.8935, -2.85 * 0.8935), (-5.42 * 0.9075, 22.39 * 0.9075), None,
        (0.1, 0.5)),
    "arnon1949_acetone80": ((663, 645), (12.7, -2.69), (-4.68, 22.9), None, (0.1, 0.5)),
    "lichtenthaler_buschmann2001_methanol": (
        (665.2, 652.4, 470), (16.72, -9.16), (-15.28, 34.09), (1000, 1.63, 104.96, 221),
        (0.1, 0.5)),
    "lichtenthaler_buschmann2001_ethanol95": (
        (664.1, 648.6, 470), (13.36, -5.19), (-8.12, 27.43), (1000, 2.13, 97.63, 209), (0.1, 0.5)),
    "lichtenthaler_buschmann2001_diethyl_ether": (
        (660.6, 642.2, 470), (10.05, -0.97), (-2.43, 16.36), (1000, 1.43, 35.87, 205), (0.1, 0.5)),
    "wellburn1994_dmso_narrow": (
        (665.1, 649.1, 480), (12.47, -3.62), (-6.5, 25.06), (1000, 1.29, 53.78, 220), (0.1, 0.5)),
    "wellburn1994_dmso_wide": (
        (665, 649, 480), (12.19, -3.45), (-5.32, 21.99), (1000, 2.14, 70.16, 220), (1, 4)),
}  # fmt: skip


@pytest.mark.parametrize("name", TYPED)
def test_each_coefficient_twice_typed(name: str) -> None:
    one = BY_NAME[name]
    assert (one.wavelengths_nm, one.a, one.b, one.carotenoid, one.band_nm) == TYPED[name]
    assert one.source and one.verification
    assert one.comparison_only == (name == "arnon1949_acetone80")


def test_content_per_area_and_mass() -> None:
    """10 ml from 8 cm2 or 0.25 g: 10.93714 ug/ml are 13.671425 ug/cm2 and 0.4374856 mg/g."""
    found = by_quantity(extract(BY_NAME["lichtenthaler1987_acetone80"]))
    assert found[CHLOROPHYLL, PER_AREA][0] == pytest.approx(13.671425, rel=1e-9)
    assert found[CHLOROPHYLL, PER_MASS][0] == pytest.approx(0.4374856, rel=1e-9)
    assert found[CAROTENOIDS, PER_AREA][0] == pytest.approx(4.102460638888888, rel=1e-9)
    assert found[RATIO, "1"][0] == pytest.approx(2.48294376154385, rel=1e-9)


def test_path_and_dilution() -> None:
    one = BY_NAME["lichtenthaler1987_acetone80"]
    plain = by_quantity(extract(one))
    half = by_quantity(extract(one, path_cm=0.5))
    fivefold = by_quantity(extract(one, dilution=Measured(5.0, 0.0)))
    for key, (value, u) in plain.items():
        assert half[key][0] == pytest.approx(value * (1.0 if key[0] == RATIO else 2.0))
        assert fivefold[key][0] == pytest.approx(value * (1.0 if key[0] == RATIO else 5.0))
        assert fivefold[key][1] == pytest.approx(u * (1.0 if key[0] == RATIO else 5.0))


@pytest.mark.parametrize("name", ["lichtenthaler1987_acetone80", "wellburn1994_dmso_wide"])
def test_uncertainty_against_monte_carlo(name: str) -> None:
    """The gradient against 400,000 draws of all inputs: within 1 %, and the draws' own mean."""
    one = extract(BY_NAME[name], dilution=Measured(2.0, 0.02), path_cm=0.99)
    draws = np.random.default_rng(20)
    n = 400_000
    readings = {
        nm: value + 0.003 * draws.standard_normal(n) for nm, value in one.absorbance.items()
    }
    equation = one.equation
    assert equation.carotenoid is not None and equation.carotenoid_nm is not None
    turbid = readings[750.0]
    red, short, blue = (readings[nm] - turbid for nm in equation.wavelengths_nm)
    a = (equation.a[0] * red + equation.a[1] * short) / 0.99
    b = (equation.b[0] * red + equation.b[1] * short) / 0.99
    factor, of_a, of_b, divisor = equation.carotenoid
    x = (factor * blue / 0.99 - of_a * a - of_b * b) / divisor
    volume, dilution = (
        10.0 + 0.05 * draws.standard_normal(n),
        2.0 + 0.02 * draws.standard_normal(n),
    )
    area = 8.0 + 0.1 * draws.standard_normal(n)
    mass = 0.25 + 0.002 * draws.standard_normal(n)
    scale = {PER_AREA: volume * dilution / area, PER_MASS: 1e-3 * volume * dilution / mass}
    simulated = {
        (quantity, unit): c * factor
        for unit, factor in scale.items()
        for quantity, c in (
            (CHLOROPHYLL_A, a), (CHLOROPHYLL_B, b), (CHLOROPHYLL, a + b), (CAROTENOIDS, x),
        )
    }  # fmt: skip
    simulated[RATIO, "1"] = a / b
    found = by_quantity(one)
    assert set(found) == set(simulated)
    for key, drawn in simulated.items():
        assert found[key][0] == pytest.approx(float(drawn.mean()), rel=2e-3)
        assert found[key][1] == pytest.approx(float(drawn.std()), rel=0.01)


def test_an_unknown_uncertainty_is_unknown_not_zero() -> None:
    one = BY_NAME["lichtenthaler1987_acetone80"]
    without = by_quantity(extract(one, volume_ml=Measured(10.0)))
    assert math.isnan(without[CHLOROPHYLL, PER_AREA][1])
    assert without[RATIO, "1"][1] > 0  # the volume cancels in the ratio
    assert math.isnan(by_quantity(extract(one, u_absorbance=math.nan))[RATIO, "1"][1])


@given(
    st.sampled_from(sorted(BY_NAME)),
    st.floats(0.05, 1.2),
    st.floats(0.0, 0.05),
    st.floats(0.5, 50.0),
)
def test_turbidity_cancels_and_contents_are_proportional(
    name: str, red: float, turbid: float, volume: float
) -> None:
    one = BY_NAME[name]
    read = {nm: red * share for nm, share in zip(one.wavelengths_nm, (1, 0.42, 1.3), strict=False)}
    clear = Extract(one, read, volume_ml=Measured(volume, 0.0), area_cm2=Measured(2.0, 0.0))
    cloudy = replace(clear, absorbance={**{k: v + turbid for k, v in read.items()}, 750.0: turbid})
    half = replace(clear, absorbance={k: v / 2 for k, v in read.items()})
    for one_content, other, third in zip(
        contents(clear), contents(cloudy), contents(half), strict=True
    ):
        assert other.value == pytest.approx(one_content.value, rel=1e-6, abs=1e-9)
        factor = 1.0 if one_content.quantity == RATIO else 0.5
        assert third.value == pytest.approx(factor * one_content.value, rel=1e-9)


# Which equations are meant.
# ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("solvent", "read", "band", "name"),
    [
        ("acetone 80 %", (663.2, 646.8, 470, 750), None, "lichtenthaler1987_acetone80"),
        ("acetone 80 %", (663.6, 646.6), None, "porra1989_acetone80"),
        ("acetone 80 %", (663.0, 645.0), None, "arnon1949_acetone80"),
        ("acetone 80 %", (663.0, 647.0), None, "lichtenthaler1987_acetone80"),
        ("acetone 80 %", (663.2, 663.0, 646.8, 645.0), None, "lichtenthaler1987_acetone80"),
        ("acetone 100 %", (661.6, 644.8), None, "lichtenthaler1987_acetone100"),
        ("dimethyl sulfoxide 100 %", (665.1, 649.1, 480), None, "wellburn1994_dmso_narrow"),
        ("dimethyl sulfoxide 100 %", (665.0, 649.0, 480), None, "wellburn1994_dmso_wide"),
        ("dimethyl sulfoxide 100 %", (665.0, 649.0, 480), 2.0, "wellburn1994_dmso_wide"),
        ("dimethyl sulfoxide 100 %", (665.0, 649.0, 480), 0.2, "wellburn1994_dmso_narrow"),
    ],
)
def test_equation_by_solvent_wavelengths_and_band(
    solvent: str, read: tuple[float, ...], band: float | None, name: str
) -> None:
    assert equation_of(solvent, read, band).name == name


@pytest.mark.parametrize(
    ("solvent", "read", "named", "words"),
    [
        ("acetone 100 %", (663.0, 645.0), "", "A661.6 and A644.8"),
        ("acetone 80 %", (663.2,), "", "A663.2 and A646.8"),
        ("acetone 80 %", (661.6, 644.8), "", "A661.6 and A644.8 of an extract in acetone 80 %"),
        ("methanol 100 %", (665.2, 652.4), "porra1989_acetone80", "which are for acetone 80 %"),
        ("methanol 100 %", (665.2, 652.4), "made_up", '"made_up"'),
        ("acetone 80 %", (), "", "no absorbance"),
    ],
)
def test_wavelengths_that_do_not_belong(
    solvent: str, read: tuple[float, ...], named: str, words: str
) -> None:
    with pytest.raises(NoEquation) as caught:
        equation_of(solvent, read, None, named)
    why = caught.value
    assert words in f"{why.found}; {why.expected}"
    assert why.mend


@pytest.mark.parametrize(
    "text",
    ["", "acetone", "ethanol", "acetone 85 %", "methanol 90 %", "N,N-dimethylformamide",
     "chloroform",
     "acetone:ethanol 1:1", "acetone 80 % + methanol", "80 % acetone 20 % water", "water",
     "=acetone 80 %", "acetone 800 %"],
)  # fmt: skip
def test_solvents_without_equations_are_refused(text: str) -> None:
    assert solvent_named(text) is None


@pytest.mark.parametrize(
    ("text", "name"),
    [("acetone 80%", "acetone 80 %"), ("80 % (v/v) acetone", "acetone 80 %"),
     ("buffered 80 % acetone", "acetone 80 %"), ("ACETONE 100 %", "acetone 100 %"),
     ("95% ethanol", "ethanol 95 %"), ("EtOH 95 %", "ethanol 95 %"), ("MeOH", "methanol 100 %"),
     ("dimethyl sulphoxide", "dimethyl sulfoxide 100 %"), ("ether", "diethyl ether 100 %")],
)  # fmt: skip
def test_spellings_of_solvents(text: str, name: str) -> None:
    assert solvent_named(text) == name
    assert name in solvents()


# What cannot be right.
# ----------------------------------------------------------------------


def of(red: float, short: float, blue: float = 0.9, turbid: float | None = 0.0) -> Extract:
    read = {663.2: red, 646.8: short, 470.0: blue}
    if turbid is not None:
        read[750.0] = turbid
    one = BY_NAME["lichtenthaler1987_acetone80"]
    return Extract(one, read, volume_ml=Measured(10.0), area_cm2=Measured(8.0))


@pytest.mark.parametrize(
    ("one", "words"),
    [
        (of(1.9, 0.8, 2.4), "outside the linear range"),
        (of(0.03, 0.012, 0.05), "too faint"),
        (of(0.7, 0.1), "a negative content of chlorophyll b"),
        (of(0.7, 0.3, 0.1), "a negative content of carotenoids"),
        (of(0.6, 0.5), "the ratio of chlorophyll a to b is 0.774"),
        (of(0.7, 0.2), "impossible in green leaves"),
        (of(0.7, 0.4, 1.2, 0.15), "turbid"),
    ],
)
def test_faults_of_an_extract(one: Extract, words: str) -> None:
    assert words in "; ".join(examine(one).faults)


def test_a_sound_extract_has_nothing_said_of_it() -> None:
    found = examine(of(0.7, 0.3))
    assert (found.faults, found.remarks) == ([], [])


@pytest.mark.parametrize(
    ("one", "words"),
    [
        (of(0.95, 0.4, 1.2), "0.3 to 0.85 is read most reliably"),
        (of(0.7, 0.3, turbid=None), "A750 was not read"),
        (of(0.75, 0.35, 1.0, 0.04), "A750 is 0.04"),
        (of(0.7, 0.35), "is usual in green leaves"),
    ],
)
def test_remarks_on_an_extract(one: Extract, words: str) -> None:
    found = examine(one)
    assert words in "; ".join(found.remarks)
    assert not found.faults


def test_arnon_is_for_comparison_only() -> None:
    found = examine(extract(BY_NAME["arnon1949_acetone80"]))
    assert "comparison" in "; ".join(found.faults)


def test_band_width_and_near_wavelengths_are_remarked_on() -> None:
    one = replace(of(0.7, 0.3), absorbance={663.0: 0.7, 647.0: 0.3, 750.0: 0.0}, band_nm=4.0)
    text = "; ".join(examine(one).remarks)
    assert "read at 663 nm, the equations are for 663.2 nm" in text
    assert "band width 4 nm" in text
    assert "no A470: no carotenoids" in text


def test_swapped_readings_are_seen() -> None:
    assert swapped_readings(of(0.3, 0.7))
    assert not swapped_readings(of(0.7, 0.3))


def test_solvents_and_sets_stand_in_an_order() -> None:
    """The first set of a solvent is the one used where wavelengths fit two equally."""
    assert [one.name for one in equations()][:2] == [
        "lichtenthaler1987_acetone80", "lichtenthaler1987_acetone100",
    ]  # fmt: skip
    assert all(x != y for x, y in pairwise(solvents()))
