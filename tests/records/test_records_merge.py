from __future__ import annotations

from dataclasses import replace

import pytest
from records_material import specimen_of

from loupebook.errors import RecordConflict
from loupebook.records.merge import merge_records
from loupebook.records.model import Element, Provenance, Serial, Standing


def test_missing_fields_are_filled_in() -> None:
    recorded = specimen_of("A", marque="Aldaria", notes="first")
    offered = specimen_of(
        "A",
        edition="1998",
        provenance=Provenance(source="the maker"),
        serials=(Serial("77"),),
        notes="second",
    )
    merged = merge_records(recorded, offered)
    assert merged.record.marque == "Aldaria"
    assert merged.record.edition == "1998"
    assert merged.record.provenance.source == "the maker"
    assert merged.record.notes == "first\nsecond"
    assert merged.filled == ("edition", "source", "serial", "notes")


def test_merging_the_same_again_changes_nothing() -> None:
    offered = specimen_of("A", origin="P1", serials=(Serial("1", "left"),), notes="a\nb\na")
    once = merge_records(specimen_of("A", notes="b"), offered)
    again = merge_records(once.record, offered)
    assert again.record == once.record
    assert again.filled == ()


@pytest.mark.parametrize(
    ("field", "change"),
    [
        ("element", {"element": Element.CAP}),
        ("standing", {"standing": Standing.FAKE}),
        ("marque", {"marque": "Other"}),
        ("edition", {"edition": "Other"}),
        ("origin", {"origin": "Other"}),
        ("source", {"provenance": Provenance(source="Other")}),
        ("confirmed_by", {"provenance": Provenance(confirmed_by="Other")}),
        ("confirmed_on", {"provenance": Provenance(confirmed_on="2020-01-01")}),
        ("basis", {"provenance": Provenance(basis="Other")}),
    ],
)
def test_a_contradiction_names_field_and_both_values(field: str, change: dict[str, object]) -> None:
    recorded = specimen_of(
        "A",
        marque="M",
        edition="E",
        origin="O",
        provenance=Provenance("S", "C", "2019-01-01", "B"),
    )
    with pytest.raises(RecordConflict, match="'A' is recorded as") as caught:
        merge_records(recorded, replace(recorded, **change))
    assert caught.value.field == field
