"""The reading of one search: how strong it is, what it rests on, what it does not say.

A reading is a plain dict with these keys (the JSON of ``search --json``)::

    close_reference   true | false | null    is anything in the set close to the query?
    p_value           number | null          of the open-set test
    nearness          number | null          1: as a specimen and its next lie; 0: of two makers
    known_press       strength | null        genuine against a copy from a press in the set
    unseen_press      strength | null        genuine against a copy from any other press
    basis             {genuine, fake, origins, encoder, set_version, made_at}
    needs             [text]                 what is missing before a figure can be given
    says              text                   all that may be said, in plain words; paragraphs
    brief             text                   the same in a sentence or two
    does_not_say      text                   always there, always shown

with strength ``{log10_lr, low, high, words}``. Nothing here states what a query *is*.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from loupebook.evidence.openset import Closeness
from loupebook.evidence.verbal import GENUINE, rung_of, support_words

GENUINE_NEEDED = 10
FAKE_NEEDED = 10
"""Specimens of each standing below which no likelihood ratio is given; our choice: with
fewer, an interval from resampled specimens means nothing."""

ORIGINS_NEEDED = 5
"""Print origins below which nothing is said of unseen presses; our choice, likewise."""

TYPICAL, FEW = 0.5, 0.2
"""p-values from which words are chosen; ours."""

KNOWN_PRESS = "a copy from a press that the set knows"
UNSEEN_PRESS = "a copy from a press that the set has never seen"
EITHER_PRESS = "a copy of whatever press"

PARAGRAPH = "\n\n"
"""Between the parts of `says`: nearness, each figure, and what was tried."""

DOES_NOT_SAY = (
    "It does not say that the item is genuine, nor that it is a copy. Good copies also lie "
    "near genuine references, and a press that the set does not know may do better than any "
    "that it does. It rests on the photos of this set alone, not on paper, ink, tobacco, "
    "serial number or where the item came from. The rights holder, the law of the place and "
    "a qualified examiner decide."
)


@dataclass(frozen=True)
class Basis:
    """What a reading rests on.

    Parameters
    ----------
    genuine, fake : int
        Confirmed specimens of each standing, of the same element.
    origins : int
        Print origins among the fake ones.
    encoder : str
        Name and fingerprint of the encoder.
    set_version : int
        Change counter of the set.
    made_at : str, optional
        Instant (UTC) at which the calibration was made; `None` if there is none.
    """

    genuine: int
    fake: int
    origins: int
    encoder: str
    set_version: int
    made_at: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return asdict(self)


@dataclass(frozen=True)
class Strength:
    """A likelihood ratio with its limits, all base-10 logarithms, and its words."""

    log10_lr: float
    low: float
    high: float
    words: str

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "log10_lr": _plain(self.log10_lr),
            "low": _plain(self.low),
            "high": _plain(self.high),
            "words": self.words,
        }


def missing_specimens(basis: Basis, closeness: Closeness, *, element: str = "item") -> list[str]:
    """Return, in plain words, what the set lacks before figures can be given.

    Parameters
    ----------
    basis : Basis
        What the set holds of this element.
    closeness : Closeness
        The open-set test's own count.
    element : str
        ``band``, ``seal``, ``cap``, or ``item`` where it is not known.
    """
    needs = missing_words(basis, element=element)
    if closeness.missing:
        needs.append(
            f"{closeness.missing} more {_plural(element, closeness.missing)} that have another "
            "of their own edition in the set, to tell whether anything is close"
        )
    return needs


def missing_words(basis: Basis, *, element: str = "item") -> list[str]:
    """Return, in plain words, which specimens are missing before a strength can be given.

    Parameters
    ----------
    basis : Basis
        What there is of this element.
    element : str
        As for :func:`missing_specimens`.
    """
    needs = []
    genuine = max(0, GENUINE_NEEDED - basis.genuine)
    fake = max(0, FAKE_NEEDED - basis.fake)
    if genuine or fake:
        parts = [f"{genuine} more genuine"] * bool(genuine) + [f"{fake} more fake"] * bool(fake)
        needs.append(
            f"{' and '.join(parts)} {_plural(element, genuine + fake)} for a figure of strength"
        )
    if basis.origins < ORIGINS_NEEDED:
        missing = ORIGINS_NEEDED - basis.origins
        needs.append(
            f"fakes from {missing} more print {'origin' if missing == 1 else 'origins'} for a "
            "figure against unseen presses"
        )
    return needs


def reading_without_calibration(
    *,
    closeness: Closeness,
    basis: Basis,
    element: str = "item",
    nearest: str | None = None,
    narrowed: bool = False,
) -> dict[str, Any]:
    """Return the reading of a search for which no likelihood ratio can be given.

    Parameters
    ----------
    closeness : Closeness
        What :func:`loupebook.evidence.openset.judge_closeness` found.
    basis : Basis
        What the set holds of this element.
    element : str
        ``band``, ``seal``, ``cap``, or ``item`` where it is not known.
    nearest : str, optional
        Name of the nearest specimen, to be named in `says`; `None` if nothing was found.
    narrowed : bool, optional
        Whether filters left out the nearest genuine or the nearest fake reference.

    Returns
    -------
    dict
        With the keys that the module docstring lists.
    """
    needs = missing_specimens(basis, closeness, element=element)
    told = [closeness_words(closeness, nearest=nearest)]
    if nearest is not None:
        told.append(_why_no_figure(closeness, needs, narrowed=narrowed))
    return assemble_reading(
        closeness, basis, needs=needs, says=PARAGRAPH.join(told), nearest=nearest
    )


def reading_with_calibration(
    *,
    closeness: Closeness,
    basis: Basis,
    known_press: Strength | None,
    unseen_press: Strength | None,
    element: str = "item",
    nearest: str | None = None,
    narrowed: bool = False,
) -> dict[str, Any]:
    """Return the reading of a search on a set that has a calibration.

    Where the set holds no close reference, no likelihood ratio is given, because the
    calibration has seen nothing like the query. Where the test cannot tell, because items of
    other makers lie as near, the ratio is given on the condition that the maker is right.

    Parameters
    ----------
    closeness, basis, element, nearest, narrowed
        As for :func:`reading_without_calibration`.
    known_press, unseen_press : Strength or None
        What the calibrations give; `None` where the set is too small for one.

    Returns
    -------
    dict
        With the keys that the module docstring lists.
    """
    told_far = closeness.close_reference is False or closeness.p_value is None
    if told_far or not (known_press or unseen_press):
        return reading_without_calibration(
            closeness=closeness, basis=basis, element=element, nearest=nearest, narrowed=narrowed
        )
    told = [closeness_words(closeness, nearest=nearest)]
    told += [strength_words(*one) for one in strengths_to_tell(known_press, unseen_press)]
    return assemble_reading(
        closeness,
        basis,
        needs=missing_specimens(basis, closeness, element=element),
        says=PARAGRAPH.join(told),
        nearest=nearest,
        known_press=known_press,
        unseen_press=unseen_press,
    )


def _why_no_figure(closeness: Closeness, needs: Sequence[str], *, narrowed: bool) -> str:
    """Say that there is no figure of strength, and why."""
    if closeness.close_reference is False and not closeness.nearer_left_out:
        return (
            "No figure of strength is given: figures are learned from items that lie close to "
            "the set, and this one does not."
        )
    if narrowed:
        besides = f" Besides, still needed: {'; '.join(needs)}." if needs else ""
        return (
            "No figure of strength is given: figures are learned with all photos in reach, and "
            f"the filters leave out the nearest genuine or the nearest fake one.{besides}"
        )
    if needs:
        return f"No figure of strength can be given yet. Still needed: {'; '.join(needs)}."
    return "No figure of strength is given: there is no calibration for this search."


def strengths_to_tell(
    known: Strength | None, unseen: Strength | None
) -> list[tuple[Strength, str]]:
    """Return each likelihood ratio with what it is held against; one where both say the same.

    They do where they point one way and share a rung of the verbal scale: then the more careful
    is told, between the outer limits of both.
    """
    pairs = [(s, copy) for s, copy in ((known, KNOWN_PRESS), (unseen, UNSEEN_PRESS)) if s]
    if known is None or unseen is None:
        return pairs
    one_rung = rung_of(known.log10_lr) == rung_of(unseen.log10_lr)
    if not one_rung or known.log10_lr * unseen.log10_lr < 0:
        return pairs
    careful = min(known, unseen, key=lambda strength: abs(strength.log10_lr))
    low, high = min(known.low, unseen.low), max(known.high, unseen.high)
    words = support_words(careful.log10_lr, copy=EITHER_PRESS)
    return [(Strength(careful.log10_lr, low, high, words), EITHER_PRESS)]


def strength_words(strength: Strength, copy: str, *, found: str = "Similarities like these") -> str:
    """Return one likelihood ratio as a sentence, with its interval.

    Parameters
    ----------
    strength : Strength
    copy : str
        What it is held against.
    found : str
        What was found, in the plural.
    """
    size, low, high = (10.0**value for value in (strength.log10_lr, strength.low, strength.high))
    if rung_of(strength.log10_lr).from_lr < 2:
        return (
            f"{found} are about as probable for {GENUINE} of this set as for "
            f"{copy}{_between(low, high)}: no support for either."
        )
    held, other = (GENUINE, copy) if size > 1 else (copy, GENUINE)
    if size < 1:
        size, low, high = 1 / size, 1 / high, 1 / low
    return (
        f"{found} are about {_ratio(size)} times more probable for {held} than "
        f"for {other}{_between(low, high)}: {strength.words}."
    )


def _between(low: float, high: float) -> str:
    """Return an interval in brackets; nothing where rounding leaves none."""
    ends = _ratio(low), _ratio(high)
    return f" (between {ends[0]} and {ends[1]} times)" if ends[0] != ends[1] else ""


def closeness_words(closeness: Closeness, *, nearest: str | None) -> str:
    """Return what the open-set test found, in plain words."""
    if nearest is None:
        return "Nothing in this set was found near the photo."
    if closeness.p_value is None:
        return (
            f"By overall likeness, the nearest known specimen is {nearest}. Whether that is close "
            f"cannot be told: the set has {closeness.specimens} of the {closeness.needed} "
            "specimens that the test takes."
        )
    share = _share(closeness.as_far)
    compared = (
        f"For comparison, {closeness.specimens} specimens of the set were each held against the "
        f"nearest other one{' of all, without filters' if closeness.nearer_left_out else ' in it'}"
    )
    bound = (
        f"(At {100 * closeness.level:.0f} % or fewer, your photo counted in, nothing counts as "
        "close.)"
    )
    if closeness.close_reference is not False:
        near = (
            f"By overall likeness, the nearest known specimen is {nearest}. "
            f"{_left_out_words(closeness)}{compared}: {share} of them lie no nearer than your "
            f"photo does. {_how_much(closeness.p_value)} {bound}{_nearness_words(closeness)}"
        )
        parts = [near, _noticed_words(closeness)] if closeness.noticed is not None else [near]
        return PARAGRAPH.join(parts)
    nothing = (
        "None of what passes the filters is close."
        if closeness.nearer_left_out
        else "The set holds no close reference."
    )
    return (
        f"{nothing} The nearest known specimen by overall likeness, {nearest}, is merely the "
        f"least far. {_left_out_words(closeness)}{compared}: {share} of them lie as far off as "
        f"your photo does. {bound}{_nearness_words(closeness)} A photo less well taken than those "
        "of the set lies farther too: take it again before resting on this."
    )


def _left_out_words(closeness: Closeness) -> str:
    """Say that the filters leave out nearer photos, if they do."""
    return f"{_LEFT_OUT} " if closeness.nearer_left_out else ""


def _nearness_words(closeness: Closeness) -> str:
    """Say where the query lies on the set's own scale; nothing where that tells little."""
    if closeness.nearness is None or closeness.blind:
        return ""
    bounds = {-1.0: "−1 or less", 2.0: "2 or more"}
    place = bounds.get(closeness.nearness, f"{closeness.nearness:.2f}")
    return (
        " On the set's own scale, where 0 is how near items of two makers usually lie to each "
        f"other and 1 how near a specimen usually lies to the next, your photo lies at {place}."
    )


