"""Protocol files: what is shipped, how a bad file is answered."""

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from kitgauge.errors import ProtocolError, UsageError
from kitgauge.protocol.loading import (
    LARGEST_FILE_BYTES,
    json_schema,
    load_protocol,
    parse_protocol,
    shipped_folder,
    shipped_protocols,
)

ROOT = Path(__file__).resolve().parents[2]
SHIPPED = {
    "noise-ladder",
    "noise-ladder-thirds",
    "noise-quick",
    "dark-current",
    "aperture-sweep",
    "aperture-sweep-refocused",
    "focus-bracket",
    "handheld-shutter",
    "subject-motion",
    "practice-shutter",
    "practice-aperture",
    "practice-iso",
    "practice-choice",
}

GOOD = """\
schema = 1
id = "my-ladder"
title = "My ladder"
purpose = "A test."
measures = "noise"

[sweep]
setting = "iso"
values = [100, 200]

[[step]]
role = "flat"
frames = 2
exposure = { f_number = 5.6, balanced_by = "shutter_s", saturation = [0.15, 0.85] }

[[step]]
role = "dark"
frames = 2
exposure = { shutter_s = "fastest", lens_cap = true }
"""

GOOD_BLUR = """\
schema = 1
id = "my-hands"
title = "My hands"
purpose = "A test."
measures = "blur"

[sweep]
setting = "shutter_s"
values = ["1/60", "1/15", 0.5]

[[step]]
role = "tripod"
frames = 2

[[step]]
role = "handheld"
frames = 5
"""


def parse(text: str):
    return parse_protocol(text.encode(), Path("mine.toml"))


def refusal(text: str) -> ProtocolError:
    with pytest.raises(ProtocolError) as caught:
        parse(text)
    return caught.value


def test_all_shipped_protocols_load_under_their_file_name():
    loaded = shipped_protocols()
    assert {item.protocol.id for item in loaded} == SHIPPED
    for item in loaded:
        assert item.source.stem == item.protocol.id
        assert item.sha256 == hashlib.sha256(item.source.read_bytes()).hexdigest()
        assert load_protocol(item.protocol.id) == item
        assert load_protocol(item.source) == item


@pytest.mark.parametrize("identifier", sorted(SHIPPED))
def test_shipped_protocols_say_what_a_person_needs(identifier):
    protocol = load_protocol(identifier).protocol
    assert protocol.cautions and protocol.setup
    assert protocol.target is not None or protocol.distance or protocol.measures in ("noise", "dark-current")
    for step in protocol.step:
        assert step.picture and step.how and step.good_signs


def test_shipped_protocols_name_the_schema_for_editors():
    for item in shipped_protocols():
        assert item.source.read_text(encoding="utf-8").startswith("#:schema ./protocol.schema.json\n")


def test_shipped_schema_is_fresh():
    shipped = json.loads((shipped_folder() / "protocol.schema.json").read_text(encoding="utf-8"))
    assert shipped == json_schema(), "write it again: json.dumps(json_schema(), indent=2, ensure_ascii=False)"


def test_schema_offers_the_file_keys_and_notations():
    schema = json_schema()
    assert "schema" in schema["properties"] and "schema_version" not in schema["properties"]
    assert set(schema["required"]) >= {"schema", "id", "title", "purpose", "measures", "step"}
    assert schema["additionalProperties"] is False


def test_marked_values_become_exact():
    # f/5.6 is 2^(5/2), 1/60 s is 1/64 s, 1/15 s is 1/16 s (published/facts.md)
    assert parse(GOOD).step[0].exposure.f_number == pytest.approx(2**2.5, rel=1e-12)
    assert parse(GOOD_BLUR).sweep.values == (1 / 64, 1 / 16, 0.5)


