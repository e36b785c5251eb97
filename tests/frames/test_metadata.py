"""Settings from metadata: odd values become None with a reason, real files agree with another reader."""

from __future__ import annotations

import math
import struct
import subprocess
import sys
import time
from dataclasses import fields
from datetime import datetime, timedelta

import numpy as np
import pytest
from frame_bytes import dng_entries, tiff_bytes
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from kitgauge.errors import FrameError
from kitgauge.frames.exif_source import read_tags
from kitgauge.frames.exif_values import body_name, exif_offset, exif_time, lens_description
from kitgauge.frames.metadata import FrameSettings, exact_settings, read_settings

# Exif 3.0 (CIPA DC-008) tag numbers
EXPOSURE_TIME, F_NUMBER, SENSITIVITY, FOCAL_LENGTH = 33434, 33437, 34855, 37386
SENSITIVITY_TYPE, OUTPUT_SENSITIVITY, RECOMMENDED_INDEX, ISO_SPEED = 34864, 34865, 34866, 34867
APEX_SHUTTER, APEX_APERTURE, TAKEN, FRACTION, OFFSET = 37377, 37378, 36867, 37521, 36881
SHORT, LONG, RATIONAL, SIGNED_RATIONAL, TEXT = 3, 4, 5, 10, 2

GOOD = {
    EXPOSURE_TIME: (RATIONAL, (1, 60)),
    F_NUMBER: (RATIONAL, (56, 10)),
    SENSITIVITY: (SHORT, 400),
    FOCAL_LENGTH: (RATIONAL, (50, 1)),
    TAKEN: (TEXT, "2024:05:06 07:08:09"),
}
NOT_OPTIONAL = {"path", "missing", "notes", "utc_offset"}


@pytest.fixture
def frame(write_dng, noisy):
    """Return frame(exif tags, image tags) -> settings of a DNG that holds them."""

    def read(exif=None, image=None, samples=None):
        samples = noisy() if samples is None else samples
        return read_settings(write_dng(samples, exif={**GOOD, **(exif or {})}, more=image))

    return read


def check_reasons(found: FrameSettings) -> None:
    """Every setting is there or has its reason, never both."""
    for entry in fields(FrameSettings):
        if entry.name in NOT_OPTIONAL:
            continue
        reason = found.missing.get(entry.name)
        if getattr(found, entry.name) is None:
            assert reason and len(reason) > 10, entry.name
        else:
            assert reason is None, entry.name


def test_plain_settings(frame):
    found = frame(
        {FRACTION: (TEXT, "25"), OFFSET: (TEXT, "+09:00"), 42033: (TEXT, "A-17"), 42036: (TEXT, "Tessara 50")}
    )
    assert (found.iso, found.shutter_s, found.f_number, found.focal_mm) == (400, 1 / 60, 5.6, 50)
    assert found.body == "Northlight One"
    assert found.body_serial == "A-17"
    assert found.lens == "Tessara 50"
    assert found.taken_at == datetime(2024, 5, 6, 7, 8, 9, 250_000)
    assert found.utc_offset == timedelta(hours=9)
    assert (found.width_px, found.height_px) == (96, 64)
    assert found.orientation == 1
    check_reasons(found)


def test_exact_settings_are_powers_of_two(frame):
    # ../shared/published/facts.md, nominal and exact settings: 1/60 s is 1/64 s, f/5.6 is 2^(5/2)
    iso, shutter_s, f_number = exact_settings(frame())
    assert iso == pytest.approx(400)
    assert shutter_s == pytest.approx(1 / 64)
    assert f_number == pytest.approx(2**2.5)
    assert exact_settings(FrameSettings(path=frame().path)) == (None, None, None)


