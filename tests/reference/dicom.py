"""Grayscale standard display function, from the coefficients of DICOM PS3.14, section 7.1."""

import numpy as np
from numpy.polynomial.polynomial import polyval

OVER = (-1.3011877, 8.0242636e-2, 1.3646699e-1, -2.5468404e-2, 1.3635334e-3)
UNDER = (1.0, -2.5840191e-2, -1.0320229e-1, 2.8745620e-2, -3.1978977e-3, 1.2992634e-4)


def step_luminance(index):
    """Luminance, cd/m², at an index of just-noticeable steps, 1 to 1023; others are clipped."""
    ln = np.log(np.clip(np.asarray(index, dtype=np.float64), 1.0, 1023.0))
    return 10 ** (polyval(ln, OVER) / polyval(ln, UNDER))
