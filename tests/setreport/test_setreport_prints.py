"""The section on prints: what is named, what is kept, what it says where little is known."""

from __future__ import annotations

import sqlite3
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

sys.path.append(str(Path(__file__).parents[1] / "compare"))

from compare_prints import PX_PER_MM, draw_print, small_shot
from test_setreport_report import context_of

from desk_prints import copied
from invented_prints import Item, Shot
from loupebook.compare import LeftOut
from loupebook.errors import PhotoUnreadable
from loupebook.evidence import prints as gathering
from loupebook.evidence.prints import LeftOutPrints
from loupebook.evidence.table import PhotoTable
from loupebook.records.model import Camera, Element, Lighting, SpecimenRecord, Standing
from loupebook.setreport import ReportContext, report_on_set
from loupebook.setreport.departures import NOT_LAID, UNLAID, Judged, judge
from loupebook.setreport.doubts import Doubt, Doubts
from loupebook.setreport.sections import prints

COPY = "G-wrong"


def an_item(name: str, pixels: np.ndarray, standing: Standing = Standing.GENUINE) -> Item:
    record = SpecimenRecord(name, Element.SEAL, standing, marque="Marl", edition="Marl label")
    return Item(record, (Shot(pixels, Lighting.DIFFUSE, Camera("Invented", "One")),))


@pytest.fixture(scope="module")
def context(tmp_path_factory: pytest.TempPathFactory) -> ReportContext:
    item = draw_print(3)
    items = [an_item(f"G-{k}", small_shot(item, 10 + k)) for k in range(3)]
    items.append(an_item(COPY, small_shot(copied(item), 20)))
    items.append(an_item("F-0", small_shot(copied(item), 21), Standing.FAKE))
    made = context_of(tmp_path_factory.mktemp("prints"), items)
    scaled = {k: replace(photo, px_per_mm=PX_PER_MM * 1.2) for k, photo in made.photos.items()}
    return replace(made, photos=scaled)


def test_a_copy_recorded_as_genuine_is_named_and_kept(context: ReportContext) -> None:
    whole = report_on_set(context)
    assert "prints" not in whole.sections  # it takes seconds a photo
    before = whole.sections["label_suspects"].made_from
    slow = report_on_set(context, slow=True)
    # The list of suspects says more once prints were compared.
    assert slow.sections["label_suspects"].made_from != before
    section = slow.sections["prints"]
    assert [finding.specimens for finding in section.findings] == [(COPY,)]
    assert section.findings[0].kind == "print-differs"
    assert section.figures["judged"] == 5
    assert "cannot be learned from this set" in section.summary
    # Once made, it belongs to every report until the set changes, and the work list has it.
    again = report_on_set(context)
    assert again.sections["prints"] == section
    assert any(COPY in finding.specimens for finding in again.sections["work_list"].findings)