@pytest.mark.parametrize(
    ("tag", "kind", "value", "key", "words"),
    [
        (EXPOSURE_TIME, RATIONAL, (0, 0), "shutter_s", "0/0"),
        (EXPOSURE_TIME, RATIONAL, (1, 0), "shutter_s", "1/0"),
        (EXPOSURE_TIME, RATIONAL, (0, 1), "shutter_s", "recorded as 0"),
        (EXPOSURE_TIME, SIGNED_RATIONAL, (-1, 60), "shutter_s", "recorded as -0.0166667"),
        (EXPOSURE_TIME, TEXT, "1/60 sec", "shutter_s", "not a number"),
        (EXPOSURE_TIME, RATIONAL, (4_000_000_000, 1), "shutter_s", "4e+09"),
        (F_NUMBER, RATIONAL, (0, 10), "f_number", "lens without contacts"),
        (F_NUMBER, RATIONAL, (0, 0), "f_number", "0/0"),
        (F_NUMBER, RATIONAL, (3, 10), "f_number", "recorded as 0.3"),
        (F_NUMBER, 11, math.inf, "f_number", "recorded as inf"),
        (F_NUMBER, 12, math.nan, "f_number", "recorded as nan"),
        (SENSITIVITY, SHORT, 0, "iso", "recorded as 0"),
        (SENSITIVITY, TEXT, "AUTO", "iso", "not a number"),
        (SENSITIVITY, SHORT, 65535, "iso", "that or more"),
        (FOCAL_LENGTH, RATIONAL, (0, 1), "focal_mm", "recorded as 0"),
        (FOCAL_LENGTH, SIGNED_RATIONAL, (-50, 1), "focal_mm", "recorded as -50"),
        (TAKEN, TEXT, "0000:00:00 00:00:00", "taken_at", "0000:00:00"),
        (TAKEN, TEXT, "2023:02:29 10:00:00", "taken_at", "2023:02:29"),
        (TAKEN, TEXT, "9999:12:31 10:00:00", "taken_at", "9999:12:31"),
        (TAKEN, TEXT, "    :  :     :  :  ", "taken_at", "unusable"),
        (TAKEN, TEXT, "yesterday", "taken_at", "yesterday"),
    ],
)
def test_impossible_values_are_none_with_the_reason(frame, tag, kind, value, key, words):
    found = frame({tag: (kind, value)})
    assert getattr(found, key) is None
    assert words in found.missing[key]
    check_reasons(found)


def test_no_metadata_at_all_is_told(tmp_path):
    path = tmp_path / "plain.png"
    Image.fromarray(np.arange(64, dtype=np.uint8).reshape(8, 8)).save(path)
    found = read_settings(path)
    assert found.iso is None
    assert found.missing["iso"] == "the file holds no metadata"
    assert (found.width_px, found.height_px) == (8, 8)
    check_reasons(found)


def test_apex_values_stand_in(write_dng, noisy):
    # Exif 3.0, annex C: Tv 6 is 1/64 s, Av 5 is 2^(5/2); an APEX 0 is what writers leave unset
    exif = {APEX_SHUTTER: (SIGNED_RATIONAL, (6, 1)), APEX_APERTURE: (RATIONAL, (5, 1))}
    found = read_settings(write_dng(noisy(), exif=exif))
    assert found.shutter_s == pytest.approx(1 / 64)
    assert found.f_number == pytest.approx(5.656854)
    assert "APEX" in found.notes["shutter_s"]
    assert "APEX" in found.notes["f_number"]
    check_reasons(found)
    exif = {APEX_SHUTTER: (SIGNED_RATIONAL, (0, 1)), APEX_APERTURE: (RATIONAL, (0, 1))}
    found = read_settings(write_dng(noisy(), exif=exif))
    assert found.shutter_s is None
    assert found.f_number is None
    check_reasons(found)
    exif = {APEX_SHUTTER: (SIGNED_RATIONAL, (-(2**31), 1)), APEX_APERTURE: (RATIONAL, (2**32 - 1, 1))}
    found = read_settings(write_dng(noisy(), exif=exif))
    assert (found.shutter_s, found.f_number) == (None, None)


def test_recorded_values_come_before_apex(frame):
    found = frame({APEX_SHUTTER: (SIGNED_RATIONAL, (3, 1)), APEX_APERTURE: (RATIONAL, (2, 1))})
    assert (found.shutter_s, found.f_number) == (1 / 60, 5.6)