def brief_words(
    closeness: Closeness, strengths: Sequence[Strength], *, nearest: str | None, figures: bool
) -> str:
    """Return the reading in a sentence or two.

    Parameters
    ----------
    closeness, nearest
        As for :func:`closeness_words`.
    strengths : sequence of Strength
        The likelihood ratios that are given.
    figures : bool
        Whether the set has what it takes to give any.
    """
    if nearest is None:
        return closeness_words(closeness, nearest=None)
    if closeness.p_value is None:
        return (
            f"By overall likeness, {nearest} is nearest; the set has too few specimens to tell "
            "whether that is close."
        )
    if closeness.close_reference is False:
        return (
            f"By overall likeness, {nearest} is merely the least far. "
            f"{_left_out_words(closeness)}A poor photo lies far as well: take it again before "
            "resting on this."
        )
    near = f"{_NEAR_BRIEF[_step(closeness.p_value)].format(nearest=nearest)}."
    near += f" {_LEFT_OUT}" if closeness.nearer_left_out else ""
    if closeness.blind:
        near += " Items of makers that the set lacks would mostly look as near."
    if not strengths:
        return near if figures else f"{near} There is no figure of strength yet."
    told = dict.fromkeys(_strength_brief(one) for one in strengths)
    return " ".join([near, *told])


