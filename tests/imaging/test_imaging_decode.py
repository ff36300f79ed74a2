from __future__ import annotations

import io
import os
import stat
import struct
import threading
import zlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image

from loupebook.errors import PhotoTooLarge, PhotoUnreadable
from loupebook.imaging import DecodeLimits, decode_photo

# Pillow warns of what these tests do on purpose; pytest shows it despite our filter.
pytestmark = pytest.mark.filterwarnings("ignore:Corrupt EXIF", "ignore:Image size")


def save(picture: Image.Image, kind: str, **options) -> bytes:
    stream = io.BytesIO()
    picture.save(stream, kind, **options)
    return stream.getvalue()


@pytest.fixture(scope="module")
def scene() -> Image.Image:
    """A smooth picture without symmetry, so that every turn and mix-up shows."""
    rows, columns = np.mgrid[0:60, 0:90]
    planes = (columns * 2.5 + 20, rows * 3 + 30, 200 - columns - rows * 0.8)
    return Image.fromarray(np.stack(planes, axis=-1).clip(0, 255).astype(np.uint8))


def apart(left, right) -> float:
    return float(np.abs(np.asarray(left).astype(int) - np.asarray(right).astype(int)).mean())


# --- formats and modes ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "options", "media_type", "tolerance"),
    [
        ("JPEG", {"quality": 95}, "image/jpeg", 1.5),
        ("PNG", {}, "image/png", 0),
        ("TIFF", {}, "image/tiff", 0),
        ("TIFF", {"compression": "tiff_lzw"}, "image/tiff", 0),
        ("TIFF", {"compression": "tiff_adobe_deflate"}, "image/tiff", 0),
        ("TIFF", {"big_tiff": True}, "image/tiff", 0),
        ("WEBP", {"lossless": True}, "image/webp", 0),
        ("WEBP", {"quality": 95}, "image/webp", 3),
        ("HEIF", {"quality": 95}, "image/heic", 3),
        ("HEIF", {"quality": -1}, "image/heic", 1.5),
    ],
)
def test_each_format_comes_back(scene, kind, options, media_type, tolerance):
    pillow_heif.register_heif_opener()
    data = save(scene, kind, **options)
    photo = decode_photo(data)
    assert photo.media_type == media_type
    assert photo.pixels.shape == (60, 90, 3)
    assert photo.pixels.dtype == np.uint8
    assert photo.pixels.flags.writeable
    assert photo.pixels.flags.c_contiguous
    assert photo.full_size == (90, 60)
    assert photo.byte_count == len(data)
    assert photo.notes == ()
    assert apart(photo.pixels, scene) <= tolerance


def test_bytes_and_path_agree(scene, tmp_path):
    path = tmp_path / "photo.png"
    path.write_bytes(save(scene, "PNG"))
    assert np.array_equal(decode_photo(path).pixels, decode_photo(path.read_bytes()).pixels)


@pytest.mark.parametrize(
    ("mode", "kind"),
    [("L", "PNG"), ("L", "JPEG"), ("L", "TIFF"), ("1", "PNG"), ("1", "TIFF"), ("P", "PNG"),
     ("P", "TIFF"), ("YCbCr", "TIFF"), ("RGBX", "TIFF")],
)  # fmt: skip
def test_modes_without_alpha_match_pillow(scene, mode, kind):
    picture = scene.convert(mode)
    photo = decode_photo(save(picture, kind))
    assert apart(photo.pixels, picture.convert("RGB")) < 1.5


@pytest.mark.parametrize(
    ("mode", "kind"),
    [("RGBA", "PNG"), ("RGBA", "TIFF"), ("RGBA", "WEBP"), ("RGBA", "HEIF"), ("LA", "PNG"),
     ("LA", "TIFF"), ("PA", "PNG")],
)  # fmt: skip
def test_alpha_is_laid_on_white(scene, mode, kind):
    base = scene.convert("L" if mode in {"LA", "PA"} else "RGB").convert(
        "LA" if mode in {"LA", "PA"} else "RGBA"
    )
    alpha = np.full((60, 90), 255, np.uint8)
    alpha[:20] = 0
    alpha[20:40] = 128
    base.putalpha(Image.fromarray(alpha))
    if mode == "PA":
        base = base.convert("RGBA").quantize(64)  # a palette with one opacity an entry
    options = {"lossless": True} if kind == "WEBP" else {}
    if kind == "HEIF":
        options = {"quality": -1}
    photo = decode_photo(save(base, kind, **options))
    flat = base.convert("RGBA")
    white = Image.new("RGBA", flat.size, "white")
    expected = Image.alpha_composite(white, flat).convert("RGB")
    assert apart(photo.pixels, expected) < 1
    assert any("white" in note for note in photo.notes)


