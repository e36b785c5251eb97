import pytest

from kitgauge.measure.edges.regions import REGIONS, region_of


@pytest.mark.parametrize(
    ("x", "y", "region"),
    [
        (0.5, 0.5, "centre"), (0.1, 0.5, "left"), (0.9, 0.5, "right"), (0.5, 0.1, "top"), (0.5, 0.9, "bottom"),
        (0.0, 0.0, "top-left"), (1.0, 0.0, "top-right"), (0.0, 1.0, "bottom-left"), (1.0, 1.0, "bottom-right"),
    ],
)  # fmt: skip
def test_places(x: float, y: float, region: str) -> None:
    assert region_of(x, y) == region
    assert region in REGIONS


def test_outside_the_frame() -> None:
    with pytest.raises(ValueError, match="outside the frame"):
        region_of(1.2, 0.5)