_NEAR_BRIEF = {
    "typical": "By overall likeness, your photo lies as near to {nearest} as specimens of the set "
    "usually lie to the next one",
    "fair": "By overall likeness, your photo lies about as near to {nearest} as specimens of the "
    "set lie to the next one",
    "few": "By overall likeness, your photo lies farther from {nearest} than most specimens of the "
    "set lie from the next one, but not beyond what is usual",
}
_LEFT_OUT = "The filters leave out some that lie nearer."
_HOW_MUCH = {
    "typical": "So your photo is as near as is typical.",
    "fair": "So to be that far off is nothing unusual.",
    "few": "So your photo is farther off than most, but not beyond what is usual.",
}


def _step(p_value: float) -> str:
    """Return how usual a p-value above the bound is; the steps are our choice."""
    if p_value >= TYPICAL:
        return "typical"
    return "fair" if p_value >= FEW else "few"


def _how_much(p_value: float) -> str:
    return _HOW_MUCH[_step(p_value)]


def _strength_brief(strength: Strength) -> str:
    if rung_of(strength.log10_lr).from_lr < 2:
        return "Genuine or copy: the similarities support neither."
    return f"{strength.words[:1].upper()}{strength.words[1:]}."


def _noticed_words(closeness: Closeness) -> str:
    """Say how much the absence of "nothing close" is worth, tried on the set itself."""
    noticed = round(100 * (closeness.noticed or 0.0))
    trial = "In a trial, each specimen was searched with its own maker taken out of the set:"
    if closeness.blind:
        return (
            f"Whether the set holds the maker of your item cannot be told. {trial} only {noticed} "
            "% were rightly called “nothing close”. Any figure that follows holds only if the "
            "maker is known to be the right one."
        )
    return (
        f"If the set lacked the maker, that would mostly show. {trial} {noticed} % were rightly "
        "called “nothing close”."
    )