def test_opaque_alpha_needs_no_note(scene):
    assert decode_photo(save(scene.convert("RGBA"), "PNG")).notes == ()


@pytest.mark.parametrize("mode", ["1", "L", "P", "RGB"])
def test_transparent_colour_key(mode):
    picture = Image.new(mode, (8, 8), 0)
    photo = decode_photo(save(picture, "PNG", transparency=(0, 0, 0) if mode == "RGB" else 0))
    assert (photo.pixels == 255).all()
    assert any("white" in note for note in photo.notes)


@pytest.mark.parametrize("kind", ["PNG", "TIFF"])
def test_sixteen_bit_grey_keeps_its_tones(kind):
    levels = np.arange(65536, dtype=np.uint16).reshape(256, 256)
    photo = decode_photo(save(Image.fromarray(levels), kind))
    assert np.abs(photo.pixels[..., 0] - levels / 257.0).max() <= 0.5
    assert np.array_equal(photo.pixels[..., 0], photo.pixels[..., 2])
    assert any("16 bits" in note for note in photo.notes)


def png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(
    width: int, height: int, depth: int, colour_type: int, rows: bytes, more: bytes = b""
) -> bytes:
    header = struct.pack(">IIBBBBB", width, height, depth, colour_type, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + png_chunk(b"IHDR", header)
        + more
        + png_chunk(b"IDAT", zlib.compress(rows))
        + png_chunk(b"IEND", b"")
    )


def test_a_png_of_empty_chunks_is_refused_before_it_costs_time():
    many = png(1, 1, 8, 0, b"\0\0", png_chunk(b"abCd", b"") * 200_000)
    with pytest.raises(PhotoUnreadable):
        decode_photo(many)


@pytest.mark.parametrize(("colour_type", "channels"), [(2, 3), (6, 4), (4, 2)])
def test_sixteen_bit_png_with_colour_or_alpha(colour_type, channels):
    values = np.linspace(0, 65535, 16 * 12 * channels).reshape(12, 16, channels).astype(">u2")
    if channels in {2, 4}:
        values[..., -1] = 65535
    rows = b"".join(b"\0" + row.tobytes() for row in values)
    photo = decode_photo(png(16, 12, 16, colour_type, rows))
    wanted = values[..., :3] if channels >= 3 else values[..., [0, 0, 0]]
    assert np.abs(photo.pixels - wanted.astype(float) / 257).max() <= 1


@pytest.mark.parametrize(
    ("depth", "row", "key", "levels"),
    [
        # ISO/IEC 15948, section 11.3.2.1: the key has the depth of the pixels.
        (2, b"\x1b", 1, [0, 255, 170, 255]),
        (4, b"\x05\xaf", 5, [0, 255, 170, 255]),
        (8, b"\x00\x05\xaa\xff", 5, [0, 255, 170, 255]),
        (16, b"\x00\x00\x12\x34\x12\x35\xff\xff", 0x1234, [0, 255, 18, 255]),
    ],
)
def test_the_transparent_grey_is_the_one_that_the_file_means(depth, row, key, levels):
    photo = decode_photo(
        png(4, 1, depth, 0, b"\0" + row, png_chunk(b"tRNS", struct.pack(">H", key)))
    )
    assert photo.pixels[0, :, 0].tolist() == levels


def test_a_key_of_sixteen_bits_takes_no_other_colour_with_it():
    pixels = struct.pack(">3H", 0x34AB, 0x34AB, 0x34AB)
    key = png_chunk(b"tRNS", struct.pack(">3H", 0x1234, 0x1234, 0x1234))
    assert decode_photo(png(1, 1, 16, 2, b"\0" + pixels, key)).pixels.tolist() == [[[0x34] * 3]]


def test_sixteen_bit_tiffs_of_another_writer():
    tifffile = pytest.importorskip("tifffile")
    values = np.linspace(0, 65535, 20 * 30 * 3).reshape(20, 30, 3).astype(np.uint16)
    for options in ({}, {"byteorder": ">"}):
        stream = io.BytesIO()
        tifffile.imwrite(stream, values, photometric="rgb", **options)
        photo = decode_photo(stream.getvalue())
        assert np.abs(photo.pixels - values / 257.0).max() <= 1
        assert any("16 bits" in note for note in photo.notes)
    for kind in ("minisblack", "miniswhite"):
        stream = io.BytesIO()
        tifffile.imwrite(stream, values[..., 0], photometric=kind)
        shown = decode_photo(stream.getvalue()).pixels[..., 1]
        grey = values[..., 0] / 257.0
        assert np.abs(shown - (grey if kind == "minisblack" else 255 - grey)).max() <= 0.5


