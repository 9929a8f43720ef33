"""Outlines and areas against scikit-image's own measurement on the pictures that it ships."""

import numpy as np
import pytest

from icewright.measure.reading import read, to_pixels
from icewright.measure.scale import Scale

data = pytest.importorskip("skimage.data")
UM = 1e-6


def labels_of(image, level):
    from skimage.measure import label, regionprops
    from skimage.morphology import remove_small_objects
    from skimage.segmentation import clear_border

    mask = clear_border(image > level)
    from scipy.ndimage import binary_fill_holes

    return regionprops(label(remove_small_objects(binary_fill_holes(mask), max_size=300)))


def test_coins_have_the_area_that_regionprops_gives_them():
    """scikit-image's coins (its docs: coins from Pompeii), Otsu's level and regionprops against our outlines.

    The picture's light is uneven; the package's own example uses Otsu's level too. Compared are the coins
    that both see as one thing; 6 % because the two levels differ along the shaded lower rims. The area is
    that which the outline encloses: whether the light inside comes through ice, or past it, coins do not
    tell, so `area_m2`, which is without gaps, may be left out.
    """
    from skimage.filters import gaussian, threshold_local

    coins = data.coins()
    image = coins.astype(np.float32)[:, :, None] / 255.0
    ours = [r for r in read(image, Scale(UM, UM)) if r.quality != "none"]
    flat = coins / 255.0 - threshold_local(gaussian(coins / 255.0, 1.0), 151) + 0.5
    theirs = labels_of(gaussian(flat, 1.0), 0.54)
    matched = []
    for mine in ours:
        middle = to_pixels(mine.outline_m, Scale(UM, UM)).mean(axis=0)
        for region in theirs:
            if np.hypot(region.centroid[1] - middle[0], region.centroid[0] - middle[1]) < 4.0:
                x, y = to_pixels(mine.outline_m, Scale(UM, UM)).T
                matched.append(0.5 * abs(np.dot(x[:-1], y[1:]) - np.dot(x[1:], y[:-1])) / region.area)
    assert len(matched) >= 3
    assert np.median(matched) == pytest.approx(1.0, abs=0.06)


def test_grains_have_the_area_that_regionprops_gives_them():
    """Grains made by scikit-image (`binary_blobs`), dark, blurred by a pixel; regionprops counts pixels.

    The outline is compared, so the grain may be of any shape and flagged as no crystal. An eighth of a pixel
    all along the edge, by their own perimeter: 1.5 to 2 % of these, which are 800 pixels large or more.
    """
    from scipy.ndimage import gaussian_filter
    from skimage.measure import label, regionprops
    from skimage.segmentation import clear_border

    blobs = data.binary_blobs(500, blob_size_fraction=0.12, volume_fraction=0.12, rng=3)[:430]
    image = (0.8 - 0.5 * gaussian_filter(blobs.astype(np.float32), 1.0))[:, :, None]
    ours = read(image, Scale(UM, UM))
    theirs = [r for r in regionprops(label(clear_border(blobs))) if r.area > 800]
    assert len(theirs) >= 8
    for region in theirs:
        (mine,) = [
            x
            for x in (to_pixels(r.outline_m, Scale(UM, UM)) for r in ours)
            if np.hypot(*(x.mean(axis=0) - region.centroid[::-1])) < 6.0
        ]
        assert abs(area(mine)) == pytest.approx(region.area, abs=region.perimeter / 8)


def test_a_living_cell_is_found_where_it_lies_and_is_no_crystal():
    """scikit-image's cell, in phase contrast with a halo: the outline hangs on the level, the place does not.

    Their mask is what departs from the surroundings by Otsu's level. No size of it may pass as a crystal's.
    """
    from scipy.ndimage import binary_fill_holes
    from skimage.filters import gaussian, threshold_otsu
    from skimage.measure import label, regionprops

    cell = data.cell() / 255.0
    away = np.abs(gaussian(cell, 3) - gaussian(cell, 60))
    region = max(regionprops(label(binary_fill_holes(away > threshold_otsu(away)))), key=lambda r: r.area)
    found = read(cell.astype(np.float32)[:, :, None], Scale(UM, UM))
    near = [
        r
        for r in found
        if np.hypot(*(to_pixels(r.outline_m, Scale(UM, UM)).mean(axis=0) - region.centroid[::-1])) < 8.0
    ]
    assert near
    assert all(r.flagged for r in found)


def area(loop):
    x, y = loop.T
    return 0.5 * np.sum(x[:-1] * y[1:] - x[1:] * y[:-1])


def test_random_polygons_have_the_area_of_the_shoelace_rule():
    """Irregular shapes drawn by matplotlib: the shoelace rule gives their area exactly."""
    from drawn import picture, polygon_mask

    rng = np.random.default_rng(11)
    for k in range(4):
        a = np.sort(rng.uniform(0, 2 * np.pi, 9))
        r = rng.uniform(50, 85, 9)
        p = np.column_stack([160 + r * np.cos(a), 115 + r * np.sin(a)])
        x, y = p.T
        area = 0.5 * abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))
        one = read(picture(polygon_mask(p, (231, 322)), seed=k), Scale(UM, UM))[0]
        loop = to_pixels(one.outline_m, Scale(UM, UM))
        u, v = loop.T
        assert 0.5 * abs(np.sum(u[:-1] * v[1:] - u[1:] * v[:-1])) == pytest.approx(area, rel=0.015)
