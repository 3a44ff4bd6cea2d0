"""Evaluate the bands of a job (its `[[band]]` entries), which change settings with height.

A band applies to the layers that begin at or above its height, up to the next band. A key that a band does
not set has the value of the job, not that of the band below. The first layer has its own feed and no fan.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.settings import Setup

Floats = NDArray[np.float64]

BEGUN = 1e-6  # mm; tolerance for a layer that begins at the height of a band
KEYS = ("feed", "packing", "nozzle_temperature", "fan")


@dataclass(frozen=True, slots=True)
class LayerSpans:
    """Top and height of every layer, mm; arrays of (L,)."""

    top: Floats
    height: Floats


def banded(setup: Setup, heights: LayerSpans, key: str) -> Floats:
    """Return the value that a setting has in every layer.

    Parameters
    ----------
    setup : Setup
    heights : LayerSpans
        All layers.
    key : str
        One of `KEYS`.

    Returns
    -------
    (L,) float64
        In mm/s, a fraction, °C or a fraction, depending on the key.

    Examples
    --------
    >>> from pathgen.settings import Job, settle
    >>> from pathgen.settings.job import Band
    >>> setup = settle(Job(band=(Band(above=0.5, feed=30.0), Band(above=0.6, packing=1.0))))
    >>> layers = LayerSpans(np.arange(0.2, 0.75, 0.1), np.array([0.2, 0.1, 0.1, 0.1, 0.1, 0.1]))
    >>> banded(setup, layers, "feed").tolist(), banded(setup, layers, "packing").tolist()
    ([20.0, 20.0, 20.0, 20.0, 30.0, 20.0], [0.99, 0.99, 0.99, 0.99, 0.99, 1.0])
    """
    base = {
        "feed": setup.feeds.feed,
        "packing": setup.beads.packing,
        "nozzle_temperature": setup.heat.nozzle_temperature,
        "fan": setup.material.fan,
    }[key]
    bands = setup.layers.band
    band_values = [getattr(band, key) for band in bands]
    values = np.array([base, *(base if value is None else value for value in band_values)], np.float64)
    bottom = heights.top - heights.height
    return values[np.searchsorted([band.above for band in bands], bottom + BEGUN, side="right")]
