"""kitgauge: from your own test frames to personal limits, and from limits to settings.

>>> import kitgauge
>>> run = kitgauge.run("noise-ladder", "frames")    # doctest: +SKIP
>>> run.noise[["iso", "read_noise_e"]]              # doctest: +SKIP
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from kitgauge import limits, review
    from kitgauge.planner.command import plan_from_results as plan
    from kitgauge.runner import run

__all__ = ["__version__", "limits", "plan", "review", "run"]

_PLACES: dict[str, tuple[str, str | None]] = {
    "run": ("kitgauge.runner", "run"),
    "limits": ("kitgauge.limits", None),
    "plan": ("kitgauge.planner.command", "plan_from_results"),
    "review": ("kitgauge.review", None),
}


def __getattr__(name: str) -> Any:
    # loaded on first use, so that importing kitgauge costs nothing
    if name not in _PLACES:
        raise AttributeError(f"module 'kitgauge' has no attribute {name!r}")
    from importlib import import_module

    module, attribute = _PLACES[name]
    loaded = import_module(module)
    return loaded if attribute is None else getattr(loaded, attribute)
