"""Whole reports on small drawn sets whose truth is known, without an encoder."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from drawn_prints import as_bytes, draw_print
from invented_prints import Item, encoded, invented_items, record_items
from loupebook.errors import LoupebookError, PhotoUnreadable, RecordInvalid
from loupebook.evidence.set_calibration import HeldOut
from loupebook.evidence.table import PhotoTable
from loupebook.imaging import check_photo, decode_photo
from loupebook.library.report_paper import report_pdf
from loupebook.records.catalogue import Catalogue
from loupebook.records.model import (
    Camera,
    Element,
    IntakeState,
    Lighting,
    PhotoFacts,
    Serial,
    SetInfo,
    SpecimenRecord,
    Standing,
    View,
)
from loupebook.records.serials import plain_serial, whole_numbers
from loupebook.search import Pending
from loupebook.setreport import SECTIONS, ReportContext, SetReport, render_html, report_on_set
from loupebook.setreport.model import Action, Finding, Section
from loupebook.setreport.report import SLOW
from loupebook.setreport.sections import (
    calibration,
    confounds,
    coverage,
    label_suspects,
    photo_quality,
    standing_conflicts,
    work_list,
)

NAMES = [
    "coverage", "duplicates", "serials", "standing_conflicts", "leakage", "label_suspects",
    "confounds", "retrieval", "calibration", "photo_quality", "stale", "work_list",
]  # fmt: skip


def plain_vectors(catalogue: Catalogue, ids: Iterable[int]) -> np.ndarray:
    """A stand-in for an encoder: the picture itself, small, its mean taken off."""
    rows = []
    for photo in ids:
        pixels = decode_photo(catalogue.photo_bytes(photo)).pixels
        middle = pixels[60:-60:12, 60:-60:12].astype(np.float32).ravel()[:1500]
        rows.append(np.resize(middle - middle.mean(), 1500))
    held = np.array(rows, dtype=np.float32).reshape(-1, 1500)
    return held / (np.linalg.norm(held, axis=1, keepdims=True) + 1e-9)


def context_of(folder: Path, items: list[Item], **changes) -> ReportContext:
    folder.mkdir(parents=True, exist_ok=True)
    with Catalogue.create(folder / "set", name="drawn", notice="Drawn, not real") as catalogue:
        record_items(catalogue, items)
        facts = catalogue.facts()
        sources = {p: catalogue.photo_bytes(p) for p in facts}
        context = ReportContext(
            folder=folder / "set",
            info=catalogue.info(),
            specimens=tuple(catalogue.specimens()),
            photos={p.photo_id: p for p in catalogue.photos()},
            table=PhotoTable.of(facts, list(facts)),
            vectors=plain_vectors(catalogue, facts),
            encoder="plain@0",
            fingerprint="0" * 64,
            read=lambda photo: decode_photo(sources[photo]).pixels,
        )
    return replace(context, **changes)


def kinds(report: SetReport, section: str) -> set[str]:
    return {finding.kind for finding in report.sections[section].findings}


@pytest.fixture(scope="module")
def items() -> list[Item]:
    return invented_items(editions=4, genuine=6, presses=2, fakes=3, seed=1)


@pytest.fixture(scope="module")
def clean(items: list[Item], tmp_path_factory: pytest.TempPathFactory) -> ReportContext:
    return context_of(tmp_path_factory.mktemp("clean"), items)


@pytest.fixture(scope="module")
def report(clean: ReportContext) -> SetReport:
    return report_on_set(clean)


def test_one_top_level_key_a_section_and_plain_json(report: SetReport) -> None:
    stored = report.to_dict()
    assert list(stored) == NAMES
    again = json.loads(json.dumps(stored, allow_nan=False))
    for section in again.values():
        assert section["summary"]
        assert section["made_from"]["set_version"] == report.set_version
        for finding in section["findings"]:
            assert {"kind", "says", "action", "specimens", "photos", "weight"} <= set(finding)


def test_clean_set_has_no_false_findings(report: SetReport) -> None:
    for name in ("duplicates", "serials", "standing_conflicts", "leakage", "confounds", "stale"):
        assert report.sections[name].findings == (), name


def test_findings_come_worst_first(report: SetReport) -> None:
    for name, section in report.sections.items():
        if name != "work_list":
            weights = [finding.weight for finding in section.findings]
            assert weights == sorted(weights, reverse=True)
    gains = report.sections["work_list"].figures["gains"]
    assert gains == sorted(gains, reverse=True)


def test_counts_are_of_specimens(report: SetReport, items: list[Item]) -> None:
    figures = report.sections["coverage"].figures
    assert figures["specimens"] == len(items) == 48
    assert figures["photos"] == 96
    assert (figures["genuine"], figures["fake"]) == (24, 24)
    assert report.sections["retrieval"].figures["same_edition"]["specimens"] == 48


def test_photo_quality_names_what_was_found_in_words(clean: ReportContext) -> None:
    coarse = check_photo(np.full((300, 400, 3), 128, np.uint8), px_per_mm=1.0)
    photo = next(iter(clean.photos))
    photos = {**clean.photos, photo: replace(clean.photos[photo], check=coarse.to_json())}
    (table,) = photo_quality.examine(replace(clean, photos=photos)).tables
    found = {row[0]: row[1] for row in table.cells}
    assert found["the item too small in it"] == "grave fault"
    assert not set(found) & {one.code for one in coarse.findings}


def test_planted_faults_are_found(items: list[Item], tmp_path: Path) -> None:
    changed = list(items)
    # The same pixels under another specimen, and a re-saved picture under its own.
    changed[1] = replace(changed[1], shots=(*changed[1].shots, changed[0].shots[0]))
    poor = decode_photo(encoded(items[2].shots[0].pixels, quality=60)).pixels
    changed[2] = replace(
        changed[2], shots=(*changed[2].shots, replace(changed[2].shots[0], pixels=poor))
    )
    # A serial of a genuine specimen on a fake one; one that disagrees with itself.
    fake = next(i for i, item in enumerate(changed) if item.record.standing is Standing.FAKE)
    for i in (4, fake):
        changed[i] = replace(
            changed[i], record=replace(changed[i].record, serials=(Serial("AB-12 34"),))
        )
    changed[5] = replace(
        changed[5],
        record=replace(changed[5].record, serials=(Serial("1", "left"), Serial("2", "right"))),
    )
    # A lighting that one edition lacks, and one camera for all fakes.
    last = changed[-1].record.edition
    changed = [
        replace(
            item,
            shots=tuple(
                replace(s, camera=Camera("Invented", "Only"))
                if item.record.standing is Standing.FAKE
                else s
                for s in item.shots
                if not (item.record.edition == last and s.lighting is Lighting.UV_A)
            ),
        )
        for item in changed
    ]
    found = report_on_set(context_of(tmp_path, changed))
    pairs = {(f.kind, f.specimens) for f in found.sections["duplicates"].findings}
    names = [item.record.name for item in changed]
    assert pairs == {
        ("exact-duplicate", (names[0], names[1])),
        ("near-duplicate", (names[2],)),
    }
    assert kinds(found, "serials") == {"shared-serial", "disagreeing-serial"}
    assert kinds(found, "standing_conflicts") == {"serial-under-two-standings"}
    assert [f.specimens for f in found.sections["leakage"].findings] == [(names[0], names[1])]
    missing = [f for f in found.sections["coverage"].findings if f.kind == "missing-shot"]
    assert [f.detail["lighting"] for f in missing] == ["uv-a"]
    assert last in missing[0].detail["edition"]
    assert "confound-camera" in kinds(found, "confounds")
    listed = found.sections["work_list"].findings
    assert {f.action for f in listed} >= {"merge", "open the pair", "photograph", "re-photograph"}


def test_stale_state_is_reported_with_its_photos(clean: ReportContext) -> None:
    pending = {"embedding": Pending(to_add=frozenset({3}), to_withdraw=frozenset({9}))}
    found = report_on_set(replace(clean, pending=pending), only=["stale"])
    assert found.sections["stale"].findings[0].photos == (3, 9)
    assert found.sections["stale"].summary.endswith("brought it up to date.")
    lost = replace(clean, pending=pending, **without(clean, 3))
    found = report_on_set(lost, only=["stale"])
    assert "up to date but for 1 that could not be encoded" in found.sections["stale"].summary
    section = report_on_set(replace(clean, pending=pending), only=["stale"]).sections["stale"]
    assert not work_list.examine_sections(clean, {"stale": section}).findings  # it is mended
    damaged = {"embedding": Pending(damage="torn")}
    found = report_on_set(replace(clean, pending=damaged), only=["stale"])
    assert kinds(found, "stale") == {"damaged-encodings"}


@pytest.mark.parametrize(
    ("upper", "says"), [(0.13, "support no LR above 1.3,"), (1.2, "rule of 3")]
)
def test_no_praise_for_misleading_nobody_where_nothing_could(upper: float, says: str) -> None:
    genuine = np.repeat([True, False], 12)
    ratios = np.where(genuine, -0.1, 0.1)
    held = HeldOut(ratios, genuine, np.ones(24), tuple(range(24)))
    fit = SimpleNamespace(lower=-upper, upper=upper, copy_units=12)
    assert says in calibration._statement("seal", "known", held, fit)


def test_work_for_an_element_gains_by_the_specimens_of_that_element(clean: ReportContext) -> None:
    def asked(element: str) -> Section:
        finding = Finding("few", "x", Action.COLLECT, weight=0.5, detail={"element": element})
        return Section("calibration", "Calibration", "x", (finding,))

    share = np.mean([one.element == "band" for one in clean.specimens])
    assert 0 < share <= 1
    gains = [
        work_list.examine_sections(clean, {"calibration": asked(element)}).figures["gains"][0]
        for element in ("band", "no such")
    ]
    assert gains == pytest.approx([0.5 * (1 + share), 0.5])


def without(context: ReportContext, lost: int) -> dict[str, object]:
    """The table and vectors of a set of which one photo could not be encoded."""
    kept = context.table.photo_ids != lost
    return {"table": context.table.take(np.flatnonzero(kept)), "vectors": context.vectors[kept]}


@pytest.mark.parametrize("seen_before", [False, True])
def test_what_was_missed_while_a_photo_could_not_be_read_is_found_once_it_can(
    items: list[Item], tmp_path: Path, seen_before: bool
) -> None:
    fake = next(item for item in items if item.record.standing is Standing.FAKE)
    resaved = decode_photo(encoded(items[0].shots[0].pixels, quality=60)).pixels
    fake = replace(fake, shots=(replace(fake.shots[0], pixels=resaved),))
    context = context_of(tmp_path, [replace(items[0], shots=items[0].shots[:1]), fake])
    if seen_before:
        replace(context).traits  # noqa: B018  kept from now on

    def away(photo: int) -> np.ndarray:
        if photo == 2:
            raise PhotoUnreadable("planted")
        return context.read(photo)

    for _ in range(2):
        found = report_on_set(replace(context, read=away), only=["standing_conflicts"])
        assert not found.sections["standing_conflicts"].findings
    found = report_on_set(replace(context), only=["standing_conflicts"])
    assert kinds(found, "standing_conflicts") == {"picture-under-two-standings"}


def refuse(*_: object) -> None:
    raise AssertionError("must not be called")


def test_calibration_that_says_nothing_is_said_and_not_plotted(report: SetReport) -> None:
    # Small drawn pictures taken as they are do not tell copies from genuine prints.
    section = report.sections["calibration"]
    assert "no better than by chance" in section.summary
    assert section.plots == ()


def test_kept_sections_are_not_made_again(clean: ReportContext, report: SetReport) -> None:
    def no_reading(photo: int) -> np.ndarray:
        raise AssertionError("must not be read")

    again = report_on_set(replace(clean, read=no_reading))
    assert again.to_dict() == report.to_dict()
    assert [p.png for p in again.sections["calibration"].plots] == [
        p.png for p in report.sections["calibration"].plots
    ]


@pytest.mark.parametrize("change", ["version", "encoder", "vectors", "judge", "damage", "cut"])
def test_kept_section_of_another_state_is_made_again(
    clean: ReportContext,
    report: SetReport,
    change: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    moved = replace(clean, folder=tmp_path)
    report_on_set(moved, only=["serials"])
    kept = moved.derived / "serials.json"
    before = kept.read_bytes()
    other = moved
    if change == "version":
        other = replace(moved, info=replace(moved.info, change_counter=10_000))
    elif change == "encoder":
        other = replace(moved, encoder="other@1")
    elif change == "vectors":
        other = replace(moved, **without(moved, 1))
    elif change == "judge":
        monkeypatch.setattr("loupebook.setreport.report.judged_by", lambda: "other weights")
    elif change == "damage":
        kept.write_bytes(before.replace(b"Serial numbers", b"Serial Numbers"))
    else:
        kept.write_bytes(before[:40])
    found = report_on_set(other, only=["serials"])
    assert found.sections["serials"].title == "Serial numbers"
    assert found.sections["serials"].made_from["set_version"] == other.info.change_counter
    assert (kept.read_bytes() == before) == (change in ("damage", "cut"))


def test_stopped_report_goes_on(items: list[Item], tmp_path: Path) -> None:
    read: list[int] = []
    context = context_of(tmp_path, items)

    def counted(photo: int) -> np.ndarray:
        read.append(photo)
        return context.read(photo)

    def stop(what: str, done: int, total: int) -> None:
        if what == "Looking at photos":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        report_on_set(replace(context, read=counted, progress=stop))
    assert len(read) == 64
    report_on_set(replace(context, read=counted), only=["confounds"])
    assert len(read) == len(context.photos)


def test_damaged_caches_are_made_again(items: list[Item], tmp_path: Path) -> None:
    context = context_of(tmp_path, items[:6])
    first = report_on_set(context, only=["duplicates"])
    for name in ("traits.sqlite", "pairs.sqlite"):
        (context.derived / name).write_bytes(b"not a database at all")
    (context.derived / "duplicates.json").unlink()
    assert report_on_set(replace(context), only=["duplicates"]).to_dict() == first.to_dict()


def test_unreadable_photo_does_not_stop_the_report(items: list[Item], tmp_path: Path) -> None:
    context = context_of(tmp_path, items[:6])

    def half_blind(photo: int) -> np.ndarray:
        if photo == 1:
            raise PhotoUnreadable("planted")
        return context.read(photo)

    found = report_on_set(replace(context, read=half_blind))
    assert list(found.sections) == NAMES


def noise(rng: np.random.Generator, shape: tuple[int, ...]) -> np.ndarray:
    rows = rng.normal(size=shape).astype(np.float32)
    return rows / np.linalg.norm(rows, axis=1, keepdims=True)


def test_editions_that_nothing_tells_apart_are_one_finding(
    clean: ReportContext, tmp_path: Path
) -> None:
    rng = np.random.default_rng(0)
    vectors = noise(rng, clean.vectors.shape)
    found = report_on_set(replace(clean, folder=tmp_path, vectors=vectors), only=["retrieval"])
    (finding,) = found.sections["retrieval"].findings
    assert finding.kind == "weak-element"
    assert "hardly told apart" in finding.says


def test_one_edition_that_is_not_found_is_named(clean: ReportContext, tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    editions = [fact.edition for fact in clean.table.facts]
    names = sorted(set(editions))
    centres = dict(zip(names, noise(rng, (len(names), 64)), strict=True))
    lost, *others = names
    shown = [others[n % len(others)] if e == lost else e for n, e in enumerate(editions)]
    vectors = np.stack([centres[edition] for edition in shown])
    away = [edition == lost for edition in editions]
    vectors[away] += 0.3 * noise(rng, (sum(away), 64))
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    context = replace(clean, folder=tmp_path, vectors=vectors)
    found = report_on_set(context, only=["retrieval"])
    (finding,) = found.sections["retrieval"].findings
    assert finding.kind == "weak-edition"
    assert str(finding.detail["edition"]).endswith(lost)


def test_unknown_section_is_refused_with_the_known_ones(clean: ReportContext) -> None:
    with pytest.raises(RecordInvalid, match="work_list"):
        report_on_set(clean, only=["horoscope"])


@pytest.mark.parametrize(
    "shape",
    [
        {"editions": 1, "genuine": 2, "presses": 1, "fakes": 1},
        {"editions": 1, "genuine": 4, "presses": 0},
        {"editions": 1, "genuine": 0, "presses": 1, "fakes": 4},
        {"editions": 1, "genuine": 1, "presses": 0},
    ],
)
def test_thin_sets_get_sensible_words(shape: dict[str, int], tmp_path: Path) -> None:
    items = invented_items(lightings=(Lighting.DIFFUSE,), **shape)
    found = report_on_set(context_of(tmp_path, items))
    assert found.sections["calibration"].tables == ()
    assert "No likelihood ratio" in found.sections["calibration"].summary
    assert "too-few-units" in kinds(found, "calibration")
    json.dumps(found.to_dict(), allow_nan=False)
    render_html(found)


def test_empty_set_gets_a_report(tmp_path: Path) -> None:
    found = report_on_set(context_of(tmp_path, []))
    assert list(found.sections) == NAMES
    json.dumps(found.to_dict(), allow_nan=False)
    render_html(found)


class Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


def test_page_needs_nothing_else_and_every_picture_has_words(
    clean: ReportContext, tmp_path: Path
) -> None:
    # Vectors by which standings are told apart, so that there is something to plot.
    rng = np.random.default_rng(0)
    fakes = clean.table.fake[:, None]
    vectors = noise(rng, clean.vectors.shape) + 0.7 * np.where(fakes, 1, -1) * noise(rng, (1, 1500))
    vectors = (vectors / np.linalg.norm(vectors, axis=1, keepdims=True)).astype(np.float32)
    report = report_on_set(replace(clean, folder=tmp_path, vectors=vectors))
    text = render_html(report, thumbnail=lambda photo: b"jpeg")
    page = Page()
    page.feed(text)
    assert [a["id"] for tag, a in page.tags if tag == "section"] == NAMES
    pictures = [a for tag, a in page.tags if tag == "img"]
    assert pictures
    for picture in pictures:
        assert picture["alt"]
        assert (picture["src"] or "").startswith("data:image/")
    assert "http" not in text.replace("http://www.w3.org", "")
    assert not any(tag in ("script", "link", "iframe") for tag, _ in page.tags)
    assert "Drawn, not real" in text


def test_a_set_with_uv_photos_is_reported_with_cautions(report: SetReport) -> None:
    caution = "never look into the lamp"
    assert caution in render_html(report)
    assert caution in _on_paper(report)
    without = replace(report, holds_uv=False)
    assert caution not in render_html(without)
    assert caution not in _on_paper(without)
    for text in (render_html(without), _on_paper(without)):
        assert "good copies lie near" in text


def _on_paper(report: SetReport) -> str:
    pdfium = pytest.importorskip("pypdfium2", reason="pypdfium2 is not installed (extra 'test')")
    info = SetInfo("id", "A set", "2026-01-01T00:00:00Z", 1, notice=None)
    pdf = report_pdf(report, info=info, thumbnail=lambda photo: as_bytes(draw_print(1), "JPEG"))
    pages = pdfium.PdfDocument(pdf)
    return " ".join(" ".join(p.get_textpage().get_text_range().split()) for p in pages)


def test_names_in_the_page_are_escaped(items: list[Item], tmp_path: Path) -> None:
    sharp = items[0].named("<script>alert(1)</script>")
    found = report_on_set(context_of(tmp_path, [sharp, items[1]]))
    assert "<script>" not in render_html(found)


def test_thumbnail_that_cannot_be_made_is_said(items: list[Item], tmp_path: Path) -> None:
    def broken(photo: int) -> bytes:
        raise LoupebookError("gone")

    twice = replace(items[1], shots=(items[0].shots[0],))
    found = report_on_set(context_of(tmp_path, [items[0], twice]))
    assert "cannot be shown" in render_html(found, thumbnail=broken)


def test_every_section_stands_in_a_file_of_its_name() -> None:
    folder = Path(__file__).parents[2] / "src" / "loupebook" / "setreport" / "sections"
    files = {path.stem for path in folder.glob("*.py")} - {"__init__"}
    assert files == {*NAMES, *SLOW}
    assert [name for name in SECTIONS if name not in SLOW] == NAMES[:-1]


@pytest.mark.parametrize(
    ("read", "disagree"),
    [
        (("TE 58021693", "TE58021693", "1693"), False),  # the crest repeats a part
        (("TE 58021693", "TE 58021639", "1693"), True),
        (("TE 58021693", "1694"), True),
    ],
)
def test_a_part_of_a_serial_number_agrees_with_its_whole(
    read: tuple[str, ...], disagree: bool
) -> None:
    assert (len(whole_numbers({plain_serial(one) for one in read})) > 1) is disagree


def told_apart(context: ReportContext) -> ReportContext:
    """The same set with vectors by which the standings lie far apart."""
    rng = np.random.default_rng(0)
    sides = np.where(context.table.fake[:, None], 1, -1) * noise(rng, (1, 64))
    vectors = noise(rng, (len(context.table), 64)) + 5 * sides
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    return replace(context, vectors=vectors.astype(np.float32))


def test_a_set_that_is_told_without_fail_is_not_badly_set(
    clean: ReportContext, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(calibration, "validation_plots", lambda *_, **__: [])
    section = calibration.examine(told_apart(clean))
    lost = section.figures["band"]["unseen"]
    assert lost["cllr_min"] == 0
    assert lost["loss"] > calibration.GREATEST_LOSS
    assert "calibration-loss" not in {finding.kind for finding in section.findings}
    assert "cautious" in section.summary


def drawn_facts(standings: Iterable[Standing], *, editions: bool) -> PhotoTable:
    """A photo a specimen, each of an edition of its own or all of one; eight presses."""
    facts = {
        number: PhotoFacts(
            f"S-{number}", Element.BAND, standing, "M", f"E-{number}" if editions else "E",
            f"press {number % 8}" if standing is Standing.FAKE else None, View.FACE,
            Lighting.DIFFUSE, IntakeState.CONFIRMED,
        )
        for number, standing in enumerate(standings)
    }  # fmt: skip
    return PhotoTable.of(facts, list(facts))


@pytest.mark.parametrize("editions", [False, True])
def test_what_is_needed_to_tell_whether_anything_is_close_is_not_asked_of_genuine_ones(
    clean: ReportContext, monkeypatch: pytest.MonkeyPatch, editions: bool
) -> None:
    monkeypatch.setattr(calibration, "validation_plots", lambda *_, **__: [])
    table = drawn_facts([Standing.GENUINE] * 12 + [Standing.FAKE] * 12, editions=editions)
    section = calibration.examine(told_apart(replace(clean, table=table)))
    missing = [(f.detail["what"], f.detail["have"]) for f in section.findings
               if f.kind == "too-few-units"]  # fmt: skip
    alone = [("specimens that have another of their edition", 0)]
    assert missing == (alone if editions else [])


def test_every_missing_shot_is_work_by_itself(clean: ReportContext) -> None:
    lacking = clean.specimens[0].edition
    lights = [*Lighting][:4]
    photos = {}
    for specimen in clean.specimens:
        (first, *_) = clean.photos_of[specimen.name]
        for light in lights[:1] if specimen.edition == lacking else lights:
            photos[len(photos)] = replace(first, photo_id=len(photos), lighting=light)
    context = replace(clean, photos=photos)
    section = coverage.examine(context)
    listed = work_list.examine_sections(context, {"coverage": section}).findings
    assert len([f for f in listed if f.kind == "missing-shot"]) == 3
    assert {f.says for f in listed} == {f.says for f in section.findings}


def test_a_number_that_is_only_a_part_of_others_is_no_conflict(clean: ReportContext) -> None:
    genuine, fake = (
        next(s for s in clean.specimens if s.standing is standing) for standing in Standing
    )
    numbers = {genuine.name: "AB 123456", fake.name: "ZZ 999956"}
    both = tuple(
        replace(one, serials=(Serial(numbers[one.name]), Serial("56", "crest")))
        for one in (genuine, fake)
    )
    assert not standing_conflicts.examine(replace(clean, specimens=both)).findings


def test_a_likelier_edition_of_another_element_is_named_with_it() -> None:
    specimen = SpecimenRecord("S", Element.SEAL, Standing.GENUINE, marque="M", edition="E")
    words = label_suspects._edition_words
    assert words(specimen, (Element.BAND, "M", "E")) == ("M E (seal)", "M E (band)")
    assert words(specimen, (Element.SEAL, "M", "F")) == ("M E", "M F")


def test_what_one_standing_alone_cannot_tell_is_not_said_to_be_the_same_throughout(
    clean: ReportContext,
) -> None:
    genuine = tuple(s for s in clean.specimens if s.standing is Standing.GENUINE)
    (table,) = confounds.examine(replace(clean, specimens=genuine)).tables
    said = {row[0]: row[1] for row in table.cells}
    assert said["camera"] == "could not be tested"
    assert said["file type"] == "does not vary"