@pytest.mark.parametrize("marked", [102400, 204800, 409600])
def test_iso_beyond_the_short_tag(frame, marked):
    # Exif 3.0: tag 34855 ends at 65535; 34864 names which of 34865 to 34867 tells the rest
    for kind, tag in ((1, OUTPUT_SENSITIVITY), (2, RECOMMENDED_INDEX), (3, ISO_SPEED)):
        found = frame({SENSITIVITY: (SHORT, 65535), SENSITIVITY_TYPE: (SHORT, kind), tag: (LONG, marked)})
        assert found.iso == marked
    assert frame({SENSITIVITY: (LONG, marked)}).iso == marked


def test_iso_of_the_short_tag_is_not_replaced(frame):
    found = frame({SENSITIVITY_TYPE: (SHORT, 2), RECOMMENDED_INDEX: (LONG, 800)})
    assert found.iso == 400
    found = frame({SENSITIVITY: (SHORT, 0), RECOMMENDED_INDEX: (LONG, 800)})
    assert found.iso == 800


def test_settings_in_the_first_directory_are_found(write_dng, noisy):
    # TIFF/EP (ISO 12234-2) keeps them there
    path = write_dng(noisy(), more={EXPOSURE_TIME: (RATIONAL, (1, 30)), SENSITIVITY: (SHORT, 200)})
    found = read_settings(path)
    assert (found.shutter_s, found.iso) == (1 / 30, 200)


def test_texts_of_a_file_that_was_cut_short_are_whole_or_not_there(write_dng, noisy, tmp_path):
    content = write_dng(noisy(), exif={**GOOD, 42033: (TEXT, "A-17-000-42"), 42036: (TEXT, "Tessara 50")}).read_bytes()
    cut = tmp_path / "cut.dng"
    seen = set()
    for end in range(8, 1200):
        cut.write_bytes(content[:end])
        found = read_settings(cut)
        seen.add((found.body, found.body_serial, found.lens))
    assert {one for row in seen for one in row} == {None, "Northlight One", "A-17-000-42", "Tessara 50"}


@pytest.mark.parametrize(
    ("make", "model", "expected"),
    [
        ("NIKON CORPORATION", "NIKON D70", "NIKON D70"),
        ("Canon", "Canon EOS 40D", "Canon EOS 40D"),
        ("EASTMAN KODAK COMPANY", "KODAK CX7530 ZOOM DIGITAL CAMERA", "KODAK CX7530 ZOOM DIGITAL CAMERA"),
        ("OLYMPUS IMAGING CORP.", "C8080WZ", "OLYMPUS C8080WZ"),
        ("Northlight Optical Co., Ltd.", "One", "Northlight One"),
        ("CASIO COMPUTER CO.,LTD.", "EX-Z3", "CASIO COMPUTER EX-Z3"),
        (None, "Northlight One", "Northlight One"),
        ("Co", "X", "Co X"),
    ],
)
def test_body_names(make, model, expected):
    # makes and models as in the real files of exif/cameras, and invented ones
    assert body_name(make, model) == expected


def test_lens_descriptions():
    assert lens_description([24, 70, 2.8, 2.8]) == "24-70 mm f/2.8"
    assert lens_description([18, 200, 3.5, 6.3], 30) == "18-200 mm f/3.5-6.3"
    assert lens_description([50, 50, math.nan, math.nan]) == "50 mm"
    assert lens_description([50, 50, 1.8, 1.8], 105) is None  # cannot be the lens of a frame at 105 mm
    assert lens_description([70, 24, 2.8, 2.8]) is None
    assert lens_description([0, 0, 0, 0]) is None
    assert lens_description([]) is None


def test_times_and_offsets():
    assert exif_time("2024:02:29 23:59:60") is None
    assert exif_time("2024:02:29 23:59") == datetime(2024, 2, 29, 23, 59)
    assert exif_offset("-03:30") == -timedelta(hours=3, minutes=30)
    assert exif_offset("Z") == timedelta(0)
    assert exif_offset("+99:00") is None
    assert exif_offset(None) is None


def test_files_that_are_none(tmp_path):
    empty = tmp_path / "empty.dng"
    empty.touch()
    folder = tmp_path / "folder.dng"
    folder.mkdir()
    for path, words in (
        (tmp_path / "absent.dng", "no such file"),
        (empty, "empty"),
        (folder, "folder"),
    ):
        with pytest.raises(FrameError, match=words) as caught:
            read_settings(path)
        assert caught.value.fix


