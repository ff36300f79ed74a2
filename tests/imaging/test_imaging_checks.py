from __future__ import annotations

import ast
import io
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from PIL import Image

from loupebook.imaging import (
    Finding,
    PhotoCheck,
    Severity,
    check_photo,
    checks,
    decode_photo,
    encode_jpeg,
)
from loupebook.imaging.checks import check_names
from loupebook.imaging.checks.blur import estimate_blur
from loupebook.imaging.checks.compression import ijg_quality
from loupebook.records.model import Lighting


def codes(check: PhotoCheck) -> set[str]:
    return {finding.code for finding in check.findings}


def band(height: int = 600, width: int = 900) -> np.ndarray:
    """Invented line work on a red ground with a light grey surround."""
    picture = np.full((height, width, 3), (205, 205, 203), np.uint8)
    top, bottom = height // 4, 3 * height // 4
    picture[top:bottom, width // 20 : -width // 20] = (150, 25, 35)
    x = np.arange(width // 10, 9 * width // 10)
    for wave in range(8):
        y = height / 2 + height / 6 * np.sin(x / width * 30 + wave * 0.4)
        line = np.stack([x, y], axis=1).round().astype(np.int32)
        cv2.polylines(picture, [line], False, (225, 190, 95), 2, cv2.LINE_AA)
    for column in range(width // 8, 7 * width // 8, width // 9):
        cv2.rectangle(picture, (column, top + 10), (column + 25, top + 40), (20, 18, 20), -1)
        cv2.putText(picture, "AB", (column, bottom - 12), 0, 1, (240, 235, 225), 2, cv2.LINE_AA)
    return picture


def grain(picture: np.ndarray, level: float = 2.0) -> np.ndarray:
    noise = np.random.default_rng(0).normal(0, level, picture.shape)
    return (picture + noise).clip(0, 255).astype(np.uint8)


def test_every_check_file_is_found():
    names = check_names()
    assert set(names) >= {"blank", "blur", "cast", "compression", "exposure", "glare", "screen"}
    assert not any(name.startswith("_") for name in names)


def test_a_good_photo_has_no_findings():
    check = check_photo(grain(band()), px_per_mm=40)
    assert check.findings == ()
    assert check.usable


def test_a_large_good_photo_has_no_findings():
    assert check_photo(grain(band(3000, 4500), 4)).findings == ()


@pytest.mark.parametrize(("sigma", "severity"), [(2.5, Severity.WARN), (7, Severity.FAIL)])
def test_blur(sigma, severity):
    check = check_photo(grain(cv2.GaussianBlur(band(), (0, 0), sigma)))
    (finding,) = (item for item in check.findings if item.code == "blur")
    assert finding.severity is severity
    assert finding.value == pytest.approx(sigma, rel=0.5)
    assert "focus" in finding.advice


def test_blur_counts_at_the_size_at_which_a_photo_is_looked_at():
    large = cv2.GaussianBlur(band(3000, 4500), (0, 0), 2.5)
    assert "blur" not in codes(check_photo(grain(large)))
    assert "blur" in codes(check_photo(grain(cv2.GaussianBlur(large, (0, 0), 8))))


def test_blur_on_the_item_counts_where_the_scale_is_known():
    slight = grain(cv2.GaussianBlur(band(), (0, 0), 0.7))
    assert "blur" not in codes(check_photo(slight, px_per_mm=60))
    assert "blur" in codes(check_photo(slight, px_per_mm=8))


def test_a_soft_background_is_no_blur():
    picture = cv2.GaussianBlur(band(), (0, 0), 8)
    picture[200:400, 300:600] = band()[200:400, 300:600]
    assert "blur" not in codes(check_photo(grain(picture)))


# Shake along the lines that rule a picture (here 0°) leaves its strongest edges sharp and is
# not seen; the check's file states how many are.
@pytest.mark.parametrize("angle", [35, 90])
def test_shake_in_one_direction_is_blur(angle):
    kernel = np.zeros((21, 21), np.float32)
    kernel[10, 3:18] = 1
    turn = cv2.getRotationMatrix2D((10, 10), angle, 1)
    kernel = cv2.warpAffine(kernel, turn, (21, 21))
    shaken = cv2.filter2D(band(), -1, kernel / kernel.sum())
    assert "blur" in codes(check_photo(grain(shaken)))


@pytest.mark.external
def test_the_blur_estimate_is_the_blur_on_real_photos():
    # scikit-image's bundled photos, blurred by a known amount.
    data = pytest.importorskip("skimage.data")
    for photo in (data.astronaut(), data.coffee(), data.rocket(), data.chelsea()):
        grey = cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY).astype(np.float32)
        assert estimate_blur(grey) < 1.2
        for sigma in (2.0, 3.0, 4.0, 6.0):
            estimate = estimate_blur(cv2.GaussianBlur(grey, (0, 0), sigma))
            assert sigma / 2 < estimate < 2 * sigma


@pytest.mark.external
def test_sharp_real_photos_get_no_warning():
    data = pytest.importorskip("skimage.data")
    for photo in (data.astronaut(), data.coffee(), data.rocket(), data.retina(), data.cat()):
        serious = {f.code for f in check_photo(photo).findings if f.severity != Severity.INFO}
        assert serious <= {"too-small"}


def test_too_small_and_too_coarse():
    assert not check_photo(band(60, 90)).usable
    small = check_photo(band(240, 360))
    assert "too-small" in codes(small)
    assert small.usable
    assert "too-coarse" in codes(check_photo(grain(band()), px_per_mm=12))
    assert not check_photo(grain(band()), px_per_mm=3).usable


@pytest.mark.parametrize("level", [0, 90, 255])
def test_blank(level):
    check = check_photo(np.full((500, 500, 3), level, np.uint8))
    assert "blank" in codes(check)
    assert not check.usable


@pytest.mark.parametrize("size", [(500, 700), (1600, 1200)])
def test_noise_is_no_item_and_a_grainy_photo_is_one(size):
    noise = np.random.default_rng(3).normal(128, 40, (*size, 3)).clip(0, 255).astype(np.uint8)
    check = check_photo(noise)
    assert "noise" in codes(check)
    assert check.no_item == "nothing but noise"
    assert not check.usable
    assert check_photo(grain(band())).no_item == ""


def test_blur_and_few_pixels_show_no_print_though_they_are_usable():
    small = check_photo(band(240, 360))
    assert small.usable
    assert not small.shows_print
    assert check_photo(grain(band())).shows_print


def test_glare_spot_is_glare_and_printed_white_is_not():
    picture = band()
    rows, columns = np.mgrid[0:600, 0:900]
    spot = 700 * np.exp(-(((columns - 450) / 70) ** 2) - ((rows - 300) / 60) ** 2)
    shiny = (picture + spot[..., None]).clip(0, 255).astype(np.uint8)
    assert "glare" in codes(check_photo(shiny))
    printed = picture.copy()
    printed[250:360, 300:600] = 255
    assert "glare" not in codes(check_photo(printed))
    framed = picture.copy()
    framed[:120] = framed[-120:] = 255
    assert codes(check_photo(framed)) == set()


def stops(picture: np.ndarray, shift: float) -> np.ndarray:
    return (((picture / 255.0) ** 2.2 * 2.0**shift).clip(0, 1) ** (1 / 2.2) * 255).astype(np.uint8)


def test_exposure():
    good = grain(band())
    assert "underexposed" in codes(check_photo(stops(good, -3)))
    assert not check_photo(stops(good, -6)).usable
    paper = np.full((600, 900, 3), (215, 190, 165), np.uint8)
    paper[150:450, 200:700] = band()[150:450, 200:700]
    assert "overexposed" not in codes(check_photo(paper))
    assert "overexposed" in codes(check_photo(stops(paper, 1)))


def tinted(picture: np.ndarray, gains) -> np.ndarray:
    linear = (picture / 255.0) ** 2.2 * 0.7 * np.array(gains)
    return (linear.clip(0, 1) ** (1 / 2.2) * 255).astype(np.uint8)


def test_cast_of_the_light_is_told_from_the_colour_of_the_item():
    good = grain(band())
    assert "colour-cast" not in codes(check_photo(tinted(good, (1, 1, 1))))
    green = check_photo(tinted(good, (0.7, 1.2, 0.7)))
    (finding,) = (item for item in green.findings if item.code == "colour-cast")
    assert finding.severity is Severity.WARN
    assert "greenish" in finding.message
    red_ground_out = good[:140]  # plain paper: under a lamp it is all that can be judged
    warm = check_photo(tinted(red_ground_out, (1.2, 1, 0.5)))
    (finding,) = (item for item in warm.findings if item.code == "colour-cast")
    assert finding.severity is Severity.INFO


@pytest.mark.parametrize("colour", [(180, 20, 30), (20, 110, 60), (30, 50, 150), (200, 160, 60)])
def test_a_plain_coloured_band_filling_the_frame_is_no_cast(colour):
    picture = np.full((500, 800, 3), colour, np.uint8)
    cv2.putText(picture, "INVENTED", (40, 280), 0, 4, (240, 240, 238), 9, cv2.LINE_AA)
    assert "colour-cast" not in codes(check_photo(grain(picture)))


def test_uv_photos_may_be_dark_and_blue():
    lamp = grain(stops(tinted(band(), (0.1, 0.2, 1.0)), -2.5))
    assert {"underexposed"} <= codes(check_photo(lamp))
    assert not {"underexposed", "colour-cast"} & codes(check_photo(lamp, lighting=Lighting.UV_A))


@pytest.mark.external
@pytest.mark.parametrize("quality", [5, 10, 25, 40, 50, 75, 90, 95])
def test_quality_is_read_from_the_tables(quality):
    # Reference: Pillow's libjpeg scales T.81 table K.1 by the IJG rule.
    stream = io.BytesIO()
    Image.fromarray(band(100, 150)).save(stream, "JPEG", quality=quality)
    photo = decode_photo(stream.getvalue())
    assert ijg_quality(photo.quantisation[0]) == pytest.approx(quality, abs=1.5)


def test_strong_compression_is_read_from_the_file_or_seen_in_the_pixels():
    scene = pytest.importorskip("skimage.data").astronaut()
    squeezed = encode_jpeg(scene, quality=12)
    photo = decode_photo(squeezed)
    by_file = check_photo(photo.pixels, decoded=photo)
    assert "compression" in codes(by_file)
    (finding,) = (item for item in by_file.findings if item.code == "compression")
    assert finding.unit == "JPEG quality"
    assert "compression" in codes(check_photo(photo.pixels))
    resaved = decode_photo(encode_jpeg(photo.pixels, quality=95))
    assert "compression" in codes(check_photo(resaved.pixels, decoded=resaved))
    fine = decode_photo(encode_jpeg(scene, quality=85))
    assert "compression" not in codes(check_photo(fine.pixels, decoded=fine))


def test_a_display_grid_over_the_whole_frame_is_seen():
    rows, columns = np.mgrid[0:600, 0:900]
    turned = np.cos(0.1) * columns + np.sin(0.1) * rows
    across = -np.sin(0.1) * columns + np.cos(0.1) * rows
    grid = 1 + 0.15 * np.sin(2 * np.pi * turned / 3.3) + 0.1 * np.sin(2 * np.pi * across / 3.3)
    shown = (band() * 0.8 * grid[..., None]).clip(0, 255).astype(np.uint8)
    assert "screen-pattern" in codes(check_photo(grain(shown)))
    part = grain(band())
    part[200:330, 300:450] = shown[200:330, 300:450]
    assert "screen-pattern" not in codes(check_photo(part))


# --- whatever comes in --------------------------------------------------------------------


@given(
    st.tuples(st.integers(1, 70), st.integers(1, 70)).flatmap(
        lambda size: arrays(np.uint8, (*size, 3))
    ),
    st.one_of(st.none(), st.floats(0.01, 1000)),
)
@settings(max_examples=60, deadline=None)
def test_no_picture_breaks_a_check(picture, px_per_mm):
    check = check_photo(picture, px_per_mm=px_per_mm)
    assert PhotoCheck.from_json(check.to_json()) == check


@pytest.mark.parametrize("shape", [(1, 1), (1, 6000), (6000, 1), (49, 49), (100, 5000), (193, 192)])
@pytest.mark.parametrize("level", [0, 255, None])
def test_odd_sizes_do_not_break_a_check(shape, level):
    noise = np.random.default_rng(1).integers(0, 256, (*shape, 3), dtype=np.uint8)
    check_photo(noise if level is None else np.full_like(noise, level))


@pytest.mark.parametrize(
    "rubbish",
    [np.zeros((4, 4), np.uint8), np.zeros((0, 4, 3), np.uint8), np.zeros((4, 4, 3), np.float32)],
)
def test_what_is_no_picture_is_refused(rubbish):
    with pytest.raises(ValueError, match="uint8"):
        check_photo(rubbish)


# --- the answer ------------------------------------------------------------------------------


def test_findings_come_gravest_first_and_carry_advice():
    check = check_photo(np.zeros((200, 50, 3), np.uint8))
    ranks = [["fail", "warn", "info"].index(finding.severity) for finding in check.findings]
    assert ranks == sorted(ranks)
    assert len(ranks) >= 2
    assert all(finding.message.endswith(".") for finding in check.findings)
    assert all(finding.advice.endswith(".") for finding in check.findings)


def test_only_a_fail_makes_a_photo_unusable():
    def check(*severities: Severity) -> PhotoCheck:
        return PhotoCheck(tuple(Finding("x", severity, "m", "a") for severity in severities))

    assert check().usable
    assert check(Severity.WARN, Severity.INFO).usable
    assert not check(Severity.INFO, Severity.FAIL).usable


def test_json_is_one_line_and_an_empty_record_is_a_photo_without_findings():
    check = check_photo(band(60, 90))
    text = check.to_json()
    assert "\n" not in text
    assert PhotoCheck.from_json(text) == check
    assert PhotoCheck.from_json("{}") == PhotoCheck()


@pytest.mark.parametrize(
    "text",
    ["", "[]", "7", '{"findings": [1]}', '{"findings": [{"code": "x"}]}', '{"findings": 3}',
     '{"findings": [{"code": "x", "severity": "dire", "message": "", "advice": "", "value": 1, '
     '"unit": null}]}',
     '{"findings": [{"code": "x", "severity": "info", "message": "", "advice": "", "value": NaN, '
     '"unit": null}]}'],
)  # fmt: skip
def test_other_text_is_refused(text):
    with pytest.raises(ValueError, match=r".+"):
        PhotoCheck.from_json(text)


def test_every_finding_has_a_name_in_words() -> None:
    codes_given = {
        str(call.args[0].value)
        for file in Path(checks.__file__).parent.glob("[!_]*.py")
        for call in ast.walk(ast.parse(file.read_text()))
        if isinstance(call, ast.Call)
        and isinstance(call.func, ast.Name)
        and call.func.id == "Finding"
        and isinstance(call.args[0], ast.Constant)
    }
    assert "too-coarse" in codes_given
    assert set(checks.CODE_WORDS) == codes_given
