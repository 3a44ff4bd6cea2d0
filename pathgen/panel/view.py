"""View: transform the upright map that a viewer sees into the map as printed, and back.

*Upright* means as the viewer sees the mounted panel: row 0 at the top, column 0 on the viewer's left.
*Standing* means as it is printed: the last row stands on the platform, and the relief faces positive n. The
two differ if a panel is printed on another edge, if the viewer will see its flat back, or if the seam of a
ring was moved.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from pathgen.errors import PathgenError

Item = TypeVar("Item", bound=np.generic)
Points = NDArray[np.float64]

TURNS = {0: "lower", 90: "left", 180: "upper", 270: "right"}


@dataclass(frozen=True, slots=True)
class View:
    """Transformation from an upright map to a standing map: mirror, then roll, then rotate.

    Attributes
    ----------
    turn : {0, 90, 180, 270}
        Rotation in degrees, counter-clockwise as the viewer sees it. It selects the upright panel's edge that
        stands on the platform: lower (0), left (90), upper (180) or right (270). A mirrored map is rotated
        clockwise instead, so that the edges are the same.
    mirrored : bool
        True if the relief faces away from the viewer, who sees the flat back; left and right are then
        exchanged.
    roll : int
        Columns by which the map of a ring is shifted to the right, with wrap-around.

    Raises
    ------
    PathgenError
        If `turn` is any other value.

    Examples
    --------
    >>> View(turn=90).standing(np.array([[1, 2, 3], [4, 5, 6]])).tolist()
    [[3, 6], [2, 5], [1, 4]]
    """

    turn: int = 0
    mirrored: bool = False
    roll: int = 0

    def __post_init__(self) -> None:
        """Reject a turn that is not a multiple of 90 degrees."""
        if self.turn not in TURNS:
            allowed = ", ".join(map(str, TURNS)) + " degrees"
            raise PathgenError(f"turn is {self.turn}", where="turn", allowed=allowed)

    @property
    def edge(self) -> str:
        """Edge of the upright panel that stands on the platform: lower, left, upper or right."""
        return TURNS[self.turn]

    @property
    def lying(self) -> bool:
        """Whether the panel stands on its left or right edge, so that width and height are exchanged."""
        return self.turn % 180 == 90

    def standing(self, upright: NDArray[Item]) -> NDArray[Item]:
        """Transform an upright map into a standing map.

        Parameters
        ----------
        upright : (rows, cols) array
            Any data type; may be empty.

        Returns
        -------
        (rows, cols) or, if lying, (cols, rows) array
            C-contiguous; shares memory with the input if nothing changes.

        Examples
        --------
        >>> View(mirrored=True, roll=1).standing(np.array([[1, 2, 3]])).tolist()
        [[1, 3, 2]]
        """
        mirrored = upright[:, ::-1] if self.mirrored else upright
        rolled = np.roll(mirrored, self.roll, axis=1) if self.roll else mirrored
        return np.ascontiguousarray(np.rot90(rolled, self._quarters))

    def upright(self, standing: NDArray[Item]) -> NDArray[Item]:
        """Transform a standing map into an upright map; the exact inverse of `standing`.

        Examples
        --------
        >>> View(turn=90).upright(np.array([[3, 6], [2, 5], [1, 4]])).tolist()
        [[1, 2, 3], [4, 5, 6]]
        """
        turned = np.rot90(standing, -self._quarters)
        rolled = np.roll(turned, -self.roll, axis=1) if self.roll else turned
        return np.ascontiguousarray(rolled[:, ::-1] if self.mirrored else rolled)

    def size(self, width: float, height: float) -> tuple[float, float]:
        """Convert width and height from upright to standing or from standing to upright."""
        return (height, width) if self.lying else (width, height)

    def outline(self, polygon: Polygon, width: float, height: float) -> Polygon:
        """Transform an upright outline into a standing outline.

        Parameters
        ----------
        polygon : Polygon
            mm.
        width, height : float
            Upright size of its bounding box, whose corner is at the origin, mm.

        Returns
        -------
        Polygon
            In the standing box, whose lower left corner is the origin. A roll does not change the outline,
            because the outline of a ring has no ends.

        Examples
        --------
        >>> View(turn=90).outline(shapely.box(0, 0, 1, 2), 6, 4).bounds  # from the lower left to the right
        (2.0, 0.0, 4.0, 1.0)
        """
        if self == View():
            return polygon

        def move(points: Points) -> Points:
            u, z = (points * (-1, 1) + (width, 0) if self.mirrored else points).T
            turned = ((u, z), (height - z, u), (width - u, height - z), (z, width - u))
            return np.column_stack(turned[self._quarters])

        return orient(shapely.transform(polygon, move), 1.0)

    def upright_outline(self, polygon: Polygon, width: float, height: float) -> Polygon:
        """Turn an outline from printing to viewing orientation; inverse of `outline` except for rounding.

        Parameters
        ----------
        polygon : Polygon
            mm.
        width, height : float
            Standing size of its bounding box, mm.

        Examples
        --------
        >>> View(turn=90).upright_outline(shapely.box(2, 0, 4, 1), 4, 6).bounds
        (0.0, 0.0, 1.0, 2.0)
        """
        # A mirrored rotation is its own inverse.
        back = self if self.mirrored else View(-self.turn % 360)
        return back.outline(polygon, width, height)

    @property
    def _quarters(self) -> int:
        """Counter-clockwise quarter turns of the standing map."""
        return (-self.turn if self.mirrored else self.turn) // 90 % 4