def test_unreadable_file_is_a_frame_error(tmp_path, monkeypatch):
    path = tmp_path / "locked.dng"
    path.write_bytes(b"II*\0" + bytes(100))
    real_open = type(path).open

    def refuse(self, *args, **kwargs):
        if self == path:
            raise PermissionError(13, "Permission denied", str(path))
        return real_open(self, *args, **kwargs)

    monkeypatch.setattr(type(path), "open", refuse)  # root may read everything, so permission bits do not serve
    with pytest.raises(FrameError, match="Permission denied"):
        read_settings(path)


@pytest.mark.parametrize("name", ["with space.dng", "with\nnewline.dng", "ümläut 写真.dng", b"not-utf8-\xff\xfe.dng"])
def test_any_file_name(write_dng, noisy, name):
    if isinstance(name, bytes):
        name = name.decode("utf-8", "surrogateescape")
    try:
        path = write_dng(noisy(), name=name, exif=GOOD)
    except OSError:
        pytest.skip("the file system does not take this name")
    assert read_settings(path).iso == 400


# --- containers
# ---------------------------------------------------------------------------------------------------


def exif_block() -> bytes:
    """Return a TIFF block with known settings, written by Pillow and not by this project."""
    block = Image.Exif()
    block[271], block[272] = "Northlight", "Northlight One"
    inner = block.get_ifd(34665)
    inner[EXPOSURE_TIME], inner[F_NUMBER], inner[SENSITIVITY] = 1 / 125, 8.0, 640
    inner[FOCAL_LENGTH], inner[TAKEN] = 35.0, "2024:05:06 07:08:09"
    return block.tobytes()


def check_block(path):
    found = read_settings(path)
    assert (found.iso, found.f_number, found.focal_mm) == (640, 8.0, 35.0)
    assert found.shutter_s == pytest.approx(1 / 125, rel=1e-6)
    assert found.body == "Northlight One"
    check_reasons(found)
    return found


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif"])
def test_developed_containers(tmp_path, suffix):
    path = tmp_path / f"picture{suffix}"
    picture = Image.fromarray(np.arange(48 * 32, dtype=np.uint16).astype(np.uint8).reshape(32, 48))
    picture.save(path, exif=exif_block())
    found = check_block(path)
    assert (found.width_px, found.height_px) == (48, 32)


def jpeg_with_block(tmp_path):
    path = tmp_path / "inner.jpg"
    Image.new("L", (8, 8)).save(path, exif=exif_block())
    return path.read_bytes()


def test_jpeg_inside_raf(tmp_path):
    inner = jpeg_with_block(tmp_path)
    head = b"FUJIFILMCCD-RAW 0201FF000000".ljust(84, b"\0") + struct.pack(">II", 148, len(inner))
    path = tmp_path / "frame.raf"
    path.write_bytes(head.ljust(148, b"\0") + inner + bytes(1000))
    check_block(path)


def box(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(content), kind) + content


def test_blocks_inside_cr3(tmp_path):
    first = tiff_bytes({271: (TEXT, "Northlight"), 272: (TEXT, "Northlight One")})
    second = tiff_bytes({**GOOD, SENSITIVITY: (SHORT, 640), F_NUMBER: (RATIONAL, (8, 1)),
                         FOCAL_LENGTH: (RATIONAL, (35, 1)), EXPOSURE_TIME: (RATIONAL, (1, 125))})  # fmt: skip
    identity = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")
    inside = box(b"uuid", identity + box(b"CNCV", b"x") + box(b"CMT1", first) + box(b"CMT2", second))
    path = tmp_path / "frame.cr3"
    path.write_bytes(box(b"ftyp", b"crx \0\0\0\1crx isom") + box(b"moov", inside) + box(b"mdat", bytes(99)))
    check_block(path)


def test_block_inside_mrw(tmp_path):
    block = exif_block()[6:] if exif_block().startswith(b"Exif") else exif_block()
    parts = b"\0PRD" + struct.pack(">I", 8) + bytes(8) + b"\0TTW" + struct.pack(">I", len(block)) + block
    path = tmp_path / "frame.mrw"
    path.write_bytes(b"\0MRM" + struct.pack(">I", len(parts)) + parts + bytes(100))
    check_block(path)


