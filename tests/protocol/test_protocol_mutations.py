"""Mutated protocol files: a valid protocol or a ProtocolError, never anything else."""

import copy
import tomllib
from pathlib import Path

import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rich.console import Console

from kitgauge.errors import KitgaugeError, ProtocolError
from kitgauge.protocol.brief import brief_html, brief_text, protocol_summary
from kitgauge.protocol.loading import LoadedProtocol, parse_protocol, shipped_protocols
from kitgauge.protocol.shot_list import shot_list

FILES = [item.source.read_bytes() for item in shipped_protocols()]
SOURCE = Path("mutated.toml")
PRINTABLE = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=12)
WORDS = [
    "iso",
    "shutter_s",
    "f_number",
    "once",
    "each-value",
    "1/60",
    "1/0",
    "1/99999999",
    "metered",
    "dark",
    "tripod",
    "flat",
    "base",
    "fastest",
    "full-stops",
    "third-stops",
    "noise",
    "blur",
    "practice",
]
SCALARS = st.one_of(
    st.none(),  # remove the key
    st.booleans(),
    st.integers(-(2**63), 2**63 - 1),
    st.integers(-3, 300),
    st.floats(allow_nan=True, allow_infinity=True),
    st.dates(),
    PRINTABLE,
    st.sampled_from(WORDS),
)
VALUES = st.recursive(
    SCALARS.filter(lambda value: value is not None),
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(PRINTABLE, inner, max_size=3)),
    max_leaves=6,
)


def outcome(data: bytes) -> None:
    """Parse; a refusal must be a complete ProtocolError, and what is accepted must serve as a protocol."""
    try:
        protocol = parse_protocol(data, SOURCE)
    except ProtocolError as error:
        assert str(SOURCE) in str(error.where) and error.fix and error.what
        assert len(error.message()) < 3000
        return
    try:
        shots = shot_list(protocol)
    except KitgaugeError as error:
        assert error.fix
        return
    Console(quiet=True).print(brief_text(shots))
    Console(quiet=True).print(protocol_summary(LoadedProtocol(protocol, SOURCE, "0")))
    assert "</html>" in brief_html(shots)


def places(value, path=()):
    """Return the path of every key and list item inside a TOML document."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    found = []
    for key, inner in items:
        found += [(*path, key), *places(inner, (*path, key))]
    return found


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_changed_keys_and_values(data):
    document = copy.deepcopy(tomllib.loads(data.draw(st.sampled_from(FILES)).decode()))
    for _ in range(data.draw(st.integers(1, 3))):
        path = data.draw(st.sampled_from(places(document)))
        owner = document
        for key in path[:-1]:
            owner = owner[key]
        new = data.draw(st.one_of(SCALARS, VALUES))
        if new is None:
            del owner[path[-1]]
        elif isinstance(owner, dict) and data.draw(st.booleans()):
            owner[data.draw(PRINTABLE)] = owner.pop(path[-1])
        else:
            owner[path[-1]] = new
        if not places(document):
            break
    outcome(tomlkit.dumps(document).encode())


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_changed_bytes(data):
    content = bytearray(data.draw(st.sampled_from(FILES)))
    for _ in range(data.draw(st.integers(1, 4))):
        start = data.draw(st.integers(0, len(content)))
        end = min(len(content), start + data.draw(st.integers(0, 40)))
        content[start:end] = data.draw(
            st.one_of(st.binary(max_size=8), st.sampled_from([b"[[", b'"', b"\n", b"=", b"-1"]))
        )
    outcome(bytes(content))


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=200))
def test_random_bytes(content):
    outcome(content)