def test_a_byte_order_mark_and_windows_line_ends_are_harmless():
    assert parse_protocol(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode(), Path("x")) == parse(GOOD)


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        (
            'role = "dark"\nframes = 2',
            'role = "dark"\nframes = -2',
            "step[2].frames",
            ["-2", "greater than or equal to 1"],
        ),
        (
            'role = "dark"\nframes = 2',
            'role = "dark"\nframes = 0',
            "step[2].frames",
            ["greater than or equal to 1"],
        ),
        (
            'role = "dark"\nframes = 2',
            'role = "dark"\nframes = 2.5',
            "step[2].frames",
            ["2.5", "whole number"],
        ),
        (
            'role = "dark"\nframes = 2',
            'role = "dark"\nframes = "two"',
            "step[2].frames",
            ["'two'", "whole number"],
        ),
        (
            'role = "dark"\nframes = 2',
            'role = "dark"\nframes = true',
            "step[2].frames",
            ["true", "whole number"],
        ),
        ('role = "dark"\nframes = 2', 'role = "dark"', "step[2].frames", ["missing", "add frames"]),
        ('role = "dark"', 'role = "black"', "step[2].role", ["'black'", '"dark"']),
        (
            'role = "dark"',
            'role = "handheld"',
            "step[2].role",
            ["does not serve to measure noise", "flat or dark"],
        ),
        ('role = "dark"', 'roles = "dark"', "step[2].roles", ["unknown key", "did you mean role?"]),
        (
            'role = "dark"',
            'role = "dark"\nframe = 3',
            "step[2].frame",
            ["unknown key", "did you mean frames?"],
        ),
        (
            'role = "dark"',
            'role = "dark"\nxyzzy = 3',
            "step[2].xyzzy",
            ["unknown key", "one of role, name, frames"],
        ),
        ('role = "dark"', 'role = "flat"', "step[2].name", ["called like step 1", "a name of its own"]),
        ('role = "dark"', 'role = "dark"\nname = "FLAT"', "step[2].name", ["called like step 1"]),
        (
            "lens_cap = true",
            "lens_cap = true, saturation = [0, 1]",
            "step[2].exposure.saturation",
            ["capped"],
        ),
        (
            "lens_cap = true",
            'lens_cap = true, balanced_by = "iso"',
            "step[2].exposure.balanced_by",
            ["capped"],
        ),
        ("lens_cap = true", "lens_cap = 1.5", "step[2].exposure.lens_cap", ["1.5", "true or false"]),
        ('"fastest"', '"quickest"', "step[2].exposure.shutter_s", ["'quickest'", '"fastest"', '"1/60"']),
        ('"fastest"', '"16 ms"', "step[2].exposure.shutter_s", ["'16 ms'", "in seconds"]),
        ('"fastest"', "60000", "step[2].exposure.shutter_s", ["60000", "3,600"]),
        ('"fastest"', '"1/0"', "step[2].exposure.shutter_s", ["'1/0'", "in seconds"]),
        ("f_number = 5.6", 'f_number = "f/5.6"', "step[1].exposure.f_number", ["'f/5.6'", "such as 5.6"]),
        ("f_number = 5.6", "f_number = -5.6", "step[1].exposure.f_number", ["-5.6", "0.5 to 256"]),
        ("f_number = 5.6", "f_number = nan", "step[1].exposure.f_number", ["nan", "0.5 to 256"]),
        ("f_number = 5.6", "iso = 200", "step[1].exposure.iso", ["the sweep already sets iso"]),
        (
            'balanced_by = "shutter_s"',
            'balanced_by = "iso"',
            "step[1].exposure.balanced_by",
            ["is the sweep"],
        ),
        (
            'balanced_by = "shutter_s"',
            'balanced_by = "f_number"',
            "step[1].exposure.balanced_by",
            ["cannot follow"],
        ),
        ("[0.15, 0.85]", "[0.85, 0.15]", "step[1].exposure.saturation", ["[lowest, highest]"]),
        ("[0.15, 0.85]", "[15, 85]", "step[1].exposure.saturation", ["within 0 and 1"]),
        ("[0.15, 0.85]", "[0.5, 2.0]", "step[1].exposure.saturation", ["to clip on purpose"]),
        ("frames = 2", "frames = 2\noptional = 1", "step[1].optional", ["true"]),
        ("frames = 2", 'frames = 2\nlight = "neon"', "step[1].light", ['"tungsten"']),
        ("frames = 2", "frames = 2\noptional = true", "step", ["noise is measured from flats"]),
        ('measures = "noise"', 'measures = "dark-current"', "sweep.setting", ["shutter_s"]),
        ("[0.15, 0.85]", "[0.15]", "step[1].exposure.saturation", ["too short", "1 of its values"]),
        ("[100, 200]", "[]", "sweep.values", ["the sweep has no values"]),
        ("[100, 200]", "[100, 200, 100]", "sweep.values[3]", ["twice", "ISO 100"]),
        ("[100, 200]", "[100, -200]", "sweep.values[2]", ["-200", "an ISO value"]),
        ("[100, 200]", '[100, "200"]', "sweep.values[2]", ["'200'", "an ISO value as a number"]),
        ("[100, 200]", '"whole-stops"', "sweep.values", ["'whole-stops'", "full-stops"]),
        ("[100, 200]", "[100, 200]\nlowest = 100", "sweep.lowest", ["a list of values needs no lowest"]),
        ("[100, 200]", '"full-stops"\nlowest = 800\nhighest = 400', "sweep.highest", ["the sweep is empty"]),
        ("[100, 200]", '"full-stops"\nfaster_stops = 2', "sweep.faster_stops", ["unknown key"]),
        ('setting = "iso"', 'setting = "ISO"', "sweep.setting", ["'ISO'", "iso or f_number or shutter_s"]),
        ('setting = "iso"\n', "", "sweep.setting", ["missing", "iso or f_number or shutter_s"]),
        (
            'setting = "iso"\nvalues = [100, 200]',
            'setting = "f_number"\nvalues = [4, 8]',
            "sweep.setting",
            ["noise is not measured along this setting", "iso"],
        ),
        ('measures = "noise"', 'measures = "sharpness"', "sweep.setting", ["f_number"]),
        ('measures = "noise"', 'measure = "noise"', "measure", ["did you mean measures?"]),
        ("schema = 1", "schema = 2", "schema", ["2", "1"]),
        ("schema = 1\n", "", "schema", ["missing"]),
        ("schema = 1", "schema_version = 1", "schema_version", ["unknown key"]),
        (
            'id = "my-ladder"',
            'id = "My Ladder"',
            "id",
            ["'My Ladder'", "lower-case letters, digits and hyphens"],
        ),
        ('id = "my-ladder"', 'id = "../../etc"', "id", ["lower-case letters"]),
        ('id = "my-ladder"', "id = 7", "id", ["7", "a text in quotes"]),
        ('title = "My ladder"', 'title = ""', "title", ["''", "not empty"]),
        ('title = "My ladder"', 'title = "  "', "title", ["not empty"]),
        ('title = "My ladder"', 'title = "My ladder"\ncautions = "none"', "cautions", ["'none'", "a list"]),
    ],
)
def test_each_fault_names_file_key_value_and_fix(old, new, key, words):
    assert old in GOOD
    error = refusal(GOOD.replace(old, new, 1))
    assert error.where is not None and error.where.startswith("mine.toml: " + key)
    assert error.got and error.needed and error.fix
    for word in words:
        assert word in error.message(), error.message()


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ('role = "tripod"', 'role = "subject"', "step", ["measured against a reference"]),
        ('role = "handheld"', 'role = "tripod"\nname = "again"', "step", ["nothing to compare"]),
        ('"1/60"', '"1/60 s"', "sweep.values[1]", ["'1/60 s'"]),
        ("0.5]", "0.5]\nfaster_stops = 2", "sweep.faster_stops", ["has no centre"]),
        ("0.5]", '0.5]\naround = "one-over-focal-length"', "sweep.faster_stops", ["missing"]),
        (
            '["1/60", "1/15", 0.5]',
            '"full-stops"\naround = "x"\nfaster_stops = 1\nslower_stops = 1',
            "sweep.around",
            ["'x'"],
        ),
        ("frames = 5", 'frames = 5\nat = ["lowest", "lowest"]', "step[2].at", ["twice"]),
        ("frames = 5", 'frames = 5\nat = ["fastest"]', "step[2].at", ['"lowest"']),
        ("frames = 5", "frames = 5\nseconds_per_frame = 0", "step[2].seconds_per_frame", ["greater than 0"]),
        ("0.5]", "0.5]\noptional_values = [4, 4]", "sweep.optional_values", ["twice", "4 s"]),
        ("0.5]", '0.5]\noptional_values = ["1/15"]', "sweep.optional_values", ["twice", "1/15"]),
    ],
)
def test_faults_of_a_blur_series(old, new, key, words):
    assert old in GOOD_BLUR
    error = refusal(GOOD_BLUR.replace(old, new, 1))
    assert error.where is not None and error.where.startswith("mine.toml: " + key), error.message()
    for word in words:
        assert word in error.message(), error.message()


