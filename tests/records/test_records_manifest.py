from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loupebook.errors import ManifestError, RecordInvalid
from loupebook.records.catalogue import Catalogue
from loupebook.records.manifest import COLUMNS, Manifest, read_manifest
from loupebook.records.manifest_cells import read_serials, serial_cell
from loupebook.records.model import (
    Element,
    IntakeState,
    Lighting,
    NewPhoto,
    Serial,
    Standing,
    View,
)
from loupebook.records.text import clean_name

HEADER = (
    "path,specimen,element,marque,edition,standing,origin,view,lighting,source,"
    "confirmed_by,confirmed_on,serial,notes"
)


def read(tmp_path: Path, text: str | bytes, **options: bool) -> Manifest:
    file = tmp_path / "manifest.csv"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_manifest(file, **options)


def faults(manifest: Manifest) -> list[tuple[int, str]]:
    return [(fault.line, fault.column) for fault in manifest.faults]


def test_a_full_row(tmp_path: Path) -> None:
    manifest = read(
        tmp_path,
        HEADER
        + ",basis,px_per_mm\n"
        + "a/b.jpg,S-1,band,Aldaria,1998,genuine,P1,face,diffuse,the maker,An Examiner,"
        '2024-02-29,left=77|right=77|12,"two\nlines",purchase,24.5\n',
    )
    (row,) = manifest.rows
    assert manifest.faults == manifest.findings == ()
    assert row.line == 2
    assert row.path == tmp_path / "a" / "b.jpg"
    assert row.path_text == "a/b.jpg"
    record = row.record
    assert (record.name, record.element, record.standing) == ("S-1", "band", "genuine")
    assert (record.marque, record.edition, record.origin) == ("Aldaria", "1998", "P1")
    assert (row.view, row.lighting, row.px_per_mm) == (View.FACE, Lighting.DIFFUSE, 24.5)
    assert record.provenance.source == "the maker"
    assert record.provenance.confirmed_by == "An Examiner"
    assert record.provenance.confirmed_on == "2024-02-29"
    assert record.provenance.basis == "purchase"
    assert record.serials == (Serial("77", "left"), Serial("77", "right"), Serial("12"))
    assert record.notes == "two\nlines"


def test_empty_is_not_recorded(tmp_path: Path) -> None:
    (row,) = read(tmp_path, HEADER + "\na.jpg,S,cap,,,fake,,,,,,,, \n").rows
    record = row.record
    assert (record.marque, record.edition, record.origin, record.notes) == (None,) * 4
    assert (row.view, row.lighting, row.px_per_mm, record.serials) == (None, None, None, ())


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_as_spreadsheets_save_it(
    tmp_path: Path, encoding: str, separator: str, line_end: str
) -> None:
    lines = [
        ["Path", " Specimen", "ELEMENT", "standing", "Confirmed-By", "px per mm"],
        ["a.jpg", "É 🙂", "Band", "GENUINE", "O'Neil", "12,5" if separator != "," else "12.5"],
        ["", "", "", "", "", ""],
        ["b.jpg", "T", "seal", "fake"],
    ]
    text = line_end.join(separator.join(line) for line in lines)
    manifest = read(tmp_path, text.encode(encoding))
    assert manifest.faults == manifest.findings == ()
    assert [(row.line, row.specimen) for row in manifest.rows] == [(2, "É 🙂"), (4, "T")]
    assert manifest.rows[0].confirmed_by == "O'Neil"
    assert manifest.rows[0].px_per_mm == 12.5


@pytest.mark.parametrize("view", ["left edge", "LEFT_EDGE", "left-edge"])
@pytest.mark.parametrize("lighting", ["UV-A", "uv a", "Uv_A"])
def test_values_are_read_leniently(tmp_path: Path, view: str, lighting: str) -> None:
    (row,) = read(
        tmp_path,
        f"path,specimen,element,standing,view,lighting\na,S, BAND ,Fake,{view},{lighting}",
    ).rows
    assert (row.view, row.lighting) == (View.LEFT_EDGE, Lighting.UV_A)


