"""Optics of a panel: transmittance laws, conversion to thickness, and predicted backlit picture."""

from pathgen.optics.laws import ExponentialLaw, TransmittanceLaw, TwoFluxLaw, law
from pathgen.optics.measured_law import TableLaw
from pathgen.optics.predict import backlit
from pathgen.optics.thickness import thickness

__all__ = ["ExponentialLaw", "TableLaw", "TransmittanceLaw", "TwoFluxLaw", "backlit", "law", "thickness"]