def test_what_was_compared_is_not_compared_again(
    context: ReportContext, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = context.left_out
    row = LeftOut(1, "anew", laid=True, z=0.5, differs=("colour",), each={"colour": 3.1})
    anew = LeftOutPrints((row,))
    monkeypatch.setattr(gathering, "_held_out", lambda *_: anew)
    assert replace(context).left_out == first
    path = context.derived / "prints.sqlite"
    path.write_bytes(b"damaged")
    assert replace(context).left_out == anew
    assert replace(context).left_out == anew  # as kept
    # A standing that was changed is another state of that design.
    photo = next(iter(context.facts))
    facts = tuple(
        fact._replace(standing=Standing.FAKE) if k == 0 else fact
        for k, fact in enumerate(context.table.facts)
    )
    monkeypatch.setattr(gathering, "_held_out", lambda *_: LeftOutPrints((), 4))
    changed = replace(context, table=PhotoTable(context.table.photo_ids, facts))
    assert changed.facts[photo].standing is Standing.FAKE
    assert changed.left_out == LeftOutPrints((), 4)
    # What failed is tried again the next time.
    monkeypatch.setattr(gathering, "_held_out", lambda *_: anew)
    assert replace(changed).left_out == anew
    assert kept(changed) == anew


def kept(context: ReportContext) -> LeftOutPrints:
    return gathering.kept_prints(context.folder, context.confirmed, context.photos)


def test_what_is_kept_does_not_hang_on_the_order_of_photos_nor_on_vectors(
    context: ReportContext, monkeypatch: pytest.MonkeyPatch
) -> None:
    gathering.prints_path(context.folder).unlink(missing_ok=True)
    row = LeftOut(1, "G-0", laid=True, z=0.5, differs=(), each={"colour": 0.5})
    monkeypatch.setattr(gathering, "_held_out", lambda *_: LeftOutPrints((row,)))
    whole = replace(context).left_out
    assert whole.rows == (row,)
    monkeypatch.setattr(gathering, "_held_out", lambda *_: pytest.fail("compared again"))
    turned = dict(reversed(list(context.confirmed.items())))
    assert list(turned) != list(context.confirmed)
    assert gathering.kept_prints(context.folder, turned, context.photos) == whole
    few = PhotoTable(context.table.photo_ids[1:], context.table.facts[1:])
    known = replace(context, known=context.facts)
    assert replace(known, table=few, vectors=context.vectors[1:]).left_out == whole


@pytest.mark.parametrize(
    "damage",
    [
        *(b"\xff[]", b"[{]", b"[]", b'{"rows": []}', b'{"unread": [], "rows": [{"each": []}]}'),
        b'{"unread": [], "rows": [{"photo_id": 1, "z": NaN, "each": {}}]}',
    ],
)
def test_a_damaged_row_is_made_anew_and_the_rest_is_kept(
    context: ReportContext, damage: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = replace(context).left_out
    path = gathering.prints_path(context.folder)
    with closing(sqlite3.connect(path)) as store, store:
        store.execute("INSERT INTO prints VALUES ('a state that is gone', '[]')")
        store.execute("UPDATE prints SET rows = CAST(? AS TEXT) WHERE state LIKE '%0%'", (damage,))
    assert kept(context).missing
    monkeypatch.setattr(gathering, "_held_out", lambda *_: whole)
    assert replace(context).left_out == whole
    assert kept(context) == whole
    with closing(sqlite3.connect(path)) as store:
        assert store.execute("SELECT COUNT(*) FROM prints").fetchone() == (1,)


def test_photos_that_cannot_be_read_are_counted_and_tried_again(
    context: ReportContext, monkeypatch: pytest.MonkeyPatch
) -> None:
    held = SimpleNamespace(get=lambda *_: None)
    monkeypatch.setattr(gathering, "ConsensusStore", lambda *_, **__: held)
    monkeypatch.setattr(
        gathering, "each_left_out",
        lambda _, photos, **__: [LeftOut(p.photo_id, p.specimen, True, 0.0) for p in photos],
    )  # fmt: skip
    lost = next(iter(context.photos))

    def partly(photo: int) -> np.ndarray:
        if photo == lost:
            raise PhotoUnreadable("gone")
        return context.read(photo)

    (context.derived / "prints.sqlite").unlink()
    found = replace(context, read=partly).left_out
    assert (found.failed, found.unread) == (1, (lost,))
    assert lost not in {one.photo_id for one in found.rows}
    # The desk has the rest of the design, and nothing is compared again while it stays unread.
    assert kept(context) == found
    with monkeypatch.context() as patch:
        patch.setattr(gathering, "_held_out", lambda *_: pytest.fail("compared again"))
        assert replace(context, read=partly).left_out == found
    whole = replace(context).left_out
    assert whole.failed == 0
    assert lost in {one.photo_id for one in whole.rows}
    # So is what the report says of them.
    for kept_by in ("prints.sqlite", "prints.json"):
        (context.derived / kept_by).unlink(missing_ok=True)
    for read, failed in ((partly, 1), (context.read, 0)):
        found = report_on_set(replace(context, read=read), only=["prints"])
        assert found.sections["prints"].figures["failed"] == failed


def judged(z: float, name: str, *, fake: bool, element: str = "band") -> Judged:
    return Judged(name, element, fake, z, (), (1,), name)


def a_telling_set() -> list[Judged]:
    """Twenty genuine, twenty copies three deviations off, and one of each recorded wrongly."""
    rng = np.random.default_rng(2)
    held = [judged(float(z), f"g{n}", fake=False) for n, z in enumerate(rng.normal(0, 0.7, 20))]
    held += [judged(float(z), f"f{n}", fake=True) for n, z in enumerate(rng.normal(3, 0.7, 20))]
    return [*held, judged(3.2, "copy as genuine", fake=False)]


def test_a_label_that_the_print_speaks_against_has_the_greatest_ratio() -> None:
    told = prints.tellings(a_telling_set())
    against = {one.judged.name: one.against for one in told}
    assert max(against, key=against.__getitem__) == "copy as genuine"
    assert against["copy as genuine"] > 0.7
    assert sorted(against.values())[-2] < 0.5


def test_copies_of_few_presses_support_no_more_than_their_presses() -> None:
    rng = np.random.default_rng(0)
    held = [judged(float(z), f"g{n}", fake=False) for n, z in enumerate(rng.normal(0, 1, 120))]
    for press, centre in enumerate(rng.normal(2, 0.8, 12)):
        held += [
            replace(judged(float(z), f"f{press}-{n}", fake=True), press=f"press {press}")
            for n, z in enumerate(rng.normal(centre, 0.6, 10))
        ]
    # As 120 independent copies they would have borne 1.2.
    assert max(one.log10_lr for one in prints.tellings(held)) < 0.9


def test_prints_come_in_the_order_of_the_one_list(monkeypatch: pytest.MonkeyPatch) -> None:
    def doubt(name: str, against: float) -> Doubt:
        return Doubt(name, "band", name[0] == "f", against, True, against, None, True)

    held = a_telling_set()
    order = [one.name for one in reversed(held)]
    listed = tuple(doubt(name, 2.0 - place) for place, name in enumerate(order))
    monkeypatch.setattr(prints, "judge", lambda *_: held)
    monkeypatch.setattr(prints, "doubtful_standings", lambda _: Doubts(listed, ()))
    section = prints.examine(SimpleNamespace(left_out=LeftOutPrints(()), confirmed={}))
    assert section.figures["order"] == order
    assert section.figures["suspects"] == 1
    assert [row[-1] for row in section.tables[0].rows[:2]] == [True, False]
    assert "is named under “Suspect labels”" in section.summary
    assert section.findings == ()  # the list names, nobody else


def test_elements_whose_prints_tell_nothing_have_no_suspects() -> None:
    rng = np.random.default_rng(4)
    same = [judged(float(z), f"s{n}", fake=n % 2 == 0, element="cap")
            for n, z in enumerate(rng.normal(0, 1, 40))]  # fmt: skip
    names = {one.judged.name for one in prints.tellings([*same, *a_telling_set()])}
    assert not any(name.startswith("s") for name in names)
    assert prints.tellings(a_telling_set()[:25]) == []  # too few copies


def test_a_photo_that_cannot_be_laid_tells_only_where_genuine_ones_could() -> None:
    def fact(edition: str, standing: Standing, marque: str = "Marl") -> SimpleNamespace:
        return SimpleNamespace(
            edition=edition, view="face", lighting="diffuse", standing=standing, element="band",
            origin=None, marque=marque,
        )  # fmt: skip

    facts = {
        1: fact("firm", Standing.GENUINE), 2: fact("firm", Standing.FAKE),
        3: fact("loose", Standing.GENUINE), 4: fact("loose", Standing.FAKE),
        5: fact("firm", Standing.GENUINE, "Namesake"),
    }  # fmt: skip
    photos = [
        LeftOut(1, "a", laid=True, z=0.1, others=2), LeftOut(2, "b", laid=False, z=None, others=2),
        LeftOut(3, "c", laid=False, z=None, others=2), LeftOut(4, "d", False, None, others=2),
        LeftOut(5, "e", laid=False, z=None, others=2),
    ]  # fmt: skip
    # Of bands nearly all genuine ones can be laid.
    usual = range(10, 30)
    facts |= {number: fact("usual", Standing.GENUINE) for number in usual}
    laid = [LeftOut(number, f"u{number}", laid=True, z=None, others=2) for number in usual]
    context = SimpleNamespace(confirmed=facts)
    judged = {one.name: one for one in judge(context, [*photos, *laid])}
    # The only loose genuine one is told by the others of its design, of which there are none;
    # that of another maker's design of the same name takes nothing from "b".
    assert {name: one.z for name, one in judged.items()} == {
        "a": 0.1, "b": UNLAID, "c": UNLAID, "e": UNLAID,
    }  # fmt: skip
    assert judged["b"].differs == (NOT_LAID,)
    assert judge(context, []) == []
    # Where hardly any can, as of rolled heads, one that cannot says nothing.
    assert {one.name for one in judge(context, photos)} == {"a"}


def test_copies_without_a_recorded_press_count_as_those_of_one() -> None:
    def copy(origin: str | None) -> SimpleNamespace:
        return SimpleNamespace(standing=Standing.FAKE, element="band", origin=origin)

    facts = {1: copy(None), 2: copy(None), 3: copy("press")}
    photos = [LeftOut(number, f"f{number}", laid=True, z=3.0, others=2) for number in facts]
    one, other, known = judge(SimpleNamespace(confirmed=facts), photos)
    assert one.press == other.press != known.press


def test_prints_held_against_one_specimen_alone_do_not_count() -> None:
    fact = SimpleNamespace(standing=Standing.GENUINE, element="band", origin=None)
    facts = dict.fromkeys(range(3), fact)
    photos = [LeftOut(n, f"s{n}", laid=True, z=3.5, differs=("colour",), others=n) for n in facts]
    assert [one.name for one in judge(SimpleNamespace(confirmed=facts), photos)] == ["s2"]


def test_what_is_usual_at_a_number_of_others_is_taken_off() -> None:
    fact = SimpleNamespace(standing=Standing.GENUINE, element="band", origin=None)
    facts = dict.fromkeys(range(22), fact)
    # Against two others genuine prints seem to depart by 1, against many by 0.
    photos = [
        LeftOut(n, f"s{n}", laid=True, z=float(n < 11), others=2 if n < 11 else 4 + n % 3)
        for n in facts
    ]
    judged = judge(SimpleNamespace(confirmed=facts), photos)
    assert [one.z for one in judged] == [0.0] * 22
    few = judge(SimpleNamespace(confirmed=facts), photos[:5])
    assert [one.z for one in few] == [1.0] * 5  # too few to learn from


def test_no_figure_goes_beyond_what_the_specimens_support() -> None:
    told = prints.tellings(a_telling_set())
    assert max(abs(one.log10_lr) for one in told) <= np.log10(22)


def test_nothing_to_compare_says_what_it_takes(tmp_path: Path) -> None:
    only = context_of(tmp_path, [an_item("G-0", small_shot(draw_print(3), 10))])
    section = report_on_set(only, only=["prints"]).sections["prints"]
    assert not section.findings
    assert "two genuine specimens" in section.summary
