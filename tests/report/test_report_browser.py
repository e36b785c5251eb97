"""The page in a real browser: fits a telephone, prints to PDF. Skipped where Chromium is not installed."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from report_samples import blur_run, dark_run, developed_run, frame, noise_run, sharpness_run

from kitgauge.report.page import write_report

CHROMIUM = next(
    (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))),
    None,
)
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")

_PROBE = """<!DOCTYPE html><body style="margin:0">
<iframe src="{address}" style="border:0;width:400px;height:900px"></iframe>
<iframe src="{address}" style="border:0;width:760px;height:900px"></iframe>
<iframe src="{address}" style="border:0;width:1280px;height:900px"></iframe>
<script>
addEventListener("load", () => {{
  document.title = "probe " + [...document.querySelectorAll("iframe")].map((frame) => {{
    const inner = frame.contentDocument;
    const root = inner.documentElement;
    const figures = [...inner.querySelectorAll("svg")];
    const ends = figures.map((svg) => Math.round(svg.getBoundingClientRect().right));
    const cut = [...inner.querySelectorAll(".scroll")].filter((box) => box.scrollWidth > box.clientWidth + 1);
    const hinted = cut.filter((box) => {{
      const hint = box.parentElement.querySelector(".hint");
      return hint && hint.getBoundingClientRect().height > 0;
    }});
    return [root.clientWidth, inner.body.scrollWidth, root.scrollWidth, cut.length, hinted.length, ...ends].join(" ");
  }}).join(",");
}});
</script>"""


def chromium(folder: Path, *options: str) -> str:
    command = [
        str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", "--allow-file-access-from-files",
        "--disable-dev-shm-usage", f"--user-data-dir={folder / 'profile'}", *options,
    ]  # fmt: skip
    environment = {**os.environ, "HOME": str(folder)}
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, env=environment, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.parametrize("make", [noise_run, dark_run, developed_run, sharpness_run, blur_run])
def test_page_never_scrolls_sideways(make: object, tmp_path: Path) -> None:
    folder = make(tmp_path / "run")  # type: ignore[operator]
    if make is noise_run:  # a name without a place to break
        with (folder / "frames.csv").open("a") as stream:
            stream.write(",".join(str(v) for v in frame("W" * 200, status="rejected", flags="no-edge").values()) + "\n")
    path = write_report(folder)
    probe = tmp_path / "probe.html"
    probe.write_text(_PROBE.format(address=path.as_uri()))
    dom = chromium(tmp_path, "--window-size=1400,1000", "--dump-dom", probe.as_uri())
    found = re.search(r"<title>probe ([\d ,]+)</title>", dom)
    assert found, "the probe did not run"
    for width, measured in zip((400, 760, 1280), found.group(1).split(","), strict=True):
        client, body, document, cut, hinted, *figures = (int(value) for value in measured.split())
        assert client == pytest.approx(width, abs=16)  # less a scroll bar
        assert body <= client and document <= client
        assert hinted == cut, f"{cut - hinted} tables are cut at {width} px without a hint"
        assert cut == 0 or width < 1280
        assert len(figures) >= 2 and max(figures) <= client


def test_page_prints_to_pdf(tmp_path: Path) -> None:
    path = write_report(blur_run(tmp_path / "run"))
    target = tmp_path / "report.pdf"
    chromium(tmp_path, f"--print-to-pdf={target}", path.as_uri())
    content = target.read_bytes()
    assert content.startswith(b"%PDF-") and content.rstrip().endswith(b"%%EOF")
    pages = len(re.findall(rb"/Type\s*/Page\b", content))
    assert 4 <= pages <= 12
