"""A plan answers at once: it loads nothing heavy."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

HEAVY = {
    "numpy",
    "scipy",
    "pandas",
    "matplotlib",
    "cv2",
    "pydantic",
    "tomlkit",
    "jinja2",
    "rawpy",
    "PIL",
    "tifffile",
}
SCRIPT = """
import json, sys
from kitgauge.planner.command import plan_from_results
made = plan_from_results(sys.argv[1], light="ev9.5", focal_mm=85, near_m=2, far_m=2.3, subject="moving")
text, values = made.text(), json.dumps(made.as_dict(), allow_nan=False)
print(json.dumps(sorted({name.partition(".")[0] for name in sys.modules})))
"""


def test_planning_with_a_limits_file_loads_no_heavy_library(tmp_path: Path) -> None:
    kit = tmp_path / "invented-one"
    kit.mkdir()
    (kit / "limits.toml").write_text(
        'schema = 1\n[[limit]]\nkind = "iso"\nbody = "Invented One"\niso = 4500.0\nrun = "noise-1"\n'
        "accepted_at = 2026-05-01\ncriterion = { snr = 10.0, output_mp = 8.0 }\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(tmp_path)], capture_output=True, text=True, check=True, timeout=60
    )
    loaded = set(json.loads(done.stdout))
    assert "kitgauge" in loaded
    assert not loaded & HEAVY
