"""The benchmark end to end on small cases."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import click
import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from invented_prints import draw_edition
from loupebook.bench import BenchCase, BenchQuery, BenchReference, photo_case, picture_case
from loupebook.bench.cases import FILLS, frame_share, share_words
from loupebook.bench.methods import ArmsMethod, Method, SiftMethod, by_hash, by_histogram
from loupebook.bench.retrieval import run_bench, table_of
from loupebook.cli import app
from loupebook.errors import BenchInvalid
from loupebook.imaging import decode_photo
from loupebook.search.local.arm import LocalArm


@pytest.fixture(scope="module")
def prints(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("prints")
    for seed in range(8):
        Image.fromarray(draw_edition(seed)).save(folder / f"{seed}.png")
    return folder


def test_plain_methods_find_unaltered_pictures(prints: Path) -> None:
    case = picture_case("prints", prints, queries=1)
    queries = [BenchQuery(r.read, r.design, r.specimen) for r in case.references]
    same = BenchCase("same", "drawn", case.references, queries)
    result = run_bench([same], [by_hash(), by_histogram(), SiftMethod()], progress=lambda *_: None)
    assert [row.figures["recall@1"].value for row in result.rows] == [1.0, 1.0, 1.0]
    assert "## same (drawn): 4 references, 4 queries" in table_of(result)


def test_photographs_by_computation_know_where_the_item_lies(prints: Path) -> None:
    case = picture_case("prints", prints, queries=8)
    assert len(case.queries) == 8 * len(FILLS)
    shares = []
    for query in case.queries:
        assert query.outline is not None
        x, y = query.outline[:, 0], query.outline[:, 1]
        area = 0.5 * abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1)))
        share = area / query.read()[..., 0].size
        # The polygon's corners lie on whole px and may lie outside the frame.
        near = {share_words(share * by) for by in (0.97, 1.0, 1.03)}
        assert query.strata["fills"] in near
        # Tilt makes the item smaller than it was asked to be, never much larger.
        shares.append(share)
    asked = [low_high for low_high in FILLS.values() for _ in range(8)]
    for share, (low, high) in zip(shares, asked, strict=True):
        assert 0.4 * low < share < 1.3 * high
    again = picture_case("prints", prints, queries=8)
    assert all(
        np.array_equal(one.read(), other.read())
        for one, other in zip(case.queries, again.queries, strict=True)
    )


@pytest.mark.parametrize(
    ("share", "said"),
    [(0.05, "less"), (0.15, "10-20 %"), (0.25, "20-40 %"), (0.6, "40-80 %"), (0.9, "more")],
)
def test_the_truth_beside_a_rendered_photo_tells_how_much_the_item_fills(
    tmp_path: Path, share: float, said: str
) -> None:
    item = np.zeros((10, 20), np.uint8)
    item.reshape(-1)[: round(200 * share)] = 255
    np.savez_compressed(tmp_path / "q001.truth.npz", item=item)
    assert frame_share(tmp_path / "q001.jpg") == {"fills": said}
    assert frame_share(tmp_path / "q002.jpg") == {}


def test_tables_beside_each_other_are_cases_of_their_own(
    prints: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    cases = []
    for name, asked in (("bands", "0"), ("seals", "1")):
        lines = ["path,item,role", *(f"{prints / f'{n}.png'},{n},reference" for n in range(2))]
        lines.append(f"{prints / '0.png'},{asked},query")
        Path(f"{name}.csv").write_text("\n".join(lines), encoding="utf-8")
        cases.append(photo_case(Path(f"{name}.csv")))
    assert [case.name for case in cases] == [f"{tmp_path.name}/bands", f"{tmp_path.name}/seals"]
    result = run_bench([*cases, cases[0]], [by_hash()], progress=lambda *_: None)
    again = f"{tmp_path.name}/bands (2)"
    assert [row.case for row in result.rows] == [*(case.name for case in cases), again]
    assert [row.figures["recall@1"].value for row in result.rows] == [1, 0, 1]
    assert table_of(result).count("| perceptual hash") == 3


def test_the_folder_one_is_in_has_its_name(prints: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(prints)
    assert picture_case(Path().name, Path(), queries=1).name == prints.name


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("path,item\na.png,a\n", "role"),
        ("path,item,role\na.png,a,suspect\n", "suspect"),
        ("path,item,role\na.png,a,query\n", "at least one reference"),
        ("path,item,role\na.png,a\n", "role must be"),
        ("path,item,role\n" + "x" * 200_000 + ",a,query\n", "field larger"),
    ],
)
def test_tables_that_cannot_be_used_say_why(tmp_path: Path, rows: str, said: str) -> None:
    table = tmp_path / "photos.csv"
    table.write_text(rows, encoding="utf-8")
    with pytest.raises(BenchInvalid, match=said):
        photo_case(table)


def test_a_table_of_a_spreadsheet_with_its_byte_order_mark_is_read(tmp_path: Path) -> None:
    table = tmp_path / "photos.csv"
    table.write_text("path,item,role\na.png,a,reference\nb.png,a,query\n", encoding="utf-8-sig")
    assert len(photo_case(table).queries) == 1


def test_a_folder_without_pictures_says_so(tmp_path: Path) -> None:
    with pytest.raises(BenchInvalid, match="fewer than four"):
        picture_case("none", tmp_path, queries=1)


def test_command_writes_all_rows(prints: Path, tmp_path: Path) -> None:
    lines = ["path,item,role"]
    for seed in range(4):
        lines += [f"{prints / f'{seed}.png'},{seed},{role}" for role in ("reference", "query")]
    table = tmp_path / "photos.csv"
    table.write_text("\n".join(lines), encoding="utf-8")
    done = CliRunner().invoke(
        app,
        ["bench", "retrieval", "--no-demo", "--photos", str(table), "--queries", "2",
         "--out", str(tmp_path / "out"), "--json"],
    )  # fmt: skip
    assert done.exit_code == 0, done.output
    result = json.loads((tmp_path / "out" / "retrieval.json").read_text(encoding="utf-8"))
    methods = {row["method"]: row for row in result["rows"]}
    assert len(methods) == 8
    for name in (
        "our embedding arm",
        "our local arm",
        "ours, fused",
        "ours, fused and compared",
        "SIFT + MAGSAC",
    ):
        assert methods[name]["figures"]["recall@1"]["value"] == 1.0, name
    table = (tmp_path / "out" / "retrieval.md").read_text(encoding="utf-8")
    assert table.count("| ours, fused") == 2


def test_nothing_to_measure_on_is_an_error() -> None:
    done = CliRunner().invoke(app, ["bench", "retrieval", "--no-demo"])
    assert done.exit_code == 1
    assert "Nothing to measure on" in done.output


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (["--world", "950001"], "Name a folder to keep rendered worlds in."),
        (["--world", "950001", "--times", "9"], "--times"),
        (["--world", "950001", "--worlds", "WORLDS", "--device", "cuda:99"], "cuda:99"),
        (["--world", "950001", "--worlds", "WORLDS", "--workers", "9999"], "--workers"),
    ],
)
def test_worlds_that_cannot_be_made_are_refused_with_what_to_do(
    given: list[str], said: str, tmp_path: Path
) -> None:
    folder = str(tmp_path / "worlds")
    done = CliRunner().invoke(
        app,
        ["bench", "retrieval", "--no-demo", *(folder if one == "WORLDS" else one for one in given)],
    )
    assert done.exit_code in (1, 2)
    assert said in click.unstyle(done.output)


def test_references_keep_what_they_are() -> None:
    reference = BenchReference(lambda: np.zeros((4, 4, 3), np.uint8), "A", "a")
    assert (reference.standing, reference.origin) == ("", "")


def test_photos_that_cannot_be_read_are_counted_and_named(prints: Path, tmp_path: Path) -> None:
    lines = ["path,item,role", f"{tmp_path / 'lost.png'},0,reference"]
    for seed in range(3):
        lines += [f"{prints / f'{seed}.png'},{seed},{role}" for role in ("reference", "query")]
    (tmp_path / "cut.png").write_bytes((prints / "0.png").read_bytes()[:3000])
    lines.append(f"{tmp_path / 'cut.png'},0,query")
    (tmp_path / "photos.csv").write_text("\n".join(lines), encoding="utf-8")
    case = photo_case(tmp_path / "photos.csv")
    result = run_bench([case], [by_hash()], progress=lambda *_: None)
    (about,) = result.cases
    assert (about.references, about.queries, len(about.left_out)) == (3, 3, 2)
    assert result.rows[0].figures["recall@1"].value == 1.0
    table, written = table_of(result), result.to_json()["cases"][0]["left_out"]
    assert "3 references, 3 queries" in table
    assert "2 left out:" in table
    for said in ("lost.png does not exist", "cut.png is damaged"):
        assert said in table
        assert said in " ".join(written)


def test_a_case_of_which_nothing_can_be_read_says_why(prints: Path, tmp_path: Path) -> None:
    rows = f"path,item,role\nlost.png,0,reference\n{prints / '0.png'},0,query\n"
    (tmp_path / "photos.csv").write_text(rows, encoding="utf-8")
    case = photo_case(tmp_path / "photos.csv")
    with pytest.raises(BenchInvalid, match=r"no reference can be read.*lost\.png does not exist"):
        run_bench([case], [by_hash()], progress=lambda *_: None)


def test_pictures_that_are_not_taken_are_named(prints: Path, tmp_path: Path) -> None:
    for seed in range(6):
        shutil.copy(prints / f"{seed}.png", tmp_path / f"{seed}.png")
    Image.new("RGB", (300, 199)).save(tmp_path / "small.png")
    (tmp_path / "cut.jpg").write_bytes(b"\xff\xd8\xff\xe0cut")
    Image.new("RGB", (3000, 700)).save(tmp_path / "strip.png")  # 187 px high as a reference
    cut, small, strip = picture_case("all", tmp_path, queries=1).left_out
    assert f"{tmp_path / 'cut.jpg'} is damaged or cut short" in cut
    assert f"{tmp_path / 'small.png'} is smaller than 200 px" in small
    assert f"{tmp_path / 'strip.png'} is smaller than 200 px" in strip


@pytest.mark.parametrize("make", [by_hash, by_histogram, SiftMethod])
def test_ties_do_not_go_by_the_order_of_rows(make: Callable[[], Method]) -> None:
    """Sixty pictures between which no method can tell: their order is no answer."""
    even = np.full((64, 64, 3), 128, np.uint8)
    references = [BenchReference(lambda: even, f"E{n}", f"specimen {n}") for n in range(60)]
    found = []
    for rows in (references, references[::-1]):
        method = make()
        method.prepare(rows, lambda *_: None)
        found.append([rows[position].specimen for position in method.rank(even).order])
    assert found[0] == found[1]
    assert found[0] not in (
        [r.specimen for r in references],
        [r.specimen for r in references[::-1]],
    )


def test_our_own_search_leaves_no_reference_out_in_silence(prints: Path) -> None:
    """A photo that goes once the run has begun is missed by no method alone."""

    def gone() -> np.ndarray:
        return decode_photo(prints / "gone.png").pixels

    references = [BenchReference(gone, "A", "a")]
    method = ArmsMethod("ours", lambda folder: [LocalArm(folder / "local", set_id="bench")])
    with pytest.raises(BenchInvalid, match=r"references cannot be read \(1\).*gone\.png"):
        method.prepare(references, lambda *_: None)
    method.close()
