"""Files are checked by independent readers: LibRaw (through rawpy), ExifRead and tifffile."""

from datetime import datetime
from fractions import Fraction

import exifread
import numpy as np
import pytest
import rawpy
import tifffile

from kitgauge.errors import ResultsError
from kitgauge.simulate.dng import (
    BAYER_RGGB,
    MONOCHROME,
    SIX_BY_SIX,
    RecordedSettings,
    shutter_rational,
    write_dng,
)

SETTINGS = RecordedSettings(
    make="Simulated",
    model="Sampler 8",
    body_serial="SIM-0001",
    lens="Sampler 14 mm f/1.8",
    iso=400,
    shutter_s=1 / 60,
    f_number=5.6,
    focal_mm=14.0,
    focal_35mm=52,
    taken_at=datetime(2031, 5, 4, 10, 2, 3, 250_000),
    utc_offset="+02:00",
    pixel_pitch_um=6.0,
    orientation=6,
)
PHASES = {
    "RGGB": BAYER_RGGB,
    "BGGR": (("B", "G1"), ("G2", "R")),
    "GRBG": (("G1", "R"), ("B", "G2")),
    "GBRG": (("G1", "B"), ("R", "G2")),
    "6x6": SIX_BY_SIX,
    "monochrome": MONOCHROME,
}


def random_samples(shape=(300, 422), top=16384, seed=3):
    return np.random.default_rng(seed).integers(0, top, shape, dtype=np.uint16)


def read_tags(path):
    with path.open("rb") as file:
        return exifread.process_file(file, details=False)


@pytest.mark.parametrize("compression", ["none", "lossless"])
@pytest.mark.parametrize("name", PHASES)
def test_samples_come_back_identical(tmp_path, name, compression):
    if compression == "lossless":
        pytest.importorskip("imagecodecs")
    pattern, samples = PHASES[name], random_samples()
    path = write_dng(tmp_path / "a.dng", samples, pattern, 600, 16383, SETTINGS, compression=compression)
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(raw.raw_image_visible, samples)
        assert raw.white_level == 16383
        assert set(raw.black_level_per_channel) == {600}
        if name == "monochrome":
            assert raw.num_colors == 1
        else:
            read = [["RGBG"[index] for index in row] for row in raw.raw_pattern]
            assert read == [[letter[0] for letter in row] for row in pattern]


