"""The words the pages share: cautions, labels, captions. One place, so that they agree."""

from __future__ import annotations

import re

from loupebook.library import (
    CODE_WORDS,
    LIGHT_WORDS,
    NO_PRINT,
    VIEW_WORDS,
    Lighting,
    MatchReport,
    PhotoCheck,
    PhotoRecord,
    SpecimenRecord,
    Standing,
    View,
    design_phrase,
    lacking,
    likeness_words,
)

STANDING = {Standing.GENUINE: "Genuine", Standing.FAKE: "Fake"}
# Pages and printed sheets name views and lights alike.
VIEW, LIGHTING = VIEW_WORDS, LIGHT_WORDS

CAUTION = (
    "Nearness is not proof. Good copies lie near genuine references too; "
    "this tool compares and never says that an item is genuine."
)
NOT_SAID = (
    "**What this does not say.** The results show which known specimens look most like your "
    "photo, nothing more. A good copy lies near genuine references as well; a genuine item "
    "photographed badly may lie near nothing. A standing belongs to the reference it stands "
    "beside, never to your item. Whether an item is genuine is for the rights holder, the law "
    "of the place and a qualified examiner who holds the item itself."
)
NOT_SAID_BRIEF = (
    "This does not say that the item is genuine, nor that it is a copy: good copies lie near "
    "genuine references too."
)
POOR = "It was searched all the same; trust the answer less."
"""What becomes of a photo although it is poor."""
UV_CAUTION = (
    "UV-A lamp: never look into it or at its reflection, wear UV-blocking glasses, keep it off "
    "skin, and keep other people away from the beam."
)


def refused(error: OSError) -> str:
    """Say what the system refused, to which file, and what to do."""
    file = f" ({error.filename})" if error.filename else ""
    return (
        f"The system refused a file{file}: {error.strerror or error}. See to it that the disk has "
        "room and that you may write there, then try again."
    )


def plain(text: str) -> str:
    """Return `text` so that Markdown shows it letter by letter."""
    return re.sub(r"([\\`*_{}\[\]()#+\-.!<>|~$:@&=\"'])", r"\\\1", text)


def counted(number: int, one: str, many: str | None = None) -> str:
    """Return a count with its noun, such as ``1 photo`` or ``2,000 photos``."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def minute(at: str) -> str:
    """Return an instant of a record (ISO 8601, UTC) to the minute, as it is shown."""
    return at[:16].replace("T", " ")


def design(marque: str | None, edition: str | None) -> str:
    """Return marque and edition as one phrase; the marque once, where the edition names it."""
    return design_phrase(marque, edition) or "marque not recorded"


def taken(view: View, lighting: Lighting) -> str:
    """Return how a photo was taken."""
    return f"{VIEW[view]}, {LIGHTING[lighting]}"


def found_by(match: MatchReport) -> str:
    """Say by what a match was found."""
    covered = match.detail.get("covered_reference")
    share = "" if covered is None else f", spread over {100 * covered:.0f} % of the reference"
    places = f"{counted(match.inliers or 0, 'place')} that look alike and lie alike{share}"
    if match.found_by == "embedding":
        return "found by its look as a whole"
    if match.found_by == "local":
        return f"found by {places}"
    return f"found by its look as a whole and by {places}"


def poor_words(check: PhotoCheck) -> str:
    """Return in a few words why fine print cannot be compared; empty where it can."""
    if check.shows_print:
        return ""
    return ", ".join(
        _poor(finding.code, finding.message)
        for finding in check.findings
        if str(finding.severity) == "fail" or finding.code in NO_PRINT
    )


def _poor(code: str, message: str) -> str:
    if code == "blur":
        # How much stands in brackets: "about 10 px wide", or mm where the scale is known.
        found = re.search(r"\(([^)]*)\)", message)
        return f"blurred {found[1].removesuffix(' wide')}" if found else "blurred"
    return CODE_WORDS.get(code, message.rstrip("."))


def nearness(match: MatchReport) -> str:
    """Return how near a match lies, as a number that ranks, the same as in saved records.

    Similarities themselves round to 1 for nearly all references that are shown, and read as
    certainty.
    """
    return f"Likeness {likeness_words(match.to_dict())}"


def not_printed(text: str) -> str:
    """Return which characters of a text the fonts for print lack; empty where none is."""
    lacked = [f"{one} (U+{ord(one):04X})" for one in lacking(text)]
    if not lacked:
        return ""
    return (
        f"{', '.join(lacked)}: the fonts for print lack it. Where your screen shows a box, its "
        "fonts lack it too; what is saved is right."
    )


def scale(px_per_mm: float | None) -> str:
    """Return the scale of a photo, or that it is not known."""
    return f"{px_per_mm:.1f} px/mm" if px_per_mm else "scale not recorded"


def size(photo: PhotoRecord) -> str:
    """Return the pixel size and scale of a photo."""
    return f"{photo.width} × {photo.height} px, {scale(photo.px_per_mm)}"


def state_line(specimen: SpecimenRecord) -> str | None:
    """Return the intake state where it is not the usual one."""
    return None if specimen.state == "confirmed" else str(specimen.state).capitalize()
