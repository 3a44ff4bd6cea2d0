"""Bands: what differs from one height of a panel to another (a job's `[[band]]` entries), layer by layer.

A band holds for the layers that begin at its height or over it, up to the next band. What a band does not
say is as the job has it, not as the band below has it. The first layer has a feed of its own and no fan.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pathgen.settings import Setup

Floats = NDArray[np.float64]

BEGUN = 1e-6  # mm by which a layer may begin under a band and still belong to it
SAID = ("feed", "packing", "nozzle_temperature", "fan")


@dataclass(frozen=True, slots=True)
class LayerSpans:
    """Top and height of every layer, mm, (L,)."""

    top: Floats
    height: Floats


def banded(setup: Setup, heights: LayerSpans, key: str) -> Floats:
    """Give a value of every layer.

    Parameters
    ----------
    setup : Setup
    heights : Heights
        Of all layers, (L,).
    key : str
        One of `SAID`.

    Returns
    -------
    (L,) float64
        mm/s, a fraction, °C, a fraction.

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
        "feed": setup.feed,
        "packing": setup.packing,
        "nozzle_temperature": setup.nozzle_temperature,
        "fan": setup.material.fan,
    }[key]
    bands = setup.job.band
    said = [getattr(band, key) for band in bands]
    values = np.array([base, *(base if value is None else value for value in said)], np.float64)
    bottom = heights.top - heights.height
    return values[np.searchsorted([band.above for band in bands], bottom + BEGUN, side="right")]
