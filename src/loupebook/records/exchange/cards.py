"""The card of an exported set: what, who, how confirmed, licence, limits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from loupebook.records.model import IntakeState, SetInfo, SpecimenRecord, Standing
from loupebook.records.text import clean_line

NO_LICENCE = "not stated: ask the publisher before you pass it on"
LIMITS = (
    "It serves comparison only. A near match to a genuine reference proves little: good copies "
    "lie near as well. Standings are as confirmed by the persons named; for any item the rights "
    "holder, the law of the place and a qualified examiner decide."
)


def about_set(
    info: SetInfo,
    specimens: Sequence[SpecimenRecord],
    *,
    photos: int,
    exported_by: str,
    exported_at: str,
    publisher: str | None,
    licence: str | None,
    metadata_kept: bool,
    left_out: str,
    log: tuple[int, str],
    confirmed_by_second: int,
) -> dict[str, Any]:
    """Return what ``set.json`` says.

    Parameters
    ----------
    info : SetInfo
        The set.
    specimens : sequence of SpecimenRecord
        Those exported.
    photos : int
        How many photos go with them.
    exported_by, exported_at : str
        Who, when.
    publisher, licence : str, optional
        Who answers for it, and what others may do with it.
    metadata_kept : bool
        Whether photos bear their metadata still.
    left_out : str
        The filter, in words.
    log : (int, str)
        Lines and head of the set's log.
    confirmed_by_second : int
        How many of the specimens a second person has confirmed, as the log tells.
    """
    standings = Counter(one.standing for one in specimens)
    return {
        "layout": "loupebook-set/1",
        "set_id": info.set_id,
        "name": info.name,
        "notice": info.notice,
        "says": f"Reference photographs of {len(specimens)} specimens, {_known(specimens)}: "
        f"{standings[Standing.GENUINE]} genuine, {standings[Standing.FAKE]} fake; "
        f"{photos} photos.",
        "limits": LIMITS,
        "publisher": clean_line(publisher or exported_by, "publisher"),
        "licence": clean_line(licence or NO_LICENCE, "licence"),
        "exported_by": exported_by,
        "exported_at": exported_at,
        "change_counter": info.change_counter,
        "two_person": info.two_person,
        "confirmed_by_second": confirmed_by_second,
        "filter": left_out,
        "metadata_kept": metadata_kept,
        "log_lines": log[0],
        "log_head": log[1],
    }


def set_card(about: Mapping[str, Any], specimens: Sequence[SpecimenRecord]) -> str:
    """Return the card as Markdown; what people entered is shown letter by letter."""
    known = [one.provenance for one in specimens if one.state is IntakeState.CONFIRMED]
    grounds = Counter(one.basis or "not recorded" for one in known)
    persons = Counter(one.confirmed_by or "not recorded" for one in known)
    metadata = (
        "Photos bear the metadata that their cameras wrote, which may tell place and time."
        if about["metadata_kept"]
        else "Place, time and other metadata were removed from the photos."
    )
    lines = [
        f"# {_plain(about['name'])}",
        "",
        *([_plain(about["notice"]), ""] if about["notice"] else []),
        about["says"],
        "",
        "## Who",
        "",
        f"Published by {_plain(about['publisher'])}; exported by {_plain(about['exported_by'])} "
        f"at {about['exported_at']}, state {about['change_counter']} of set {about['set_id']}. "
        f"Exported: {_plain(about['filter'])}.",
        "",
        f"The set's log had {about['log_lines']} lines then, with the head `{about['log_head']}`.",
        "",
        "## How standings were confirmed",
        "",
        _how_confirmed(about["confirmed_by_second"], len(known), len(specimens) - len(known)),
        "",
        *(f"- {_plain(ground)}: {count} specimens" for ground, count in grounds.most_common(20)),
        "",
        "Confirmed by: "
        + "; ".join(f"{_plain(name)} ({count})" for name, count in persons.most_common(20)),
        "",
        "## Licence",
        "",
        _plain(about["licence"]),
        "",
        "## Limits",
        "",
        about["limits"],
        "",
        metadata,
        "",
    ]
    return "\n".join(lines)


def _known(specimens: Sequence[SpecimenRecord]) -> str:
    proposed = sum(one.state is IntakeState.PROPOSED for one in specimens)
    if proposed == len(specimens):
        return "all proposed: nobody has confirmed what is said of them"
    if proposed:
        return f"{proposed} of them proposed: nobody has confirmed what is said of those"
    return "whose standing is known"


def _how_confirmed(second: int, confirmed: int, proposed: int) -> str:
    """Say what the log tells; what the set asks for today says nothing of earlier entries."""
    said = []
    if second:
        said.append(
            "Confirmed by a second person, other than those who entered or changed them: "
            f"{second} of {confirmed}."
        )
    if confirmed - second:
        said.append(f"One person was enough for {confirmed - second} of {confirmed}.")
    if proposed:
        said.append(f"Proposed, confirmed by nobody: {proposed}.")
    return " ".join(said)


def _plain(text: str) -> str:
    escaped = "".join(f"\\{one}" if one in r"\`*_{}[]()#+!<>|~" else one for one in str(text))
    return " ".join(escaped.split())
