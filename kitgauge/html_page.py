"""Pages from templates that lie beside the modules that fill them."""

from __future__ import annotations

from typing import Any

from kitgauge.readable_text import readable


def html_page(template: str, *packages: str, **values: Any) -> str:
    """Return a page as HTML: `template` of the first of `packages` that has it, what it includes from any of them.

    Every value is escaped, those marked as HTML excepted, and control signs are shown as U+FFFD. A name that the
    template asks for and that is not among `values` is a fault. The filter `tie` keeps a number and its unit on one
    line.
    """
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    from kitgauge.report import wording

    environment = Environment(
        loader=ChoiceLoader([PackageLoader(package, ".") for package in packages]),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_readable,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["tie"] = wording.tie
    return environment.get_template(template).render(**values)


def _readable(value: Any) -> Any:
    """Return a text without signs that a page must not hold, of the same kind: escaped or still to be escaped."""
    return type(value)(readable(value)) if isinstance(value, str) else value
