"""One serial number on several specimens, or several numbers on one.

That every copy of a number on one item must agree is common practice of the trade, no
source; so is that a part of the number may be repeated, inside a crest say, and a part
agrees with its whole. Numbers are compared without spaces, dots and dashes, in capitals.
"""

from __future__ import annotations

from collections import defaultdict

from loupebook.records.model import SpecimenRecord, Standing
from loupebook.records.serials import plain_serial, whole_numbers
from loupebook.setreport.context import ReportContext
from loupebook.setreport.model import Action, Finding, Section

NAME = "serials"
TITLE = "Serial numbers"


def examine(context: ReportContext) -> Section:
    """Report numbers shared between specimens, and specimens that disagree with themselves."""
    holders: dict[str, list[SpecimenRecord]] = defaultdict(list)
    findings = []
    with_serial = 0
    for specimen in context.specimens:
        read = {plain_serial(serial.value) for serial in specimen.serials} - {""}
        values = whole_numbers(read)
        with_serial += bool(values)
        for value in values:
            holders[value].append(specimen)
        if len(values) > 1:
            findings.append(_disagreeing(specimen))
    shared = [_shared(value, held) for value, held in holders.items() if len(held) > 1]
    return Section(
        NAME,
        TITLE,
        f"{with_serial} specimens have a serial number recorded; {len(shared)} numbers stand on "
        f"several specimens and {len(findings)} specimens bear numbers that disagree.",
        (*shared, *findings),
        figures={
            "specimens_with_serial": with_serial,
            "shared": len(shared),
            "disagreeing": len(findings),
        },
    )


def _shared(value: str, held: list[SpecimenRecord]) -> Finding:
    standings = {specimen.standing for specimen in held}
    names = ", ".join(f"{specimen.name} ({specimen.standing})" for specimen in held)
    if standings == {Standing.FAKE}:
        meaning = "Copies often repeat one number; that is worth knowing, not an error."
    elif len(standings) > 1:
        meaning = "A number of a genuine item on a fake was copied, or a standing is wrong."
    else:
        meaning = "Two genuine items have two numbers: one was misread or entered twice."
    return Finding(
        "shared-serial",
        f"The number {value} stands on {names}. {meaning}",
        Action.OPEN_PAIR,
        tuple(specimen.name for specimen in held),
        weight={1: 0.8, 2: 0.95}[len(standings)] if Standing.GENUINE in standings else 0.4,
        detail={"serial": value, "standings": sorted(map(str, standings))},
    )


def _disagreeing(specimen: SpecimenRecord) -> Finding:
    read = "; ".join(
        f"{serial.value} ({serial.place or 'place not recorded'})" for serial in specimen.serials
    )
    meaning = (
        "That is a mark of a copy, if it was read well."
        if specimen.standing is Standing.FAKE
        else "Every copy of the number on a genuine item must agree: check the reading."
    )
    return Finding(
        "disagreeing-serial",
        f"{specimen.name} ({specimen.standing}) bears numbers that disagree: {read}. {meaning}",
        Action.CHECK_RECORD,
        (specimen.name,),
        weight=0.3 if specimen.standing is Standing.FAKE else 0.7,
    )
