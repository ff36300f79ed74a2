"""Is the file whole? What the decoders let pass is caught here.

Interrupted copies leave files that are cut short, or of full length with zeros where the
rest was never written. Decoders then fill the picture with grey or with whatever the zeros
mean, and say nothing.
"""

from __future__ import annotations

from PIL import Image

from loupebook.imaging import heif, jpeg_whole, png, webp


def is_whole(data: bytes, pillow_format: str) -> bool:
    """Whether the picture data are complete, as far as the format lets one tell.

    JPEG: the end marker is reached and no scan before it is missing. PNG: every chunk
    carries its right check sum, up to the end chunk. HEIC: no coded picture ends in zeros.
    TIFF and WebP: the decoders refuse what is cut short; an uncompressed TIFF of zeros cannot
    be told from a black picture.

    Raises
    ------
    ValueError
        If the file cannot be followed.
    """
    if pillow_format == "JPEG":
        return jpeg_whole.all_was_coded(data)
    if pillow_format == "PNG":
        return png.checks_hold(data)
    return pillow_format != "HEIF" or heif.was_written_to_the_end(data)


def is_decoded_whole(data: bytes, picture: Image.Image) -> bool:
    """Whether the decoded picture holds what the file does, as far as pixels are needed to tell.

    Parameters
    ----------
    data : bytes
        A file of which :func:`is_whole` holds.
    picture : PIL.Image.Image
        The same, loaded.
    """
    if picture.format in {"JPEG", "MPO"}:
        return not jpeg_whole.fades_into_one_tone(data, picture)
    if picture.format == "WEBP":
        return webp.was_written_to_the_end(data, picture)
    if picture.format == "PNG" and _may_lack_rows(picture):
        return png.all_rows_are_there(data)
    return True


def _may_lack_rows(picture: Image.Image) -> bool:
    # Pillow leaves zeros where rows are missing; so most pictures need no second look.
    lowest = picture.crop((0, picture.height - 1, *picture.size))
    return bool(picture.info.get("interlace")) or lowest.getbbox() is None
