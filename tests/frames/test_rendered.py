"""Developed pictures: linear luminance by the standard's formulas, and by the file's own colour profile."""

from __future__ import annotations

import io
import struct
import warnings

import numpy as np
import pytest
from PIL import Image, ImageCms

from kitgauge.errors import FrameError
from kitgauge.frames.colour_profile import encoding_of
from kitgauge.frames.rendered import luminance, open_developed, open_rendered
from kitgauge.srgb import linear_to_srgb, srgb_to_linear


def grey_steps(dtype=np.uint8, rows=20):
    """Return all codes of 8 bits, or 256 codes of 16, as a (row, column) ramp."""
    codes = np.arange(256) if dtype == np.uint8 else np.arange(256) * 257
    return np.tile(codes.astype(dtype), (rows, 1))


def colour_steps(dtype=np.uint8, seed=1):
    top = 256 if dtype == np.uint8 else 65536
    return np.random.default_rng(seed).integers(0, top, (33, 47, 3)).astype(dtype)


def srgb_luminance(codes):
    """Return luminance 0..1 by IEC 61966-2-1 and ITU-R BT.709-6 item 3.2, one sample at a time."""
    top = 255 if codes.dtype == np.uint8 else 65535

    def light(code):
        value = code / top
        return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4

    flat = codes.reshape(-1, codes.shape[-1])
    total = [0.2126 * light(r) + 0.7152 * light(g) + 0.0722 * light(b) for r, g, b in flat.tolist()]
    return np.array(total).reshape(codes.shape[:2])


def test_srgb_published_points():
    # IEC 61966-2-1: the linear part ends at 0.04045 (0.0031308); code 0.5 is 0.2140 (from memory, 4 digits)
    assert srgb_to_linear(np.array([0.0, 0.04045, 0.5, 1.0])) == pytest.approx([0.0, 0.0031308, 0.2140, 1.0], abs=5e-5)
    fine = srgb_to_linear(np.linspace(0, 1, 10001))
    assert linear_to_srgb(fine) == pytest.approx(
        np.linspace(0, 1, 10001), abs=1e-4
    )  # the standard's branches meet to that
    assert np.all(np.diff(fine) > 0)


@pytest.mark.parametrize("suffix", [".png", ".tif", ".jpg"])
def test_eight_bit_grey(tmp_path, suffix):
    path = tmp_path / f"grey{suffix}"
    codes = grey_steps()
    Image.fromarray(codes).save(path, **({"quality": 100} if suffix == ".jpg" else {}))
    mosaic = open_rendered(path)
    assert mosaic.rendered
    assert mosaic.pattern == (("G",),)
    assert (mosaic.white_dn, mosaic.black_dn.tolist()) == (65535, [[0]])
    assert mosaic.samples.dtype == np.uint16
    expected = srgb_luminance(np.repeat(codes[..., None], 3, axis=2)) * 65535
    slack = 600 if suffix == ".jpg" else 0.51  # one code of JPEG rounding is up to 580 near white
    assert np.abs(mosaic.samples - expected).max() <= slack
    assert "taken as sRGB" in mosaic.notes[0]


@pytest.mark.parametrize("suffix", [".png", ".tif"])
def test_eight_bit_colour(tmp_path, suffix):
    path = tmp_path / f"colour{suffix}"
    codes = colour_steps()
    Image.fromarray(codes).save(path)
    mosaic = open_rendered(path)
    assert np.abs(mosaic.samples - srgb_luminance(codes) * 65535).max() <= 0.52
    # equal weights, or luma of the codes, would be far off
    assert np.abs(mosaic.samples - codes.mean(axis=2) / 255 * 65535).max() > 5000


@pytest.mark.parametrize("colours", [1, 3])
@pytest.mark.parametrize("compression", [None, "zlib", "lzw"])
def test_sixteen_bit_tiff(tmp_path, colours, compression):
    tifffile = pytest.importorskip("tifffile")
    if compression == "lzw":
        pytest.importorskip("imagecodecs")
    path = tmp_path / "wide.tif"
    codes = colour_steps(np.uint16) if colours == 3 else grey_steps(np.uint16)
    tifffile.imwrite(path, codes, photometric="rgb" if colours == 3 else "minisblack", compression=compression)
    mosaic = open_rendered(path)
    whole = codes if colours == 3 else np.repeat(codes[..., None], 3, axis=2)
    assert np.abs(mosaic.samples - srgb_luminance(whole) * 65535).max() <= 0.52


