"""Colour: embedded profiles, inks and damaged profiles.

Values marked "computed" follow from published primaries by plain linear algebra here, so
they do not lean on the colour engine under test.
"""

from __future__ import annotations

import io
import struct

import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageCms

from loupebook.imaging import decode_photo
from loupebook.imaging.profiles import assemble_profile, matrix_profile

D65 = (0.3127, 0.3290)
#: Primaries: SMPTE EG 432-1 (Display P3), Adobe RGB (1998) section 4.3.1.1, ITU-R BT.2020.
P3 = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))
ADOBE = ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06))
BT2020 = ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046))
SRGB = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))
ADOBE_GAMMA = 563 / 256  # Adobe RGB (1998) section 4.3.4.2

COLOURS = np.array(
    [[255, 255, 255], [128, 128, 128], [0, 0, 0], [200, 100, 50], [120, 140, 90], [90, 110, 160]],
    np.uint8,
)


def to_xyz(primaries, white=D65) -> np.ndarray:
    full = np.array([[x / y, 1, (1 - x - y) / y] for x, y in primaries]).T
    x, y = white
    return full * np.linalg.solve(full, [x / y, 1, (1 - x - y) / y])


def srgb_decode(values):
    return np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)


def srgb_encode(linear):
    linear = linear.clip(0, 1)
    return np.where(linear <= 0.0031308, linear * 12.92, 1.055 * linear ** (1 / 2.4) - 0.055)


def computed(colours: np.ndarray, primaries, gamma: float | None = None) -> np.ndarray:
    values = colours / 255.0
    linear = srgb_decode(values) if gamma is None else values**gamma
    moved = linear @ (np.linalg.inv(to_xyz(SRGB)) @ to_xyz(primaries)).T
    return srgb_encode(moved) * 255


def patches(colours: np.ndarray, mode: str = "RGB") -> Image.Image:
    tall = np.repeat(np.repeat(colours[None], 8, axis=0), 8, axis=1)
    return Image.fromarray(tall, mode=mode) if mode == "CMYK" else Image.fromarray(tall)


def shown(photo) -> np.ndarray:
    return photo.pixels[4, 4::8].astype(float)


def save(picture: Image.Image, kind: str, **options) -> bytes:
    stream = io.BytesIO()
    picture.save(stream, kind, **options)
    return stream.getvalue()


P3_PROFILE = matrix_profile(*P3, D65, description="Display P3")
ADOBE_PROFILE = matrix_profile(*ADOBE, D65, description="Wide RGB", curve=(ADOBE_GAMMA,))


@pytest.mark.external
@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP"])
def test_display_p3_photo_matches_the_published_primaries(kind):
    options = {"lossless": True} if kind == "WEBP" else {}
    photo = decode_photo(save(patches(COLOURS), kind, icc_profile=P3_PROFILE, **options))
    assert np.abs(shown(photo) - computed(COLOURS, P3)).max() <= 1.5
    assert any("Display P3" in note for note in photo.notes)


@pytest.mark.external
def test_display_p3_extremes_clip_to_srgb():
    corners = np.array([[255, 0, 0], [0, 255, 0], [0, 0, 255], [255, 255, 255]], np.uint8)
    photo = decode_photo(save(patches(corners), "PNG", icc_profile=P3_PROFILE))
    assert np.abs(shown(photo) - [[255, 0, 0], [0, 255, 0], [0, 0, 255], [255] * 3]).max() <= 3


@pytest.mark.external
def test_adobe_rgb_matches_its_published_encoding():
    photo = decode_photo(save(patches(COLOURS), "TIFF", icc_profile=ADOBE_PROFILE))
    assert np.abs(shown(photo) - computed(COLOURS, ADOBE, ADOBE_GAMMA)).max() <= 1.5


@pytest.mark.external
def test_conversion_is_that_of_the_colour_engine():
    noise = np.random.default_rng(5).integers(0, 256, (40, 40, 3), dtype=np.uint8)
    photo = decode_photo(save(Image.fromarray(noise), "PNG", icc_profile=P3_PROFILE))
    by_engine = ImageCms.profileToProfile(
        Image.fromarray(noise),
        ImageCms.ImageCmsProfile(io.BytesIO(P3_PROFILE)),
        ImageCms.createProfile("sRGB"),
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        flags=ImageCms.Flags.BLACKPOINTCOMPENSATION,
    )
    assert np.array_equal(photo.pixels, np.asarray(by_engine))


def test_any_spelling_of_srgb_moves_nothing():
    noise = np.random.default_rng(6).integers(0, 256, (40, 40, 3), dtype=np.uint8)
    for profile in (
        matrix_profile(*SRGB, D65, description="c2"),
        ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes(),
    ):
        photo = decode_photo(save(Image.fromarray(noise), "PNG", icc_profile=profile))
        assert np.array_equal(photo.pixels, noise)
        assert photo.notes == ()


