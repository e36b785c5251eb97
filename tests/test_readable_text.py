"""What a terminal or a browser would obey is not printed, wherever a text comes from."""

from __future__ import annotations

import io
import re

import pytest
from rich.console import Console

from kitgauge.cli import main
from kitgauge.errors import ProtocolError
from kitgauge.protocol.loading import load_protocol, parse_protocol
from kitgauge.readable_text import readable
from kitgauge.report.evidence import Table
from kitgauge.report.tables import print_table, say

CLEARS_SCREEN, TURNS, RINGS, OVERWRITES, CSI = "\x1b[2J", "\u202e", "\a", "\r", "\x9b2J"
HOSTILE = f"a{CLEARS_SCREEN}{TURNS}{RINGS}{OVERWRITES}{CSI}b"
OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")  # ECMA-48 C0 and C1; UAX 9


def test_only_signs_that_are_not_for_reading_are_replaced():
    plain = "Größe 1/250 s, f/2.8 − \u05d0\u05d1, 写真, e\u0301 👍\n\tsecond line"
    assert readable(plain) == plain
    assert readable(HOSTILE) == "a\ufffd[2J\ufffd\ufffd\ufffd\ufffd2Jb"


@pytest.mark.parametrize("terminal", [True, False])
def test_tables_and_sentences_hold_none(terminal):
    out = io.StringIO()
    console = Console(file=out, force_terminal=terminal, color_system=None, width=100)
    print_table(Table(HOSTILE, ("file", HOSTILE), ((HOSTILE, "1"),), frozenset({0}), HOSTILE), console)
    say(console, HOSTILE)
    assert not OBEYED.search(out.getvalue()) and out.getvalue().count("\ufffd") >= 20


@pytest.mark.parametrize(
    "arguments",
    [
        ["run", "noise-ladder", HOSTILE],
        ["review", HOSTILE],
        ["limits", "--kit", HOSTILE],
        ["brief", HOSTILE],
        ["verify", HOSTILE],
    ],
)
def test_errors_hold_none(arguments, capfd, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.argv", ["kitgauge", *arguments])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code not in (0, None)
    shown = capfd.readouterr()
    assert not OBEYED.search(shown.out + shown.err) and "\ufffd" in shown.err


@pytest.mark.parametrize("sign", ["\\u001b[31m", "\\u202e", "\\u009b", "\\r"])
def test_a_protocol_with_such_texts_is_refused(sign, tmp_path):
    source = load_protocol("noise-ladder").content
    changed = source.replace(b'purpose = "', b'purpose = "' + sign.encode(), 1)
    assert changed != source
    with pytest.raises(ProtocolError, match="control signs"):
        parse_protocol(changed, tmp_path / "own.toml")
