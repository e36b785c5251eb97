"""What a protocol file may say: pydantic models, checked to the last key.

A protocol is data: it can be read, checked, summarised and simulated without a camera. The models are also
the source of the JSON Schema that is shipped beside the files, so that an editor completes and checks them.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from kitgauge.protocol.marked import FNumberRule, IsoRule, Setting, ShutterRule
from kitgauge.protocol.sweep import Line, StrictModel, Sweep, Text, Texts, problem

Role = Literal["flat", "dark", "edge", "tripod", "handheld", "subject", "scene"]
Measures = Literal["noise", "dark-current", "sharpness", "blur", "practice"]
LightKind = Literal["daylight", "tungsten"]
SweepPlace = Literal["lowest", "middle", "highest"]
Answer = Literal[
    "none",
    "where-blur-begins",
    "noise-of-fast-frames",
    "iso-for-speed",
    "where-depth-begins",
    "time-for-depth",
    "sharpest-in-focus",
    "where-noise-shows",
    "how-much-noise",
    "speed-for-iso",
    "why-the-plan-differs",
    "what-the-blur-says",
    "second-try",
]
Focusing = Literal["once", "each-frame", "stepped"]
FEWEST_FOCUS_STEPS = 5

ROLE_TEXTS: dict[Role, str] = {
    "flat": "an even, unsharp surface",
    "dark": "no light at all, lens cap on",
    "edge": "a target with straight tilted edges, sharp",
    "tripod": "the target from a tripod, as reference",
    "handheld": "the target, camera in the hands",
    "subject": "a moving subject",
    "scene": "an everyday scene",
}
ROLES_FOR: dict[Measures, tuple[Role, ...]] = {
    "noise": ("flat", "dark"),
    "dark-current": ("dark", "flat"),
    "sharpness": ("edge",),
    "blur": ("tripod", "handheld", "subject"),
    "practice": ("scene", "tripod", "handheld", "subject"),
}
SETTING_FOR: dict[Measures, tuple[Setting, ...]] = {
    "noise": ("iso",),
    "dark-current": ("shutter_s",),
    "sharpness": ("f_number",),
    "blur": ("shutter_s",),
    "practice": ("iso", "shutter_s", "f_number"),
}


class Exposure(StrictModel):
    """How the frames of a step are exposed. What is not named is free, but the same for the whole step."""

    iso: IsoRule | None = Field(default=None, description='ISO: a value, "base" (the camera\'s lowest) or "metered".')
    shutter_s: ShutterRule | None = Field(
        default=None, description='Shutter time: "1/60", seconds, "fastest" (the camera\'s) or "metered".'
    )
    f_number: FNumberRule | None = Field(
        default=None, description='f-number: a value, "widest" (the lens\'s) or "metered".'
    )
    balanced_by: Literal["iso", "shutter_s", "f_number", "light"] | None = Field(
        default=None, description="What keeps the exposure the same while the sweep changes it."
    )
    saturation: tuple[float, float] | None = Field(
        default=None,
        description="Lowest and highest mean level of the brightest colour, in shares of saturation; both 1 or more "
        "(at most 16): clipped on purpose.",
    )
    lens_cap: bool = Field(default=False, description="Whether the lens cap is on.")

    @model_validator(mode="after")
    def _check(self) -> Exposure:
        if self.saturation is not None:
            low, high = self.saturation
            if not (0 <= low < high <= 1 or 1 <= low < high <= 16):
                raise problem(
                    "saturation",
                    "not a range of saturation",
                    "[lowest, highest] within 0 and 1, or both from 1 to 16 to clip on purpose",
                    [low, high],
                )
            if self.lens_cap:
                raise problem(
                    "saturation",
                    "a capped lens gives no level",
                    "saturation or lens_cap, not both",
                    [low, high],
                )
        if self.lens_cap and self.balanced_by is not None:
            raise problem("balanced_by", "a capped lens has no exposure to keep", "no balanced_by", self.balanced_by)
        if self.balanced_by in ("iso", "shutter_s", "f_number") and getattr(self, self.balanced_by) not in (
            None,
            "metered",
        ):
            raise problem(
                "balanced_by",
                f"{self.balanced_by} is fixed and cannot follow",
                "another setting",
                self.balanced_by,
            )
        return self


class Step(StrictModel):
    """One setting, or one row of settings, with a role and a number of frames."""

    role: Role = Field(
        description="What the frames are for: " + "; ".join(f"{k} = {v}" for k, v in ROLE_TEXTS.items()) + "."
    )
    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 _-]{0,39}$")] | None = Field(
        default=None,
        description="Label, unique in the protocol; a subfolder of this name claims frames. Else the role.",
    )
    frames: int = Field(ge=1, le=200, strict=True, description="Frames per value of the sweep (1 to 200).")
    at: Literal["each-value", "once"] | Annotated[tuple[SweepPlace, ...], Field(min_length=1, max_length=3)] = Field(
        default="each-value",
        description='"each-value": at every value of the sweep; "once": outside it, as `exposure` says; '
        'or a list of places in the sweep: ["lowest", "middle", "highest"].',
    )
    exposure: Exposure = Field(default_factory=lambda: Exposure(), description="How the frames are exposed.")
    optional: bool = Field(
        default=False, strict=True, description="Worth having: a run without these frames is still complete."
    )
    focus: Focusing = Field(
        default="once",
        description='"once": focused once, then left alone; "each-frame": focused anew before each frame, so that the '
        'frames show how repeatable that is; "stepped": moved by one equal step after each frame, from near to far.',
    )
    light: LightKind | None = Field(default=None, description="The colour of the light these frames need.")
    picture: Text | None = Field(default=None, description="What the picture must look like.")
    how: Texts = Field(default=(), description="What to do for this step, in order.")
    good_signs: Texts = Field(default=(), description="How to tell that it went well.")
    minutes_setup: float = Field(default=0.0, ge=0, le=600, description="Minutes to get ready for this step.")
    seconds_per_frame: float = Field(
        default=5.0, gt=0, le=3600, description="Seconds from one frame to the next, without the exposure."
    )

    @property
    def clips(self) -> bool:
        """Whether the frames are clipped on purpose."""
        return self.exposure.saturation is not None and self.exposure.saturation[0] >= 1

    @property
    def label(self) -> str:
        """The name, or the role where no name is given."""
        return self.name or self.role


class Light(StrictModel):
    """The light that the settings are worked out for when the user gives none."""

    ev100: float = Field(ge=-10, le=20, description="Exposure value at ISO 100 of the scene.")
    text: Line = Field(description='The same in words: "window light on a bright day".')


class Target(StrictModel):
    """The thing photographed, as far as distances depend on it."""

    text: Line = Field(description="What it is.")
    square_mm: float = Field(gt=0, le=10_000, description="Side of one square (or length of one straight edge) [mm].")
    dots_per_inch: float = Field(default=600.0, gt=0, le=20_000, description="Resolution it is printed with.")
    focal_lengths_at_least: float = Field(
        default=2.0, gt=1, le=10_000, description="Nearest distance from target to lens, in focal lengths."
    )
    edge_px_at_least: float = Field(
        default=100.0, gt=0, le=10_000, description="Shortest useful edge in the frame [px]."
    )
    out_resolve_lens: bool = Field(
        default=False, description="Whether the print's dots must stay too small for the lens to show."
    )
    sheets: int | None = Field(
        default=None,
        ge=1,
        le=5,
        description="Sheets of the target that 'kitgauge target' writes (5: centre and corners); their size and "
        "spacing are then worked out, and square_mm is not used.",
    )


class Protocol(StrictModel):
    """A whole test sequence."""

    schema_version: Literal[1] = Field(alias="schema", description="Version of this file format: 1.")
    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,59}$")] = Field(
        description="Short name: lower-case letters, digits and hyphens."
    )
    title: Line = Field(description="Title.")
    purpose: Text = Field(description="What one learns from it, in a sentence or two.")
    measures: Measures = Field(description="What is measured from the frames.")
    cautions: Texts = Field(default=(), description="What can hurt people or things, and how to avoid it.")
    setup: Texts = Field(default=(), description="What to prepare, in order.")
    distance: Text | None = Field(
        default=None, description="A plain hint at the distance, where there is no target to compute it from."
    )
    minutes_setup: float = Field(default=5.0, ge=0, le=600, description="Minutes to prepare everything.")
    light: Light | None = Field(default=None, description="Light that the settings are worked out for.")
    target: Target | None = Field(default=None, description="The target, where distances depend on it.")
    questions: Texts = Field(default=(), description="Questions to answer before looking at the result.")
    answers: Annotated[tuple[Answer, ...], Field(max_length=30)] = Field(
        default=(),
        description="What is worked out from the frames to answer each of `questions`, in their order (practice only); "
        '"none" where only the eye can tell.',
    )
    sweep: Sweep | None = Field(
        default=None,
        description="The setting that is stepped through; left out where the photographer chooses all settings.",
    )
    step: Annotated[tuple[Step, ...], Field(min_length=1, max_length=30)] = Field(
        description="The steps, in the order in which they are shot."
    )

    @model_validator(mode="after")
    def _check(self) -> Protocol:
        allowed = SETTING_FOR[self.measures]
        if self.sweep is None:
            self._check_free()
        elif self.sweep.setting not in allowed:
            raise problem(
                "sweep.setting",
                f"{self.measures} is not measured along this setting",
                " or ".join(allowed),
                self.sweep.setting,
            )
        if self.answers and len(self.answers) != len(self.questions):
            raise problem(
                "answers",
                "there are not as many answers as questions",
                f'{len(self.questions)} of them, "none" where there is nothing to work out',
                len(self.answers),
            )
        seen: dict[str, int] = {}
        for number, step in enumerate(self.step, start=1):
            self._check_step(number, step)
            key = step.label.casefold()
            if key in seen:
                raise problem(
                    f"step[{number}].name",
                    f"step {number} is called like step {seen[key]}",
                    "a name of its own for each step",
                    step.label,
                )
            seen[key] = number
        self._check_roles([step.role for step in self.step if not step.optional])
        if len({step.focus for step in self.step}) > 1:
            raise problem(
                "step",
                "steps are focused in different ways, and their frames cannot be told apart",
                "the same focus in all steps",
                ", ".join(step.focus for step in self.step),
            )
        return self

    def _check_free(self) -> None:
        """Refuse a protocol without a sweep unless it is practice whose steps all lie outside of one."""
        if self.measures != "practice":
            raise problem("sweep", "there is no sweep", "[sweep] with the setting that is stepped through", "nothing")
        for number, step in enumerate(self.step, start=1):
            if step.at != "once":
                raise problem(
                    f"step[{number}].at", "there is no sweep that this step could follow", 'at = "once"', step.at
                )

    @property
    def setting(self) -> Setting | None:
        """The setting that is stepped through, None where all of them are free."""
        return None if self.sweep is None else self.sweep.setting

    @property
    def refocused(self) -> bool:
        """Whether the focus is found again before each frame."""
        return all(step.focus == "each-frame" for step in self.step)

    @property
    def focus_stepped(self) -> bool:
        """Whether the frames run through the focus."""
        return self.step[0].focus == "stepped"

    def _check_roles(self, roles: list[Role]) -> None:
        present = ", ".join(roles)
        if self.measures == "noise" and "flat" not in roles:
            raise problem("step", "noise is measured from flats", 'a step with role = "flat"', present)
        if self.measures == "dark-current":
            self._check_dark_steps(present)
        if self.measures != "blur":
            return
        moving = [i for i, role in enumerate(roles) if role != "tripod"]
        still = [i for i, role in enumerate(roles) if role == "tripod"]
        if not still:
            raise problem("step", "blur is measured against a reference", 'a first step with role = "tripod"', present)
        if not moving:
            raise problem(
                "step",
                "there is a reference but nothing to compare with it",
                'a step with role = "handheld" or "subject"',
                present,
            )
        if still[-1] > moving[0]:
            raise problem(
                f"step[{still[-1] + 1}].role",
                "the tripod reference comes too late: frames are told apart by their order",
                "tripod steps before all others",
                "tripod",
            )

    def _check_dark_steps(self, present: str) -> None:
        if not any(step.role == "dark" and not step.optional and step.at == "each-value" for step in self.step):
            raise problem(
                "step",
                "dark current is measured from dark frames at every time of the sweep",
                'a step with role = "dark" at each value',
                present,
            )

    def _check_step(self, number: int, step: Step) -> None:
        here = f"step[{number}]"
        allowed = ROLES_FOR[self.measures]
        if step.role not in allowed:
            raise problem(
                f"{here}.role",
                f"this role does not serve to measure {self.measures}",
                " or ".join(allowed),
                step.role,
            )
        if step.focus != "once" and self.measures != "sharpness":
            raise problem(
                f"{here}.focus",
                "only sharpness is measured along the focus",
                'focus = "once", or measures = "sharpness"',
                step.focus,
            )
        if step.focus == "stepped" and step.frames < FEWEST_FOCUS_STEPS:
            raise problem(
                f"{here}.frames",
                "too few frames to see a peak of sharpness along the focus",
                f"{FEWEST_FOCUS_STEPS} or more",
                step.frames,
            )
        if step.at == "once" or self.sweep is None:
            return
        setting = self.sweep.setting
        fixed: float | str | None = getattr(step.exposure, setting)
        if fixed is not None:
            raise problem(
                f"{here}.exposure.{setting}",
                f"the sweep already sets {setting}",
                f'no {setting} here, or at = "once"',
                f"{fixed:g}" if isinstance(fixed, float) else fixed,
            )
        if step.exposure.balanced_by == setting:
            raise problem(
                f"{here}.exposure.balanced_by",
                f"{setting} is the sweep and cannot also follow it",
                "another setting",
                setting,
            )
        if isinstance(step.at, tuple) and len(set(step.at)) != len(step.at):
            raise problem(f"{here}.at", "a place in the sweep appears twice", "each place once", ", ".join(step.at))
