"""Random numbers that are the same on every run: one seed, one purpose, one stream."""

from __future__ import annotations

import zlib

import numpy as np


def generator(seed: int, *purpose: str | int) -> np.random.Generator:
    """Return the random stream that belongs to a seed and a purpose.

    Parameters
    ----------
    seed
        The seed of the settings.
    purpose
        What the numbers are for, such as ``("folds", 3)``; other words, other numbers.
    """
    words = [zlib.crc32(str(word).encode()) for word in purpose]
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, *words])))
