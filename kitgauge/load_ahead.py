"""Load modules beside other work: what is needed later comes in while files are hashed and frames measured."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from importlib import import_module
from types import ModuleType


class LoadAhead:
    """Modules on their way in, one after the other in a thread of their own."""

    def __init__(self, *names: str) -> None:
        """Begin to load the modules of these names, in this order."""
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="load-ahead")
        self._loading: dict[str, Future[ModuleType]] = {name: self._pool.submit(import_module, name) for name in names}
        self._pool.shutdown(wait=False)

    def module(self, name: str) -> ModuleType:
        """Return a module that was named, once it is there; what its import raised is raised here."""
        return self._loading[name].result()

    def stop(self) -> None:
        """Load no more of those that have not begun."""
        for waiting in self._loading.values():
            waiting.cancel()
