"""Protocol files: where they lie, how they are read, and what is said about a bad one."""

from __future__ import annotations

import hashlib
import re
import tomllib
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from kitgauge.errors import ProtocolError, UsageError
from kitgauge.protocol.model import Protocol
from kitgauge.protocol.problems import protocol_error

LARGEST_FILE_BYTES = 256 * 1024  # the shipped ones are under 8 kB


@dataclass(frozen=True)
class LoadedProtocol:
    """A protocol with the file it came from, that file's bytes, and the SHA-256 of these (hexadecimal)."""

    protocol: Protocol
    source: Path
    sha256: str
    content: bytes = b""


def shipped_folder() -> Path:
    """Return the folder of the shipped protocols: in an installed package, else the source tree's."""
    package = Path(__file__).resolve().parent
    installed = package / "shipped"
    return installed if installed.is_dir() else package.parent.parent / "protocols"


def _shipped_files() -> dict[str, Path]:
    return {path.stem: path for path in sorted(shipped_folder().glob("*.toml"))}


def shipped_protocols() -> list[LoadedProtocol]:
    """Return all shipped protocols, the measuring ones first, the practice series last."""
    loaded = [load_file(path) for path in _shipped_files().values()]
    return sorted(loaded, key=lambda item: (item.protocol.measures == "practice", item.protocol.id))


def load_protocol(id_or_path: str | Path) -> LoadedProtocol:
    """Return the shipped protocol of that id, or the protocol file at that path.

    A plain word is an id first, then a file of that name; anything with a folder, or ending in `.toml`, is
    a path.

    Raises
    ------
    UsageError : no shipped protocol has this id
    ProtocolError : the file is missing, unreadable or not a valid protocol
    """
    text = str(id_or_path)
    shipped = _shipped_files()
    if isinstance(id_or_path, str) and text in shipped:
        return load_file(shipped[text])
    path = Path(id_or_path)
    looks_like_path = (
        isinstance(id_or_path, Path) or path.suffix.lower() == ".toml" or any(sign in text for sign in "/\\")
    )
    if looks_like_path or _is_there(path):
        return load_file(path)
    near = get_close_matches(text.lower(), shipped, n=1, cutoff=0.5)
    raise UsageError(
        "no protocol has this name",
        got=text,
        needed="one of " + ", ".join(shipped) + ", or the path of a protocol file",
        fix=f"did you mean {near[0]}?" if near else "see `kitgauge protocols` for what there is",
    )


def _is_there(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):  # a name that no file can have
        return False


def load_file(path: Path) -> LoadedProtocol:
    """Return the protocol in the file at `path`; ProtocolError with place and fix if it is not valid."""
    data = _read(path)
    return LoadedProtocol(parse_protocol(data, path), path, hashlib.sha256(data).hexdigest(), data)


def _read(path: Path) -> bytes:
    try:
        path.stat()
    except FileNotFoundError:
        pass  # told below
    except (OSError, ValueError) as error:
        raise ProtocolError(
            "the protocol file cannot be read", where=path, got=getattr(error, "strerror", None) or error,
            fix="check the path",
        ) from None  # fmt: skip
    if path.is_dir():
        raise ProtocolError("this is a folder, not a protocol file", where=path, fix="give the path of a .toml file")
    if not path.exists():
        raise ProtocolError(
            "the protocol file does not exist",
            where=path,
            fix="check the path, or see `kitgauge protocols` for shipped ones",
        )
    if not path.is_file():
        raise ProtocolError("this is not an ordinary file", where=path, fix="give the path of a .toml file")
    try:
        with path.open("rb") as stream:
            data = stream.read(LARGEST_FILE_BYTES + 1)
    except OSError as error:
        raise ProtocolError(
            "the protocol file cannot be read",
            where=path,
            got=error.strerror or error,
            fix="check the file's permissions",
        ) from None
    if len(data) > LARGEST_FILE_BYTES:
        raise ProtocolError(
            "the file is too large for a protocol",
            where=path,
            got=f"more than {LARGEST_FILE_BYTES // 1024} kB",
            needed=f"at most {LARGEST_FILE_BYTES // 1024} kB",
            fix="check that this is a protocol file",
        )
    return data


def parse_protocol(data: bytes, source: Path) -> Protocol:
    """Return the protocol written in `data` (TOML, UTF-8); `source` names it in the ProtocolError."""
    try:
        text = data.decode("utf-8-sig")  # some editors put a byte order mark first
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise ProtocolError(
            "the file is not UTF-8 text",
            where=f"{source}: line {line}",
            got=f"byte 0x{data[error.start]:02x}",
            needed="UTF-8, as TOML requires",
            fix="save it as UTF-8 in a text editor",
        ) from None
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_error(str(error), text, source) from None
    except (
        ValueError,
        RecursionError,
    ) as error:  # numbers of thousands of digits, thousands of nested brackets
        raise ProtocolError(
            "the file is not usable TOML",
            where=source,
            got=type(error).__name__,
            needed="numbers and nesting of ordinary size",
            fix="check the file for endless digits or brackets",
        ) from None
    try:
        return Protocol.model_validate(content)
    except ValidationError as error:
        raise protocol_error(error, content, source) from None


def _syntax_error(message: str, text: str, source: Path) -> ProtocolError:
    """Return the error for TOML that does not parse, with the line it happened in."""
    found = re.search(r"\(at line (\d+), column (\d+)\)", message)
    lines = text.splitlines()
    number = int(found.group(1)) if found else max(len(lines), 1)
    line = lines[number - 1].strip() if number <= len(lines) else ""
    what = re.sub(r"\s*\(at .*\)$", "", message)
    return ProtocolError(
        f"the file is not valid TOML: {what[:1].lower()}{what[1:]}",
        where=f"{source}: line {number}" + (f", column {found.group(2)}" if found else ", the end of the file"),
        got=line[:80] or "end of the file",
        needed="TOML: key = value, texts in quotes, [sweep] and [[step]] on lines of their own",
        fix="correct that line, or the one before it",
    )


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of protocol files, as shipped beside them."""
    schema = Protocol.model_json_schema(by_alias=True)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "kitgauge protocol file",
        **{key: value for key, value in schema.items() if key != "title"},
    }