@pytest.mark.parametrize("name", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_black_level_of_each_pattern_position(tmp_path, name):
    black = np.array([[600, 611], [587, 602]])
    path = write_dng(tmp_path / "a.dng", random_samples(), PHASES[name], black, 16383, SETTINGS)
    with rawpy.imread(str(path)) as raw:
        by_position = np.array(raw.black_level_per_channel)[raw.raw_pattern]
    assert np.array_equal(by_position, black)


@pytest.mark.parametrize("shape", [(64, 64), (257, 1000), (24, 40), (301, 421)])
def test_lossless_tiles_of_awkward_sizes(tmp_path, shape):
    pytest.importorskip("imagecodecs")
    samples = random_samples(shape, top=65536)
    path = write_dng(tmp_path / "a.dng", samples, BAYER_RGGB, 0, 65535, SETTINGS, compression="lossless")
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(raw.raw_image_visible, samples)


def test_active_and_masked_areas(tmp_path):
    samples = random_samples()
    samples[:, :24] = 640  # light-shielded columns
    path = write_dng(
        tmp_path / "a.dng",
        samples,
        BAYER_RGGB,
        600,
        16383,
        SETTINGS,
        active_area=(8, 32, 300, 422),
        masked_areas=[(8, 0, 300, 24)],
    )
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(raw.raw_image_visible, samples[8:, 32:])
        assert np.array_equal(raw.raw_image, samples)
        assert set(raw.black_level_per_channel) == {640}  # LibRaw takes black from the masks


def test_every_setting_is_read_back(tmp_path):
    tags = read_tags(write_dng(tmp_path / "a.dng", random_samples(), BAYER_RGGB, 600, 16383, SETTINGS))
    plain = {
        "Image Make": "Simulated",
        "Image Model": "Sampler 8",
        "EXIF BodySerialNumber": "SIM-0001",
        "EXIF LensModel": "Sampler 14 mm f/1.8",
        "EXIF ISOSpeedRatings": "400",
        "EXIF ExposureTime": "1/60",
        "EXIF DateTimeOriginal": "2031:05:04 10:02:03",
        "EXIF SubSecTimeOriginal": "250",
        "EXIF OffsetTimeOriginal": "+02:00",
        "EXIF FocalLengthIn35mmFilm": "52",
        "EXIF FocalPlaneResolutionUnit": "3",
    }
    assert {key: str(tags[key]) for key in plain} == plain
    assert tags["Image Orientation"].values == [6]
    for key, value in (
        ("EXIF FNumber", Fraction(28, 5)),
        ("EXIF FocalLength", Fraction(14)),
        ("EXIF FocalPlaneXResolution", Fraction(10_000, 6)),  # pixels per centimetre at 6 um
        ("EXIF FocalPlaneYResolution", Fraction(10_000, 6)),
    ):
        ratio = tags[key].values[0]
        assert Fraction(ratio.num, ratio.den) == value


def test_tifffile_reads_directory_and_samples_too(tmp_path):
    samples = random_samples()
    path = write_dng(tmp_path / "a.dng", samples, BAYER_RGGB, 600, 16383, SETTINGS)
    with tifffile.TiffFile(path) as file:
        page = file.pages[0]
        exif = page.tags[34665].value
        assert np.array_equal(page.asarray(), samples)
        assert page.tags[33422].value == bytes((0, 1, 1, 2))
    assert exif["ExposureTime"] == (1, 60)
    assert exif["FNumber"] == (28, 5)
    assert exif["ISOSpeedRatings"] == 400


def test_high_iso_goes_into_the_long_tags(tmp_path):
    settings = RecordedSettings(iso=102_400)
    tags = read_tags(write_dng(tmp_path / "a.dng", random_samples(), BAYER_RGGB, 600, 16383, settings))
    assert tags["EXIF ISOSpeedRatings"].values == [65535]
    assert tags["EXIF SensitivityType"].values == [7]
    assert tags["EXIF Tag 0x8831"].values == [102_400]  # 34865, standard output sensitivity
    assert tags["EXIF RecommendedExposureIndex"].values == [102_400]
    assert tags["EXIF ISOSpeed"].values == [102_400]


def test_settings_may_be_left_out(tmp_path):
    samples = random_samples()
    path = write_dng(tmp_path / "a.dng", samples, BAYER_RGGB, 600, 16383)
    tags = read_tags(path)
    for key in (
        "Image Make",
        "Image Model",
        "EXIF ExposureTime",
        "EXIF FNumber",
        "EXIF ISOSpeedRatings",
        "EXIF LensModel",
    ):
        assert key not in tags
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(raw.raw_image_visible, samples)


# As cameras print them; from memory of camera files, no source
@pytest.mark.parametrize(
    ("shutter_s", "rational"),
    [(1 / 8000, (1, 8000)), (1 / 60, (1, 60)), (1 / 4, (1, 4)), (0.3, (3, 10)), (0.8, (8, 10)), (1.0, (1, 1)),
     (1.3, (13, 10)), (2.5, (25, 10)), (30.0, (30, 1))],
)  # fmt: skip
def test_shutter_times_are_written_as_marked(shutter_s, rational):
    assert shutter_rational(shutter_s) == rational


def test_wrong_samples_are_refused(tmp_path):
    good = random_samples()
    for samples, pattern, black, white in (
        (good.astype(np.float32), BAYER_RGGB, 600, 16383),
        (good[0], BAYER_RGGB, 600, 16383),
        (good, (("R", "X"), ("G2", "B")), 600, 16383),
        (good, BAYER_RGGB, np.zeros((3, 3)), 16383),
        (good, BAYER_RGGB, 600, 500),
        (good, BAYER_RGGB, 600, 70_000),
        (good, BAYER_RGGB, -1, 16383),
    ):
        with pytest.raises(ResultsError):
            write_dng(tmp_path / "a.dng", samples, pattern, black, white)
    assert not list(tmp_path.iterdir())


def test_a_failed_write_leaves_the_old_file_and_no_rest(tmp_path, monkeypatch):
    path = write_dng(tmp_path / "a.dng", random_samples(seed=1), BAYER_RGGB, 600, 16383)
    before = path.read_bytes()

    def full(*_arguments):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.replace", full)
    with pytest.raises(ResultsError, match="No space left on device"):
        write_dng(path, random_samples(seed=2), BAYER_RGGB, 600, 16383)
    assert path.read_bytes() == before
    assert [file.name for file in tmp_path.iterdir()] == ["a.dng"]
