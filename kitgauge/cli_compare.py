"""The command `kitgauge compare`: runs of one protocol side by side."""

from __future__ import annotations

import sys

from kitgauge import cli_options as options
from kitgauge.readable_text import tell


def compare(
    runs: options.RunFolders,
    criterion: options.Criterion = None,
    out: options.ComparisonPage = None,
    json_output: options.Json = False,
) -> None:
    """Compare blur runs: ways of holding, the stabiliser, other kit, other focal lengths, or progress over months.

    The first run is what the others are compared with. Runs of one technique on three days or more show a trend.

    Examples:

      kitgauge compare results/my-body/handheld-standing results/my-body/handheld-seated

      kitgauge compare results/my-body/handheld-* --criterion streak_um_35mm=63 --out comparison.html
    """
    from kitgauge.limits.compare_runs import compare_runs
    from kitgauge.limits.criteria import parse_criteria

    found = compare_runs(runs, parse_criteria(criterion) if criterion else None)
    if out is not None:
        from kitgauge.report.comparison_page import write_comparison

        write_comparison(out, found.as_dict())
    if json_output:
        from kitgauge.runs.files import to_json

        sys.stdout.write(to_json(found.as_dict(), ascii_only=True))
        return
    from rich.console import Console

    from kitgauge.report.comparison_text import print_comparison

    print_comparison(found.as_dict(), Console())
    if out is not None:
        tell(f"Comparison: {out}")