def test_dark_current_needs_dark_frames_at_every_time():
    text = GOOD_BLUR.replace('"blur"', '"dark-current"').replace('"tripod"', '"flat"')
    assert "dark or flat" in refusal(text).message()
    error = refusal(text.replace('"handheld"', '"dark"\nat = ["lowest"]'))
    assert error.where == "mine.toml: step" and "at every time" in error.what
    assert parse(text.replace('"handheld"', '"dark"')).measures == "dark-current"


def test_the_tripod_must_come_first():
    swapped = GOOD_BLUR.replace('"tripod"', '"x"').replace('"handheld"', '"tripod"').replace('"x"', '"handheld"')
    error = refusal(swapped)
    assert error.where == "mine.toml: step[2].role"
    assert "too late" in error.what


def test_further_faults_are_named_too():
    error = refusal(GOOD.replace("frames = 2", "frames = -1").replace('title = "My ladder"\n', ""))
    assert error.fix is not None and "2 more" in error.fix
    assert {"title", "step[1].frames", "step[2].frames"} <= set(f"{error.where} {error.fix}".replace(",", " ").split())


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (GOOD.replace('title = "My ladder"', "title = My ladder"), 3),
        (GOOD.replace('title = "My ladder"', 'title = "My ladder'), 3),
        (GOOD.replace("[sweep]", "[sweep"), 7),
        (GOOD + 'id = "again"\nid = "again"\n', None),
    ],
)
def test_toml_syntax_errors_name_the_line(text, line):
    error = refusal(text)
    assert "not valid TOML" in error.what and error.fix
    assert "mine.toml: line " in str(error.where)
    if line is not None:
        assert f"mine.toml: line {line}, column" in str(error.where)


