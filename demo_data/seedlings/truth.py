"""What the study should find: true indices of leaves without noise, and their changes.

Spectra are those of PROSPECT-D seen through the instrument's response on a 1 nm grid. Formulas of
the indices are the published ones; they are written here a second time on purpose, so that the
truth does not come from the program that is judged by it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from seedlings import scenario
from seedlings.instrument import FINE_NM, response
from seedlings.leaves import reflectance
from seedlings.scenario import Array, Session, Unit

GRID_NM = np.arange(400.0, 1001.0)
_NODES = 9
_TO_GRID = response(GRID_NM).T


def seen(parameters: Array) -> Array:
    """Return reflectance on ``GRID_NM`` at the instrument's resolution, shape ``(n, 601)``."""
    flat = parameters.reshape(-1, parameters.shape[-1])
    return np.asarray(reflectance(flat, FINE_NM) @ _TO_GRID)


def _at(r: Array, nm: float) -> Array:
    low = int(nm - GRID_NM[0])
    share = nm - GRID_NM[low]
    return np.asarray((1 - share) * r[..., low] + (share * r[..., low + 1] if share else 0.0))


def _mean(r: Array, first: float, last: float) -> Array:
    return np.asarray(r[..., int(first - 400) : int(last - 400) + 1].mean(axis=-1))


def _ndvi_like(r: Array, high: float, low: float) -> Array:
    return (_at(r, high) - _at(r, low)) / (_at(r, high) + _at(r, low))


def _red_edge_position(r: Array) -> Array:
    middle = (_at(r, 670) + _at(r, 780)) / 2
    return 700 + 40 * (middle - _at(r, 700)) / (_at(r, 740) - _at(r, 700))


INDICES: dict[str, tuple[str, str, Callable[[Array], Array]]] = {
    "NDVI": ("1", "(R800-R670)/(R800+R670)", lambda r: _ndvi_like(r, 800, 670)),
    "PRI": ("1", "(R531-R570)/(R531+R570)", lambda r: _ndvi_like(r, 531, 570)),
    "CI_rededge": (
        "1",
        "mean(R750..R800)/mean(R695..R740)-1",
        lambda r: _mean(r, 750, 800) / _mean(r, 695, 740) - 1,
    ),
    "ND705": ("1", "(R750-R705)/(R750+R705)", lambda r: _ndvi_like(r, 750, 705)),
    "MTCI": (
        "1",
        "(R753.75-R708.75)/(R708.75-R681.25)",
        lambda r: (_at(r, 753.75) - _at(r, 708.75)) / (_at(r, 708.75) - _at(r, 681.25)),
    ),
    "REP_linear": ("nm", "700+40*((R670+R780)/2-R700)/(R740-R700)", _red_edge_position),
    "CI_green": (
        "1",
        "mean(R750..R800)/mean(R520..R585)-1",
        lambda r: _mean(r, 750, 800) / _mean(r, 520, 585) - 1,
    ),
    "ARI1": ("1", "1/R550-1/R700", lambda r: 1 / _at(r, 550) - 1 / _at(r, 700)),
    "CRI1": ("1", "1/R510-1/R550", lambda r: 1 / _at(r, 510) - 1 / _at(r, 550)),
    "PSRI": ("1", "(R678-R500)/R750", lambda r: (_at(r, 678) - _at(r, 500)) / _at(r, 750)),
    "SIPI": (
        "1",
        "(R800-R445)/(R800-R680)",
        lambda r: (_at(r, 800) - _at(r, 445)) / (_at(r, 800) - _at(r, 680)),
    ),
    "WI": (
        "1",
        "mean(R895..R905)/mean(R965..R975)",
        lambda r: _mean(r, 895, 905) / _mean(r, 965, 975),
    ),
    "RE_contrast": ("1", "(R750-R705)/(R750+R705)", lambda r: _ndvi_like(r, 750, 705)),
}
DEFINITIONS = {
    "population": (
        "Difference in change expected over plants like these: all cultivars alike often, plants, "
        "leaves and days varying as planted; mean change of sprayed plants less mean change of "
        "control plants, of true indices without noise. Does not depend on the seed."
    ),
    "sample": (
        "The same for the plants that were drawn: true index of every leaf without noise or clip "
        "placement, averaged over the leaves of a plant, then over the plants of an arm; "
        "(after less before) in chelate less (after less before) in water. It holds the chance "
        "differences between these plants, so it is not zero where the population's value is."
    ),
    "change": "(after less before) within one arm, likewise for the population and the sample.",
    "spectra": (
        "PROSPECT-D, seen through a Gaussian response of the stated width, read on a 1 nm grid."
    ),
}


