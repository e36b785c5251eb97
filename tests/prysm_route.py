"""The independent route for diffraction: prysm's circular aperture (MIT licence), used in tests only."""

from __future__ import annotations

import warnings

with warnings.catch_warnings():
    # prysm asks setuptools for its own version in a way that setuptools has announced to drop
    warnings.simplefilter("ignore")
    from prysm.otf import diffraction_limited_mtf

__all__ = ["diffraction_limited_mtf"]
