"""Planning of a coupon's program, by the same steps as for a panel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import BinaryIO

from pathgen.coupons import find_coupon
from pathgen.coupons.definition import Coupon, Specimen
from pathgen.coupons.measurement_sheet import sheet_text
from pathgen.coupons.shapes import plain_job
from pathgen.plan.model import Platform
from pathgen.plan.settle import plan_placed, plan_several
from pathgen.program.result import Result
from pathgen.program.writing import Progress, write
from pathgen.settings import Job, Machine, Material, Setup, settle


@dataclass(frozen=True, slots=True)
class LaidOut:
    """A planned coupon, ready to be written.

    Attributes
    ----------
    coupon : Coupon
    setup : Setup
        Settings common to its panels.
    specimen : Specimen
    platform : Platform
        Planned and ready to be written.
    """

    coupon: Coupon
    setup: Setup
    specimen: Specimen
    platform: Platform

    @property
    def sheet(self) -> str:
        """CSV text of the blank measurement sheet."""
        return sheet_text(self.coupon, self.specimen)

    def write(self, stream: BinaryIO, progress: Progress | None = None) -> Result:
        """Write the coupon's program in the same way as `pathgen.job.write`."""
        return write(self.platform, stream, progress)


def lay_out_coupon(
    name: str, job: Job | None = None, machine: Machine | None = None, material: Material | None = None
) -> LaidOut:
    """Plan a coupon for a machine and a material.

    Parameters
    ----------
    name : str
    job : Job, optional
        Provides machine, material, layers, feeds, temperatures and bead widths; the keys that shape a panel
        are ignored.
    machine, material : optional
        Records that replace those named in the job.

    Raises
    ------
    PathgenError
        For an unknown name, and for the reasons that apply to any panel.

    Examples
    --------
    >>> coupon = lay_out_coupon("step-wedge")
    >>> len(coupon.specimen.panels), len(coupon.specimen.steps)
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