def test_every_fault_of_every_row_is_named_and_stops_nothing(tmp_path: Path) -> None:
    manifest = read(
        tmp_path,
        "path,specimen,element,standing,view,confirmed_on,px_per_mm,serial,notes\n"
        'a.jpg,A,band,genuine,,,,,"a\nlong\r\nnote"\n'
        ",B,label,perhaps,inside,1.2.2024,-3,=5,\n"
        "c.jpg,,band,genuine,,2024-02-30,many,x=,\x07\n"
        "d.jpg,D,band,genuine,face,,,,,surplus\n"
        "e.jpg,E,band\n"
        "f.jpg,F,cap,fake\n",
    )
    assert [(row.line, row.specimen) for row in manifest.rows] == [(2, "A"), (9, "F")]
    assert faults(manifest) == [
        *((5, column) for column in ("path", "element", "standing")),
        *((5, column) for column in ("confirmed_on", "view", "serial", "px_per_mm")),
        *((6, column) for column in ("specimen", "confirmed_on", "notes", "serial", "px_per_mm")),
        (7, ""),
        (8, "standing"),
    ]
    messages = {(fault.line, fault.column): fault.message for fault in manifest.faults}
    assert "band, seal, cap" in messages[5, "element"]
    assert "genuine, fake" in messages[5, "standing"]
    assert "left-edge" in messages[5, "view"]
    assert "YYYY-MM-DD" in messages[5, "confirmed_on"]
    assert "place=value" in messages[5, "serial"]
    assert "required" in messages[5, "path"]
    assert str(manifest.faults[0]).startswith(f"{tmp_path / 'manifest.csv'}:5: path: ")


@pytest.mark.parametrize(
    ("cell", "serials"),
    [
        ("left=77 | 12", (Serial("77", "left"), Serial("12"))),
        (r"https://verify.example/?c\=AB12", (Serial("https://verify.example/?c=AB12"),)),
        (r"left=12\|34|a\=b=99", (Serial("12|34", "left"), Serial("99", "a=b"))),
        (r"shelf\7 | a=b=c", (Serial(r"shelf\7"), Serial("b=c", "a"))),
    ],
)
def test_a_separator_may_belong_to_a_number(cell: str, serials: tuple[Serial, ...]) -> None:
    assert read_serials(cell, "serial") == serials
    assert read_serials(serial_cell(serials), "serial") == serials


def test_a_specimen_may_be_proposed_in_all_its_rows(tmp_path: Path) -> None:
    header = "path,specimen,element,standing,state\n"
    manifest = read(
        tmp_path,
        header + "a.jpg,S,band,fake,proposed\nb.jpg,S,band,fake,Proposed\nc.jpg,S,band,fake,\n"
        "d.jpg,T,band,fake,\ne.jpg,U,band,fake,withdrawn\n",
    )
    assert [row.record.state for row in manifest.rows] == ["proposed", "proposed", "confirmed"]
    assert faults(manifest) == [(4, "state"), (6, "state")]


@pytest.mark.parametrize("path", ["../a.jpg", "x/../../a.jpg", "..", "..\\a.jpg", "x\\..\\..\\a"])
def test_paths_that_leave_the_folder_are_refused(tmp_path: Path, path: str) -> None:
    manifest = read(tmp_path, f"path,specimen,element,standing\n{path},S,band,fake\n")
    assert faults(manifest) == [(2, "path")]
    assert "leaves" in manifest.faults[0].message


@pytest.mark.parametrize("path", ["x/../a.jpg", "./a.jpg", ".\\x\\..\\a.jpg", "a.jpg"])
def test_paths_that_stay_inside_are_read(tmp_path: Path, path: str) -> None:
    (row,) = read(tmp_path, f"path,specimen,element,standing\n{path},S,band,fake\n").rows
    assert (row.path, row.path_text) == (tmp_path / "a.jpg", path)


@pytest.mark.parametrize("path", ["/etc/a.jpg", "C:\\a.jpg", "\\\\host\\share\\a.jpg", "C:a.jpg"])
def test_absolute_paths_only_on_request(tmp_path: Path, path: str) -> None:
    text = f"path,specimen,element,standing\n{path},S,band,fake\n"
    assert faults(read(tmp_path, text)) == [(2, "path")]
    (row,) = read(tmp_path, text, allow_absolute=True).rows
    assert row.path == Path(path)


def test_unknown_columns_are_findings(tmp_path: Path) -> None:
    manifest = read(tmp_path, "path,specimen,element,standing,Colour\na,S,band,fake,red\n")
    assert len(manifest.rows) == 1
    assert manifest.faults == ()
    (finding,) = manifest.findings
    assert (finding.line, finding.column) == (1, "Colour")
    assert "not known" in finding.message