def test_sixteen_bit_tiff_in_planes_or_with_alpha(tmp_path):
    tifffile = pytest.importorskip("tifffile")
    codes = colour_steps(np.uint16)
    expected = srgb_luminance(codes) * 65535
    tifffile.imwrite(tmp_path / "planes.tif", np.moveaxis(codes, -1, 0), photometric="rgb", planarconfig="separate")
    assert np.abs(open_rendered(tmp_path / "planes.tif").samples - expected).max() <= 0.52
    alpha = np.concatenate([codes, np.full((33, 47, 1), 65535, np.uint16)], axis=2)
    tifffile.imwrite(tmp_path / "alpha.tif", alpha, photometric="rgb", extrasamples=["unassalpha"])
    assert np.abs(open_rendered(tmp_path / "alpha.tif").samples - expected).max() <= 0.52


def test_wide_tiff_that_needs_another_decoder(tmp_path, monkeypatch):
    """Without a codec package tifffile raises ValueError for LZW; the second decoder must give the same."""
    tifffile = pytest.importorskip("tifffile")
    pytest.importorskip("imagecodecs")
    codes = colour_steps(np.uint16)
    path = tmp_path / "lzw.tif"
    tifffile.imwrite(path, codes, photometric="rgb", compression="lzw")
    first = open_rendered(path).samples

    def refuse(*_args, **_kwargs):
        raise ValueError("<COMPRESSION.LZW: 5> requires the 'imagecodecs' package")

    monkeypatch.setattr(tifffile.TiffPage, "asarray", refuse)
    assert np.array_equal(open_rendered(path).samples, first)


@pytest.mark.parametrize("colours", [1, 3])
def test_sixteen_bit_png(tmp_path, colours):
    cv2 = pytest.importorskip("cv2")
    codes = colour_steps(np.uint16) if colours == 3 else grey_steps(np.uint16)
    path = tmp_path / "wide.png"
    path.write_bytes(cv2.imencode(".png", codes[..., ::-1] if colours == 3 else codes)[1].tobytes())
    whole = codes if colours == 3 else np.repeat(codes[..., None], 3, axis=2)
    mosaic = open_rendered(path)
    assert np.abs(mosaic.samples - srgb_luminance(whole) * 65535).max() <= 0.52
    # an eight-bit reader would give 256 levels at most
    assert np.unique(mosaic.samples).size > 250


@pytest.mark.parametrize("bits", [8, 16])
def test_light_of_the_colours(tmp_path, bits):
    tifffile = pytest.importorskip("tifffile")
    codes = colour_steps(np.uint8 if bits == 8 else np.uint16)
    path = tmp_path / "colours.tif"
    tifffile.imwrite(path, codes, photometric="rgb")
    picture = open_developed(path)
    assert (picture.bits, picture.shape, picture.weights) == (bits, (33, 47), (0.2126, 0.7152, 0.0722))
    assert np.array_equal(picture.codes, codes)
    light = picture.light()
    assert light.dtype == np.float32
    # IEC 61966-2-1, one sample at a time
    for row, column, channel in [(0, 0, 0), (5, 7, 1), (32, 46, 2)]:
        value = codes[row, column, channel] / (2**bits - 1)
        expected = value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4
        assert light[row, column, channel] == pytest.approx(expected, rel=1e-5, abs=1e-7)
    assert np.array_equal(picture.light(slice(3, 9), slice(2, 5)), light[3:9, 2:5])
    assert np.array_equal(picture.luminance().samples, open_rendered(path).samples)


def test_light_of_grey_and_of_a_profile(tmp_path):
    Image.fromarray(grey_steps()).save(tmp_path / "grey.png")
    grey = open_developed(tmp_path / "grey.png")
    assert grey.codes.ndim == 2 and grey.light().shape == (20, 256, 3)
    assert np.ptp(grey.light(), axis=2).max() == 0
    codes = colour_steps()
    Image.fromarray(codes).save(tmp_path / "gamma.tif", icc_profile=profile_bytes(*PRIMARIES, gamma_curve(2.0)))
    picture = open_developed(tmp_path / "gamma.tif")
    assert picture.weights == pytest.approx((0.25, 0.65, 0.10), abs=1e-4)
    assert picture.light() == pytest.approx((codes / 255.0) ** 2, abs=1e-6)