def test_profile_and_alpha_together():
    colours = np.concatenate([COLOURS, np.full((6, 1), 255, np.uint8)], axis=1)
    colours[3, 3] = 0
    photo = decode_photo(save(patches(colours), "PNG", icc_profile=P3_PROFILE))
    wanted = computed(COLOURS, P3)
    wanted[3] = 255
    assert np.abs(shown(photo) - wanted).max() <= 1.5


def test_profile_and_palette_together():
    picture = patches(COLOURS).quantize(16)
    photo = decode_photo(save(picture, "PNG", icc_profile=P3_PROFILE))
    exact = np.asarray(picture.convert("RGB"))[4, 4::8]
    assert np.abs(shown(photo) - computed(exact, P3)).max() <= 1.5


def test_grey_picture_with_an_rgb_profile():
    grey = Image.fromarray(np.arange(256, dtype=np.uint8)[None].repeat(4, axis=0))
    photo = decode_photo(save(grey, "PNG", icc_profile=P3_PROFILE))
    assert np.abs(photo.pixels[0, :, 1].astype(int) - np.arange(256)).max() <= 1


def grey_profile(gamma: float) -> bytes:
    curve = b"para" + bytes(4) + struct.pack(">HHi", 0, 0, round(gamma * 65536))
    white = b"XYZ " + bytes(4) + struct.pack(">iii", *(round(v * 65536) for v in D50))
    tags = {b"wtpt": white, b"kTRC": curve}
    return assemble_profile(tags, device_class=b"mntr", space=b"GRAY", connection=b"XYZ ")


D50 = (0.9642, 1.0, 0.8249)


def test_grey_profile_is_used():
    grey = Image.fromarray(np.arange(256, dtype=np.uint8)[None].repeat(4, axis=0))
    photo = decode_photo(save(grey, "PNG", icc_profile=grey_profile(1.8)))
    wanted = srgb_encode((np.arange(256) / 255) ** 1.8) * 255
    assert np.abs(photo.pixels[0, :, 1] - wanted).max() <= 1.5


@pytest.mark.parametrize(
    "broken",
    [
        b"not a profile at all",
        P3_PROFILE[:200],
        P3_PROFILE[:128] + bytes(400),
        b"\xff" * 4000,
        ADOBE_PROFILE[:-60],
    ],
)
def test_a_broken_profile_is_a_note_not_a_failure(broken):
    photo = decode_photo(save(patches(COLOURS), "PNG", icc_profile=broken))
    assert np.array_equal(shown(photo), COLOURS)
    assert any("profile is damaged" in note for note in photo.notes)


def test_a_huge_profile_is_left_out():
    photo = decode_photo(save(patches(COLOURS), "TIFF", icc_profile=bytes(8_000_001)))
    assert any("too large" in note for note in photo.notes)


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
def test_a_profile_of_a_scanner_may_be_large(kind):
    # ICC.1:2022, section 7.2.2: the header says how long the profile is.
    padded = P3_PROFILE + np.random.default_rng(8).bytes(2_000_000)
    padded = struct.pack(">I", len(padded)) + padded[4:]
    photo = decode_photo(save(patches(COLOURS), kind, icc_profile=padded))
    assert any("Display P3" in note for note in photo.notes)


@pytest.mark.external
def test_the_wide_colours_of_a_dcf_option_file_are_converted():
    # CIPA DC-009 (DCF 2.0): ColorSpace left open, interoperability index R03; the colours
    # are those of Adobe RGB (1998).
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({0xA001: 0xFFFF, 0xA005: {1: "R03"}})
    data = save(patches(COLOURS), "JPEG", exif=exif.tobytes(), quality=95, subsampling=0)
    photo = decode_photo(data)
    assert np.abs(shown(photo) - computed(COLOURS, ADOBE, ADOBE_GAMMA)).max() <= 4
    assert any("named by the camera" in note for note in photo.notes)


def test_a_profile_for_another_kind_of_picture_is_a_note():
    photo = decode_photo(save(patches(COLOURS), "PNG", icc_profile=grey_profile(2.2)))
    assert np.array_equal(shown(photo), COLOURS)
    assert any("does not fit" in note for note in photo.notes)


# --- inks ----------------------------------------------------------------------------------

INKS = np.array([[0, 0, 0, 0], [255, 0, 0, 0], [0, 255, 0, 0], [0, 0, 255, 0], [0, 0, 0, 255]])


@pytest.mark.parametrize("kind", ["JPEG", "TIFF"])
def test_cmyk_without_profile_uses_the_plain_formula(kind):
    # Pillow writes CMYK JPEGs inverted with the Adobe marker, as layout programs do.
    picture = patches(INKS.astype(np.uint8), "CMYK")
    options = {"quality": 95} if kind == "JPEG" else {}
    data = save(picture, kind, **options)
    photo = decode_photo(data)
    wanted = [[255, 255, 255], [0, 255, 255], [255, 0, 255], [255, 255, 0], [0, 0, 0]]
    assert np.abs(shown(photo) - wanted).max() <= 4
    assert any("CMYK" in note for note in photo.notes)
    if kind == "JPEG":
        assert b"Adobe" in data[:2000]


