"""The reduced picture: block means of one colour, taken from masks or straight from the samples."""

import numpy as np
import pytest
from edge_scenes import PATTERNS, green

from kitgauge.measure.edges.search_picture import SearchPicture, picture_of_samples, picture_of_signal


def samples_of(shape: tuple[int, int], pattern: str, slope: float = 0.5) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Green rises by `slope` DN per row and twice that per column; other colours are far off; black differs."""
    tile = np.array([[letter == "G" for letter in row] for row in PATTERNS[pattern]])
    black = 100.0 + np.arange(tile.size, dtype=float).reshape(tile.shape)
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    full_black = np.tile(black, (shape[0] // tile.shape[0] + 1, shape[1] // tile.shape[1] + 1))[: shape[0], : shape[1]]
    light = np.where(green(shape, pattern), 500.0 + slope * y + 2.0 * slope * x, 9000.0)
    return np.round(light + full_black).astype(np.uint16), tile, black


@pytest.mark.parametrize(
    ("pattern", "shape"),
    [
        ("bayer", (1202, 1604)),
        ("mono", (1001, 1503)),
        ("six", (1200, 4398)),
        ("six", (300, 400)),
        ("bayer", (2900, 3000)),
    ],
)
def test_means_of_green_without_black(pattern: str, shape: tuple[int, int]) -> None:
    samples, tile, black = samples_of(shape, pattern)
    picture = picture_of_samples(samples, tile, black, 16000.0)
    block = picture.block
    assert picture.image.shape == (shape[0] // block, shape[1] // block)
    assert max(picture.image.shape) <= 1500
    assert picture.clipped is None
    rows, columns = np.mgrid[0 : picture.image.shape[0], 0 : picture.image.shape[1]]
    # a pixel of the picture stands for the middle of its block
    expected = 500.0 + 0.5 * ((rows + 0.5) * block - 0.5) + 1.0 * ((columns + 0.5) * block - 0.5)
    # green of a 6 x 6 pattern is not spread quite evenly over a block; otherwise rounding only
    assert np.abs(picture.image - expected).max() < (1.2 if pattern == "six" else 0.6)
    assert abs((picture.image - expected).mean()) < 0.35


def test_both_ways_agree() -> None:
    samples, tile, black = samples_of((900, 1400), "bayer")
    direct = picture_of_samples(samples, tile, black, 16000.0)
    signal = samples - np.tile(black, (450, 700)).astype(np.float32)
    masked = picture_of_signal(
        signal.astype(np.float32), green((900, 1400), "bayer"), np.zeros((900, 1400), dtype=bool)
    )
    assert direct.block == masked.block
    assert np.abs(direct.image - masked.image).max() < 0.6


@pytest.mark.parametrize("shape", [(600, 800), (2900, 3000)])
def test_share_at_the_white_level(shape: tuple[int, int]) -> None:
    samples, tile, black = samples_of(shape, "bayer", slope=0.0)
    samples[:200, :200][green((200, 200), "bayer")] = 16000
    picture = picture_of_samples(samples, tile, black, 16000.0)
    assert picture.clipped is not None
    inside = 200 // picture.block
    assert picture.clipped[:inside, :inside] == pytest.approx(1.0)
    assert picture.clipped[inside + 1 :].max() == 0.0
    # red and blue above white do not count
    samples, *_ = samples_of(shape, "bayer", slope=0.0)
    samples[~green(shape, "bayer")] = 16000
    assert picture_of_samples(samples, tile, black, 16000.0).clipped is None


def test_a_region_keeps_the_frames_coordinates() -> None:
    samples, tile, black = samples_of((900, 1400), "bayer")
    picture = picture_of_samples(samples, tile, black, 16000.0, region=(301, 203, 701, 503))
    assert (picture.left, picture.top, picture.block) == (302, 204, 2)
    assert picture.shape == (900, 1400)
    x, y = picture.in_frame(10.0, 20.0)
    assert picture.image[20, 10] == pytest.approx(500.0 + 0.5 * y + x, abs=0.6)
    assert picture.in_picture(x, y) == pytest.approx((10.0, 20.0))


def test_coordinates_of_whole_blocks() -> None:
    picture = SearchPicture(np.zeros((4, 4), np.float32), None, 4, (16, 16))
    assert picture.in_frame(0.0, 0.0) == (1.5, 1.5)  # the middle of pixels 0 to 3
