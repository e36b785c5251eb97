"""The small simulated kit that tests photograph with is the package's own."""

from kitgauge.simulate.small import shots_of, small_kit

__all__ = ["shots_of", "small_kit"]