def test_a_photo_given_twice(tmp_path: Path) -> None:
    manifest = read(
        tmp_path,
        "path,specimen,element,standing,view\na.jpg,S,band,fake,face\n./a.jpg,S,band,fake,Face\n"
        "a.jpg,S,band,fake,back\n",
    )
    assert [row.line for row in manifest.rows] == [2]
    assert [(f.line, f.column) for f in manifest.findings] == [(3, "path")]
    assert faults(manifest) == [(4, "path")]
    assert "line 2" in manifest.faults[0].message


def test_rows_that_contradict_each_other(tmp_path: Path) -> None:
    manifest = read(
        tmp_path,
        "path,specimen,element,standing,marque\na,S,band,fake,\nb,S,band,genuine,\n"
        "c,S,cap,fake,\nd,S,band,fake,M\ne,S,band,fake,N\nf,S,band,fake,\n",
    )
    assert [row.line for row in manifest.rows] == [2, 5, 7]
    assert faults(manifest) == [(3, "standing"), (4, "element"), (6, "marque")]


def test_a_number_that_a_spreadsheet_rounded_is_pointed_out(tmp_path: Path) -> None:
    manifest = read(tmp_path, "path,specimen,element,standing,serial\na,S,seal,fake,1.23E+12\n")
    assert len(manifest.rows) == 1
    assert [(f.line, f.column) for f in manifest.findings] == [(2, "serial")]


def test_an_open_quote_is_reported_and_the_rest_is_read(tmp_path: Path) -> None:
    manifest = read(
        tmp_path,
        'path,specimen,element,standing\na,S,band,fake\n"b"x,T,band,fake\nc,U,band,fake\n"d,V\n',
    )
    assert [row.specimen for row in manifest.rows] == ["S", "U"]
    assert faults(manifest) == [(3, ""), (5, "")]


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "path is missing; the column specimen is missing"),
        (b"path,specimen,path\n", "element is missing; .*standing.*; the column path is there 2"),
        ("path,specimen\n".encode("utf-16"), "UTF-16"),
        (b"path,specimen,element,standing\na,S\xe9,band,fake\n", "line 2 is not UTF-8"),
        (b"path,specimen,element,standing\n\na,\0,band,fake\n", "line 3 holds a zero byte"),
        (b"\xff\xd8\xff\xe0" + bytes(50), "line 1 is not UTF-8"),
        (b'"path"x,specimen,element,standing\n', "cannot be split"),
    ],
)
def test_what_is_no_manifest(tmp_path: Path, content: bytes, reason: str) -> None:
    with pytest.raises(ManifestError, match=reason):
        read(tmp_path, content)


def test_too_large_missing_or_a_folder(tmp_path: Path) -> None:
    large = tmp_path / "large.csv"
    with large.open("wb") as file:
        file.truncate(64_000_001)
    with pytest.raises(ManifestError, match="at most 64,000,000"):
        read_manifest(large)
    with pytest.raises(ManifestError, match="No such file"):
        read_manifest(tmp_path / "missing.csv")
    with pytest.raises(ManifestError, match="cannot be read"):
        read_manifest(tmp_path)


@pytest.mark.external
def test_the_definitions_of_rfc_4180(tmp_path: Path) -> None:
    # RFC 4180, section 2: rule 2 (last line end may be missing), 6 (line breaks, quotes and
    # commas inside quoted fields), 7 (a quote inside is doubled); its own examples as values.
    manifest = read(
        tmp_path,
        'path,"specimen",element,standing,notes\r\n'
        '"aaa.jpg","bbb",band,fake,"b CRLF\r\nbb"\r\n'
        'zzz.jpg,"b""bb",band,fake,"yyy,xxx"',
    )
    assert [(row.line, row.specimen, row.notes) for row in manifest.rows] == [
        (2, "bbb", "b CRLF\nbb"),
        (4, 'b"bb', "yyy,xxx"),
    ]


@pytest.mark.external
@pytest.mark.parametrize("separator", [",", ";"])
def test_what_another_library_writes(tmp_path: Path, separator: str) -> None:
    pandas = pytest.importorskip("pandas", reason="the reference library is not installed")
    names = ["plain", "a,b", "a;b", 'say "x"', "é 🙂", " padded"]
    frame = pandas.DataFrame(
        {
            "path": [f"{number}.jpg" for number in range(len(names))],
            "specimen": names,
            "element": "seal",
            "standing": "genuine",
            "notes": [f"one\ntwo{separator} {name}" for name in names],
        }
    )
    file = tmp_path / "manifest.csv"
    frame.to_csv(file, sep=separator, index=False, encoding="utf-8-sig")
    manifest = read_manifest(file)
    assert manifest.faults == ()
    assert [row.specimen for row in manifest.rows] == [name.strip() for name in names]
    assert [row.notes for row in manifest.rows] == [note.strip() for note in frame["notes"]]
    assert [row.line for row in manifest.rows] == [2 + 2 * number for number in range(len(names))]


