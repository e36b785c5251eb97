"""The conclusion of a watched run, drawn in a worker beside the measuring, over and over while frames come in."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import Executor, Future
from dataclasses import replace
from functools import partial
from typing import Any

from kitgauge.errors import DEBUG_VARIABLE, KitgaugeError
from kitgauge.ingest.cache import MeasurementCache
from kitgauge.live.enough import Estimate, estimate_of
from kitgauge.runs import live_kinds
from kitgauge.runs.context import Results, RunContext, Section


class NothingMore(Executor):
    """In place of workers where no more work is wanted: what is not in the cache stays unmeasured."""

    def submit(self, _work: Callable[..., Any], /, *_args: Any, **_kwargs: Any) -> Future[Any]:
        """Take no work."""
        raise KeyboardInterrupt


class RunningFit:
    """The newest conclusion, and the one that is being drawn: never more than one at a time."""

    def __init__(self, executor: Executor, enough: float | None) -> None:
        """Have work done by `executor`; `enough` is how narrow an interval is narrow enough, None the usual."""
        self._executor, self._enough = executor, enough
        self._drawing: Future[Section] | None = None
        self.section: Section | None = None
        self.estimate: Estimate | None = None
        self.problem = ""  # why nothing could be concluded

    @property
    def busy(self) -> bool:
        """Tell whether a conclusion is being drawn."""
        return self._drawing is not None

    def begin(self, module: str, context: RunContext, results: Results) -> None:
        """Have a conclusion drawn from these results."""
        # only what can be sent to a worker
        context = replace(
            context, cache=MeasurementCache(None), executor=NothingMore(), tell=silent, expect=silent, kept=None
        )
        self._drawing = self._executor.submit(partial(live_kinds.conclude, module, context, results))

    def take(self) -> bool:
        """Take what has been drawn, if it has; return whether there is a new conclusion."""
        if self._drawing is None or not self._drawing.done():
            return False
        drawn, self._drawing = self._drawing, None
        try:
            self.section = drawn.result()
        except Exception as error:  # a few frames may defeat a fit that more of them make possible
            if os.environ.get(DEBUG_VARIABLE):
                raise
            what = error.what if isinstance(error, KitgaugeError) else f"{type(error).__name__}: {error}"
            self.forget()
            self.problem = f"nothing could be fitted ({what})"
            return False
        self.problem = ""
        self.estimate = estimate_of(self.section.limits, self.section.curves, self._enough)
        return True

    def forget(self) -> None:
        """Know of no conclusion."""
        self.section = self.estimate = None
        self.problem = ""


def silent(*_anything: object) -> None:
    """Tell nobody."""
