"""Half a picture is refused, and an odd but whole one is read."""

from __future__ import annotations

import io
import itertools
import struct
import zlib

import numpy as np
import pillow_heif
import pytest
from PIL import Image

from loupebook.errors import PhotoTooLarge, PhotoUnreadable
from loupebook.imaging import DecodeLimits, decode_photo
from loupebook.imaging.jpeg import SCAN, count_scans, segments

WIDTH, HEIGHT = 320, 240
GREY = (120, 110, 90)


@pytest.fixture(scope="module")
def print_like() -> Image.Image:
    """A picture that has something to code everywhere."""
    rng = np.random.default_rng(11)
    coarse = Image.fromarray(rng.integers(0, 256, (30, 40, 3), dtype=np.uint8))
    return coarse.resize((WIDTH, HEIGHT), Image.Resampling.BICUBIC)


def save(picture: Image.Image, kind: str, **options) -> bytes:
    pillow_heif.register_heif_opener()
    stream = io.BytesIO()
    picture.save(stream, kind, **options)
    return stream.getvalue()


# --- JPEG ---------------------------------------------------------------------------------


def test_thousands_of_scans_are_refused_at_once(print_like):
    # ITU-T T.81, annex G: a progressive file may bring the same scan again and again.
    data = save(print_like, "JPEG", progressive=True)
    last = [segment for segment in segments(data) if segment.marker == SCAN][-1]
    scan = data[last.start : last.stop]
    many = data[: last.start] + scan * 200 + data[last.start :]
    assert count_scans(data) < 20
    with pytest.raises(PhotoTooLarge, match=r"band\.jpg.*passes"):
        decode_photo(many, name="band.jpg")
    assert decode_photo(many, limits=DecodeLimits(scans=300)).full_size == (WIDTH, HEIGHT)


def test_scans_cannot_hide_behind_a_marker_without_length(print_like):
    # T.81, table B.1: restart markers stand alone, wherever they stand.
    data = save(print_like, "JPEG", progressive=True)
    first = next(segment for segment in segments(data) if segment.marker == SCAN)
    hidden = data[: first.start] + b"\xff\xd0" + data[first.start :]
    assert count_scans(hidden) == count_scans(data)


def test_more_segments_than_a_picture_has_are_refused(print_like):
    data = save(print_like, "JPEG")
    with pytest.raises(PhotoUnreadable):
        decode_photo(data[:2] + b"\xff\xfe\x00\x02" * 30_000 + data[2:])


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"restart_marker_rows": 1}])
@pytest.mark.parametrize("max_side", [None, 100])
def test_a_cut_jpeg_closed_with_an_end_marker_is_refused(print_like, options, max_side):
    data = save(print_like, "JPEG", quality=90, **options)
    for share in (0.3, 0.5, 0.8):
        closed = data[: int(len(data) * share)] + b"\xff\xd9"
        with pytest.raises(PhotoUnreadable, match="cut short"):
            decode_photo(closed, max_side=max_side)


@pytest.mark.parametrize(
    ("mode", "subsampling", "optimize"),
    list(itertools.product(("RGB", "L", "CMYK"), (0, 2), (False, True))),
)
def test_a_photo_on_an_even_ground_is_whole(print_like, mode, subsampling, optimize):
    ground = Image.new("RGB", (WIDTH + 5, HEIGHT + 51), GREY)
    ground.paste(print_like)
    data = save(ground.convert(mode), "JPEG", subsampling=subsampling, optimize=optimize)
    assert decode_photo(data).full_size == ground.size
    assert decode_photo(data, max_side=100).full_size == ground.size


@pytest.mark.parametrize("options", [{"restart_marker_blocks": 3}, {"progressive": True}, {}])
def test_a_picture_of_one_tone_is_whole(options):
    data = save(Image.new("RGB", (WIDTH, HEIGHT), GREY), "JPEG", **options)
    assert decode_photo(data).full_size == (WIDTH, HEIGHT)


@pytest.mark.parametrize(
    "stray", [b"\0", bytes(16), b"\xff\x00", b"\xff\xff\xff"], ids=["0", "16", "ff00", "fill"]
)
def test_bytes_that_belong_to_nothing_are_passed_over(print_like, stray):
    # T.81, B.1.1.2, allows fill bytes; decoders pass over whatever else stands there.
    data = save(print_like, "JPEG")
    tables = data.index(b"\xff\xdb")
    odd = data[:tables] + stray + data[tables:]
    assert np.array_equal(decode_photo(odd).pixels, decode_photo(data).pixels)


