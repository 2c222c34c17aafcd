"""How often a useless treatment is called significant when leaves are counted as if plants.

Simulates studies of 6 plants per treatment in which nothing happens, with 1 to 12 leaves per
plant, and tests them twice: with one mean per plant, and with every leaf as if it were a plant of
its own (half a minute). Bounds: 5 % of the studies are called significant by plants, within 1.5
points (three standard errors of 2,000 studies), and more than 30 % by 12 leaves. Prints the shares
and draws the figure of ``docs/method.md``:
``python benchmarks/leaves_counted.py docs/leaves_counted.png``.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from bounds import at_least, at_most, finish

from leafledger.effects.two_sample_tests import welch_t
from leafledger.effects.unit_means import IndexValue, unit_mean

LEAVES = (1, 2, 3, 5, 8, 12)
STUDIES, PLANTS = 2000, 6
PLANT_SD, LEAF_SD = 1.0, 1.0


def shares(n_leaves: int) -> tuple[float, float]:
    """Return the share of studies called significant by plants, and by leaves."""
    rng = np.random.default_rng(1000 + n_leaves)
    by_plant = by_leaf = 0
    for _ in range(STUDIES):
        plants = rng.normal(0, PLANT_SD, (2, PLANTS, 1))
        leaves = plants + rng.normal(0, LEAF_SD, (2, PLANTS, n_leaves))
        means = [
            np.array(
                [
                    unit_mean({str(i): [IndexValue("s", v)] for i, v in enumerate(p.tolist())}).mean
                    for p in arm
                ]
            )
            for arm in leaves
        ]
        by_plant += welch_t(means[0], means[1], 0.95).p < 0.05
        by_leaf += welch_t(leaves[0].ravel(), leaves[1].ravel(), 0.95).p < 0.05
    return by_plant / STUDIES, by_leaf / STUDIES


def draw(path: Path, found: list[tuple[float, float]]) -> None:
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(figsize=(6.4, 3.6), dpi=120, layout="constrained")
    plant, leaf = zip(*found, strict=True)
    axes.plot(LEAVES, [100 * v for v in leaf], "s--", color="#b3541e", label="n counts leaves")
    axes.plot(LEAVES, [100 * v for v in plant], "o-", color="#1d6f5f", label="n counts plants")
    axes.axhline(5, color="0.4", linewidth=1)
    axes.annotate("stated level, 5 %", (12, 5), (12, 8), ha="right", color="0.3")
    axes.set_xlabel("leaves per plant (6 plants per treatment)")
    axes.set_ylabel("called significant, %")
    axes.set_ylim(0, None)
    axes.legend(frameon=False)
    figure.savefig(path, metadata={"Software": None})


def main() -> None:
    found = [shares(n) for n in LEAVES]
    for n, (plant, leaf) in zip(LEAVES, found, strict=True):
        print(f"{n:2d} leaves: {100 * plant:.1f} % by plants, {100 * leaf:.1f} % by leaves")
    if len(sys.argv) > 1:
        draw(Path(sys.argv[1]), found)
    furthest = max(abs(plant - 0.05) for plant, _ in found)
    at_most("called significant by plants, furthest from 5 %", 100 * furthest, 1.5, "%")
    at_least("called significant by 12 leaves", 100 * found[-1][1], 30, "%")
    finish()


if __name__ == "__main__":
    main()