def test_not_utf8_names_the_line():
    with pytest.raises(ProtocolError, match="not UTF-8") as caught:
        parse_protocol(GOOD.replace("My ladder", "Meine Leiter für ISO").encode("latin-1"), Path("mine.toml"))
    assert caught.value.where == "mine.toml: line 3"
    assert caught.value.got == "byte 0xfc"


@pytest.mark.parametrize("text", ["[" * 50_000, "a = " + "9" * 10_000, "a = " + "[" * 20_000 + "]" * 20_000])
def test_monstrous_toml_is_refused(text):
    assert refusal(text).fix


def test_files_that_are_no_files(tmp_path):
    with pytest.raises(ProtocolError, match="does not exist"):
        load_protocol(tmp_path / "none.toml")
    with pytest.raises(ProtocolError, match="folder"):
        load_protocol(tmp_path)
    with pytest.raises(ProtocolError, match="does not exist"):
        load_protocol("missing.toml")
    huge = tmp_path / "huge.toml"
    huge.write_bytes(b"#" * (LARGEST_FILE_BYTES + 1))
    with pytest.raises(ProtocolError, match="too large"):
        load_protocol(huge)
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    with pytest.raises(ProtocolError, match="not an ordinary file"):
        load_protocol(pipe)
    with pytest.raises(ProtocolError):
        load_protocol("bad\0name.toml")


def test_an_empty_file_lacks_everything(tmp_path):
    empty = tmp_path / "empty.toml"
    empty.write_bytes(b"")
    with pytest.raises(ProtocolError, match="missing"):
        load_protocol(empty)


def test_own_file_by_path_or_by_plain_name(tmp_path, monkeypatch):
    (tmp_path / "mine.toml").write_text(GOOD, encoding="utf-8")
    (tmp_path / "mine").write_text(GOOD, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    for name in ("mine.toml", "./mine.toml", "mine", str(tmp_path / "mine.toml")):
        assert load_protocol(name).protocol.id == "my-ladder"


@pytest.mark.parametrize(
    ("name", "advice"),
    [
        ("noise-lader", "did you mean noise-ladder?"),
        ("Handheld-Shutter", "handheld-shutter?"),
        ("zzz", "kitgauge protocols"),
    ],
)
def test_unknown_id_is_a_usage_error_with_advice(name, advice):
    with pytest.raises(UsageError) as caught:
        load_protocol(name)
    assert caught.value.exit_code == 2
    assert advice in str(caught.value.fix)
    for identifier in SHIPPED:
        assert identifier in str(caught.value.needed)


def test_loading_imports_nothing_heavy():
    code = (
        "import sys; import kitgauge.protocol.loading, kitgauge.protocol.shot_list, kitgauge.protocol.brief;"
        "heavy = {'numpy', 'scipy', 'pandas', 'cv2', 'matplotlib', 'rawpy', 'jinja2', 'tifffile'};"
        "print(sorted(set(sys.modules) & heavy))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.strip() == "[]"