# --- anything damaged
# ---------------------------------------------------------------------------------------------


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(data=st.data())
def test_damaged_files_never_raise(tmp_path, data):
    samples = np.arange(64, dtype=np.uint16).reshape(8, 8)
    whole = bytearray(tiff_bytes(dng_entries(samples), GOOD, samples.tobytes()))
    for _ in range(data.draw(st.integers(1, 8))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    whole = whole[: data.draw(st.integers(1, len(whole)))]
    path = tmp_path / "damaged.dng"
    path.write_bytes(bytes(whole))
    check_reasons(read_settings(path))


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    head=st.sampled_from(
        [b"", b"II*\0", b"MM\0*", b"\xff\xd8\xff\xe1", b"\x89PNG\r\n\x1a\n", b"FUJIFILMCCD-RAW ", b"\0MRM",
         b"\0\0\0\x18ftypcrx ", b"\0\0\0\x18ftypheic", b"IIU\0", b"IIRO"]
    ),
    tail=st.binary(min_size=1, max_size=400),
)  # fmt: skip
def test_random_bytes_never_raise(tmp_path, head, tail):
    path = tmp_path / "random.dng"
    path.write_bytes(head + tail)
    check_reasons(read_settings(path))


@pytest.mark.parametrize("head", [b"\xff\xd8", b"\x89PNG\r\n\x1a\n", b"\0\0\0\x08ftypcrx "])
def test_endless_parts_end(tmp_path, head):
    """Fill bytes, empty chunks and empty boxes by the million must not be followed one by one."""
    path = tmp_path / "endless.jpg"
    path.write_bytes(
        head + {0xFF: b"\xff", 0x89: bytes(4) + b"tEXt" + bytes(4), 0: b"\0\0\0\x08free"}[head[0]] * 3_000_000
    )
    start = time.perf_counter()
    check_reasons(read_settings(path))
    assert time.perf_counter() - start < 2


def test_reading_is_quiet(tmp_path, capfd):
    path = tmp_path / "odd.dng"
    path.write_bytes(b"II*\0\x08\0\0\0" + b"\xff\xff" * 200)
    read_settings(path)
    out, err = capfd.readouterr()
    assert out == ""
    assert err == ""


# --- real files
# ---------------------------------------------------------------------------------------------------


def all_real_files(real):
    return sorted(path for path in real("exif").rglob("*") if path.suffix.lower() in (".jpg", ".jpeg"))


def test_every_real_file_yields_its_settings_or_a_reason(real):
    files = all_real_files(real)
    assert len(files) == 115  # 74 whole and 41 cut to their headers (../shared/real/README.md)
    complete = 0
    for path in files:
        found = read_settings(path)
        check_reasons(found)
        complete += None not in (found.shutter_s, found.f_number)
    assert complete > 60


def plain(value):
    """Return Pillow's value of a number tag as a float, None where it is no possible setting."""
    value = value[0] if isinstance(value, tuple) and value else value
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) and number > 0 else None


def test_real_files_agree_with_an_independent_reader(real):
    """Pillow parses Exif with its own code: wherever it gives a possible value, ours is the same."""
    compared = dict.fromkeys(("shutter_s", "f_number", "iso", "focal_mm", "taken_at", "size"), 0)
    for path in all_real_files(real):
        try:
            with Image.open(path) as picture:
                tags, size = picture.getexif(), picture.size
                inner = tags.get_ifd(34665)
        except (OSError, SyntaxError):
            continue
        found = read_settings(path)
        if found.width_px is not None:
            assert (found.width_px, found.height_px) == size, path.name
            compared["size"] += 1
        for key, tag in (
            ("shutter_s", EXPOSURE_TIME),
            ("f_number", F_NUMBER),
            ("iso", SENSITIVITY),
            ("focal_mm", FOCAL_LENGTH),
        ):
            theirs = plain(inner.get(tag))
            if theirs is None or (key == "f_number" and theirs < 0.7):
                continue
            assert getattr(found, key) == pytest.approx(theirs, rel=1e-6), (path.name, key)
            compared[key] += 1
        moment = inner.get(TAKEN)
        if isinstance(moment, str) and found.taken_at is not None:
            assert found.taken_at.strftime("%Y:%m:%d %H:%M:%S") == moment.strip("\0 "), path.name
            compared["taken_at"] += 1
    assert min(compared.values()) > 40, compared


