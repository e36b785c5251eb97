"""Frames already taken: what they show, what went wrong, and what to set next.

The package is also a function, as `kitgauge.limits` is: `kitgauge.review(path)` is `kitgauge.review.folder.review`.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any


class _CallablePackage(ModuleType):
    def __call__(self, *arguments: Any, **options: Any) -> Any:
        from kitgauge.review.folder import review

        return review(*arguments, **options)


sys.modules[__name__].__class__ = _CallablePackage
