"""The sweep of a protocol: the one setting that is stepped through, and its values."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from kitgauge.protocol.marked import FNumber, Iso, Setting, ShutterTime, format_setting
from kitgauge.readable_text import readable

Spacing = Literal["full-stops", "half-stops", "third-stops"]


def problem(key: str, what: str, needed: str, got: object) -> PydanticCustomError:
    """Return an error that a check across several keys raises: `key` is the path below the model checked."""
    return PydanticCustomError("across", "{what}", {"key": key, "what": what, "needed": needed, "got": str(got)})


def _has_words(text: str) -> str:
    if not text.strip():
        raise PydanticCustomError("words", "a text that is not empty", {"needed": "a text that is not empty"})
    if readable(text) != text:
        needed = "a text without control signs and signs that turn its direction"
        raise PydanticCustomError("words", needed, {"needed": needed})
    return text


Line = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_has_words)]
Text = Annotated[str, Field(min_length=1, max_length=1000), AfterValidator(_has_words)]
Texts = Annotated[tuple[Text, ...], Field(max_length=30)]


class StrictModel(BaseModel):
    """A table of a protocol file: unknown keys, NaN and infinities are refused; frozen once read."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class _Sweep(StrictModel):
    def _check_values(self, setting: Setting, values: object, lowest: float | None, highest: float | None) -> None:
        if isinstance(values, tuple):
            if not values:
                raise problem("values", "the sweep has no values", "a spacing, or a list with one value or more", "[]")
            for name, bound in (("lowest", lowest), ("highest", highest)):
                if bound is not None:
                    raise problem(
                        name,
                        f"a list of values needs no {name}",
                        "a spacing in `values`, or no bounds",
                        f"{bound:g}",
                    )
            names = [format_setting(setting, value) for value in values]
            for index, text in enumerate(names):
                if text in names[:index]:
                    raise problem(f"values[{index + 1}]", "a value appears twice", "each value once", text)
        elif lowest is not None and highest is not None and lowest >= highest:
            raise problem("highest", "the sweep is empty", "a highest value above the lowest one", f"{highest:g}")


class IsoSweep(_Sweep):
    """Which ISO values are stepped through."""

    setting: Literal["iso"] = Field(description="The setting that changes from shot to shot.")
    values: Spacing | Annotated[tuple[Iso, ...], Field(max_length=60)] = Field(
        description="The spacing of the values over the camera's range, or the marked values themselves."
    )
    lowest: Iso | None = Field(default=None, description="Do not go below this ISO.")
    highest: Iso | None = Field(default=None, description="Do not go above this ISO.")

    @model_validator(mode="after")
    def _check(self) -> IsoSweep:
        self._check_values(self.setting, self.values, self.lowest, self.highest)
        return self


class ApertureSweep(_Sweep):
    """Which f-numbers are stepped through."""

    setting: Literal["f_number"] = Field(description="The setting that changes from shot to shot.")
    values: Spacing | Annotated[tuple[FNumber, ...], Field(max_length=60)] = Field(
        description="The spacing of the values over the lens's range, or the marked values themselves."
    )
    lowest: FNumber | None = Field(default=None, description="Do not open the aperture wider than this f-number.")
    highest: FNumber | None = Field(default=None, description="Do not close the aperture further than this f-number.")

    @model_validator(mode="after")
    def _check(self) -> ApertureSweep:
        self._check_values(self.setting, self.values, self.lowest, self.highest)
        return self


class ShutterSweep(_Sweep):
    """Which shutter times are stepped through, from the fastest to the slowest."""

    setting: Literal["shutter_s"] = Field(description="The setting that changes from shot to shot.")
    values: Spacing | Annotated[tuple[ShutterTime, ...], Field(max_length=60)] = Field(
        description="The spacing of the values over the range, or the marked values themselves."
    )
    lowest: ShutterTime | None = Field(default=None, description="No shutter time shorter than this.")
    highest: ShutterTime | None = Field(default=None, description="No shutter time longer than this.")
    optional_values: Annotated[tuple[ShutterTime, ...], Field(max_length=20)] = Field(
        default=(), description="More shutter times, worth having but not needed (bulb times, for instance)."
    )
    around: Literal["one-over-focal-length"] | None = Field(
        default=None,
        description="Place the ladder around 1 / (focal length in 35 mm terms) seconds; needs faster_stops "
        "and slower_stops.",
    )
    faster_stops: float | None = Field(
        default=None, ge=0, le=12, description="With `around`: how many stops faster it starts."
    )
    slower_stops: float | None = Field(
        default=None, ge=0, le=12, description="With `around`: how many stops slower it ends."
    )

    @model_validator(mode="after")
    def _check(self) -> ShutterSweep:
        self._check_values(self.setting, self.values, self.lowest, self.highest)
        for name in ("faster_stops", "slower_stops"):
            given = getattr(self, name)
            if self.around is None and given is not None:
                raise problem(name, f"{name} has no centre", 'around = "one-over-focal-length" beside it', given)
            if self.around is not None and given is None:
                raise problem(name, f"{name} is missing", "a number of stops, because `around` is given", "nothing")
        wanted = self.values if isinstance(self.values, tuple) else ()
        names = [format_setting(self.setting, value) for value in (*wanted, *self.optional_values)]
        for index, text in enumerate(names):
            if text in names[:index]:
                raise problem("optional_values", "a value appears twice", "each value once", text)
        if self.around is not None and isinstance(self.values, tuple):
            raise problem("values", "a list of values needs no `around`", 'a spacing such as "full-stops"', "a list")
        return self


Sweep = Annotated[IsoSweep | ApertureSweep | ShutterSweep, Field(discriminator="setting")]
