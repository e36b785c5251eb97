"""The limit of chance scatter against the exact distribution of chi-square (scipy's, an independent route)."""

from __future__ import annotations

import pytest
from scipy.stats import chi2, norm

from kitgauge.measure.noise.scatter import scatter_limit


@pytest.mark.parametrize("freedom", [1, 2, 5, 20, 200, 5000])
def test_chance_exceeds_it_as_rarely_as_four_standard_deviations(freedom):
    rare = norm.sf(4.0)
    probability = chi2.sf(freedom * scatter_limit(freedom), freedom)
    assert rare / 7 < probability < 1.5 * rare
    # the plain limit is exceeded hundreds of times as often where there are few
    if freedom == 1:
        assert chi2.sf(1 + 4 * 2**0.5, 1) > 200 * rare