def test_measured_values_are_no_picture():
    data = save(Image.fromarray(np.linspace(0, 1, 64, dtype=np.float32).reshape(8, 8)), "TIFF")
    with pytest.raises(PhotoUnreadable, match="measured values"):
        decode_photo(data)


def test_animated_webp_and_png_give_the_first_frame(scene):
    second = Image.new("RGB", scene.size, "red")
    for kind, options in (("WEBP", {"lossless": True}), ("PNG", {}), ("TIFF", {})):
        data = save(scene, kind, save_all=True, append_images=[second], **options)
        photo = decode_photo(data)
        assert apart(photo.pixels, scene) == 0
        assert any("several pictures" in note for note in photo.notes)


def test_phone_jpeg_with_previews_is_one_photo(scene):
    data = save(scene, "MPO", save_all=True, append_images=[scene.resize((30, 20))], quality=95)
    photo = decode_photo(data)
    assert photo.media_type == "image/jpeg"
    assert photo.notes == ()
    assert apart(photo.pixels, scene) < 1.5


# --- max_side ----------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "HEIF"])
@pytest.mark.parametrize("orientation", [1, 6])
def test_max_side_shrinks_and_remembers_the_full_size(scene, kind, orientation):
    exif = Image.Exif()
    exif[0x0112] = orientation
    data = save(scene.resize((900, 600)), kind, exif=exif.tobytes(), quality=95)
    full, small = decode_photo(data), decode_photo(data, max_side=200)
    assert max(small.pixels.shape[:2]) == 200
    assert small.full_size == full.full_size == full.pixels.shape[1::-1]
    again = Image.fromarray(full.pixels).resize(small.pixels.shape[1::-1], Image.Resampling.BOX)
    assert apart(small.pixels, again) < 2


# --- refusals -----------------------------------------------------------------------------


def test_twenty_thousand_square_is_refused_by_its_claim():
    claim = png(20_000, 20_000, 8, 2, b"")
    with pytest.raises(PhotoTooLarge, match=r"band\.png"):
        decode_photo(claim, name="band.png")


def test_a_claim_just_above_the_limit_names_size_and_remedy():
    with pytest.raises(PhotoTooLarge, match=r"12,000 × 11,000 px.*120 million"):
        decode_photo(png(12_000, 11_000, 8, 2, b""))


def test_a_thin_long_claim_is_refused_by_its_side():
    with pytest.raises(PhotoTooLarge, match="30,000"):
        decode_photo(png(40_000, 10, 8, 2, b""))


def test_webp_claim_is_refused(scene):
    data = bytearray(save(scene.convert("RGBA"), "WEBP", exif=b"Exif\0\0II*\0\x08\0\0\0\0\0"))
    assert data[12:16] == b"VP8X"
    data[24:30] = (16_383).to_bytes(3, "little") * 2
    with pytest.raises(PhotoTooLarge):
        decode_photo(bytes(data))


def test_a_108_megapixel_phone_photo_is_decoded():
    data = save(Image.new("RGB", (12_000, 9_000), "tan"), "JPEG")
    assert decode_photo(data).pixels.shape == (9_000, 12_000, 3)


def test_own_limits_are_obeyed(scene, tmp_path):
    data = save(scene, "PNG")
    path = tmp_path / "p.png"
    path.write_bytes(data)
    for source in (data, path):
        with pytest.raises(PhotoTooLarge, match="MB"):
            decode_photo(source, limits=DecodeLimits(byte_count=len(data) - 1))
    assert decode_photo(data, limits=DecodeLimits(byte_count=len(data), pixels=5400, side=90))
    with pytest.raises(PhotoTooLarge):
        decode_photo(data, limits=DecodeLimits(pixels=5399))
    with pytest.raises(PhotoTooLarge):
        decode_photo(data, limits=DecodeLimits(side=89))


@pytest.mark.parametrize("kind", ["WEBP", "PNG", "TIFF"])
def test_too_many_frames_are_refused(kind):
    frames = [Image.new("RGB", (4, 4), (50 * i, 0, 255 - 50 * i)) for i in range(5)]
    data = save(frames[0], kind, save_all=True, append_images=frames[1:])
    assert decode_photo(data, limits=DecodeLimits(frames=5)).pixels.shape == (4, 4, 3)
    with pytest.raises(PhotoTooLarge, match="more than 4"):
        decode_photo(data, limits=DecodeLimits(frames=4))


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
def test_truncated_files_are_refused_never_half_shown(kind):
    noise = np.random.default_rng(3).integers(0, 255, (120, 160, 3), dtype=np.uint8)
    data = save(Image.fromarray(noise), kind, quality=90)
    for share in (0.02, 0.3, 0.6, 0.9):
        with pytest.raises(PhotoUnreadable, match=r"half\.bin"):
            decode_photo(data[: int(len(data) * share)], name="half.bin")


