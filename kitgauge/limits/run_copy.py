"""A run whose limits are accepted lies in its kit's folder; of one that lies elsewhere a copy is put there.

So a kit's folder holds all that plans need, may be moved as a whole, and no path in it leads out of it.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from kitgauge.atomic import atomic_file, unwritable
from kitgauge.errors import ResultsError
from kitgauge.limits.kit_folder import kit_folder_name
from kitgauge.limits.reading import FILE_NAME
from kitgauge.limits.run_folders import folder_inside
from kitgauge.runs.files import CURVES_FILE, LOG_FILE, RunLog, run_files

_MOST_OF_ONE_NAME = 1000


@contextlib.contextmanager
def run_in_kit(run_folder: Path, kit: Path) -> Iterator[tuple[str, bool]]:
    """Yield the run's path below the folder `kit`, and whether it is that of a copy made just now.

    A copy is whole or not there; it is taken back where the block ends with an error. Raises ResultsError.
    """
    name = _name_inside(run_folder, kit)
    if name is not None:
        yield name, False
        return
    name, is_new = _copied(run_folder, kit)
    try:
        yield name, is_new
    except BaseException:
        if is_new:
            shutil.rmtree(kit / name, ignore_errors=True)
        raise


def _name_inside(run_folder: Path, kit: Path) -> str | None:
    try:
        name = run_folder.resolve().relative_to(kit.resolve()).as_posix()
    except ValueError:
        return None
    return None if folder_inside(kit, name) is None else name


def _copied(run_folder: Path, kit: Path) -> tuple[str, bool]:
    """Return the name of a copy of the run in `kit`, and whether it had to be made."""
    files = run_files(run_folder)
    if CURVES_FILE not in files:
        raise ResultsError(
            "the results of this run cannot be copied into the folder of its kit",
            where=run_folder / CURVES_FILE,
            got="a link, or no ordinary file",
            needed="the file that the run wrote",
            fix="give the folder that the run was written to",
        )
    try:
        kit.mkdir(parents=True, exist_ok=True)
        for name in _names(run_folder.resolve().name):
            if not (kit / name).exists() and not (kit / name).is_symlink():
                _copy(run_folder, files, kit / name)
                return name, True
            own = folder_inside(kit, name)
            if own is not None and _same_content(own / CURVES_FILE, files[CURVES_FILE]):
                return name, False  # accepted before
    except OSError as error:
        raise unwritable(kit, error) from error
    raise ResultsError("too many runs of one name in the folder of this kit", where=kit, got=run_folder.name)


def _names(folder: str) -> Iterator[str]:
    stem = kit_folder_name(folder)
    if stem != FILE_NAME:
        yield stem
    yield from (f"{stem}-{number}" for number in range(2, _MOST_OF_ONE_NAME))


def _same_content(one: Path, other: Path) -> bool:
    return one.is_file() and one.read_bytes() == other.read_bytes()


def _copy(source: Path, files: dict[str, Path], target: Path) -> None:
    with tempfile.TemporaryDirectory(prefix=".", suffix=".part", dir=target.parent) as temporary:
        whole = Path(temporary) / target.name
        whole.mkdir()
        for name, path in files.items():
            (whole / name).parent.mkdir(exist_ok=True)
            with path.open("rb") as content, atomic_file(whole / name) as copy:
                shutil.copyfileobj(content, copy)
        RunLog(whole / LOG_FILE).add("copied", source=str(source.resolve()))
        whole.rename(target)
