"""Every error a user can meet.

One root, `KitgaugeError`, and one class per stage of the pipeline. An error says what is wrong, where (file, key,
frame), the value found, the value needed, and how to put it right. `cli.py` is the only place that turns these into
messages and exit codes.
"""

from __future__ import annotations

from pathlib import PurePath

_LONGEST_VALUE = 2000  # characters of a value, or of a key, that a file gives
DEBUG_VARIABLE = "KITGAUGE_DEBUG"  # set: faults of kitgauge itself show their traceback


class KitgaugeError(ValueError):
    """Root of all errors raised for a user to read.

    Parameters
    ----------
    what : the fault in one sentence, without a full stop at the end
    where : file, key or frame that it concerns
    got, needed : value found and value wanted, as text
    fix : what the user should do, in the imperative
    """

    exit_code = 1

    def __init__(
        self,
        what: str,
        *,
        where: object = None,
        got: object = None,
        needed: object = None,
        fix: str | None = None,
    ) -> None:
        self.what = _shortened(what)
        self.where = None if where is None else _shortened(str(where))
        self.got = None if got is None else _shortened(str(got))
        self.needed = None if needed is None else str(needed)
        self.fix = fix
        super().__init__(self.message())

    def __reduce__(self) -> tuple[object, ...]:
        """Go from one process to another whole."""
        return _rebuilt, (type(self), self.__dict__)

    def message(self) -> str:
        """Return the whole message: one line for the fault, one each for place, values and fix."""
        lines = [self.what]
        if self.where is not None:
            lines.append(f"  where:  {self.where}")
        if self.got is not None:
            lines.append(f"  got:    {self.got}")
        if self.needed is not None:
            lines.append(f"  needed: {self.needed}")
        if self.fix is not None:
            lines.append(f"  fix:    {self.fix}")
        return "\n".join(lines)


def _shortened(text: str) -> str:
    """Return a value as found, without the greater part of one that nobody can read."""
    if len(text) <= _LONGEST_VALUE:
        return text
    return f"{text[:_LONGEST_VALUE]} ... ({len(text)} characters)"


def _rebuilt(kind: type[KitgaugeError], values: dict[str, object]) -> KitgaugeError:
    error = kind.__new__(kind)
    error.__dict__.update(values)
    ValueError.__init__(error, error.message())
    return error


class UsageError(KitgaugeError):
    """The command line asks for something that does not exist or contradicts itself (exit code 2)."""

    exit_code = 2


class ProtocolError(KitgaugeError):
    """A protocol file does not say what a protocol must say."""


class FrameError(KitgaugeError):
    """One file cannot be opened as a frame, or holds no usable picture.

    `flag` is the name, in the registry of `kitgauge.flags`, that the rejected frame carries.
    """

    def __init__(
        self,
        what: str,
        *,
        flag: str = "unreadable",
        where: object = None,
        got: object = None,
        needed: object = None,
        fix: str | None = None,
    ) -> None:
        self.flag = flag
        super().__init__(what, where=where, got=got, needed=needed, fix=fix)


class IngestError(KitgaugeError):
    """A folder of frames cannot serve the protocol."""


class MeasurementError(KitgaugeError):
    """The samples do not allow the measurement."""


class FitError(KitgaugeError):
    """The points do not allow the fit."""


class LimitsError(KitgaugeError):
    """A criterion, or a limits file, is not usable."""


class PlanError(KitgaugeError):
    """The inputs of a plan are impossible or contradict each other (exit code 2)."""

    exit_code = 2


class ResultsError(KitgaugeError):
    """Results cannot be written or read."""


def fault_message(error: Exception) -> str:
    """Return what to say of an exception that no part of kitgauge foresaw."""
    place = error.__traceback__
    while place is not None and place.tb_next is not None:
        place = place.tb_next
    where = f"{PurePath(place.tb_frame.f_code.co_filename).name}:{place.tb_lineno}" if place is not None else "unknown"
    return KitgaugeError(
        "this should not happen: a fault in kitgauge itself",
        where=where,
        got=f"{type(error).__name__}: {error}",
        fix=f"please report it, with what {DEBUG_VARIABLE}=1 prints when you repeat the command",
    ).message()