def test_truncated_progressive_and_compressed_files_are_refused():
    noise = Image.fromarray(
        np.random.default_rng(4).integers(0, 255, (120, 160, 3), dtype=np.uint8)
    )
    for data in (
        save(noise, "JPEG", progressive=True),
        save(noise, "TIFF", compression="tiff_lzw"),
        save(noise, "TIFF", compression="tiff_adobe_deflate"),
        save(noise, "WEBP", lossless=True),
    ):
        with pytest.raises(PhotoUnreadable):
            decode_photo(data[: len(data) // 2])


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"),
        (b"just some words\n", "a text file"),
        ("Zigarrenbänder, größer\n".encode() * 40, "a text file"),
        (b"GIF89a\x01\0\x01\0\0\0\0;", "a GIF picture"),
        (b"%PDF-1.7\n", "a PDF document"),
        (b"PK\x03\x04....", "a ZIP archive"),
        (b"\0\0\0\x1cftypavif\0\0\0\0", "an AVIF picture"),
        (b"\0\0\0\x1cftypisom\0\0\0\0", "a video"),
        (bytes(range(200, 256)), "not a picture"),
    ],
)
def test_other_files_are_named_for_what_they_are(data, words):
    with pytest.raises(PhotoUnreadable, match=words):
        decode_photo(data)


def test_wrong_extension_is_decoded_by_content(scene, tmp_path):
    path = tmp_path / "really-a-png.jpg"
    path.write_bytes(save(scene, "PNG"))
    photo = decode_photo(path)
    assert photo.media_type == "image/png"
    assert np.array_equal(photo.pixels, np.asarray(scene))


def test_zero_sized_claims_are_refused():
    for width, height in ((0, 0), (0, 5), (5, 0)):
        with pytest.raises(PhotoUnreadable):
            decode_photo(png(width, height, 8, 2, b""))


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_one_pixel_works(kind):
    photo = decode_photo(save(Image.new("RGB", (1, 1), "white"), kind))
    assert photo.pixels.tolist() == [[[255, 255, 255]]]


def test_paths_that_are_no_readable_file(tmp_path):
    with pytest.raises(PhotoUnreadable, match="is a folder"):
        decode_photo(tmp_path)
    with pytest.raises(PhotoUnreadable, match=r"gone\.jpg does not exist"):
        decode_photo(tmp_path / "gone.jpg")
    with pytest.raises(PhotoUnreadable, match="cannot be read"):
        decode_photo(Path("nul\0byte.jpg"))
    with pytest.raises(PhotoUnreadable, match="cannot be read"):
        decode_photo(tmp_path / ("n" * 300))


def test_a_fault_in_a_name_cannot_fake_a_line(tmp_path):
    with pytest.raises(PhotoUnreadable) as caught:
        decode_photo(tmp_path / "a\nAll is well\x1b[2K.jpg")
    assert "\n" not in str(caught.value)
    assert "\x1b" not in str(caught.value)


def test_no_permission(scene, tmp_path, monkeypatch):
    path = tmp_path / "locked.png"
    path.write_bytes(save(scene, "PNG"))
    path.chmod(0)
    if os.access(path, os.R_OK):  # root reads everything: stand in for the refusal

        def refuse(*args, **kwargs):
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(PhotoUnreadable, match=r"locked\.png may not be read"):
        decode_photo(path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_a_named_pipe_does_not_block(tmp_path):
    pipe = tmp_path / "pipe.jpg"
    os.mkfifo(pipe)
    assert stat.S_ISFIFO(pipe.stat().st_mode)
    with pytest.raises(PhotoUnreadable, match="not a regular file"):
        decode_photo(pipe)


@pytest.mark.parametrize("name", ["🚬 band – face.png", "..png", "a b'\"$;.png", "ünïcode.PNG"])
def test_odd_names_work(scene, tmp_path, name):
    path = tmp_path / name
    path.write_bytes(save(scene, "PNG"))
    assert decode_photo(path).pixels.shape == (60, 90, 3)
    climbing = tmp_path / "sub" / ".." / name
    (tmp_path / "sub").mkdir()
    assert decode_photo(climbing).pixels.shape == (60, 90, 3)


# --- threads ------------------------------------------------------------------------------


def test_threads_do_not_disturb_each_other(scene):
    files = [save(scene, kind, quality=90) for kind in ("JPEG", "PNG", "TIFF", "WEBP", "HEIF")]
    wanted = [decode_photo(data).pixels for data in files]
    start = threading.Barrier(4)

    def work(turn: int) -> bool:
        start.wait()
        return all(
            np.array_equal(decode_photo(files[i % 5]).pixels, wanted[i % 5])
            for i in range(turn, turn + 20)
        )

    with ThreadPoolExecutor(4) as pool:
        assert all(pool.map(work, range(4)))