def ink_profile(lab_of_corner) -> bytes:
    """A CMYK profile with a two-step table: ICC.1:2001-04, lut8Type (mft1)."""
    table = b""
    for corner in range(16):  # first ink varies slowest
        inks = [(corner >> shift) & 1 for shift in (3, 2, 1, 0)]
        lightness, a, b = lab_of_corner(inks)
        table += bytes([round(lightness * 2.55), round(a + 128), round(b + 128)])
    identity = bytes(range(256))
    unit = struct.pack(">9i", *(65536 * int(i in {0, 4, 8}) for i in range(9)))
    lut = b"mft1" + bytes(4) + bytes([4, 3, 2, 0]) + unit + identity * 4 + table + identity * 3
    white = b"XYZ " + bytes(4) + struct.pack(">iii", *(round(v * 65536) for v in D50))
    tags = {b"wtpt": white, b"A2B0": lut, b"A2B1": lut}
    return assemble_profile(tags, device_class=b"prtr", space=b"CMYK", connection=b"Lab ")


@pytest.mark.external
@pytest.mark.parametrize("kind", ["JPEG", "TIFF"])
def test_cmyk_with_a_profile_goes_through_it(kind):
    # Solids of coated offset printing after ISO 12647-2, rounded, from memory: paper is
    # taken as white so that the relative intent changes nothing. The wanted sRGB comes
    # from scikit-image's Lab conversion, not from the colour engine under test.
    color = pytest.importorskip("skimage.color")
    solids = {0: (55, -37, -50), 1: (48, 74, -3), 2: (89, -5, 93)}

    def lab_of_corner(inks):
        on = [i for i in range(3) if inks[i]]
        if inks[3]:
            return 0, 0, 0
        if not on:
            return 100, 0, 0
        return solids[on[0]] if len(on) == 1 else (24, 0, 0)

    picture = patches(INKS.astype(np.uint8), "CMYK")
    options = {"quality": 95} if kind == "JPEG" else {}
    data = save(picture, kind, icc_profile=ink_profile(lab_of_corner), **options)
    photo = decode_photo(data)
    lab = np.array([[(100, 0, 0), *solids.values(), (0, 0, 0)]], float)
    wanted = color.xyz2rgb(color.lab2xyz(lab, illuminant="D65"))[0] * 255
    assert np.abs(shown(photo) - wanted.clip(0, 255)).mean() <= 6
    assert any("embedded profile" in note for note in photo.notes)


def test_lab_tiff_is_shown_in_colour():
    lab = ImageCms.profileToProfile(
        patches(COLOURS),
        ImageCms.createProfile("sRGB"),
        ImageCms.createProfile("LAB"),
        outputMode="LAB",
    )
    photo = decode_photo(save(lab, "TIFF"))
    assert np.abs(shown(photo) - COLOURS).max() <= 4


# --- HEIC colour named by numbers -------------------------------------------------------------


def heic(colours: np.ndarray, primaries_code: int, transfer: int = 13) -> bytes:
    stream = io.BytesIO()
    pillow_heif.from_pillow(patches(colours)).save(
        stream,
        quality=-1,
        chroma=444,
        matrix_coefficients=0,
        color_primaries=primaries_code,
        transfer_characteristics=transfer,
        full_range_flag=1,
    )
    return stream.getvalue()


@pytest.mark.external
@pytest.mark.parametrize(("code", "primaries"), [(12, P3), (9, BT2020), (1, SRGB)])
def test_heic_primaries_by_code(code, primaries):
    # Codes: ITU-T H.273 / ISO/IEC 23091-2, table ColourPrimaries.
    photo = decode_photo(heic(COLOURS, code))
    assert np.abs(shown(photo) - computed(COLOURS, primaries)).max() <= 2.5


def test_heic_high_dynamic_range_is_noted():
    assert any("dynamic range" in note for note in decode_photo(heic(COLOURS, 9, 16)).notes)


def test_heic_with_a_profile_uses_it():
    data = save(patches(COLOURS), "HEIF", quality=-1, chroma=444, icc_profile=P3_PROFILE)
    photo = decode_photo(data)
    assert np.abs(shown(photo) - computed(COLOURS, P3)).max() <= 3


def test_profile_needs_real_primaries():
    with pytest.raises(ValueError, match="one line"):
        matrix_profile((0.3, 0.3), (0.4, 0.4), (0.5, 0.5), D65, description="flat")
    with pytest.raises(ValueError, match="y = 0"):
        matrix_profile((0.3, 0), (0.4, 0.4), (0.5, 0.5), D65, description="flat")