# --- PNG ----------------------------------------------------------------------------------


def png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png_of_rows(rows: bytes, *, height: int, interlace: int = 0) -> bytes:
    """A PNG of 8 px width in RGB; its checks are right whatever the rows are."""
    header = struct.pack(">IIBBBBB", 8, height, 8, 2, 0, 0, interlace)
    parts = [(b"IHDR", header), (b"IDAT", zlib.compress(rows)), (b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(png_chunk(*part) for part in parts)


ROW = b"\0" + b"\x50" * 24


def test_a_png_that_lacks_rows_is_refused():
    # ISO/IEC 15948, section 7.2: one filter byte and the pixels, for each row.
    assert decode_photo(png_of_rows(ROW * 40, height=40)).pixels.min() == 80
    with pytest.raises(PhotoUnreadable, match="cut short"):
        decode_photo(png_of_rows(ROW * 20, height=40))


def test_an_interlaced_png_that_lacks_its_last_pass_is_refused():
    # Section 8.2: 8 by 8 px come as 1, 1, 2, 4, 8, 16 and 32 px in 1, 1, 1, 2, 2, 4, 4 rows.
    shapes = [(1, 1), (1, 1), (2, 1), (2, 2), (4, 2), (4, 4), (8, 4)]
    passes = [(b"\0" + b"\x50" * 3 * across) * down for across, down in shapes]
    whole = png_of_rows(b"".join(passes), height=8, interlace=1)
    assert (decode_photo(whole).pixels == 80).all()
    with pytest.raises(PhotoUnreadable, match="cut short"):
        decode_photo(png_of_rows(b"".join(passes[:-1]), height=8, interlace=1))


def test_a_black_png_is_whole():
    data = save(Image.new("RGB", (WIDTH, HEIGHT)), "PNG")
    assert not decode_photo(data).pixels.any()


# --- WebP and HEIC ------------------------------------------------------------------------


@pytest.mark.parametrize("options", [{}, {"lossless": True}, {"method": 0}])
@pytest.mark.parametrize("share", [0.3, 0.7])
def test_a_webp_whose_rest_was_never_written_is_refused(print_like, options, share):
    data = save(print_like, "WEBP", quality=90, **options)
    written = int(len(data) * share)
    assert decode_photo(data).full_size == (WIDTH, HEIGHT)
    with pytest.raises(PhotoUnreadable, match="cut short"):
        decode_photo(data[:written] + bytes(len(data) - written))


def test_the_first_frame_of_a_webp_whose_other_frames_were_never_written_is_whole(print_like):
    options = {"save_all": True, "append_images": [print_like.rotate(180)]}
    data = save(print_like, "WEBP", lossless=True, **options)
    cut = data[: len(data) * 3 // 4] + bytes(len(data) - len(data) * 3 // 4)
    assert np.array_equal(decode_photo(cut).pixels, np.asarray(print_like))


@pytest.mark.parametrize("ground", [GREY, (*GREY, 0)])
@pytest.mark.parametrize("options", [{"lossless": True}, {"quality": 95}, {"quality": 50}])
def test_a_webp_that_ends_in_zeros_for_its_even_ground_is_whole(print_like, ground, options):
    picture = Image.new("RGB" if len(ground) == 3 else "RGBA", (1600, 1200), ground)
    picture.paste(print_like.resize((1600, 600)))
    data = save(picture, "WEBP", method=0, **options)
    assert data.count(bytes(512))
    assert decode_photo(data).full_size == (1600, 1200)


def test_a_heic_whose_metadata_end_in_zeros_is_whole(print_like):
    # ISO/IEC 14496-12, section 8.11.3: Exif data lie in the same box as the pictures.
    exif = Image.Exif()
    exif[0x010F] = "Lantern Works"
    data = save(print_like, "HEIF", quality=90, exif=exif.tobytes() + bytes(2048))
    assert data.endswith(bytes(1024))
    assert decode_photo(data).camera.make == "Lantern Works"


def test_a_heic_whose_picture_was_never_finished_is_refused(print_like):
    data = save(print_like, "HEIF", quality=90)
    written = len(data) * 2 // 3
    with pytest.raises(PhotoUnreadable, match="cut short"):
        decode_photo(data[:written] + bytes(len(data) - written))


def test_of_several_heic_pictures_the_main_one_is_taken_and_said_so(print_like):
    file = pillow_heif.from_pillow(Image.new("RGB", print_like.size, "red"))
    file.add_from_pillow(print_like)
    stream = io.BytesIO()
    file.save(stream, quality=-1, primary_index=1)
    photo = decode_photo(stream.getvalue())
    assert np.abs(photo.pixels.astype(int) - np.asarray(print_like)).mean() < 10
    assert any("main one was taken" in note for note in photo.notes)


# --- TIFF ---------------------------------------------------------------------------------


def tiff(*entries: tuple[int, int, int, int], rest: bytes = b"") -> bytes:
    """A little-endian TIFF with one directory of (tag, type, count, value) at byte 8."""
    fields = b"".join(struct.pack("<HHII", *entry) for entry in sorted(entries))
    return b"II*\0" + struct.pack("<IH", 8, len(entries)) + fields + bytes(4) + rest


def grey_tiff(*more: tuple[int, int, int, int]) -> bytes:
    """Sixteen by sixteen px of black behind the directory."""
    entries = [(256, 4, 1, 16), (257, 4, 1, 16), (258, 3, 1, 8), (259, 3, 1, 1), (262, 3, 1, 1),
               (277, 3, 1, 1), (278, 4, 1, 16), (279, 4, 1, 256), *more]  # fmt: skip
    start = 8 + 2 + 12 * (len(entries) + 1) + 4
    return tiff(*entries, (273, 4, 1, start), rest=bytes(256))


@pytest.mark.parametrize(
    "raw",
    [
        # Adobe DNG 1.7: DNGVersion (50706). TIFF 6.0: NewSubfileType (254) 1, a reduced
        # picture, with the full one in SubIFDs (330).
        grey_tiff((50706, 1, 4, 0x0401)),
        grey_tiff((254, 4, 1, 1), (330, 4, 1, 8)),
        b"II*\0\x10\0\0\0CR\x02\0" + bytes(64),
        b"\0\0\0\x18ftypcrx " + bytes(32),
        b"IIRO\x08\0\0\0" + bytes(32),
    ],
    ids=["version tag", "reduced picture", "CR mark", "crx brand", "other start"],
)
def test_raw_camera_files_are_named_and_their_preview_is_not_taken(raw):
    with pytest.raises(PhotoUnreadable, match="a raw camera file"):
        decode_photo(raw)


def test_a_tiff_with_smaller_copies_of_itself_is_no_raw_file():
    assert decode_photo(grey_tiff((254, 4, 1, 0), (330, 4, 1, 8))).full_size == (16, 16)
    assert decode_photo(grey_tiff((254, 4, 1, 1))).full_size == (16, 16)


def test_a_tile_larger_than_any_picture_is_refused():
    coded = zlib.compress(bytes(256))
    entries = [(256, 4, 1, 16), (257, 4, 1, 16), (258, 3, 1, 8), (259, 3, 1, 8), (262, 3, 1, 1),
               (277, 3, 1, 1), (322, 4, 1, 16_384), (323, 4, 1, 16_384),
               (325, 4, 1, len(coded))]  # fmt: skip
    start = 8 + 2 + 12 * (len(entries) + 1) + 4
    with pytest.raises(PhotoTooLarge, match="16,384"):
        decode_photo(tiff(*entries, (324, 4, 1, start), rest=coded))


def test_a_kind_of_tiff_that_cannot_be_read_is_not_only_called_damaged():
    tifffile = pytest.importorskip("tifffile")
    stream = io.BytesIO()
    tifffile.imwrite(stream, np.zeros((8, 8, 3), np.float32), photometric="rgb")
    with pytest.raises(PhotoUnreadable, match="a kind of TIFF that cannot be read"):
        decode_photo(stream.getvalue())


def test_signed_values_are_not_said_to_have_32_bits():
    tifffile = pytest.importorskip("tifffile")
    stream = io.BytesIO()
    tifffile.imwrite(stream, np.zeros((8, 8), np.int16))
    with pytest.raises(PhotoUnreadable, match=r"measured values.*signed"):
        decode_photo(stream.getvalue())
