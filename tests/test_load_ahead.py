"""Modules that come in beside other work."""

from __future__ import annotations

import sys
from concurrent.futures import CancelledError
from contextlib import suppress

import pytest

from kitgauge.load_ahead import LoadAhead


def test_modules_are_there_when_asked_for(tmp_path, monkeypatch):
    monkeypatch.syspath_prepend(tmp_path)
    (tmp_path / "ahead_one.py").write_text("import threading\nthread = threading.current_thread().name\n")
    (tmp_path / "ahead_two.py").write_text("import ahead_one\nvalue = 2\n")
    ahead = LoadAhead("ahead_one", "ahead_two")
    try:
        assert ahead.module("ahead_two").value == 2
        assert "load-ahead" in ahead.module("ahead_one").thread
    finally:
        sys.modules.pop("ahead_one", None)
        sys.modules.pop("ahead_two", None)


def test_what_an_import_raises_is_raised_where_the_module_is_asked_for(tmp_path, monkeypatch):
    monkeypatch.syspath_prepend(tmp_path)
    (tmp_path / "ahead_broken.py").write_text("raise RuntimeError('no such library')\n")
    ahead = LoadAhead("ahead_broken", "json")
    with pytest.raises(RuntimeError, match="no such library"):
        ahead.module("ahead_broken")
    assert ahead.module("json").loads("1") == 1


def test_nothing_more_is_loaded_after_a_stop(tmp_path, monkeypatch):
    monkeypatch.syspath_prepend(tmp_path)
    (tmp_path / "ahead_slow.py").write_text("import time\ntime.sleep(0.3)\n")
    (tmp_path / "ahead_late.py").write_text("")
    ahead = LoadAhead("ahead_slow", "ahead_late")
    ahead.stop()
    with suppress(CancelledError):  # stopped before it began
        ahead.module("ahead_slow")
    assert "ahead_late" not in sys.modules
    sys.modules.pop("ahead_slow", None)