def unit_indices(leaves: Array) -> dict[str, Array]:
    """Return true unit values by index, shape ``(units, sessions)``."""
    n_units, n_sessions, n_leaves, _ = leaves.shape
    spectra = seen(leaves)
    shape = (n_units, n_sessions, n_leaves)
    return {
        name: formula(spectra).reshape(shape).mean(axis=2)
        for name, (_, _, formula) in INDICES.items()
    }


def population_means(sessions: tuple[Session, ...], effect: float) -> dict[str, Array]:
    """Return expected indices by name, shape ``(treatments, sessions)``.

    The expectation over plants, days and leaves is a Gauss-Hermite sum over chlorophyll, the only
    quantity whose spread bends an index by a noticeable amount; the others stay at their means.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    weights = weights / weights.sum()
    cells = [
        _spread(cultivar, session, treatment, effect, nodes)
        for treatment in scenario.TREATMENTS
        for session in sessions
        for cultivar in scenario.CULTIVARS
    ]
    spectra = seen(np.stack(cells))
    shape = (len(scenario.TREATMENTS), len(sessions), len(scenario.CULTIVARS), _NODES)
    return {
        name: (formula(spectra).reshape(shape) @ weights).mean(axis=2)
        for name, (_, _, formula) in INDICES.items()
    }


def _spread(
    cultivar: scenario.Cultivar, session: Session, treatment: str, effect: float, nodes: Array
) -> Array:
    gain = scenario.spray(session, treatment, effect)
    sd = np.sqrt(
        scenario.PLANT_SD["chlorophyll"] ** 2
        + scenario.PLANT_BY_DAY_SD**2
        + scenario.LEAF_SD**2
        + (scenario.RESPONSE_SD * gain) ** 2
    )
    cell = np.tile(scenario.mean_parameters(cultivar, session), (len(nodes), 1))
    cell[:, 1] += gain + sd * nodes
    cell[:, 2] = scenario.carotenoid(cell[:, 1])
    return scenario.limited(cell)


def arm_means(values: dict[str, Array], units: list[Unit]) -> dict[str, Array]:
    """Return means over the drawn plants of each arm, shape ``(treatments, sessions)``."""
    arms = [np.array([u.treatment == t for u in units]) for t in scenario.TREATMENTS]
    return {name: np.stack([v[arm].mean(axis=0) for arm in arms]) for name, v in values.items()}


def changes(
    population: dict[str, Array], sample: dict[str, Array], sessions: tuple[Session, ...]
) -> dict[str, Any]:
    """Return the true changes and differences in change of every index and after-session."""
    before = [i for i, s in enumerate(sessions) if s.phase == "before"]
    both = {"population": population, "sample": sample}
    difference: dict[str, Any] = {}
    change: dict[str, Any] = {}
    for name in INDICES:
        moved = {kind: _moved(v[name], before) for kind, v in both.items()}
        after = [(k, s.session) for k, s in enumerate(sessions) if s.phase == "after"]
        difference[name] = {
            session: {kind: plain(m[0, k] - m[1, k]) for kind, m in moved.items()}
            for k, session in after
        }
        change[name] = {
            session: {
                treatment: {kind: plain(m[row, k]) for kind, m in moved.items()}
                for row, treatment in enumerate(scenario.TREATMENTS)
            }
            for k, session in after
        }
    return {"difference_in_change": difference, "change": change}


def _moved(values: Array, before: list[int]) -> Array:
    return np.asarray(values - values[:, before].mean(axis=1)[:, None])


def plain(value: float) -> float:
    """Return a number rounded to ten decimals, so that the last bits of a machine do not show."""
    return round(float(value), 10) + 0.0
