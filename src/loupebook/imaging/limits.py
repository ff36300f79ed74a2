"""How large a photo may be before it is refused."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from loupebook.errors import PhotoTooLarge

_MEGA = 1_000_000


@dataclass(frozen=True)
class DecodeLimits:
    """Upper limits, all tested against what a file claims, before any pixel is decoded.

    The defaults take every photo of a 50 or 108 megapixel phone and refuse a claimed
    20,000 × 20,000 px.

    Parameters
    ----------
    byte_count : int
        Size of the file in bytes.
    pixels : int
        Width times height. Pillow itself refuses pictures above 178,956,970 px, so a
        higher value here has no effect beyond that.
    side : int
        Longer side in px.
    frames : int
        Pages or animation frames that a file may hold. Only the first is decoded; the
        limit keeps a file with a million pages from being walked through.
    scans : int
        Scans of one JPEG picture. Each goes over all pixels again, and a few bytes are enough
        for one, so that thousands in a small file would hold the decoder for hours.
        Progressive files have about ten; libtiff stops at a hundred as well.
    """

    byte_count: int = 80 * _MEGA
    pixels: int = 120 * _MEGA
    side: int = 30_000
    frames: int = 1_000
    scans: int = 100

    def check_bytes(self, byte_count: int, name: str) -> None:
        """Refuse a file of more bytes than allowed.

        Raises
        ------
        PhotoTooLarge
            If `byte_count` is above the limit.
        """
        if byte_count > self.byte_count:
            raise PhotoTooLarge(
                f"{name} holds {byte_count / _MEGA:.0f} MB; at most "
                f"{self.byte_count / _MEGA:.0f} MB are accepted. Save it as JPEG and try again."
            )

    def check_size(self, width: int, height: int, name: str) -> None:
        """Refuse a picture that claims more pixels or a longer side than allowed.

        Raises
        ------
        PhotoTooLarge
            If either limit would be exceeded.
        """
        claim = f"{name} claims to be {width:,} × {height:,} px"
        if width * height > self.pixels:
            raise PhotoTooLarge(
                f"{claim}; at most {self.pixels / _MEGA:.0f} million pixels are accepted. "
                "Crop it to the item or save it smaller."
            )
        if max(width, height) > self.side:
            raise PhotoTooLarge(
                f"{claim}; a side may be at most {self.side:,} px. "
                "Crop it to the item or save it smaller."
            )

    def check_frames(self, frames: int, name: str) -> None:
        """Refuse a file with more pages or frames than allowed.

        Raises
        ------
        PhotoTooLarge
            If `frames` is above the limit.
        """
        if frames > self.frames:
            raise PhotoTooLarge(
                f"{name} holds more than {self.frames:,} pages or frames. "
                "Save the one that shows the item as a file of its own."
            )

    def check_scans(self, scans: int, name: str) -> None:
        """Refuse a JPEG file that goes over its picture more often than allowed.

        Raises
        ------
        PhotoTooLarge
            If `scans` is above the limit.
        """
        if scans > self.scans:
            raise PhotoTooLarge(
                f"{name} is coded in {scans:,} passes; at most {self.scans:,} are accepted. "
                "Save it anew as JPEG."
            )


#: What is used where nothing else is asked for.
DEFAULT_LIMITS: Final = DecodeLimits()
