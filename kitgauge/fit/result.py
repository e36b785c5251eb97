"""What every fit returns: values with units and standard errors, and how the fit came about."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from kitgauge.intervals import NORMAL_95 as NORMAL_95


@dataclass(frozen=True)
class FitResult:
    """One fitted model.

    `stderr` is NaN where it could not be estimated, never 0. Errors are not rescaled by chi-square unless
    `errors_rescaled` says so.
    """

    model: str
    names: tuple[str, ...]
    values: NDArray[np.float64]  # (parameter,)
    units: tuple[str, ...]
    stderr: NDArray[np.float64]  # (parameter,), NaN = not estimated
    covariance: NDArray[np.float64]  # (parameter, parameter), NaN = not estimated
    degrees_of_freedom: int
    reduced_chi_square: float  # NaN without point errors or degrees of freedom
    points_used: int
    points_dropped: tuple[str, ...] = ()  # one reason per dropped point
    converged: bool = True
    at_bound: tuple[str, ...] = ()  # names of parameters stuck at a bound
    message: str = ""
    errors_rescaled: bool = False
    evidence: Mapping[str, float] = field(default_factory=dict)  # log-likelihood, AICc ... of the models compared

    def value(self, name: str) -> float:
        """Return the fitted value of parameter `name` (KeyError if the model has none of that name)."""
        return float(self.values[self._index(name)])

    def error(self, name: str) -> float:
        """Return the standard error of parameter `name`, NaN where not estimated."""
        return float(self.stderr[self._index(name)])

    def _index(self, name: str) -> int:
        try:
            return self.names.index(name)
        except ValueError:
            raise KeyError(f"{self.model} has no parameter {name!r}; it has {', '.join(self.names)}") from None

    def __repr__(self) -> str:
        lines = [f"{self.model}: {self.points_used} points, {self.degrees_of_freedom} degrees of freedom"]
        for name, value, unit, error in zip(self.names, self.values, self.units, self.stderr, strict=True):
            spread = "not estimated" if math.isnan(error) else f"{error:.2g}"
            bound = " (at bound)" if name in self.at_bound else ""
            lines.append(f"  {name} = {value:.6g} ± {spread} {unit}{bound}".rstrip())
        if not self.converged:
            lines.append(f"  not converged: {self.message}")
        return "\n".join(lines)

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON (NaN stays NaN here; the writer turns it into null)."""
        return {
            "model": self.model,
            "parameters": {
                name: {"value": float(value), "stderr": float(error), "unit": unit}
                for name, value, unit, error in zip(self.names, self.values, self.units, self.stderr, strict=True)
            },
            "covariance": self.covariance.tolist(),
            "degrees_of_freedom": self.degrees_of_freedom,
            "reduced_chi_square": self.reduced_chi_square,
            "points_used": self.points_used,
            "points_dropped": list(self.points_dropped),
            "converged": self.converged,
            "at_bound": list(self.at_bound),
            "message": self.message,
            "errors_rescaled": self.errors_rescaled,
            "evidence": dict(self.evidence),
        }
