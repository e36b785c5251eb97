"""Text in files that looks like a path: a settings file, a protocol, a body's name. None leads out of its folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from kitgauge import runner
from kitgauge.errors import IngestError, LimitsError, ProtocolError
from kitgauge.frames.settings_file import overrides_for, read_settings_file
from kitgauge.ingest.scan import scan_folder
from kitgauge.limits.commands import accept_run
from kitgauge.limits.model import Limit
from kitgauge.limits.store import accept
from kitgauge.protocol.loading import load_protocol, parse_protocol
from kitgauge.simulate.shooting import shoot_protocol
from kitgauge.simulate.small import shots_of, small_kit

LEADING_OUT = [
    "../secret", "/etc/passwd", "a/../../secret", "C:\\secret", "C:secret", "\\\\server\\share\\secret", "..", "a\0b",
    "x" * 5000,
]  # fmt: skip


@pytest.mark.parametrize("name", LEADING_OUT, ids=lambda name: name[:12])
def test_a_settings_file_names_frames_of_the_folder_and_opens_nothing(tmp_path: Path, name: str) -> None:
    frames = tmp_path / "frames"
    frames.mkdir()
    (frames / "a.DNG").write_bytes(b"II")
    (tmp_path / "secret").write_bytes(b"II")
    (tmp_path / "settings.csv").write_text(f'file,iso\n"{name}",400\n')
    with pytest.raises(IngestError, match=r"settings\.csv, line 2, column file"):
        scan_folder(frames, tmp_path / "settings.csv")
    table = read_settings_file(tmp_path / "settings.csv")
    assert overrides_for(table, frames / "a.DNG", frames) is None


@pytest.mark.parametrize("name", [*LEADING_OUT, "noise\n", "", ".", "Ä", "a b"], ids=lambda name: name[:12])
def test_the_id_of_a_protocol_names_a_folder_and_nothing_else(name: str) -> None:
    source = load_protocol("noise-ladder")
    text = source.content.decode()
    assert 'id = "noise-ladder"' in text
    written = name.encode("unicode_escape").decode().replace('"', '\\"') if name.isascii() else name
    with pytest.raises(ProtocolError):
        parse_protocol(text.replace('id = "noise-ladder"', f'id = "{written}"').encode(), source.source)


def test_the_body_of_the_frames_names_a_folder_in_the_results(tmp_path: Path) -> None:
    """Through a whole run: what the frames record becomes the kit's folder, and limits are accepted into it."""
    kit = small_kit(shape=(120, 180), cells=(1, 1), make="..", model="/out\\..\\C:", body_serial="../7")
    shoot_protocol(kit, shots_of("noise-ladder", kit, iso_max=100.0), tmp_path / "frames", seed=1)
    results = tmp_path / "a" / "b" / "results"
    done = runner.run("noise-ladder", tmp_path / "frames", results=results, use_cache=False, workers=1, report=False)
    assert done.folder.parent.parent == results and done.curves["kit"]["body"].endswith("/out\\..\\C:")
    if done.limits:
        accept_run(done.folder, results, None, replace=False)
    assert {path.name for path in tmp_path.iterdir()} == {"frames", "a"}
    assert [path.name for path in (tmp_path / "a").iterdir()] == ["b"]
    assert [path.name for path in (tmp_path / "a" / "b").iterdir()] == ["results"]


def test_half_a_sign_in_a_limit_is_refused_and_the_file_stays(tmp_path: Path) -> None:
    limit = Limit("iso", {"iso": 1600.0}, {}, 1500.0, 1700.0, {"snr": 10.0, "output_mp": 8.0}, "", 0.1)
    accept(tmp_path / "limits.toml", "one", [limit], body="Made Up")
    before = (tmp_path / "limits.toml").read_bytes()
    for lens in ("Made Up \ud800", "Made Up \udc80"):
        broken = Limit("iso", {"iso": 800.0}, {}, 700.0, 900.0, {"snr": 10.0, "output_mp": 2.0}, "", 0.1, lens)
        with pytest.raises(LimitsError, match="cannot be written"):
            accept(tmp_path / "limits.toml", "two", [broken], body="Made Up")
    assert (tmp_path / "limits.toml").read_bytes() == before
