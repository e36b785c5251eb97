"""Regions given by the user: reading them, and where they lie on the sensor for each way of holding the camera."""

import numpy as np
import pytest

from kitgauge.errors import UsageError
from kitgauge.ingest.frame_region import check_regions, parse_regions
from kitgauge.ingest.needed_samples import signal_near
from kitgauge.measure.edges.edge_candidate import candidate_from_line

SHAPE = (400, 600)  # rows, columns of the samples


@pytest.mark.parametrize(
    ("text", "box"),
    [
        ("100,50,200,150", (100, 50, 300, 200)),
        ("10%,25%,50%,50%", (60, 100, 360, 300)),
        (" 10% , 100, 20% , 100px", (60, 100, 180, 200)),
        ("0,0,600,400", (0, 0, 600, 400)),
    ],
)
def test_read_and_placed(text: str, box: tuple[int, ...]) -> None:
    (region,) = parse_regions([text])
    assert region.on_sensor(SHAPE) == box


@pytest.mark.parametrize(
    "text", ["", "1,2,3", "1,2,3,4,5", "a,b,c,d", "-1,0,50,50", "0,0,0,50", "0,0,50,-5", "nan,0,50,50", "0,0,inf,50"]
)
def test_no_region(text: str) -> None:
    with pytest.raises(UsageError, match="this is no region"):
        parse_regions([text])


def test_outside_the_frame() -> None:
    with pytest.raises(UsageError, match="reaches out of the frame"):
        parse_regions(["60%,10%,50%,20%"])
    (region,) = parse_regions(["500,100,200,100"])
    with pytest.raises(UsageError, match=r"(?s)reaches out of the frame.*column 700.*within 600 x 400 px"):
        region.on_sensor(SHAPE)
    # the same frame held upright is 400 wide and 600 high
    (tall,) = parse_regions(["100,300,200,250"])
    with pytest.raises(UsageError, match="reaches out"):
        tall.on_sensor(SHAPE, 1)
    tall.on_sensor(SHAPE, 6)


def test_too_small() -> None:
    (region,) = parse_regions(["100,100,20,200"])
    with pytest.raises(UsageError, match="too small for an edge"):
        region.on_sensor(SHAPE)


# How a viewer shows samples of each Exif orientation (Exif 2.32, 4.6.4 A, tag Orientation: where row 0 and column 0 of
# the samples are shown), written as NumPy turns and mirrors
SHOWN = {
    1: lambda a: a,
    2: lambda a: a[:, ::-1],  # row 0 top, column 0 right
    3: lambda a: a[::-1, ::-1],  # bottom, right
    4: lambda a: a[::-1],  # bottom, left
    5: lambda a: a.T,  # left, top
    6: lambda a: a.T[:, ::-1],  # right, top
    7: lambda a: a.T[::-1, ::-1],  # right, bottom
    8: lambda a: a.T[::-1],  # left, bottom
}


@pytest.mark.parametrize("orientation", SHOWN)
def test_pixels_are_those_of_the_frame_as_shown(orientation: int) -> None:
    samples = np.arange(SHAPE[0] * SHAPE[1]).reshape(SHAPE)
    (region,) = parse_regions(["30,70,120,90"])
    left, top, right, bottom = region.on_sensor(SHAPE, orientation)
    shown = SHOWN[orientation](samples)[70:160, 30:150]
    assert set(samples[top:bottom, left:right].ravel()) == set(shown.ravel())


def test_nothing_is_opened_without_regions(tmp_path) -> None:
    check_regions([tmp_path / "not there.dng"], ())


class _Frame:
    """As much of a mosaic as `signal_near` looks at."""

    def __init__(self, samples: np.ndarray) -> None:
        self.samples = samples
        self.shape = samples.shape
        self.black_dn = np.array([[10.0, 20.0], [30.0, 40.0]])
        self.white_dn = 60000.0


def test_signal_near_edges_only() -> None:
    rng = np.random.default_rng(2)
    samples = rng.integers(100, 65000, (611, 1205)).astype(np.uint16)
    frame = _Frame(samples)
    edges = [
        candidate_from_line(300.0, 200.0, 310.0, 320.0, (1.0, 0.0), 40.0),
        candidate_from_line(1100.0, 560.0, 1190.0, 570.0, (0.0, 1.0), 40.0),
    ]
    signal, saturated = signal_near(frame, edges, reach_px=60.0)
    full = samples - np.tile(frame.black_dn, (306, 603))[:611, :1205]
    for box in (np.s_[140:381, 240:371], np.s_[500:611, 1040:1205]):
        assert np.array_equal(signal[box], full[box].astype(np.float32))
        assert np.array_equal(saturated[box], samples[box] >= 60000)
    assert not signal[:, 500:900].any()
    assert not saturated[:, 500:900].any()
    assert signal_near(frame, [])[0].sum() == 0.0
