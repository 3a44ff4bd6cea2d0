"""Settled settings: every key of a job in one record, with a value."""

from __future__ import annotations

from collections import Counter
from typing import get_args, get_type_hints

import msgspec
import pytest

from pathgen.settings import Job, load_machine, load_material, settle
from pathgen.settings.settled import RECORDS, Setup

KINDS = {name: get_type_hints(Setup)[name] for name in RECORDS}
FILLED = (
    "spacing", "spacing_min", "spacing_max", "packing", "feed", "overhang", "rim_thickness",
    "nozzle_temperature", "platform_temperature",
)  # fmt: skip


def test_every_key_of_a_job_is_in_one_record():
    keys = Counter(key for kind in KINDS.values() for key in kind.__struct_fields__)
    assert keys == Counter(Job.__struct_fields__)


@pytest.mark.parametrize("key", FILLED)
def test_settled_keys_cannot_be_open(key):
    kind = next(kind for kind in KINDS.values() if key in kind.__struct_fields__)
    assert type(None) not in get_args(get_type_hints(kind)[key])
    machine, material = load_machine("moving-table"), load_material("pla-white")
    job = msgspec.structs.replace(settle(Job()).job, **{key: None})
    with pytest.raises(msgspec.ValidationError, match=f"{key}`?$"):
        Setup.of(job, machine, material)


def test_a_setup_gives_its_job_back():
    setup = settle(Job(width=80.0, wedges="auto", spacing=0.5))
    assert setup.job == msgspec.structs.replace(
        Job(width=80.0, wedges="auto", spacing=0.5),
        **{key: value for key, value in setup.keys().items() if key in FILLED},
    )
    assert settle(setup.job) == setup


def test_a_change_leaves_the_rest():
    setup = settle(Job())
    other = setup.changed(pixel=0.2, wedges=2)
    assert (other.light.pixel, other.standing.wedge_sites) == (0.2, 2)
    assert other.changed(pixel=0.1, wedges=0) == setup


def test_automatic_values_count_as_none_until_they_are_chosen():
    setup = settle(Job(wedges="auto", turn="auto", layer="auto", layer_like=0.15))
    assert (setup.standing.wedge_sites, setup.standing.edge, setup.layers.nominal) == (0, 0, 0.15)
