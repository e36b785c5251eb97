"""Texts that try to be markup, put wherever text comes from files, and what a page is made of as a browser reads it."""

from __future__ import annotations

from collections.abc import Iterable
from html.parser import HTMLParser
from typing import Any

MARKUP = (
    ' <kgtag kgattr=1> "onmouseover="kg()" \'onfocus=\'kg()\' kgattr=1 x="> </style> </title> </script> </svg> '
    "<script>kgscript()</script> <img src=x onerror=kg()> <a href=javascript:kg()> --> ]]> <!-- <kgtag> "
    "{{ 7919 * 7907 }} {% kgtag %} {# kg #} kg&amp;kg &lt;kgtag&gt; &#60;kgtag&#62; $\\frac{kg}$ "
    "\x00 \x07 \x1b[31m \x7f \x9b \u202e \ufffe \ud800 \u2028 end"
)
PLAIN = "".join(sign if sign == " " else "k" for sign in MARKUP)  # breaks into lines at the same places
_ADDRESSES = {"href", "src", "xlink:href", "action", "srcset"}


class Elements(HTMLParser):
    """The elements of a page with the names of their attributes, in order; addresses, styles and text beside them."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[tuple[str, tuple[str, ...]]] = []
        self.addresses: list[str] = []
        self.comments: list[str] = []
        self.text = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, tuple(name for name, _ in attrs)))
        self.addresses += [value or "" for name, value in attrs if name in _ADDRESSES]
        self.text += " ".join(value or "" for name, value in attrs if name in ("alt", "title", "aria-label"))

    def handle_endtag(self, tag: str) -> None:
        self.found.append((f"/{tag}", ()))

    def handle_comment(self, data: str) -> None:
        self.comments.append(data)

    def handle_data(self, data: str) -> None:
        self.text += data


def with_text(value: Any, text: str, keep: Iterable[str] = ()) -> Any:
    """Return content of JSON with `text` behind every text in it, but for those under the keys `keep`, and with an
    entry of that name in every object."""
    kept = set(keep)
    if isinstance(value, dict):
        inner = {key: item if key in kept else with_text(item, text, kept) for key, item in value.items()}
        return {**inner, f"kg{text}": text}
    if isinstance(value, list | tuple):
        return type(value)(with_text(item, text, kept) for item in value)
    return f"{value}{text}" if isinstance(value, str) else value


def assert_only_text(page: str, plain_page: str | None = None, *, shown: bool = True) -> None:
    """Assert that nothing of MARKUP became an element, an attribute, a comment, code of the template or a control sign.

    `plain_page`: the same page made with PLAIN; its elements and attributes have to be the same, one by one. `shown`:
    the text has to stand on the page as it was written.
    """
    page = page.encode("utf-8", "replace").decode()
    elements = Elements(page)
    assert not [item for item in elements.found if "kg" in item[0] or any("kg" in name for name in item[1])]
    assert not [item for item in elements.found if any(name.startswith("on") for name in item[1])]
    assert not [item for item in elements.addresses if not item.startswith(("data:image/", "#")) and "kg" in item]
    assert not elements.comments
    text = elements.text.replace("\N{NO-BREAK SPACE}", " ")  # between numbers and units
    assert "62615533" not in text
    assert not set(page) & {*map(chr, (0, 7, 27, 0x7F, 0x9B))}, "a control sign"
    if shown:
        for part in ("<script>kgscript()</script>", "{{ 7919 * 7907 }}", "kg&amp;kg &lt;kgtag&gt; &#60;kgtag&#62;"):
            assert part in text
    if plain_page is not None:
        assert elements.found == Elements(plain_page).found