def test_orientation_is_not_applied(tmp_path):
    block = Image.Exif()
    block[0x0112] = 6
    path = tmp_path / "turned.png"
    codes = grey_steps()
    Image.fromarray(codes).save(path, exif=block.tobytes())
    assert open_rendered(path).shape == codes.shape


def test_palette_and_alpha(tmp_path):
    codes = colour_steps()
    Image.fromarray(codes).quantize(16).save(tmp_path / "palette.png")
    assert open_rendered(tmp_path / "palette.png").shape == codes.shape[:2]
    Image.fromarray(codes).convert("RGBA").save(tmp_path / "alpha.png")
    expected = srgb_luminance(codes) * 65535
    assert np.abs(open_rendered(tmp_path / "alpha.png").samples - expected).max() <= 0.52


# --- colour profiles
# -------------------------------------------------------------------------------------------------


def profile_bytes(red, green, blue, curve):
    """Return a minimal matrix profile (ICC.1:2022): three primaries (X, Y, Z), one curve for all."""
    parts = {b"rTRC": curve, b"gTRC": curve, b"bTRC": curve}
    for name, values in ((b"rXYZ", red), (b"gXYZ", green), (b"bXYZ", blue)):
        parts[name] = b"XYZ " + bytes(4) + struct.pack(">3i", *(round(v * 65536) for v in values))
    table, body, start = b"", b"", 132 + 12 * len(parts)
    for name, data in parts.items():
        table += struct.pack(">4sII", name, start + len(body), len(data))
        body += data + bytes(-len(data) % 4)
    head = bytearray(128)
    head[36:40] = b"acsp"
    head[12:24] = b"mntrRGB XYZ "
    return bytes(head) + struct.pack(">I", len(parts)) + table + body


PRIMARIES = ((0.4, 0.25, 0.02), (0.4, 0.65, 0.1), (0.15, 0.10, 0.7))


def gamma_curve(gamma):
    return b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256))


def test_gamma_profile_and_its_primaries(tmp_path):
    codes = colour_steps()
    path = tmp_path / "gamma.tif"
    Image.fromarray(codes).save(path, icc_profile=profile_bytes(*PRIMARIES, gamma_curve(2.0)))
    mosaic = open_rendered(path)
    expected = ((codes / 255.0) ** 2 @ np.array([0.25, 0.65, 0.10])) * 65535
    assert np.abs(mosaic.samples - expected).max() <= 1.0
    assert "colour profile" in mosaic.notes[0]


def test_linear_profile(tmp_path):
    curve = b"curv" + bytes(4) + struct.pack(">I", 0)
    path = tmp_path / "linear.png"
    codes = colour_steps()
    Image.fromarray(codes).save(path, icc_profile=profile_bytes(*PRIMARIES, curve))
    expected = (codes / 255.0) @ np.array([0.25, 0.65, 0.10]) * 65535
    assert np.abs(open_rendered(path).samples - expected).max() <= 1.0


def test_table_and_parametric_curves():
    table = b"curv" + bytes(4) + struct.pack(">I4H", 4, 0, 1000, 20000, 65535)
    curve = encoding_of(profile_bytes(*PRIMARIES, table)).curves[0]
    assert curve(np.array([0, 1 / 3, 0.5, 1.0])) == pytest.approx([0, 1000 / 65535, 10500 / 65535, 1.0], abs=1e-9)
    # ICC.1:2022 table 68, function type 3 with the constants of sRGB: must agree with IEC 61966-2-1
    values = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
    packed = struct.pack(">5i", *(round(v * 65536) for v in values))
    curve = encoding_of(profile_bytes(*PRIMARIES, b"para" + bytes(4) + struct.pack(">HH", 3, 0) + packed)).curves[0]
    codes = np.linspace(0, 1, 256)
    assert curve(codes) == pytest.approx(srgb_to_linear(codes), abs=1e-4)
    # function type 1: Y = (aX + b)^g above -b/a, else 0
    packed = struct.pack(">3i", *(round(v * 65536) for v in (2.0, 2.0, -0.5)))
    curve = encoding_of(profile_bytes(*PRIMARIES, b"para" + bytes(4) + struct.pack(">HH", 1, 0) + packed)).curves[0]
    assert curve(np.array([0.0, 0.2, 0.5, 0.75])) == pytest.approx([0, 0, 0.25, 1.0], abs=1e-4)