def is_name(text: str) -> bool:
    try:
        return clean_name(text, "x") == text
    except RecordInvalid:
        return False


NAME = st.text(max_size=20).filter(is_name)
OPTIONAL = st.none() | NAME
SERIAL_PART = NAME | st.text("a |=\\", min_size=1, max_size=8).filter(is_name)
ROW = st.fixed_dictionaries(
    {
        "specimen": NAME,
        "element": st.sampled_from(Element),
        "standing": st.sampled_from(Standing),
        "marque": OPTIONAL,
        "edition": OPTIONAL,
        "origin": OPTIONAL,
        "view": st.none() | st.sampled_from(View),
        "lighting": st.none() | st.sampled_from(Lighting),
        "source": OPTIONAL,
        "confirmed_by": OPTIONAL,
        "confirmed_on": st.none() | st.dates().map(str),
        "serials": st.lists(
            st.builds(Serial, SERIAL_PART, st.none() | SERIAL_PART.map(str.strip)), max_size=3
        ).map(lambda serials: tuple(dict.fromkeys(serials))),
        "notes": st.none() | st.lists(NAME, min_size=1, max_size=3).map("\n".join),
        "basis": OPTIONAL,
        "px_per_mm": st.none() | st.floats(0.001, 1e6),
        "state": st.sampled_from([IntakeState.PROPOSED, IntakeState.CONFIRMED]),
    }
)


def written(row: dict[str, object], column: str) -> object:
    if column == "serial":
        return serial_cell(row["serials"])  # type: ignore[arg-type]
    return "" if row[column] is None else row[column]


@settings(max_examples=60, deadline=None)
@given(
    rows=st.lists(ROW, max_size=6, unique_by=lambda row: row["specimen"]),
    separator=st.sampled_from(",;\t"),
    line_end=st.sampled_from(["\n", "\r\n"]),
    mark=st.booleans(),
    columns=st.permutations([column for column in COLUMNS if column != "path"]),
)
def test_what_is_written_is_read(
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[dict[str, object]],
    separator: str,
    line_end: str,
    mark: bool,
    columns: list[str],
) -> None:
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=separator, lineterminator=line_end)
    writer.writerow(["path", *columns])
    lines = []
    for number, row in enumerate(rows):
        so_far = text.getvalue()
        lines.append(1 + so_far.count("\n"))
        writer.writerow([f"{number}.jpg", *(written(row, column) for column in columns)])
    folder = tmp_path_factory.mktemp("manifest")
    manifest = read(folder, text.getvalue().encode("utf-8-sig" if mark else "utf-8"))
    assert manifest.faults == ()
    assert [row.line for row in manifest.rows] == lines
    assert [
        {name: getattr(found, name) for name in row}
        for found, row in zip(manifest.rows, rows, strict=True)
    ] == rows
    assert [row.path.name for row in manifest.rows] == [f"{n}.jpg" for n in range(len(rows))]


@settings(max_examples=150, deadline=None)
@given(
    content=st.binary(max_size=300)
    | st.text(max_size=300).map(lambda t: (HEADER + "\n" + t).encode("utf-8", "replace"))
)
def test_any_file_is_read_or_refused_in_our_words(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    folder = tmp_path_factory.getbasetemp()
    try:
        manifest = read(folder, content)
    except ManifestError:
        return
    assert all(fault.line >= 1 and fault.message for fault in manifest.faults)


def test_a_manifest_added_twice_adds_nothing_twice(tmp_path: Path) -> None:
    manifest = read(
        tmp_path,
        "path,specimen,element,standing,marque,serial,notes\na.jpg,S,band,fake,,1,x\n"
        "b.jpg,S,band,fake,M,1|2,y\nc.jpg,T,cap,genuine,,,\n",
    )
    with Catalogue.create(tmp_path / "set", name="S") as catalogue:
        for expected in (True, False):
            for row in manifest.rows:
                photo = NewPhoto(row.path_text.encode(), row.path_text, "image/png", 9, 9)
                outcome = catalogue.add_specimen(row.record, [photo], by="me")
                assert outcome.changed is expected
        assert catalogue.specimen("S").serials == (Serial("1"), Serial("2"))
        assert catalogue.specimen("S").notes == "x\ny"
        assert len(catalogue.photos()) == 3
