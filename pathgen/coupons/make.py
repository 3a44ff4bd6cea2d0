"""From a coupon's name to its program: the same pipeline as a panel's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import BinaryIO

from pathgen.coupons import find_coupon
from pathgen.coupons.definition import Coupon, Specimen
from pathgen.coupons.measurement_sheet import sheet_text
from pathgen.coupons.shapes import plain_job
from pathgen.plan.model import Platform, Result
from pathgen.plan.settle import plan_placed, plan_several
from pathgen.program.writing import Progress, write
from pathgen.settings import Job, Machine, Material, Setup, settle


@dataclass(frozen=True, slots=True)
class LaidOut:
    """A coupon laid out for a machine and a material.

    Attributes
    ----------
    coupon : Coupon
    setup : Setup
        As its panels have it, but for what differs from panel to panel.
    specimen : Specimen
    platform : Platform
        Planned, ready to be written.
    """

    coupon: Coupon
    setup: Setup
    specimen: Specimen
    platform: Platform

    @property
    def sheet(self) -> str:
        """The reading sheet's text."""
        return sheet_text(self.coupon, self.specimen)

    def write(self, stream: BinaryIO, progress: Progress | None = None) -> Result:
        """Write the program, as `pathgen.job.write` does."""
        return write(self.platform, stream, progress)


def lay_out_coupon(
    name: str, job: Job | None = None, machine: Machine | None = None, material: Material | None = None
) -> LaidOut:
    """Lay out a coupon.

    Parameters
    ----------
    name : str
    job : Job, optional
        Machine, material, layers, feeds, temperatures and bead widths are taken from it; what shapes a panel
        is left aside.
    machine, material : optional
        Records to use instead of the ones the job names.

    Raises
    ------
    PathgenError
        For an unknown name, and for anything refused of a panel.

    Examples
    --------
    >>> laid = lay_out_coupon("step-wedge")
    >>> len(laid.specimen.panels), len(laid.specimen.steps)
    (1, 12)
    """
    found = find_coupon(name)
    setup = settle(plain_job(job or Job()), machine, material)
    specimen = found.build(setup)
    if specimen.spots is None:
        platform = plan_several(specimen.panels, setup.machine, setup.material)
    else:
        placed = [(*panel, spot) for panel, spot in zip(specimen.panels, specimen.spots, strict=True)]
        platform = plan_placed(placed, setup.machine, setup.material)
    return LaidOut(found, setup, specimen, platform)