@pytest.mark.parametrize(
    ("name", "body", "iso", "shutter_s", "f_number", "focal_mm"),
    [
        # read by eye from the tags that Pillow prints
        ("cameras/jpg_Nikon_D70.jpg", "NIKON D70", 200, 1 / 200, 9.0, 100.0),
        ("cameras/jpg_Canon_40D.jpg", "Canon EOS 40D", 100, 1 / 160, 7.1, 135.0),
        ("headers/t_images_Canon1DmkIII.jpg", "Canon EOS-1D Mark III", 3200, 1 / 125, 5.6, 35.0),
        ("headers/t_images_Canon.jpg", "Canon EOS DIGITAL REBEL", 100, 4.0, 14.0, 34.0),
    ],
)
def test_some_real_files_in_full(real, name, body, iso, shutter_s, f_number, focal_mm):
    found = read_settings(real(f"exif/{name}"))
    assert (found.body, found.iso, found.f_number, found.focal_mm) == (body, iso, f_number, focal_mm)
    assert found.shutter_s == pytest.approx(shutter_s)


def test_real_odd_values(real):
    found = read_settings(real("exif/headers/t_images_GPS.jpg"))  # ISO 0, focal length 0, f/0.64, absurd pitch
    assert (found.iso, found.focal_mm, found.pixel_pitch_um) == (None, None, None)
    assert found.f_number == pytest.approx(16.0)  # APEX 8
    found = read_settings(real("exif/headers/t_images_Sanyo.jpg"))  # 11113 mm in 35 mm terms
    assert found.focal_35mm is None
    found = read_settings(real("exif/headers/t_images_Google.jpg"))
    assert found.utc_offset == timedelta(hours=2)


def test_real_lenses(real):
    assert read_settings(real("exif/headers/t_images_Canon1DmkIII.jpg")).lens == "EF16-35mm f/2.8L II USM"
    assert read_settings(real("exif/headers/t_images_NikonD2Hs.jpg")).lens == "50 mm f/1.8"
    # its own block was damaged by a program: no lens is better than a wrong one
    assert read_settings(real("exif/cameras/jpg_tests_32-lens_data.jpeg")).lens is None


def test_old_compact_lacks_settings(real):
    found = read_settings(real("old-compact/compact.kdc"))
    assert found.iso is None
    assert "no ISO" in found.missing["iso"]
    assert found.lens is None
    check_reasons(found)


def test_raw_file_of_a_real_camera(real):
    found = read_settings(real("zero-pixels/truncated.arw"))
    assert (found.iso, found.shutter_s, found.f_number, found.focal_mm) == (100, 1 / 100, 13, 30)
    assert found.lens == "DT 18-200mm F3.5-6.3"
    assert (found.width_px, found.height_px) == (4928, 3280)


def test_metadata_loads_no_heavy_library():
    code = (
        "import sys, kitgauge.frames.metadata, kitgauge.frames.pitch, kitgauge.frames.settings_file; "
        "print(sorted({'numpy', 'rawpy', 'PIL', 'cv2', 'tifffile', 'scipy', 'pandas'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_maker_note_that_says_it_is_longer_than_the_file_costs_no_minutes(tmp_path):
    """ExifRead reads it byte by byte, past the end of the file: eight million bytes would take ten seconds and more."""
    path = tmp_path / "long-note.jpg"
    block = tiff_bytes({271: (2, "Invented")}, exif={34855: (3, 400), 37500: (7, b"note" * 4)})
    entry = struct.pack("<HHI", 37500, 7, 16)
    assert block.count(entry) == 1
    block = b"Exif\0\0" + block.replace(entry, struct.pack("<HHI", 37500, 7, 1 << 23))
    path.write_bytes(b"\xff\xd8\xff\xe1" + struct.pack(">H", 2 + len(block)) + block + b"\xff\xd9")
    begun = time.process_time()
    tags, reason = read_tags(path, maker_note=True)
    assert time.process_time() - begun < 5.0
    assert tags == {}
    assert "longer than any" in reason
    assert read_settings(path).iso == 400  # read without the maker's note
