"""Several threads, several processes, and sets that can only be read."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from records_material import photo_of, specimen_of

from loupebook.errors import SetBusy, SetDamaged, SetError, SetNotFound
from loupebook.records import queries
from loupebook.records.catalogue import Catalogue
from loupebook.records.drafts import Drafts
from loupebook.records.engine import translated
from loupebook.records.photo_store import PhotoStore, Stored
from loupebook.search.files import keep_atomically, make_database_file

ADDER = """
import sys
from pathlib import Path
from loupebook.records.catalogue import Catalogue
from records_material import photo_of, specimen_of
with Catalogue.open(Path(sys.argv[1]), wait_s=60) as catalogue:
    print("ready", flush=True)
    sys.stdin.readline()
    me = sys.argv[2]
    for number in range(int(sys.argv[3])):
        photos = [photo_of((me, number, 0)), photo_of((me, number, 1))]
        catalogue.add_specimen(specimen_of(f"{me}-{number}", marque="M"), photos, by=me)
        catalogue.add_specimen(specimen_of("shared"), [photo_of((me, number))], by=me)
"""


def start(code: str, *arguments: object) -> subprocess.Popen[str]:
    paths = os.pathsep.join([str(Path(__file__).parent), *filter(None, sys.path)])
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONPATH": paths},
    )


def test_processes_adding_at_once_lose_nothing(tmp_path: Path) -> None:
    each = 12
    Catalogue.create(tmp_path / "set", name="S").close()
    children = [start(ADDER, tmp_path / "set", name, each) for name in ("p", "q", "r")]
    for child in children:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
    for child in children:
        assert child.stdin is not None
        child.stdin.write("go\n")
        child.stdin.flush()
    for child in children:
        child.communicate(timeout=120)
        assert child.returncode == 0
    with Catalogue.open(tmp_path / "set") as catalogue:
        assert len(catalogue.photos()) == 3 * each * 3
        assert len(catalogue.photos("shared")) == 3 * each
        assert catalogue.count_specimens() == 3 * each + 1
        assert catalogue.marques() == ["M"]
        assert catalogue.info().change_counter == 3 * each * 2
        assert len(catalogue.events()) == 3 * each * 2
        report = catalogue.verify()
    assert report.ok
    assert report.leftovers == ()


def test_threads_share_one_catalogue(tmp_path: Path) -> None:
    with Catalogue.create(tmp_path / "set", name="S", wait_s=60) as catalogue:

        def add(number: int) -> int:
            catalogue.add_specimen(specimen_of(f"S{number}"), [photo_of(number)], by="me")
            catalogue.add_specimen(specimen_of("shared"), [photo_of(-number)], by="me")
            return len(catalogue.facts())

        with ThreadPoolExecutor(8) as pool:
            seen = list(pool.map(add, range(1, 25)))
        assert min(seen) >= 1
        assert len(catalogue.photos("shared")) == 24
        assert catalogue.info().change_counter == 48
        assert catalogue.verify().ok


def test_waiting_for_a_writer_ends_in_set_busy(tmp_path: Path) -> None:
    with Catalogue.create(tmp_path / "set", name="S", wait_s=0.1) as catalogue:
        catalogue.add_specimen(specimen_of("A"), [photo_of(1)], by="me")
        other = sqlite3.connect(catalogue.folder / "catalogue.sqlite", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(SetBusy, match="another process"):
            catalogue.add_specimen(specimen_of("B"), [photo_of(2)], by="me")
        assert [record.name for record in catalogue.specimens()] == ["A"]
        other.execute("ROLLBACK")
        other.close()
        assert catalogue.add_specimen(specimen_of("B"), [photo_of(2)], by="me").created
        assert catalogue.verify().leftovers == ()


def test_a_reader_sees_one_state_while_others_write(tmp_path: Path) -> None:
    with Catalogue.create(tmp_path / "set", name="S", wait_s=60) as catalogue:
        stop = threading.Event()
        torn: list[int] = []

        def watch() -> None:
            while not stop.is_set():
                report = catalogue.verify()
                if report.photos != 2 * report.specimens or not report.ok:
                    torn.append(report.photos)

        watcher = threading.Thread(target=watch)
        watcher.start()
        for number in range(15):
            photos = [photo_of((number, 0)), photo_of((number, 1))]
            catalogue.add_specimen(specimen_of(str(number)), photos, by="me")
        stop.set()
        watcher.join()
        assert torn == []


def test_a_reader_who_may_only_read_sees_what_others_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Catalogue.create(tmp_path / "set", name="S") as catalogue:
        catalogue.add_specimen(specimen_of("A"), [photo_of(1)], by="me")
    writer = Catalogue.open(tmp_path / "set")
    monkeypatch.setattr(os, "access", lambda *_: False)
    with Catalogue.open(tmp_path / "set") as reader:
        before = reader.info().change_counter
        assert len(reader.indexable()) == 1
        writer.withdraw("A", by="me", reason="found to be a copy")
        assert reader.indexable() == {}
        assert reader.info().change_counter == before + 1
        writer.reinstate("A", by="me")
        writer.close()
        assert len(reader.indexable()) == 1


@pytest.mark.parametrize("open_elsewhere", [False, True])
def test_a_set_that_can_only_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, open_elsewhere: bool
) -> None:
    # The tests may run as root, who may write everywhere; so the question is answered here.
    writer = Catalogue.create(tmp_path / "set", name="S")
    writer.add_specimen(specimen_of("A"), [photo_of(1)], by="me")
    if not open_elsewhere:
        writer.close()
    monkeypatch.setattr(os, "access", lambda *_: False)
    with Catalogue.open(tmp_path / "set") as catalogue:
        assert catalogue.read_only
        assert len(catalogue.facts()) == 1
        assert catalogue.verify().ok
        with pytest.raises(SetError, match="only be read"):
            catalogue.add_specimen(specimen_of("B"), [], by="me")
    if not open_elsewhere:
        assert sorted(p.name for p in (tmp_path / "set").iterdir()) == [
            "catalogue.sqlite",
            "photos",
        ]
    writer.close()


def test_a_reader_who_may_only_read_is_not_told_of_damage_where_others_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Catalogue.create(tmp_path / "set", name="S") as catalogue:
        for number in range(8):
            catalogue.add_specimen(specimen_of(str(number)), [photo_of(number)], by="me")
    monkeypatch.setattr(os, "access", lambda *_: False)
    file = tmp_path / "set" / "catalogue.sqlite"
    whole = file.read_bytes()
    asked = queries.list_photos

    def while_others_write(*wanted: Any) -> Any:
        # What a reader meets whose pages are written while it reads on.
        file.write_bytes(whole[:4096] + bytes(len(whole) - 4096))
        return asked(*wanted)

    with Catalogue.open(tmp_path / "set") as reader:
        with monkeypatch.context() as patch:
            patch.setattr(queries, "list_photos", while_others_write)
            with pytest.raises(SetBusy, match="changed while it was read; try again"):
                reader.photos()
        with pytest.raises(SetDamaged):
            reader.photos()
        file.write_bytes(whole)
        assert len(reader.photos()) == 8


def test_a_disk_that_refuses_says_so_and_what_to_do(tmp_path: Path) -> None:
    refused = sqlite3.OperationalError("disk I/O error")
    refused.sqlite_errorcode = sqlite3.SQLITE_IOERR_WRITE
    with (
        pytest.raises(SetError, match=r"disk may be full or gone: see to it, then try again"),
        translated(tmp_path / "catalogue.sqlite"),
    ):
        raise refused


def test_a_set_deleted_while_it_is_open_takes_no_change_and_does_not_come_back(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "set"
    with Catalogue.create(folder, name="S") as catalogue:
        catalogue.add_specimen(specimen_of("A"), [photo_of(1)], by="me")
        shutil.rmtree(folder)
        with pytest.raises(SetNotFound, match="deleted or replaced while it was open"):
            catalogue.add_specimen(specimen_of("B"), [photo_of(2)], by="me")
        with pytest.raises(SetNotFound):
            Drafts(folder).begin(by="me")
        with pytest.raises(SetError):
            PhotoStore(folder / "photos").put(b"a photo")
        with pytest.raises(FileNotFoundError):
            make_database_file(folder / "derived" / "embeddings" / "a.sqlite")
        keep_atomically(folder / "derived" / "readings" / "a.json", [b"{}"])
        assert not folder.exists()


def test_a_set_replaced_while_a_change_is_under_way_is_not_said_to_be_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "set"
    put = PhotoStore.put

    def put_then_replace(store: PhotoStore, data: bytes) -> Stored:
        outcome = put(store, data)
        shutil.move(folder, tmp_path / "elsewhere")
        Catalogue.create(folder, name="other").close()
        return outcome

    with Catalogue.create(folder, name="S") as catalogue:
        monkeypatch.setattr(PhotoStore, "put", put_then_replace)
        with pytest.raises(SetNotFound, match="open the set again"):
            catalogue.add_specimen(specimen_of("A"), [photo_of(1)], by="me")
    with Catalogue.open(folder) as other:
        assert other.count_specimens() == 0
