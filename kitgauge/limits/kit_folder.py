"""Folder names for kits: readable, legal on every system, and never outside the results folder.

Pure standard library.
"""

from __future__ import annotations

import re
import unicodedata
from pathlib import Path

from kitgauge.errors import UsageError

UNKNOWN_KIT = "unknown-body"
_LONGEST = 60
_DEVICE_NAMES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)  # not file names on Windows


def kit_folder_name(body: str | None, serial: str | None = None) -> str:
    """Return the folder name of a kit: lower-case letters, digits, '.', '_' and '-'.

    `body` is make and model; a `serial` tells two bodies of one model apart. Where more than spaces and
    capitals had to be changed, a check sum of the original is added, so that two kits do not share a folder
    (names that differ by capitals, or by a space for a hyphen, are taken as one body).
    """
    original = " ".join(part.strip() for part in (body, serial) if part and part.strip())
    if not original:
        return UNKNOWN_KIT
    folded = unicodedata.normalize("NFKC", original).casefold()
    plain = unicodedata.normalize("NFKD", folded).encode("ascii", "ignore").decode()
    name = re.sub(r"[^a-z0-9._-]+", "-", plain).strip("-._")[:_LONGEST].strip("-._")
    faithful = re.sub(r"\s+", "-", original.lower())
    if name != faithful or _DEVICE_NAMES.fullmatch(name):
        import hashlib  # only for odd names: it costs start-up time

        name = f"{name or 'kit'}-{hashlib.sha256(original.encode('utf-8', 'surrogatepass')).hexdigest()[:8]}"
        if _DEVICE_NAMES.fullmatch(name):
            name = f"kit-{name}"
    return name


def kit_folder(results: Path | str, kit: str) -> Path:
    """Return the folder of the kit named `kit` (a folder name, as `kit_folder_name` makes them) in `results`.

    Raises UsageError if the name would lead outside of `results`.
    """
    leads_out = kit in (".", "..") or any(sign in kit for sign in "/\\:\0")
    if not kit or leads_out or kit != kit.strip() or _DEVICE_NAMES.fullmatch(kit):
        raise UsageError(
            "not the name of a kit",
            where=f"--kit {kit}",
            got=repr(kit),
            needed="the name of one folder in the results folder",
            fix=f"for example --kit {kit_folder_name(kit)}",
        )
    return Path(results) / kit


def known_kits(results: Path | str) -> list[str]:
    """Return the names of the kits with a limits file in `results`, sorted; none if there is no such
    folder.
    """
    return sorted(path.parent.name for path in Path(results).glob("*/limits.toml"))


def chosen_kit(results: Path | str, kit: str | None) -> Path | None:
    """Return the folder of `kit`, which has a limits file, or of the only kit that has one; None without any.

    Raises UsageError if several have one and none is named, or the named one has none.
    """
    kits = known_kits(results)
    if kit is None:
        if len(kits) > 1:
            raise UsageError(
                "several kits have limits here",
                where=results,
                got="no --kit",
                needed=f"one of: {', '.join(kits)}",
                fix=f"give --kit {kits[0]}",
            )
        return Path(results) / kits[0] if kits else None
    folder = kit_folder(results, kit)
    if kit not in kits:
        raise UsageError(
            "no accepted limits for this kit",
            where=folder,
            got=kit,
            needed=f"one of: {', '.join(kits)}" if kits else "a kit with accepted limits; there is none here",
            fix="accept the limits of one of its runs first, or leave --kit out",
        )
    return folder
