"""Random stories of adding, confirming, withdrawing and reinstating, against a plain model."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterable
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule
from records_material import photo_of, specimen_of

from loupebook.errors import RecordConflict, RecordNotFound
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import IntakeState, Standing
from loupebook.records.photo_store import digest

NAMES = st.sampled_from(["A", "B", "../C", "🙂"])
PHOTOS = st.lists(st.integers(0, 5), max_size=3)
DIGESTS = {number: digest(photo_of(number).data) for number in range(6)}


class Known:
    """A specimen as the model has it."""

    def __init__(self, standing: Standing, marque: str | None, state: IntakeState) -> None:
        self.standing, self.marque, self.state = standing, marque, state
        self.before = state
        self.photos: list[int] = []
        self.by_me = False

    @property
    def confirmed_by_me(self) -> bool:
        return self.state is IntakeState.CONFIRMED and self.by_me


class Story(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.catalogue = Catalogue.create(self.folder / "set", name="S")
        self.known: dict[str, Known] = {}
        self.changes = 0

    def teardown(self) -> None:
        self.catalogue.close()
        shutil.rmtree(self.folder)

    def owner(self, photo: int) -> str | None:
        return next((name for name, known in self.known.items() if photo in known.photos), None)

    def refused(self, name: str, standing: Standing, marque: str | None, photos: list[int]) -> bool:
        if any(self.owner(photo) not in (None, name) for photo in photos):
            return True
        known = self.known.get(name)
        if known is None:
            return False
        new = marque is not None and known.marque is None
        new = new or any(photo not in known.photos for photo in photos)
        return (
            known.standing is not standing
            or (marque is not None and known.marque not in (None, marque))
            or (known.state is IntakeState.WITHDRAWN and new)
        )

    @rule(
        name=NAMES,
        standing=st.sampled_from([Standing.GENUINE, Standing.GENUINE, Standing.FAKE]),
        marque=st.sampled_from([None, "M", "N"]),
        state=st.sampled_from([IntakeState.CONFIRMED, IntakeState.PROPOSED]),
        photos=PHOTOS,
        dry_run=st.sampled_from([False, False, False, True]),
    )
    def add(
        self,
        name: str,
        standing: Standing,
        marque: str | None,
        state: IntakeState,
        photos: list[int],
        dry_run: bool,
    ) -> None:
        record = specimen_of(name, standing=standing, marque=marque, state=state)
        pictures = [photo_of(photo) for photo in photos]
        if self.refused(name, standing, marque, photos):
            with pytest.raises(RecordConflict):
                self.catalogue.add_specimen(record, pictures, by="me", dry_run=dry_run)
            return
        outcome = self.catalogue.add_specimen(record, pictures, by="me", dry_run=dry_run)
        known = self.known.get(name)
        fresh = [p for p in dict.fromkeys(photos) if known is None or p not in known.photos]
        filled = known is not None and marque is not None and known.marque is None
        assert outcome.created == (known is None)
        assert len(outcome.new_photo_ids) == len(fresh)
        assert outcome.filled == (("marque",) if filled else ())
        assert [photo.sha256 for photo in outcome[1]] == [DIGESTS[photo] for photo in photos]
        if dry_run:
            return
        self.changes += outcome.changed
        if known is None:
            known = self.known[name] = Known(standing, marque, state)
        known.marque = known.marque or marque
        known.photos += fresh

    @rule(name=NAMES)
    def confirm(self, name: str) -> None:
        known = self.known.get(name)
        if known is None:
            with pytest.raises(RecordNotFound):
                self.catalogue.confirm(name, by="me")
        elif known.state is not IntakeState.PROPOSED and not known.confirmed_by_me:
            with pytest.raises(RecordConflict):
                self.catalogue.confirm(name, by="me")
        else:
            self.catalogue.confirm(name, by="me")
            self.changes += known.state is IntakeState.PROPOSED
            known.by_me = True
            known.state = IntakeState.CONFIRMED

    @rule(name=NAMES)
    def withdraw(self, name: str) -> None:
        known = self.known.get(name)
        if known is None:
            with pytest.raises(RecordNotFound):
                self.catalogue.withdraw(name, by="me", reason="r")
            return
        self.catalogue.withdraw(name, by="me", reason="r")
        if known.state is not IntakeState.WITHDRAWN:
            self.changes += 1
            known.before, known.state = known.state, IntakeState.WITHDRAWN

    @rule(name=NAMES)
    def reinstate(self, name: str) -> None:
        known = self.known.get(name)
        if known is None:
            with pytest.raises(RecordNotFound):
                self.catalogue.reinstate(name, by="me")
            return
        self.catalogue.reinstate(name, by="me")
        if known.state is IntakeState.WITHDRAWN:
            self.changes += 1
            known.state = known.before

    @rule()
    def reopen(self) -> None:
        self.catalogue.close()
        self.catalogue = Catalogue.open(self.folder / "set")

    def digests(self, of: Iterable[Known]) -> set[str]:
        return {DIGESTS[photo] for known in of for photo in known.photos}

    @invariant()
    def catalogue_and_model_agree(self) -> None:
        recorded = {record.name: record for record in self.catalogue.specimens()}
        assert recorded.keys() == self.known.keys()
        for name, known in self.known.items():
            found = recorded[name]
            assert (found.standing, found.marque, found.state) == (
                known.standing,
                known.marque,
                known.state,
            )
            held = [photo.sha256 for photo in self.catalogue.photos(name)]
            assert held == [DIGESTS[photo] for photo in known.photos]
        confirmed = [k for k in self.known.values() if k.state is IntakeState.CONFIRMED]
        indexable = self.catalogue.indexable()
        assert set(indexable.values()) == self.digests(confirmed)
        assert self.catalogue.facts().keys() == indexable.keys()
        assert self.catalogue.info().change_counter == self.changes
        assert len(self.catalogue.events()) == self.changes
        report = self.catalogue.verify()
        assert report.ok
        assert report.leftovers == ()


TestStory = Story.TestCase
TestStory.settings = settings(max_examples=10, stateful_step_count=20, deadline=None)
