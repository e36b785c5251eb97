"""Criteria, personal limits, and the file of accepted limits.

The package is also a function, since the public interface promises `kitgauge.limits(path)`: it reads the accepted
limits of a kit.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any


class _CallablePackage(ModuleType):
    def __call__(self, *arguments: Any, **options: Any) -> Any:
        from kitgauge.limits.store import read_limits

        return read_limits(*arguments, **options)


sys.modules[__name__].__class__ = _CallablePackage