def test_a_real_srgb_profile_gives_srgb():
    """Independent route: LittleCMS's own sRGB profile against the standard's formula and weights."""
    encoding = encoding_of(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    codes = np.linspace(0, 1, 256)
    for curve in encoding.curves:
        assert curve(codes) == pytest.approx(srgb_to_linear(codes), abs=2e-4)
    # adapted to D50 (ICC.1:2022 annex E): 0.2225, 0.7169, 0.0606 from memory
    assert encoding.weights == pytest.approx((0.2225, 0.7169, 0.0606), abs=5e-4)


@pytest.mark.parametrize(
    "damage",
    [
        b"",
        b"x" * 200,
        profile_bytes(*PRIMARIES, b"curv" + bytes(4) + struct.pack(">I", 10**6)),
        profile_bytes(*PRIMARIES, b"para" + bytes(4) + struct.pack(">HH", 9, 0)),
        profile_bytes(*PRIMARIES, gamma_curve(0)),
        profile_bytes((0, 0, 0), (0, 0, 0), (0, 0, 0), gamma_curve(2)),
        profile_bytes(*PRIMARIES, gamma_curve(2))[:150],
    ],
)
def test_damaged_profiles_fall_back_in_words(damage):
    encoding = encoding_of(damage)
    assert "taken as sRGB" in encoding.text
    assert encoding.curves[0] is srgb_to_linear


def test_luminance_of_equal_codes_needs_no_weights():
    codes = np.repeat(grey_steps()[..., None], 3, axis=2)
    encoding = encoding_of(None)
    assert np.abs(luminance(codes, encoding).astype(int) - luminance(codes[..., 0], encoding)).max() <= 1


# --- refusals
# --------------------------------------------------------------------------------------------------------


def broken(path, words, flag="unreadable"):
    with pytest.raises(FrameError) as caught:
        open_rendered(path)
    assert words in str(caught.value), str(caught.value)
    assert caught.value.flag == flag
    assert caught.value.fix


def test_damaged_pictures(tmp_path):
    stream = io.BytesIO()
    Image.fromarray(colour_steps()).save(stream, "JPEG")
    path = tmp_path / "cut.jpg"
    path.write_bytes(stream.getvalue()[: stream.tell() * 2 // 3])
    broken(path, "truncated")
    path.write_bytes(b"")
    broken(path, "empty")
    path.write_bytes(b"notes" * 100)
    broken(path, "no picture that can be opened")
    path.write_bytes(b"\xff\xd8" + bytes(500))
    broken(path, "cannot be decoded")
    path.write_bytes(b"II*\0\x08\0\0\0" + b"\xff" * 300)
    broken(path, "cannot be decoded")


def test_equal_picture(tmp_path):
    path = tmp_path / "flat.png"
    Image.new("RGB", (20, 20), (80, 80, 80)).save(path)
    broken(path, "same value", flag="empty-picture")


def test_colours_without_a_rule(tmp_path):
    Image.fromarray(colour_steps()).convert("CMYK").save(tmp_path / "ink.jpg")
    broken(tmp_path / "ink.jpg", "CMYK")
    tifffile = pytest.importorskip("tifffile")
    tifffile.imwrite(tmp_path / "float.tif", np.random.default_rng(1).random((8, 8), dtype=np.float32))
    broken(tmp_path / "float.tif", "float32")


def test_too_many_pixels(tmp_path, monkeypatch):
    path = tmp_path / "large.png"
    Image.fromarray(grey_steps()).save(path)
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 1000)
    broken(path, "256 x 20 pixels, more than the 2000")
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 4000)  # above Pillow's warning, below its refusal
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert open_rendered(path).shape == (20, 256)


def test_a_small_file_that_claims_a_huge_picture(tmp_path):
    path = tmp_path / "bomb.png"
    Image.fromarray(grey_steps()).save(path)
    data = bytearray(path.read_bytes())
    data[16:24] = struct.pack(">II", 60000, 60000)
    path.write_bytes(bytes(data))
    broken(path, "60000 x 60000 pixels")


def test_real_pictures_open_or_say_why(real):
    opened = 0
    for path in sorted(real("exif").rglob("*.jp*g")):
        try:
            mosaic = open_rendered(path)
        except FrameError as error:
            assert error.fix
            continue
        with Image.open(path) as picture:
            assert mosaic.shape == picture.size[::-1]
        opened += 1
    assert opened > 60
