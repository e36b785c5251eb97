"""Every hazard of a test frame: all edges wholly in the frame are found where they are, none is invented."""

import numpy as np
import pytest
from edge_scenes import green
from edge_stress_scenes import HAZARDS, TEXTURES, Hazards, draw, score, texture

from kitgauge.measure.edges.edge_finding import find_edges

SMALL = (600, 900)


@pytest.mark.parametrize("name", HAZARDS)
def test_all_edges_found_none_invented(name: str) -> None:
    hazards = HAZARDS[name]
    frame = draw(hazards, seed=3)
    result = score(frame, find_edges(frame.signal, frame.mask, frame.saturated))
    assert result.expected >= 10
    assert result.found == result.expected, result.reasons
    assert result.invented == 0
    # all hazards at once: one edge in a hundred may be cut short
    assert result.off <= (0.02 * result.expected if name == "everything" else 0)
    assert result.overreach == 0


def test_the_score_sees_a_missing_and_an_invented_edge() -> None:
    """The comparison with the truth is itself checked: a search that lost an edge, or made one up, does not pass."""
    from dataclasses import replace

    frame = draw(Hazards(shape=SMALL, squares=(2, 2)), seed=1)
    found = find_edges(frame.signal, frame.mask, frame.saturated)
    assert score(frame, found).found == 16
    lost = replace(found, candidates=found.candidates[1:])
    assert score(frame, lost).found == 15
    first = found.candidates[0]
    moved = replace(first, x0=first.x0 + 40, x1=first.x1 + 40, y0=first.y0 + 40, y1=first.y1 + 40)
    assert score(frame, replace(found, candidates=(*found.candidates, moved))).invented == 1
    wide = replace(first, half_width_dark_px=500.0)
    assert score(frame, replace(found, candidates=(wide, *found.candidates[1:]))).overreach == 1


@pytest.mark.parametrize("snr", [80.0, 15.0])
@pytest.mark.parametrize("kind", TEXTURES)
def test_nothing_to_measure_in_textures(kind: str, snr: float) -> None:
    signal = texture(kind, seed=5, snr=snr)
    found = find_edges(signal, green(signal.shape, "bayer"), np.zeros(signal.shape, dtype=bool))
    assert found.candidates == ()
