"""The view: how the map of a panel as it stands on the platform differs from the picture its viewer sees.

*Upright* is how the viewer sees the panel once it hangs: row 0 at the top, column 0 at his left. *Standing*
is how it is made: the last row stands on the platform, and the relief looks toward positive n. The two differ
where a panel is made on another of its edges, where the viewer will see its flat back, and where a ring's
seam was moved.
"""

from __future__ import annotations

from collections.abc import Callable
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
    """What is done to an upright map to make it stand: mirrored, then rolled, then turned.

    Attributes
    ----------
    turn : {0, 90, 180, 270}
        Degrees counter-clockwise, as the viewer sees it. The panel stands on the edge that is, upright, the
        lower one (0), the left (90), the upper (180), the right (270). Of a mirrored panel the platform sees
        the other face, so its map is turned clockwise by as much; the edges are the same.
    mirrored : bool
        The relief looks away from the viewer, who sees the flat back: left and right change places.
    roll : int
        Columns that a ring's map is moved on to the right; what leaves it there comes in again at the left.

    Raises
    ------
    PathgenError
        For another turn.

    Examples
    --------
    >>> View(turn=90).standing(np.array([[1, 2, 3], [4, 5, 6]])).tolist()
    [[3, 6], [2, 5], [1, 4]]
    """

    turn: int = 0
    mirrored: bool = False
    roll: int = 0

    def __post_init__(self) -> None:
        """Refuse what is no quarter turn."""
        if self.turn not in TURNS:
            allowed = ", ".join(map(str, TURNS)) + " degrees"
            raise PathgenError(f"turn is {self.turn}", where="turn", allowed=allowed)

    @property
    def edge(self) -> str:
        """Which of its edges, upright, the panel stands on: lower, left, upper or right."""
        return TURNS[self.turn]

    @property
    def lying(self) -> bool:
        """The panel stands on one of its sides, so that standing width and height have changed places."""
        return self.turn % 180 == 90

    def standing(self, upright: NDArray[Item]) -> NDArray[Item]:
        """Make an upright map stand.

        Parameters
        ----------
        upright : (rows, cols) array
            Of anything; it may be empty.

        Returns
        -------
        (rows, cols) or, lying, (cols, rows) array
            Its rows one after another in memory; where nothing changes, in that of the array given.

        Examples
        --------
        >>> View(mirrored=True, roll=1).standing(np.array([[1, 2, 3]])).tolist()
        [[1, 3, 2]]
        """
        mirrored = upright[:, ::-1] if self.mirrored else upright
        rolled = np.roll(mirrored, self.roll, axis=1) if self.roll else mirrored
        return np.ascontiguousarray(np.rot90(rolled, self._quarters))

    def upright(self, standing: NDArray[Item]) -> NDArray[Item]:
        """Show a standing map as the viewer sees it: the inverse of `standing`, exactly.

        Examples
        --------
        >>> View(turn=90).upright(np.array([[3, 6], [2, 5], [1, 4]])).tolist()
        [[1, 2, 3], [4, 5, 6]]
        """
        turned = np.rot90(standing, -self._quarters)
        rolled = np.roll(turned, -self.roll, axis=1) if self.roll else turned
        return np.ascontiguousarray(rolled[:, ::-1] if self.mirrored else rolled)

    def size(self, width: float, height: float) -> tuple[float, float]:
        """Give the standing sides of upright ones, and the other way round."""
        return (height, width) if self.lying else (width, height)

    def outline(self, polygon: Polygon, width: float, height: float) -> Polygon:
        """Make an upright outline stand, as the map over its box does.

        Parameters
        ----------
        polygon : Polygon
            mm.
        width, height : float
            Upright size of the box it lies in, from the origin, mm.

        Returns
        -------
        Polygon
            In the standing box, whose lower left corner is the origin. A roll changes nothing: an outline
            that goes all the way round a ring has no ends to be moved.

        Examples
        --------
        >>> View(turn=90).outline(shapely.box(0, 0, 1, 2), 6, 4).bounds  # from the lower left to the right
        (2.0, 0.0, 4.0, 1.0)
        """
        return self._moved(polygon, lambda points: self._turned(self._flipped(points, width), width, height))

    def upright_outline(self, polygon: Polygon, width: float, height: float) -> Polygon:
        """Show a standing outline as the viewer sees it: the inverse of `outline`, to rounding.

        Parameters
        ----------
        polygon : Polygon
            mm.
        width, height : float
            Standing size of the box it lies in, mm.

        Examples
        --------
        >>> View(turn=90).upright_outline(shapely.box(2, 0, 4, 1), 4, 6).bounds
        (0.0, 0.0, 1.0, 2.0)
        """
        back = View((self._quarters * -90) % 360)
        across = back.size(width, height)[0]
        return self._moved(polygon, lambda points: self._flipped(back._turned(points, width, height), across))

    @property
    def _quarters(self) -> int:
        """Quarter turns counter-clockwise, as the standing map is seen."""
        return (-self.turn if self.mirrored else self.turn) // 90 % 4

    def _flipped(self, points: Points, width: float) -> Points:
        return points * (-1, 1) + (width, 0) if self.mirrored else points

    def _turned(self, points: Points, width: float, height: float) -> Points:
        """Turn points (N, 2) counter-clockwise in a box, which comes to lie at the origin again."""
        u, z = points.T
        turned = ((u, z), (height - z, u), (width - u, height - z), (z, width - u))[self._quarters]
        return np.column_stack(turned)

    def _moved(self, polygon: Polygon, move: Callable[[Points], Points]) -> Polygon:
        if self == View():
            return polygon
        return orient(shapely.transform(polygon, move), 1.0)
