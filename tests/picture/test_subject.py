"""The subject and its backdrop, against portraits whose subject is known."""

import numpy as np
import pytest
from scipy import ndimage
from skimage.measure import label as label_of

from pathgen.errors import PathgenError
from pathgen.picture.subject import check_mask, clean_mask, feather, find_subject, weak_edge
from tests.matrix import some
from tests.picture.portraits import portrait


@pytest.mark.parametrize("seed", some(range(12), 0, 4, 8, 11))
def test_a_plain_backdrop_is_found_by_itself(seed):
    """Intersection over union of at least 0.97 on twelve portraits."""
    rgb, true = portrait(seed)
    found = clean_mask(find_subject(rgb), 0.001)
    assert np.logical_and(found, true).sum() / np.logical_or(found, true).sum() >= 0.97


@pytest.mark.parametrize("area", [3, 9, 30])
def test_stray_bits_go_and_nothing_larger_does(area):
    """Against scikit-image's labels; every piece as large as the limit stays."""
    rng = np.random.default_rng(area)
    pieces = ndimage.gaussian_filter(rng.random((150, 200)), 1.2) > 0.53
    kept = clean_mask(pieces, area / pieces.size, 0.0)
    label, count = ndimage.label(kept, np.ones((3, 3)))
    assert count and np.bincount(label.ravel())[1:].min() >= area
    pieces_of, count = label_of(pieces, connectivity=2, return_num=True)
    expected = sum(pieces_of == n for n in range(1, count + 1) if (pieces_of == n).sum() >= area).astype(bool)
    assert np.array_equal(kept, expected)


def test_small_holes_are_filled_and_large_ones_stay():
    ring = np.ones((100, 100), bool)
    ring[:5] = ring[-5:] = ring[:, :5] = ring[:, -5:] = False
    ring[20:22, 20:22] = False
    ring[50:70, 50:70] = False
    filled = clean_mask(ring, 0.001, 0.001)
    assert filled[20, 20] and not filled[60, 60] and not filled[0, 0]


def test_a_feather_keeps_the_edge_where_it_is():
    edge = np.zeros((20, 60), bool)
    edge[:, 30:] = True
    for width in (0.0, 1.0, 6.0):
        soft = feather(edge, width)
        assert soft.sum() == pytest.approx(edge.sum(), rel=1e-3)
        assert (soft[:, 29] < 0.5).all() and (soft[:, 30] > 0.5).all()


@pytest.mark.parametrize(
    ("rgb", "tolerance", "why"),
    [
        (np.full((40, 40, 3), 0.5, np.float32), 10.0, "no subject was found"),
        (np.random.default_rng(0).random((60, 60, 3)).astype(np.float32), 1.0, "no plain backdrop"),
        (np.full((40, 40, 3), 0.5, np.float32), 0.0, "tolerance is 0"),
        (np.full((40, 40, 3), 0.5, np.float32), np.nan, "tolerance is nan"),
    ],
)
def test_what_is_no_subject_is_refused(rgb, tolerance, why):
    with pytest.raises(PathgenError, match=why):
        find_subject(rgb, tolerance)


def test_masks_that_do_not_fit_are_refused_with_both_sizes():
    with pytest.raises(PathgenError, match="30 × 20 pixels, the picture 40 × 20"):
        check_mask(np.eye(20, 30), (30, 20), (40, 20))
    for value, what in ((0.0, "nothing"), (1.0, "everything")):
        with pytest.raises(PathgenError, match=f"marks {what}"):
            check_mask(np.full((20, 30), value), (30, 20), (30, 20))


def test_an_edge_that_hardly_differs_is_told():
    rgb, true = portrait(1)
    assert weak_edge(rgb, true, 10.0) < 0.05
    backdrop = np.median(rgb[:40].reshape(-1, 3), axis=0)
    alike = np.where(true[..., None], rgb * 0.02 + 0.98 * backdrop, rgb).astype(np.float32)
    assert weak_edge(alike, true, 10.0) > 0.9