def no_item_reading(reading: Mapping[str, Any], why: str) -> dict[str, Any]:
    """Return the reading of a picture in which the photo check finds nothing.

    Parameters
    ----------
    reading : mapping
        What would be said of a picture that shows something.
    why : str
        What the picture shows instead, in a few words.
    """
    brief = "The references are merely what lies least far from it; they mean nothing."
    return {
        **reading,
        "close_reference": False,
        "p_value": None,
        "nearness": None,
        "known_press": None,
        "unseen_press": None,
        "says": f"No item can be seen in this picture ({why}). {brief}",
        "brief": brief,
    }


def assemble_reading(
    closeness: Closeness,
    basis: Basis,
    *,
    needs: Sequence[str],
    says: str,
    nearest: str | None,
    known_press: Strength | None = None,
    unseen_press: Strength | None = None,
) -> dict[str, Any]:
    """Return the dict that the module docstring describes."""
    p_value = closeness.p_value
    return {
        "close_reference": closeness.close_reference,
        "p_value": None if p_value is None else round(p_value, 4),
        "nearness": None if closeness.nearness is None else _plain(closeness.nearness),
        "known_press": known_press.to_dict() if known_press else None,
        "unseen_press": unseen_press.to_dict() if unseen_press else None,
        "basis": basis.to_dict(),
        "needs": list(needs),
        "says": says,
        "brief": brief_words(
            closeness,
            [one for one in (known_press, unseen_press) if one],
            nearest=nearest,
            figures=not needs,
        ),
        "does_not_say": DOES_NOT_SAY,
    }


def _plain(value: float) -> float:
    """Return three decimals, and nought without a sign."""
    return round(value, 3) + 0.0


def _ratio(size: float) -> str:
    return f"{size:.0f}" if size >= 10 else f"{size:.2g}"


def _plural(element: str, count: int) -> str:
    return element if count == 1 else f"{element}s"


def _share(share: float | None) -> str:
    if not share:
        return "none"
    percent = 100 * share
    return f"{percent:.0f} %" if percent >= 1 else "fewer than 1 %"
